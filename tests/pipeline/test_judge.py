"""Which alarms watch after a restart: those of rig, running stage and the user's table, from the first second."""

from dataclasses import replace

import pytest

from logger.config.rig_file import parse_rig
from logger.model.cylinder import Cylinder
from logger.model.events import CylinderOnScale, Event, JobOpened, RigLoaded, StageBegun, StageEnded
from logger.model.job import Job
from logger.model.units import NS_PER_S
from logger.pipeline.engine import Engine
from logger.stages.pressure_test.definition import TEST_PRESSURE_MARGIN
from sim_device.rig import rig_toml

T0_NS = 1_800_000_000 * 10**9
DEVICES = {
    name: f"socket://127.0.0.1:{port}" for port, name in enumerate(("scale", "recovery board", "vacuum board"), 1)
}
RIG = parse_rig(rig_toml(DEVICES, "recovery", 4) + '\n[alarms.overfill-soon]\nlimit = "85%"\n')
CYLINDER = Cylinder("cylinder 1", 12.5, 21.6, 2.76e6)
BEFORE: tuple[Event, ...] = (
    JobOpened(t_ns=T0_NS, job=Job("j", "R-407C"), cylinders=(CYLINDER,)),
    RigLoaded(t_ns=T0_NS, rig=RIG),
    CylinderOnScale(t_ns=T0_NS, cylinder=CYLINDER, reading_kg=None),
)
BEGUN = StageBegun(t_ns=T0_NS + NS_PER_S, number=1, kind="recovery")


def after(*events: Event) -> Engine:
    """Live again, the record of before read."""
    engine = Engine()
    for event in (*BEFORE, *events):
        engine.apply(event)
    engine.go_live()
    return engine


def limits(engine: Engine, at_s: float) -> dict[str, float | None]:
    engine.tick(T0_NS + int(at_s * NS_PER_S))
    return {rule.key: rule.limit for rule in engine.judge.alarm_engine.rules}


def test_after_a_restart_the_alarms_of_rig_stage_and_table_watch_at_once() -> None:
    found = limits(after(BEGUN), 2.0)
    assert found["overfill"] == 1.0
    assert found["overfill-soon"] == pytest.approx(0.85)
    assert {"fill-unknown", "no-data-cylinder_mass", "many-alarms"} <= set(found)


TEST = StageBegun(t_ns=T0_NS + NS_PER_S, number=1, kind="pressure-test", settings={"test_pressure": 2e6})


def test_they_follow_what_a_second_engine_has_read_of_the_rest_of_the_record() -> None:
    engine, whole = after(), Engine()
    for event in (*BEFORE, TEST):
        whole.apply(event)
    assert limits(engine, 2.0)["test-overpressure"] is None
    engine.adopt(whole)
    assert limits(engine, 3.0)["test-overpressure"] == pytest.approx(2e6 * TEST_PRESSURE_MARGIN)


def test_they_follow_stage_and_rig() -> None:
    engine = after(TEST)
    assert limits(engine, 2.0)["test-overpressure"] == pytest.approx(2e6 * TEST_PRESSURE_MARGIN)
    engine.apply(StageEnded(t_ns=T0_NS + 3 * NS_PER_S, number=1))
    assert limits(engine, 4.0)["test-overpressure"] is None
    engine.apply(RigLoaded(t_ns=T0_NS + 5 * NS_PER_S, rig=replace(RIG, alarms={})))
    assert limits(engine, 6.0)["overfill-soon"] == pytest.approx(0.9)
