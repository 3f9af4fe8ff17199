"""The high side while charging: entered as a limit, watched as in a start-up."""

import pytest

from logger.cli.stage_begin import entered
from logger.config.rig_file import parse_rig
from logger.model import records
from logger.model.job import Job
from logger.model.plain import plain
from logger.model.units import NS_PER_S, PSI_PA
from logger.pipeline.acts import do
from logger.pipeline.engine import Pipeline

T0 = 1_772_467_200_000_000_000
RIG = """
[rig]
name = "r"

[[device]]
name = "gauge"
kind = "text"
url = "/dev/gauge"
  [[device.channel]]
  point = "{point}"
  pattern = '(?P<value>[0-9.]+) (?P<unit>psi)'
  units = {{ psi = "psig" }}
  division = "1psi"
  range = ["0psig", "800psig"]
"""


def charging(point: str, typed: str | None, *readings: float) -> Pipeline:
    """A charging begun with --high-side-limit as typed, without a scale, through these readings, psig, 1 s each."""
    pipeline = Pipeline()
    rig = parse_rig(RIG.format(point=point))
    pipeline.apply({"type": records.RIG_LOADED, "t_ns": T0, "rig": plain(rig)})
    pipeline.apply({"type": records.JOB_OPENED, "t_ns": T0, "job": plain(Job("j", "R-407C", 98.0)), "cylinders": []})
    body = {"kind": "charging", "settings": entered("charging", {"high_side_limit": typed})}
    do(pipeline, "stage-begin", body, T0)
    for i, psig in enumerate(readings, 1):
        pipeline.frame("text:gauge", T0 + i * NS_PER_S, f"{psig} psi".encode())
        pipeline.tick(T0 + i * NS_PER_S)
    return pipeline


@pytest.mark.parametrize("point", ["discharge_pressure", "liquid_pressure"])
def test_head_pressure_over_its_limit_is_an_alarm_while_charging(point: str) -> None:
    pipeline = charging(point, "380psig", 300, *[381] * 4)
    assert "high-head" in pipeline.waiting_alarms()
    margin = pipeline.values["high_side_margin"]
    assert margin.number == pytest.approx(-1 * PSI_PA, abs=50)
    for t in range(60, 120):
        pipeline.frame("text:gauge", T0 + t * NS_PER_S, b"250 psi")
        pipeline.tick(T0 + t * NS_PER_S)
    assert "high-head" in pipeline.waiting_alarms(), "latched: somebody must have seen it"


def test_below_its_limit_it_is_silent() -> None:
    pipeline = charging("discharge_pressure", "380psig", *[379] * 10)
    assert "high-head" not in pipeline.waiting_alarms()
    assert pipeline.values["high_side_margin"].number == pytest.approx(1 * PSI_PA, abs=50)


def test_without_a_limit_the_margin_is_unknown_and_no_alarm() -> None:
    pipeline = charging("discharge_pressure", None, *[700] * 10)
    assert "high-head" not in pipeline.waiting_alarms()
    assert pipeline.values["high_side_margin"].number is None and pipeline.values["high_side_margin"].problem
