"""`rimelog sat`, `refrigerants` and `cylinder` as typed, and what they print."""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from logger.cli import rimelog
from logger.cli.errors import is_user_error
from logger.refrigerant.compositions import SAFETY_SOURCE

LIMITS = "cylinder limits --refrigerant R410A --water-capacity 47.6lb --tare 27.5lb --service-pressure 400psi"


@pytest.fixture(autouse=True)
def own_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RIMELOG_DATA", str(tmp_path / "data"))


def run(line: str, *more: str) -> Result:
    return CliRunner().invoke(rimelog, [*line.split(), *more])


def out(line: str, *more: str) -> str:
    result = run(line, *more)
    assert result.exit_code == 0, result.output
    return result.output


def data(line: str, *more: str) -> Any:
    return json.loads(out(line, *more, "--json"))


def refused(line: str, *more: str) -> str:
    """The message: either click's own, or an error whose text is meant for the user."""
    result = run(line, *more)
    assert result.exit_code != 0
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        assert isinstance(result.exception, Exception) and is_user_error(result.exception), repr(result.exception)
        return str(result.exception)
    return result.output


def test_sat_by_gauge_pressure() -> None:
    """R-410A at 118 psig: 39.84 °F dew (C)."""
    text = out("sat r410a --pressure 118psig")
    assert "dew point (for superheat)            39.8 °F" in text
    assert (
        "assumed: sea level" in text
        and "safety class A1" in text
        and "data grade" not in text
        and "licensed practice" in text
    )
    found = data("sat 410A --pressure 118psig")
    assert found["dew_temperature"]["value"] == pytest.approx(39.84, abs=0.01)
    assert found["dew_temperature"]["si"] == pytest.approx((39.84 + 459.67) / 1.8, abs=0.01)
    assert found["refrigerant"] == "R-410A" and found["barometer"]["note"].startswith("barometer 101.3 kPa")


def test_sat_with_the_barometer() -> None:
    """Where the barometer is 83.4 kPa: 38.69 °F (C)."""
    for option in (("--barometer", "83.4kPa"), ("--barometer", "24.628inHg"), ("--altitude", "5290ft")):
        found = data("sat R-410A -p 118psig", *option)
        assert found["dew_temperature"]["value"] == pytest.approx(38.69, abs=0.02)
    around = data("sat R-410A -p 118psig --barometer 29.92inHg --units us")["barometer"]
    assert (around["unit"], around["value"]) == ("inHgabs", pytest.approx(29.92))  # absolute, and said to be
    assert data("sat R-410A -p 118psig --units si")["barometer"]["value"] == pytest.approx(1013.25)  # hPa
    assert "ISO 2533 standard atmosphere" in " ".join(out("sat R-410A -p 118psig --altitude 5280ft").split())


def test_sat_by_temperature_in_si() -> None:
    """R-407C at 20 °C: bubble 10.38 bar, dew 8.80 bar (S)."""
    found = data("sat R-407C -t 20C --units si")
    assert found["bubble_pressure"]["si"] == pytest.approx(10.38e5, rel=6e-4)
    assert found["dew_pressure"]["si"] == pytest.approx(8.80e5, rel=6e-4)
    assert found["bubble_pressure"]["unit"] == "barg"
    assert found["liquid_density"]["si"] > found["vapour_density"]["si"] > 0


def test_sat_with_a_line_temperature() -> None:
    """R-407C, 70 psig and 55 °F: superheat 10.46 °F (C)."""
    assert data("sat R-407C -p 70psig --line 55F")["superheat"]["value"] == pytest.approx(10.46, abs=0.02)
    liquid = data("sat R-407C -p 250psig --line 95F")
    assert liquid["subcooling"]["value"] == pytest.approx(12.16, abs=0.02)
    assert liquid["superheat"]["value"] is None
    assert "none, the line is above the bubble point" in out("sat R-407C -p 70psig --line 55F")


def test_sat_of_water_reads_a_vacuum_gauge() -> None:
    """500 micron: -24.5 °C (IAPWS)."""
    found = data("sat water -p 500micron --units si")
    assert found["saturation_temperature"]["value"] == pytest.approx(-24.5, abs=0.05)
    assert found["phase"] == "ice"
    assert data("sat water -t 20C")["saturation_pressure"]["value"] == pytest.approx(17546, abs=2)
    assert "barometer" not in out("sat water -p 500micron")


def test_part_of_an_answer_is_shown_with_the_reason_for_the_rest() -> None:
    text = out("sat R-455A -t -140F --units si")
    assert "below the range of the table" in text and "barg" in text


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("sat R-41A -t 40F", "R-410A"),
        ("sat R-410A", "either --pressure or --temperature"),
        ("sat R-410A -t 40F -p 118psig", "either --pressure or --temperature"),
        ("sat R-410A -t 200F", "above the range of the table"),
        ("sat R-744 -p 15psia", "below the range of the table, 518.2 kPa abs"),
        ("sat R-410A -p 118psi", "say psig or psia"),
        ("sat R-410A -p 118", "has no unit"),
        ("sat R-410A -p 40inHg", "above a perfect vacuum"),
        ("sat R-410A -t -500F", "absolute zero"),
        ("sat R-410A -p 118psig --altitude 5000ft --barometer 90kPa", "not both"),
        ("sat R-410A -p 118psig --barometer 29.9psia", "absolute station pressure"),
        ("sat R-410A -p 118psig --altitude 90000ft", "outside"),
        ("sat R-410A -t 40F --line 50F", "needs --pressure"),
        ("sat water -p 500micron --line 50F", "is for a refrigerant"),
        ("refrigerants R-9999", "not in the table"),
    ],
)
def test_sat_refuses_clearly(line: str, word: str) -> None:
    assert word in refused(line)


def test_refrigerants_are_listed_with_tier_glide_and_classes() -> None:
    text = out("refrigerants")
    assert text.count("\nR-") >= 60 and SAFETY_SOURCE in " ".join(text.split())
    assert all(len(line) <= 80 for line in text.splitlines())
    (row,) = (line for line in text.splitlines() if line.startswith("R-438A"))
    assert row.split() == ["R-438A", "-44.3", "16.6", "184.9", "high", "A1", "estimated"]
    assert "R-134a 44.2, R-600 1.7" in out("refrigerants 438")
    listed = data("refrigerants 410")
    assert [r["name"] for r in listed] == ["R-410A"] and listed[0]["coolprop"].startswith("8.")


def test_limits_name_the_binding_rule() -> None:
    """R-410A in 47.6 lb: 38.9 lb by P200, 40.3 by 80 % (C); 66.4 lb on the scale."""
    text = out(LIMITS)
    assert "> UN P200" in text and "Stop at 66.35 lb on the scale (38.85 lb net): UN P200 binds" in text
    assert "484 psig" in text and "licensed practice" in " ".join(text.split())
    found = data(LIMITS)
    assert found["binding"] == "un-p200"
    nets = {rule["key"]: rule["net"]["value"] for rule in found["rules"]}
    assert nets["un-p200"] == pytest.approx(38.9, abs=0.06) and nets["80-percent"] == pytest.approx(40.3, abs=0.06)
    assert found["max_gross"]["value"] == pytest.approx(27.5 + nets["un-p200"], abs=1e-5)


def test_what_must_not_be_exceeded_is_never_rounded_up() -> None:
    found = data(LIMITS)
    shown = float(out(LIMITS).split("Stop at ")[1].split(" lb")[0])
    assert shown <= found["max_gross"]["value"] < shown + 0.01


def test_limits_say_when_the_shell_would_be_full() -> None:
    assert "liquid fills the shell at 140.0 °F" in " ".join(out(LIMITS).split())
    assert data(LIMITS + " --units si")["liquid_full_temperature"]["value"] == pytest.approx(60.0)


def test_limits_by_jurisdiction() -> None:
    assert data(LIMITS + " --jurisdiction us")["binding"] == "80-percent"
    assert data(LIMITS.replace("R410A", "R22") + " --jurisdiction un")["max_net"]["value"] == pytest.approx(
        1.03 * 47.6, abs=0.01
    )  # P200's filling ratio of UN 1018, by the mass of water


def test_an_unsuitable_cylinder_is_not_to_be_filled() -> None:
    text = out(LIMITS.replace("400psi", "350psi") + " --tested 2010-01")
    assert "DO NOT FILL" in text and text.count("[FAIL]") == 2


def test_an_unknown_mixture_is_held_to_the_least_dense() -> None:
    found = data("cylinder limits --candidates R-22,R-404A --water-capacity 47.6lb --tare 27.5lb")
    assert {rule["refrigerant"] for rule in found["rules"]} == {"R-404A"}
    assert any("Unknown mixture" in note for note in found["notes"])


def test_kept_cylinders() -> None:
    assert "no cylinders" in out("cylinder list")
    add = "cylinder add C-1 --tare 27.5lb --water-capacity 47.6lb --service-pressure 400psi --refrigerant 410a"
    assert "kept C-1" in out(add + " --tested 2024-02")
    assert "kept already" in refused(add)
    assert "R-410A" in out("cylinder list") and "66.35 lb" in out("cylinder list")
    assert data("cylinder show c-1")["binding"] == "un-p200"
    assert data("cylinder list")[0]["tested"] == "2024-02"
    assert data("cylinder limits C-1 --refrigerant R-22")["binding"] == "80-percent"
    assert data("cylinder list --units si")[0]["max_gross"]["value"] == pytest.approx(66.36 * 0.45359237, abs=0.005)
    again = data(add + " --replace --units si")
    assert again["binding"] == "un-p200" and again["max_gross"]["unit"] == "kg"
    assert "forgot C-1" in out("cylinder remove C-1")
    out(add)
    assert data("cylinder remove C-1")["forgot"]["name"] == "C-1"
    assert "none are kept" in refused("cylinder show C-1")


def test_check_of_the_contents() -> None:
    out("cylinder add C-1 --tare 27.5lb --water-capacity 47.6lb --service-pressure 400psi --refrigerant R-134a")
    found = data("cylinder check C-1 --gross 60lb --temperature 80F")
    assert found["net_mass"]["value"] == pytest.approx(32.5)
    assert found["net_mass"]["standard_uncertainty_si"] == pytest.approx(0.1 * 0.45359237 / 3**0.5)
    assert 0.5 < found["fill_now"]["si"] < 0.6
    text = out("cylinder check C-1 --pressure 120psig --temperature 80F --settled")
    assert "[FAIL] Air" in text and "assumed: sea level" in " ".join(text.split())
    unsettled = out("cylinder check C-1 --pressure 120psig --temperature 80F")
    assert "[CAN'T TELL] Non-condensables" in unsettled and "[FAIL]" not in unsettled


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("cylinder limits --refrigerant water --water-capacity 47lb --tare 27lb", "no refrigerant cylinder holds it"),
        ("cylinder limits --refrigerant nitrogen --water-capacity 47lb --tare 27lb", "pressure alone"),
        ("cylinder limits --refrigerant R-22", "give --tare and --water-capacity"),
        ("cylinder limits --refrigerant R-22 --water-capacity 47psi --tare 27lb", "not a mass"),
        ("cylinder limits --refrigerant R-22 --water-capacity 0lb --tare 27lb", "above zero"),
        ("cylinder limits --refrigerant R-22 --water-capacity 1e400lb --tare 27lb", "too large"),
        ("cylinder limits --refrigerant R-22 --water-capacity 1e9lb --tare 27lb", "up to 100 000 kg"),
        ("cylinder limits --refrigerant R-22 --water-capacity 47lb --tare 27lb --service-pressure 0psi", "above zero"),
        ("cylinder limits --refrigerant R-22 --water-capacity 47lb --tare 27lb --tested 2021-W05-3", "no date"),
        ("cylinder limits --refrigerant R-22 --water-capacity 47lb --tare 27lb --tested 2023-02-29", "no date"),
        ("cylinder add C --water-capacity 47lb --tare 27lb --contents -5lb", "not below zero"),
        ("cylinder add C --water-capacity 1e400lb --tare 27lb", "too large"),
        ("cylinder limits --refrigerant R-22 --candidates R-22 --water-capacity 47lb --tare 27lb", "not both"),
        ("cylinder limits --candidates , --water-capacity 47lb --tare 27lb", "1 to 20"),
        ("cylinder limits nobody", "no cylinder 'nobody'"),
        ("cylinder check --refrigerant R-22 --water-capacity 47lb --tare 27lb", "--gross or --net"),
        ("cylinder limits --refrigerant R-22 --water-capacity 47lb --tare 27lb --tested someday", "no date"),
        ("cylinder add C\x1b[31m --water-capacity 47lb --tare 27lb", "ordinary characters"),
    ],
)
def test_cylinder_refuses_clearly(line: str, word: str) -> None:
    assert word in refused(line)


def test_a_vacuum_is_told_as_a_gauge_shows_it() -> None:
    """R-123 at 40 °F: 18.2 inHg below 29.92 (CoolProp)."""
    assert "18.2 in. Hg vac" in out("sat R-123 -t 40F")
    assert "5.0 in. Hg vac" in out("sat R-22 -p 5inHg --altitude 5280ft")
    assert "vacuum" not in out("sat R-123 -t 40F --units si") + out("sat R-22 -t 40F")


def test_a_mass_has_its_uncertainty_beside_it() -> None:
    """A scale good to 0.1 lb: 2 x 0.1 / root 3."""
    check = "cylinder check --refrigerant R-410A --water-capacity 47.6lb --tare 27.5lb --temperature 77F --net "
    assert "net mass                       30.0 lb ± 0.1 lb (k=2)" in out(check + "30lb")
    assert "within the scale's uncertainty" in out(check + "38.8lb")


def test_what_an_estimated_or_predictive_blend_gives_is_marked() -> None:
    limits = "cylinder limits --water-capacity 47.6lb --tare 27.5lb --refrigerant "
    text = " ".join(out(limits + "R-438A").split())
    assert text.startswith("R-438A (estimated): ") and "less 5 %: estimated blend" in text
    assert out(limits + "R-417A").startswith("R-417A (predictive): ")
    assert "ESTIMATED" in out("sat R-438A -t 20C") and "data grade predictive" in out("sat R-417A -t 20C")


def test_the_list_says_which_cylinder_is_not_to_be_filled() -> None:
    out("cylinder add CO2 --tare 27.5lb --water-capacity 47.6lb --service-pressure 400psi --refrigerant R-744")
    text = " ".join(out("cylinder list").split())
    assert ": do not fill" in text and "licensed practice" in text


def test_a_users_blend_is_a_refrigerant_like_any_other(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "blends.toml").write_text(
        '[[blend]]\nname = "SHOP-1"\nsafety_class = "A1"\n[blend.mass_percent]\nR-32 = 50\nR-125 = 50\n'
    )
    found = data("sat shop-1 -p 118psig")
    assert found["dew_temperature"]["value"] == pytest.approx(39.84, abs=0.01)
    assert found["safety_source"] == "the user's blend file"


def test_a_wrong_blend_of_the_users_stops_no_other_command(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "blends.toml").write_text(
        '[[blend]]\nname = "SHOP-2"\n[blend.mass_percent]\nR-32 = 50\nR-125 = 40\n'
    )
    assert "R-410A" in out("sat R-410A -p 118psig")
    assert "blend[1] (SHOP-2): the percentages add up to 90.00, not 100" in " ".join(out("refrigerants R-41").split())


def test_an_overfilled_cylinder_fails() -> None:
    """47.6 lb of water at 80 %: 38 lb of water's volume; by R-410A's density at 77 °F some 40 lb net."""
    check = "cylinder check --refrigerant R410A --water-capacity 47.6lb --tare 27.5lb --service-pressure 400psi"
    over = run(f"{check} --net 46lb")
    assert over.exit_code == 1
    assert "[FAIL] OVER ITS LIMIT" in over.output.replace("Over its limit", "OVER ITS LIMIT")
    assert run(f"{check} --net 46lb --json").exit_code == 1
    assert json.loads(run(f"{check} --net 46lb --json").output)["findings"][0]["verdict"] == "fail"
    assert "[PASS] Room left" in out(f"{check} --net 20lb")
