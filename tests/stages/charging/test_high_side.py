"""The high side while charging: entered as a limit, watched as in a start-up."""

import pytest

from logger.cli.stage_begin import entered
from logger.config.rig_file import parse_rig
from logger.model.events import JobOpened, RigLoaded
from logger.model.job import Job
from logger.model.units import NS_PER_S, PSI_PA
from logger.pipeline.acts import do
from logger.pipeline.engine import Engine

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


def charging(point: str, typed: str | None, *readings: float) -> Engine:
    """A charging begun with --high-side-limit as typed, without a scale, through these readings, psig, 1 s each."""
    engine = Engine()
    rig = parse_rig(RIG.format(point=point))
    engine.apply(RigLoaded(t_ns=T0, rig=rig))
    engine.apply(JobOpened(t_ns=T0, job=Job("j", "R-407C", 98.0)))
    body = {"kind": "charging", "settings": entered("charging", {"high_side_limit": typed})}
    do(engine, "stage-begin", body, T0)
    for i, psig in enumerate(readings, 1):
        engine.frame("text:gauge", T0 + i * NS_PER_S, f"{psig} psi".encode())
        engine.tick(T0 + i * NS_PER_S)
    return engine


@pytest.mark.parametrize("point", ["discharge_pressure", "liquid_pressure"])
def test_head_pressure_over_its_limit_is_an_alarm_while_charging(point: str) -> None:
    engine = charging(point, "380psig", 300, *[381] * 4)
    assert "high-head" in engine.judge.waiting()
    margin = engine.values["high_side_margin"]
    assert margin.number == pytest.approx(-1 * PSI_PA, abs=50)
    for t in range(60, 120):
        engine.frame("text:gauge", T0 + t * NS_PER_S, b"250 psi")
        engine.tick(T0 + t * NS_PER_S)
    assert "high-head" in engine.judge.waiting(), "latched: somebody must have seen it"


def test_below_its_limit_it_is_silent() -> None:
    engine = charging("discharge_pressure", "380psig", *[379] * 10)
    assert "high-head" not in engine.judge.waiting()
    assert engine.values["high_side_margin"].number == pytest.approx(1 * PSI_PA, abs=50)


def test_without_a_limit_the_margin_is_unknown_and_no_alarm() -> None:
    engine = charging("discharge_pressure", None, *[700] * 10)
    assert "high-head" not in engine.judge.waiting()
    assert engine.values["high_side_margin"].number is None and engine.values["high_side_margin"].problem
