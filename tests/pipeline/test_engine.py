"""The heart on the simulated plant's frames: what a mechanic would see, alarm by alarm, live and on replay."""

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import Any

import pytest

from firmware_protocol.framing import encode_frame
from firmware_protocol.layout import layout_id_of
from firmware_protocol.messages import Describe, Hello, Samples, encode_message
from logger.evidence.chain import event_of
from logger.model.alarm import State
from logger.model.events import AlarmChanged, CylinderOnScale
from logger.model.finding import Verdict
from logger.model.records import EVENT, Record
from logger.model.sample import PointSample
from logger.model.units import NS_PER_S
from logger.pipeline.acts import end_stage
from logger.pipeline.device_readings import DeviceReadings
from logger.pipeline.engine import Engine
from logger.pipeline.replay import in_order, replay
from logger.stages.words import text_of
from logger.wording.values import Shown
from sim_device.plant import Plant
from tests.end_to_end.running import message_of
from tests.export.simulated import T0_NS, simulated_job

RECOVERY = ("recovery board", "scale")


@lru_cache(maxsize=2)
def brewery() -> tuple[Record, ...]:
    """The invented brewery's recovery to a while after the cylinder swap."""
    return simulated_job("brewery", 1500.0, RECOVERY)


def _names(record: Record, cylinder: str) -> bool:
    """Whether the record says that this cylinder came."""
    event = event_of(record) if record.kind == EVENT else None
    return isinstance(event, CylinderOnScale) and event.cylinder.name == cylinder


def live(
    records: tuple[Record, ...], untold: str = "", sent: Callable[[bytes], bytes] = bytes
) -> tuple[Engine, list[AlarmChanged]]:
    """A live engine over recorded items, ticked each second; the alarm changes it made. untold: a cylinder.
    sent: what becomes of a frame."""
    engine, standing_in, next_tick = Engine(), [], 0
    for t_ns, _, _, device, item in in_order(records):
        if t_ns >= next_tick:
            engine.tick(t_ns)
            next_tick = t_ns - t_ns % NS_PER_S + NS_PER_S
        if isinstance(item, bytes):
            engine.device_connected(device)
            engine.frame(device, t_ns, sent(item))
        elif not isinstance(item, CylinderOnScale) or item.cylinder.name != untold:
            engine.apply(item)
        standing_in += engine.take_events()
    return engine, [event for event in standing_in if isinstance(event, AlarmChanged)]


def test_a_recovery_as_the_mechanic_sees_it() -> None:
    engine, alarms = live(brewery())
    raised = [a.key for a in alarms if a.to_state is State.UNACKNOWLEDGED]
    assert "overfill-soon" in raised
    assert "overfill" not in raised  # the cylinder was changed in time
    assert engine.model.state.on_scale == "cylinder B"
    moved = engine.values["recovered"]
    assert moved.number is not None and moved.u is not None
    plant = Plant("brewery", 3)
    before = plant.truth()["cylinders_kg"]
    plant.advance_to(1500.0)
    after = plant.truth()["cylinders_kg"]
    truth_kg = sum(after[name] - before[name] for name in ("cylinder A", "cylinder B"))
    assert moved.number == pytest.approx(truth_kg, abs=0.15)
    of_limit = engine.values["cylinder_of_limit"].number
    assert of_limit is not None and 0.05 < of_limit < 0.4  # B is nearly empty again


def test_replay_finds_what_live_found() -> None:
    records = brewery()
    engine, _ = live(records)
    again = replay(records)
    for one in (engine, again):
        one.tick(one.model.now_ns + NS_PER_S)
    ours, theirs = engine.model.weighing, again.model.weighing
    assert ours is not None and theirs is not None
    assert ours.ledger.moved == theirs.ledger.moved
    assert {p: h.buckets() for p, h in engine.model.histories.items()} == {
        p: h.buckets() for p, h in again.model.histories.items()
    }


def test_alarms_survive_a_restart() -> None:
    records = brewery()
    engine, alarms = live(records)
    restarted = replay(records)
    for event in alarms:
        restarted.apply(event)
    restarted.go_live()

    def standing_in(one: Engine) -> dict[str, object]:
        quiet = ("normal", "suppressed by design")
        keys = one.judge.state.keys.items()
        return {k: (s.state, s.since_ns, s.raised_ns, s.value, s.limit) for k, s in keys if s.state.value not in quiet}

    standing = standing_in(engine)
    assert standing == standing_in(restarted)
    assert "overfill-soon" in standing
    assert engine.judge.state.first_out is not None
    assert restarted.judge.state.first_out == engine.judge.state.first_out


def test_a_cylinder_that_nobody_told_has_no_fill_and_that_is_an_alarm() -> None:
    engine, alarms = live(brewery()[:400], untold="cylinder A")
    fill = engine.values["cylinder_of_limit"]
    assert fill.number is None and "rimelog cylinder-swap" in str(fill.problem)
    assert "fill-unknown" in [a.key for a in alarms if a.to_state is State.UNACKNOWLEDGED]


def test_another_cylinder_on_the_scale_is_not_taken_for_the_old_one() -> None:
    first = next(i for i, record in enumerate(brewery()) if _names(record, "cylinder B"))
    engine, alarms = live(brewery()[: first + 300], untold="cylinder B")
    assert "another cylinder" in str(engine.values["cylinder_of_limit"].problem)
    assert "fill-unknown" in [a.key for a in alarms if a.to_state is State.UNACKNOWLEDGED]


def test_a_silent_point_is_unknown_with_its_age() -> None:
    engine, _ = live(brewery()[:200])
    engine.tick(engine.model.now_ns + 60 * NS_PER_S)
    value = engine.model.value("cylinder_mass")
    assert value.number is None and "no reading for" in str(value.problem)


def test_nothing_is_said_of_a_flow_when_the_scale_is_silent() -> None:
    engine, _ = live(brewery()[:200])
    engine.tick(engine.model.now_ns + 60 * NS_PER_S)
    for key in ("recovered", "mass_rate", "charge_left", "time_to_limit", "cylinder_of_limit"):
        value = engine.values[key]
        assert value.number is None and "no reading for" in str(value.problem), key
    assert not any("Nothing comes" in line for line in engine.snapshot().advice)


def test_a_lost_device_takes_its_points_along() -> None:
    engine, _ = live(brewery()[:200])
    device = next(iter(engine.model.devices))
    engine.device_lost(device, "device lost: unplugged")
    points = [d.point.name for d in engine.model.devices[device].decoders]
    assert points and all(str(engine.model.value(p).problem).startswith("device lost") for p in points)


def test_a_scale_that_stands_still_in_a_recovery_is_an_alarm(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its readings go on coming, always the same: that would hide an overfill."""
    read, stuck = DeviceReadings.frame, list[float | None]()

    def frozen(self: DeviceReadings, t_ns: int, *more: Any) -> list[PointSample]:
        samples = read(self, t_ns, *more)
        if t_ns < T0_NS + 400 * NS_PER_S:
            return samples
        stuck.extend(s.value for s in samples if s.point == "cylinder_mass")
        return [s._replace(value=stuck[0]) if s.point == "cylinder_mass" else s for s in samples]

    monkeypatch.setattr(DeviceReadings, "frame", frozen)
    records = tuple(x for x in brewery() if x.t0_ns < T0_NS + 850 * NS_PER_S)
    _, alarms = live(records)
    raised = {a.key: (a.t_ns - T0_NS) / NS_PER_S for a in alarms if a.to_state is State.UNACKNOWLEDGED}
    assert 700 < raised["recovery-stalled"] < 850, raised


def test_where_this_program_fails_live_and_replay_conclude_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    read, failed = DeviceReadings.frame, set[int]()

    def fails_now_and_then(self: DeviceReadings, t_ns: int, raw: bytes, *more: Any) -> list[PointSample]:
        samples = read(self, t_ns, raw, *more)
        if raw[-2] % 16 == 0 and samples:
            failed.add(t_ns)
            raise ZeroDivisionError("of ours")
        return samples

    monkeypatch.setattr(DeviceReadings, "frame", fails_now_and_then)
    records = tuple(x for x in brewery() if x.t0_ns < T0_NS + 850 * NS_PER_S)
    engine, alarms = live(records)
    again = replay(records)
    assert len(failed) > 10 and "program-fault" in {a.key for a in alarms}
    stage = again.model.state.stage
    assert stage is not None
    found = [one.final_result(stage, T0_NS + 840 * NS_PER_S).findings for one in (engine, again)]
    assert found[0] == found[1] and found[0][0].key != "program.failed"


def test_a_stage_at_whose_analysis_this_program_fails_ends_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> None:
        raise ZeroDivisionError("of ours")

    monkeypatch.setattr("logger.pipeline.engine.conclude", fails)
    engine = replay(x for x in brewery() if x.t0_ns < T0_NS + 400 * NS_PER_S)
    findings = end_stage(engine, T0_NS + 400 * NS_PER_S)["findings"]
    assert engine.model.state.stage is None
    assert [f["key"] for f in findings] == ["program.failed"]
    for finding in engine.result.findings:
        assert finding.verdict is Verdict.CANNOT_TELL and "of ours" in text_of(finding, Shown()).body


LIES: dict[str, Callable[[int], int]] = {
    "stuck": lambda tick: 5000,
    "noise": lambda tick: tick * 2_654_435_761,
}


@pytest.mark.parametrize("lie", LIES)
def test_no_alarm_waits_for_a_device_whose_clock_lies(lie: str) -> None:
    """Readings are known, at their age, and an alarm comes when it would; the record and the view say why."""

    def lying(raw: bytes) -> bytes:
        message = message_of(raw)
        if not isinstance(message, Samples):
            return raw
        return encode_frame(encode_message(replace(message, tick=LIES[lie](message.tick) % (1 << 32))))

    records, until_ns = brewery(), T0_NS + 520 * NS_PER_S
    some = tuple(record for record in records if record.t0_ns < until_ns)
    _, honest = live(some)
    engine, alarms = live(some, sent=lying)
    assert engine.model.value("cylinder_mass").number is not None

    def soon(standing_in: list[AlarmChanged]) -> int:
        return next(a.t_ns for a in standing_in if a.key == "time-to-limit" and a.to_state is State.UNACKNOWLEDGED)

    assert abs(soon(alarms) - soon(honest)) < 20 * NS_PER_S, "it rests on a rate"
    assert not [a for a in alarms if a.key.startswith(("silent", "no-data"))]
    assert {d.clock_problem is None for d in engine.model.devices.values()} == {False}


@pytest.mark.parametrize(
    "bad", [{"unit": "parsec"}, {"sensor_kind": 77}, {"quantity": 88}, {"sensor_kind": 5, "parameters": (1.0,)}]
)
def test_one_bad_channel_takes_no_other_along(bad: dict[str, Any]) -> None:
    """The device's other channels are read; the bad one is unknown and says why, in each place."""
    some = tuple(record for record in brewery() if record.t0_ns < T0_NS + 60 * NS_PER_S)
    frames = [item for *_, item in in_order(some) if isinstance(item, bytes)]
    described = {m.index: m for m in map(message_of, frames) if isinstance(m, Describe) and m.label != "Platform scale"}
    assert described[0].label == "Recovery inlet"
    worse = [replace(described[0], **bad), *(described[i] for i in sorted(described) if i)]
    honest, lying = (layout_id_of([encode_message(m) for m in those]) for those in (described.values(), worse))

    def sent(raw: bytes) -> bytes:
        message = message_of(raw)
        if isinstance(message, Describe) and message.label == "Recovery inlet":
            message = worse[0]
        elif isinstance(message, Hello | Samples) and message.layout_id == honest:
            message = replace(message, layout_id=lying)
        else:
            return raw
        return encode_frame(encode_message(message))

    engine, _ = live(some, sent=sent)
    model = engine.model
    for point in ("recovery_outlet_pressure", "recovery_inlet_temperature"):
        assert model.value(point).number is not None, point
    found = model.value("recovery_inlet_pressure")
    assert found.number is None and "channel" in str(found.problem)
    assert engine.snapshot().points["recovery_inlet_pressure"].value.problem == found.problem
    assert [d.problem for d in model.devices.values()] == [None] * len(model.devices)
