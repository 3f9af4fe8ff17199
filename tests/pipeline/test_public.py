"""The public door: readings made here, by formulas that share no code with the analyses."""

import json
import math
import random
from collections.abc import Sequence
from datetime import date
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner

import logger
from logger.cli import rimelog
from logger.cli.analyse_command import _settings
from logger.cli.stage_begin import entered
from logger.model.cylinder import Cylinder
from logger.model.errors import ComputeError
from logger.model.finding import Verdict
from logger.model.job import Job
from logger.model.sample import Series
from logger.stages.settings import SettingError

MICRON = 0.13332237
HOUR = 3600.0


def vacuum(per_hour: float, seed: int = 4) -> Series:
    rng = random.Random(seed)
    t = [10.0 * i for i in range(541)]
    return Series(
        "vacuum", t, [MICRON * (220 + per_hour * x / HOUR + rng.gauss(0, 0.4)) for x in t], u=0.05, u_scale=0.6
    )


def warm() -> Series:
    return Series("system_temperature", [0.0, 2700.0, 5400.0], [295.0] * 3, u=0.05, u_scale=0.2)


@pytest.mark.parametrize(("per_hour", "cause"), [(0.0, "tight"), (180.0, "leak")])
def test_a_decay_test_of_anybody(per_hour: float, cause: str) -> None:
    found = logger.analyse(
        "decay-test", {"vacuum": vacuum(per_hour), "system_temperature": warm()}, {"profile": "ufgs-15182"},
        job=Job("x", "R-134a", 40.0, volume_m3=0.02), marks={"isolated": 0.0},
    )  # fmt: skip
    by_key = {finding.key: finding for finding in found.findings}
    assert by_key["decay.cause"].codes("cause_code") == (cause,)
    if cause == "leak":
        flow = by_key["decay.leak-rate"].value("flow")  # Q = V dp/dt, by hand
        assert flow is not None and flow.number == pytest.approx(0.02 * 180 * MICRON / HOUR, rel=0.05)


def test_a_pressure_test_of_anybody() -> None:
    t = [60.0 * i for i in range(1441)]
    kelvin = [295.0 + 3 * math.sin(x / 15000) for x in t]
    pressure = [2.2e6 * k / 295.0 for k in kelvin]
    found = logger.analyse(
        "pressure-test",
        {"system_pressure": Series("system_pressure", t, pressure, 200.0, 3000.0),
         "system_temperature": Series("system_temperature", t, kelvin, 0.05, 0.2)},
        {"share": 1.0},
    )  # fmt: skip
    assert found.findings[0].key == "standing-pressure.verdict"
    assert found.findings[0].verdict is not Verdict.FAIL


DIVISION = 0.02


def weighed(levels: list[tuple[float, float]], u_scale: float = 0.0) -> Series:
    """Straight between (time, kg), a reading a second, as a scale of that division shows it."""
    t, kg = [], []
    for (t0, kg0), (t1, kg1) in pairwise(levels):
        for i in range(round(t1 - t0)):
            t.append(t0 + i)
            kg.append(round((kg0 + (kg1 - kg0) * i / (t1 - t0)) / DIVISION) * DIVISION)
    return Series("cylinder_mass", t, kg, 0.3 * DIVISION, u_scale)


def test_a_recovery_of_anybody() -> None:
    """4 kg into the first cylinder, 2.5 kg into the second."""
    kg = weighed([(0, 12.0), (60, 12.0), (460, 16.0), (520, 16.0), (521, 11.0), (580, 11.0), (830, 13.5), (900, 13.5)])
    found = logger.analyse(
        "recovery", {"cylinder_mass": kg}, job=Job("x", "R-410A", 7.0), on_scale=[(0.0, "A"), (521.0, "B")],
        cylinders=[Cylinder("A", 11.5, 11.9, 2.76e6)],
    )  # fmt: skip
    by_key = {finding.key: finding for finding in found.findings}
    mass = by_key["recovery.mass"]
    moved = [v.number for name, v in mass.numbers() if name == "of_cylinder"]
    assert moved == pytest.approx([4.0, 2.5], abs=DIVISION)
    assert by_key["recovery.balance"].value("difference").number == pytest.approx(0.5, abs=DIVISION)  # type: ignore[union-attr]
    assert [stay.cylinder for stay in found.stays] == ["A", "B"]


def test_a_charge_of_anybody() -> None:
    kg = weighed([(0, 30.0), (60, 30.0), (460, 25.4), (520, 25.4)], 0.02)
    found = logger.analyse(
        "charging", {"cylinder_mass": kg}, {"target": 4.6, "direction": "supply"},
        job=Job("x", "R-410A", 40.0, appliance_class="commercial"), day=date(2026, 5, 4), division_kg=DIVISION,
    )  # fmt: skip
    by_key = {finding.key: finding for finding in found.findings}
    assert by_key["charging.target"].verdict is Verdict.PASS
    charged = by_key["charging.mass"].value("charged")
    assert charged is not None and charged.number == pytest.approx(4.6, abs=DIVISION)
    assert charged.u == pytest.approx(math.hypot(0.02, DIVISION / math.sqrt(6)), rel=0.3)
    assert "charging.leak_rate" in by_key


def test_a_toml_file_says_what_the_columns_are(tmp_path: Path) -> None:
    rows = [f"{t:.0f},{kg:.2f},{70 - t / 20:.1f}" for t, kg in zip(*_recovered(), strict=True)]
    (tmp_path / "any.csv").write_text("\r\n".join(["s,kg,in", *rows]) + "\r\n")
    (tmp_path / "columns.toml").write_text(
        'time = "s"\n[[column]]\npoint = "cylinder_mass"\nname = "kg"\nunit = "kg"\ndivision = "20g"\n'
        '[[column]]\npoint = "recovery_inlet_pressure"\nname = "in"\nunit = "psig"\naccuracy = "1psi"\n'
    )
    (tmp_path / "job.toml").write_text(
        '[job]\nrefrigerant = "R-410A"\nfull_charge = "9lb"\nrecovery_machine_made = 2019-05-01\n'
        '[[cylinder]]\nname = "A"\ntare = "25lb"\nwater_capacity = "48lb"\nservice_pressure = "400psi"\n'
    )
    base = ["analyse", str(tmp_path / "any.csv"), "--stage", "recovery", "--columns", str(tmp_path / "columns.toml")]
    done = CliRunner().invoke(rimelog, [*base, "--job", str(tmp_path / "job.toml"), "--cylinder", "A=0", "--json"])
    assert done.exit_code == 0, done.output
    found = {one["key"]: one for one in json.loads(done.output)["findings"]}
    assert "in cylinder A" in found["recovery.mass"]["text"]
    assert "recovery.level" in found
    both = CliRunner().invoke(rimelog, [*base, "--time", "s"])
    assert both.exit_code == 2 and "not both" in both.output
    (tmp_path / "columns.toml").write_text(
        'time = "s"\n[[column]]\npoint = "vacum"\nname = "kg"\nunit = "kg"\n'
        '[[column]]\npoint = "system_pressure"\nname = "in"\nunit = "kg"\nwater_factor = 1.4\n'
    )
    wrong = CliRunner().invoke(rimelog, base)
    assert wrong.exit_code == 2 and "column[1].point" in wrong.output and "column[2].unit" in wrong.output


def _recovered() -> tuple[Sequence[float], Sequence[float]]:
    series = weighed([(0, 12.0), (60, 12.0), (460, 16.0), (520, 16.0)])
    return series.t_s, series.value


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ([], "--time COLUMN"),
        (["--time", "s", "--column", "vacuum=Pv"], "POINT=COLUMN:UNIT"),
        (["--time", "s", "--column", "vacuum=Pv:microns", "--accuracy", "ambient_temperature=1F"], "no --column"),
        (["--time", "s", "--column", "vacuum=Pv:microns", "--gauge", "water_factor=9"], "water_factor"),
        (["--time", "s", "--column", "vacuum=Pv:microns", "--gauge", "colour=9"], "colour"),
        (["--time", "s", "--column", "cylinder_mass=Pv:kg", "--division", "1F"], "division"),
        (["--time", "s", "--column", "vacuum=Pv:microns", "--cylinder", "A"], "NAME=TIME"),
    ],
)
def test_what_is_wrong_with_the_options_is_said(tmp_path: Path, options: list[str], said: str) -> None:
    file = tmp_path / "any.csv"
    file.write_text("s,Pv\r\n0,220\r\n10,221\r\n")
    done = CliRunner().invoke(rimelog, ["analyse", str(file), "--stage", "decay-test", *options])
    assert done.exit_code == 2 and said in done.output, done.output


def test_what_cannot_be_taken_is_refused() -> None:
    with pytest.raises(ComputeError, match="recovery"):
        logger.analyse("recovering", {"vacuum": vacuum(0.0)})
    with pytest.raises(ComputeError, match="division"):
        logger.analyse("recovery", {"cylinder_mass": Series("cylinder_mass", [0.0, 1.0], [3.0, 3.0])})
    with pytest.raises(ComputeError, match="no measuring point"):
        logger.analyse("decay-test", {"vacum": vacuum(0.0)})
    with pytest.raises(ComputeError, match="times must rise"):
        logger.analyse("decay-test", {"vacuum": Series("vacuum", [1.0, 1.0], [3.0, 3.0])})
    with pytest.raises(ComputeError, match="no readings"):
        logger.analyse("decay-test", {})
    with pytest.raises(SettingError):
        logger.analyse("decay-test", {"vacuum": vacuum(0.0)}, {"colour": 1})


def test_the_command_reads_a_csv_and_marks_it_as_imported(tmp_path: Path) -> None:
    file, series = tmp_path / "anybody.csv", vacuum(180.0)
    lines = [f"{t},{p / MICRON:.2f},22.0" for t, p in zip(series.t_s, series.value, strict=True)]
    file.write_text("\r\n".join(["s,Pv,T", *lines]) + "\r\n")
    arguments = [
        "analyse", str(file), "--stage", "decay-test", "--time", "s", "--column", "vacuum=Pv:micron", "--column",
        "system_temperature=T:C", "--accuracy", "vacuum=8micron", "--set", "profile=ufgs-15182", "--mark", "isolated=0",
        "--refrigerant", "R-134a", "--charge", "4kg", "--volume", "20L",
    ]  # fmt: skip
    done = CliRunner().invoke(rimelog, arguments)
    assert done.exit_code == 0, done.output
    assert done.output.startswith("IMPORTED DATA") and "[ATTENTION]" in done.output
    wrong = CliRunner().invoke(rimelog, [*arguments[:-2], "--column", "vacuum=Nope:micron"])
    assert wrong.exit_code == 2 and "no column Nope" in wrong.output
    file.write_text("s,Pv,T\r\n0,abc,22\r\n")
    assert "line 2, column Pv" in CliRunner().invoke(rimelog, arguments).output
    file.write_text("s,Pv,T\r\n2026-03-02T18:10:05,220,22\r\n")
    assert "--time-zone" in CliRunner().invoke(rimelog, arguments).output


def test_settings_are_typed_as_stage_begin_has_them_and_yes_or_no_is_understood() -> None:
    assert _settings(("test-pressure=150psig", "--minor-repair=yes")) == {
        "test_pressure": "150psig", "minor_repair": "yes",
    }  # fmt: skip
    assert entered("recovery", {"leaking": "yes"}) == entered("recovery", {"leaking": "true"}) == {"leaking": True}
    assert entered("recovery", {"leaking": "no"}) == {"leaking": False}


def test_gauge_readings_of_a_file_follow_its_barometer(tmp_path: Path) -> None:
    """The air falls by 3 kPa and so does what the gauge leaves out: the absolute pressure stays."""
    rows = [f"{600 * i},{300 + i / 144 * 3000 / 6894.757:.4f},{102000 - 3000 * i / 144:.1f},21.0" for i in range(145)]
    (tmp_path / "any.csv").write_text("\n".join(["s,p,b,t", *rows]) + "\n")
    done = CliRunner().invoke(
        rimelog,
        ["analyze", str(tmp_path / "any.csv"), "--stage", "pressure-test", "--time", "s",
         "--column", "system_pressure=p:psig", "--column", "barometer=b:Pa", "--column", "system_temperature=t:C",
         "--accuracy", "system_pressure=0.5psi", "--accuracy", "barometer=1hPa", "--refrigerant", "R-22",
         "--set", "share=100%", "--mark", "holding=0", "--json"],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    verdict = json.loads(done.output)["findings"][0]
    drop = next(one for one in verdict["inputs"] if one["name"] == "drop")["value"]
    assert abs(drop["number"]) < 60.0
    assert verdict["verdict"] == "pass"
