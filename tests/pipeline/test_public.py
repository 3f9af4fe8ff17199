"""The public door: readings made here, by formulas that share no code with the analyses."""

import math
import random

import pytest
from click.testing import CliRunner

import logger
from logger.cli import rimelog
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


def test_what_cannot_be_taken_is_refused() -> None:
    with pytest.raises(ComputeError, match="recovery"):
        logger.analyse("recovery", {"vacuum": vacuum(0.0)})
    with pytest.raises(ComputeError, match="no measuring point"):
        logger.analyse("decay-test", {"vacum": vacuum(0.0)})
    with pytest.raises(ComputeError, match="times must rise"):
        logger.analyse("decay-test", {"vacuum": Series("vacuum", [1.0, 1.0], [3.0, 3.0])})
    with pytest.raises(ComputeError, match="no readings"):
        logger.analyse("decay-test", {})
    with pytest.raises(SettingError):
        logger.analyse("decay-test", {"vacuum": vacuum(0.0)}, {"colour": 1})


def test_the_command_reads_a_csv_and_marks_it_as_imported(tmp_path: object) -> None:
    from pathlib import Path

    assert isinstance(tmp_path, Path)
    file, series = tmp_path / "anybody.csv", vacuum(180.0)
    lines = [f"{t},{p / MICRON:.2f},22.0" for t, p in zip(series.t_s, series.value, strict=True)]
    file.write_text("\r\n".join(["s,Pv,T", *lines]) + "\r\n")
    arguments = [
        "analyse", str(file), "--stage", "decay-test", "--time", "s", "--column", "vacuum=Pv:micron", "--column",
        "system_temperature=T:C", "--accuracy", "vacuum=8micron", "--set", "profile=ufgs-15182", "--mark", "isolated=0",
        "--refrigerant", "R-134a", "--charge", "40kg", "--volume", "20L",
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
