"""A user's own blends: built the same way as the table, kept, and refused with a reason when written wrong."""

import re
from pathlib import Path

import pytest

from logger.refrigerant import UnknownRefrigerant, find
from logger.refrigerant import blends as module
from logger.refrigerant.blends import load_blends, read_blends

GOOD = """
[[blend]]
name = "TEST-1"
safety_class = "A1"
[blend.mass_percent]
"R32" = 50.0
"R-125" = 50
"""


def test_the_same_composition_gives_the_shipped_curve_and_the_second_time_comes_from_the_cache(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "blends.toml"
    path.write_text(GOOD)
    known = load_blends(path, tmp_path / "cache")
    (mine,) = known.blends
    assert known.find("test 1") is mine
    with pytest.raises(UnknownRefrigerant):
        find("test 1")  # a user's blend is in the user's catalogue alone
    shipped = find("R-410A")
    for pressure_pa in (1e5, 1e6, 4e6):
        assert mine.dew_temperature(pressure_pa) == pytest.approx(shipped.dew_temperature(pressure_pa), abs=1e-6)
    assert mine.safety_source == "the user's blend file" and mine.tier == "reference"

    def no_building(*_: object) -> None:
        raise AssertionError("it was built again")

    monkeypatch.setattr(module, "_built", no_building)
    (again,) = load_blends(path, tmp_path / "cache").blends
    assert again.bubble_pressure(300.0) == mine.bubble_pressure(300.0)


def test_a_damaged_cache_is_built_again(tmp_path: Path) -> None:
    path = tmp_path / "blends.toml"
    path.write_text(GOOD)
    load_blends(path, tmp_path / "cache")
    (kept,) = (tmp_path / "cache").iterdir()
    kept.write_bytes(kept.read_bytes()[:1000])
    (again,) = load_blends(path, tmp_path / "cache").blends
    assert again.bubble_pressure(300.0) == pytest.approx(find("R-410A").bubble_pressure(300.0), rel=1e-7)
    assert kept.stat().st_size > 1000


def test_a_pair_without_a_model_is_marked_estimated(tmp_path: Path) -> None:
    path = tmp_path / "blends.toml"
    path.write_text('[[blend]]\nname = "TEST-2"\n[blend.mass_percent]\nR-22 = 60\nR-124 = 40\n')
    (mine,) = load_blends(path, tmp_path / "cache").blends
    assert mine.estimated and mine.safety_class == "unknown"


def test_no_file_is_no_blends(tmp_path: Path) -> None:
    assert read_blends(tmp_path / "none.toml") == []


@pytest.mark.parametrize(
    "text, word",
    [
        ("not toml [", "not TOML"),
        ("[other]\nx = 1", "only .* tables"),
        (GOOD.replace('name = "TEST-1"', ""), "name is a text"),
        (GOOD.replace('"TEST-1"', '"bad\\u001bname"'), "name is a text"),
        (GOOD.replace("TEST-1", "---"), "names no refrigerant"),
        (GOOD.replace("TEST-1", "water"), "names no refrigerant"),
        (GOOD.replace("= 50\n", "= nan\n"), "not a percentage"),
        (GOOD.replace("= 50\n", "= 40\n"), "add up to 90.00"),
        (GOOD.replace("= 50\n", '= "half"\n'), "not a percentage"),
        (GOOD.replace("= 50\n", "= -50\n"), "not a percentage"),
        (GOOD.replace('"R-125" = 50', '"R-32" = 50'), "named twice"),
        (GOOD.replace('"R-125"', '"R-410A"'), "itself a blend"),
        (GOOD.replace('"R-125"', '"water"'), "not known"),
        (GOOD.replace("safety_class", "colour"), "nothing else"),
        ('[[blend]]\nname="X"\n[blend.mass_percent]\nR-32 = 99.9\n', "2 to 8 components"),
        ("x" * 200_000, "larger than"),
    ],
)
def test_a_wrong_file_says_what_is_wrong(tmp_path: Path, text: str, word: str) -> None:
    path = tmp_path / "blends.toml"
    path.write_text(text)
    known = load_blends(path, tmp_path / "cache")
    ((_, fault),) = known.faults
    assert known.blends == ()
    assert re.search(word, fault) and str(path) in fault
    assert known.find("R-134a").pure  # nothing else is touched


def test_a_name_of_the_table_cannot_be_taken(tmp_path: Path) -> None:
    path = tmp_path / "blends.toml"
    path.write_text(GOOD.replace("TEST-1", "R-407C"))
    known = load_blends(path, tmp_path / "cache")
    assert known.blends == () and "choose another name" in known.faults[0][1]
    assert known.find("R-407C") is find("R-407C")


def test_a_fluid_coolprop_does_not_know_is_an_error(tmp_path: Path) -> None:
    path = tmp_path / "blends.toml"
    path.write_text('[[blend]]\nname = "TEST-3"\n[blend.mass_percent]\nR-32 = 60\nR-9999 = 40\n')
    known = load_blends(path, tmp_path / "cache")
    assert known.blends == ()
    with pytest.raises(UnknownRefrigerant, match=r"blends.toml: blend\[1\]: TEST-3: CoolProp cannot describe"):
        known.find("test 3")


def test_a_wrong_blend_makes_only_itself_unavailable(tmp_path: Path) -> None:
    path = tmp_path / "blends.toml"
    path.write_text(GOOD.replace("TEST-1", "TEST-4").replace("= 50\n", "= 40\n") + GOOD)
    known = load_blends(path, tmp_path / "cache")
    (mine,) = known.blends
    assert known.find("TEST-1") is mine
    with pytest.raises(UnknownRefrigerant, match=r"blends.toml: blend\[1\].*add up to 90.00"):
        known.find("TEST-4")
    with pytest.raises(UnknownRefrigerant) as caught:
        known.find("R-9999")
    assert "blends.toml" not in str(caught.value)
