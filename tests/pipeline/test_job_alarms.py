"""The alarms of a job on a rig of which not everything is there."""

from dataclasses import replace
from typing import Any

import pytest

from logger.config.errors import FileProblems
from logger.config.rig_file import parse_rig
from logger.model.alarm import State
from logger.model.events import AlarmChanged, DeviceHello, Event, JobOpened, RigLoaded
from logger.model.job import Job, Stage
from logger.model.rig import Rig
from logger.model.units import NS_PER_S, PSI_PA
from logger.pipeline.acts import do
from logger.pipeline.engine import Engine
from logger.pipeline.job_alarms import rules_now, rules_of
from logger.pipeline.replay import in_order
from logger.stages.pressure_test.definition import TEST_PRESSURE_MARGIN
from tests.pipeline.test_engine import brewery

BOARD = "recovery board"

RIG = """
[[device]]
name = "board"
url = "socket://127.0.0.1:5001"

  [[device.channel]]
  index = 0
  point = "system_pressure"
"""


def night(connected: str, alarms: dict[str, Any]) -> tuple[Engine, list[str]]:
    """A live pipeline that hears one device of the rig only, whose file has this alarm table; the alarms raised."""
    engine, told, next_tick = Engine(), [], 0
    for t_ns, _, _, device, item in list(in_order(brewery()))[:400]:
        if t_ns >= next_tick:
            engine.tick(t_ns)
            next_tick = t_ns - t_ns % NS_PER_S + NS_PER_S
        if isinstance(item, Event):
            if isinstance(item, RigLoaded):
                item = replace(item, rig=replace(item.rig, alarms=alarms))
            engine.apply(item)
            if isinstance(item, RigLoaded):
                for one in engine.model.state.rig.devices:
                    engine.device_lost(engine.model.state.device_key(one.name), "device lost: not heard yet")
        elif device == engine.model.state.device_key(connected):
            engine.device_connected(device)
            engine.frame(device, t_ns, item)
        told += engine.take_events()
    changes = (event for event in told if isinstance(event, AlarmChanged))
    return engine, [change.key for change in changes if change.to_state is State.UNACKNOWLEDGED]


def test_a_setting_for_a_point_whose_device_is_not_there_ends_nothing() -> None:
    engine, raised = night(BOARD, {"no-data-cylinder_mass": {"enabled": False}})
    scale = engine.model.state.device_key("scale")
    assert {f"device-{scale}", "fill-unknown"} <= set(raised)
    assert not [key for key in raised if key.startswith("no-data")], "the lost device explains it"


def test_a_device_that_lacks_a_mapped_channel_is_not_silent() -> None:
    engine, _ = night(BOARD, {})
    loaded = next(e for *_, e in in_order(brewery()) if isinstance(e, RigLoaded))
    board = next(device for device in loaded.rig.devices if device.name == BOARD)
    missing = replace(board.channels[0], index=63)
    changed = replace(board, channels=(missing, *board.channels[1:]))
    devices = tuple(changed if device is board else device for device in loaded.rig.devices)
    engine.apply(replace(loaded, rig=replace(loaded.rig, devices=devices)))
    for _ in range(60):
        engine.tick(engine.model.now_ns + NS_PER_S)
    waiting = engine.judge.waiting()
    assert f"no-data-{missing.point}" in waiting
    problem = engine.judge.state.of(f"no-data-{missing.point}").problem
    assert problem is not None and "no channel 63" in problem


def test_the_test_pressure_is_held_to_the_lower_of_stage_and_file() -> None:
    def limit(file: str | None, stage_pa: float | None) -> float | None:
        table = f'[alarms.test-overpressure]\nlimit = "{file}"\n' if file else ""
        rules = rules_now(
            parse_rig(RIG + table), 101325.0, Stage(1, "pressure-test", 0, settings={"test_pressure": stage_pa})
        )
        return next(rule.limit for rule in rules if rule.key == "test-overpressure")

    file_pa = 300 * PSI_PA
    assert limit(None, None) is None
    assert limit("300psia", None) == pytest.approx(file_pa)
    assert limit("300psia", 1e6) == 1e6 * TEST_PRESSURE_MARGIN
    assert limit("300psia", 1e7) == pytest.approx(file_pa)


def test_a_stage_with_a_lower_test_pressure_than_the_file_can_begin() -> None:
    engine, _ = night(BOARD, {"test-overpressure": {"limit": "300psi"}})
    do(engine, "stage-begin", {"kind": "pressure-test", "settings": {"test_pressure": 1.1e6}}, engine.model.now_ns)
    engine.tick(engine.model.now_ns + NS_PER_S)
    assert "fill-unknown" in {rule.key for rule in engine.judge.alarm_engine.rules}


def test_a_setting_that_does_not_fit_any_more_costs_no_other_alarm() -> None:
    rig = replace(parse_rig(RIG), alarms={"of-a-later-version": {"limit": "9psi"}, "overfill": {"limit": "80%"}})
    limits = {rule.key: rule.limit for rule in rules_now(rig, 101325.0, None)}
    assert limits["overfill"] == 0.8 and "test-overpressure" in limits and "of-a-later-version" not in limits


def test_a_recovery_begun_with_nothing_plugged_in_goes_on_and_says_that_the_fill_is_unknown() -> None:
    engine, raised = night("nothing", {})
    assert engine.model.weighing is None and "fill-unknown" in raised
    assert engine.snapshot().stage is not None
    shown = engine.snapshot().points["cylinder_mass"].value  # a point nobody has heard of yet is shown, as unknown
    assert shown.number is None and "not heard yet" in str(shown.problem)


def test_an_alarm_keeps_its_key_when_the_device_says_who_it_is() -> None:
    rig = parse_rig(RIG)
    engine = Engine()
    engine.apply(JobOpened(t_ns=0, job=Job("j", "R-407C")))
    engine.apply(RigLoaded(t_ns=0, rig=rig))
    engine.device_lost(engine.model.state.device_key("board"), "device lost: not heard yet")
    for second in range(20):
        engine.tick(second * NS_PER_S)
    assert "device-board" in engine.judge.waiting()
    engine.apply(DeviceHello(t_ns=20 * NS_PER_S, device="52696d6500000001", name="board"))
    engine.device_connected(engine.model.state.device_key("board"))
    for second in range(20, 40):
        engine.tick(second * NS_PER_S)
    rows = engine.judge.alarm_engine.present(engine.judge.state, engine.judge.inputs(engine.model, engine.values))
    assert [(row.key, row.state.value) for row in rows if row.key.startswith("device-")] == [
        ("device-board", "returned unacknowledged")
    ]


@pytest.mark.parametrize(
    ("table", "key", "word"),
    [
        ('[alarms.overfill]\nlimit = "120%"', "alarms.overfill.limit", "tighter"),
        ('[alarms.overfil]\nlimit = "90%"', "alarms.overfil", "did you mean overfill"),
        ("[alarms.no-data-vacuum]\nenabled = false", "alarms.no-data-vacuum", "no such alarm"),
        ('[alarms.x]\nsource = "vacuum"\nkind = "fault"', "alarms.x.source", "no channel of this rig"),
    ],
)
def test_a_wrong_alarm_table_is_refused_with_the_rig_file(table: str, key: str, word: str) -> None:
    with pytest.raises(FileProblems) as caught:
        parse_rig(RIG + table)
    ((where, what),) = caught.value.problems
    assert where == key and word in what


def test_the_alarms_of_an_empty_rig_are_those_of_every_job() -> None:
    assert "overfill" in {rule.key for rule in rules_of(Rig("", ()))}


def test_an_error_of_this_program_ends_neither_record_nor_alarms(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError("of ours")

    monkeypatch.setattr("logger.pipeline.live_values.LiveQuantities.values", fails)
    engine, raised = night("scale", {})
    assert {"program-fault", "fill-unknown"} <= set(raised)
    assert "of ours" in str(engine.judge.state.of("program-fault").problem)
    monkeypatch.undo()
    monkeypatch.setattr("logger.pipeline.engine.interim", fails)
    engine, raised = night("scale", {})
    assert "program-fault" in raised and "fill-unknown" not in raised
