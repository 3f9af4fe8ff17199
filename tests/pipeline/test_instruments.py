"""Instruments in the engine: readings from the stored bytes alone, and a rig that changes between two runs."""

from dataclasses import replace

from logger.config.rig_file import parse_rig
from logger.decode.registers import Block, exchange
from logger.evidence.chain import frames_of
from logger.model import records
from logger.model.codec import event_from_json
from logger.model.events import RigLoaded
from logger.model.plain import plain
from logger.model.rig import Rig
from logger.model.sample import PointSample
from logger.model.units import NS_PER_S
from logger.pipeline.engine import Engine
from logger.pipeline.replay import replay
from tests.config.test_rig_instruments import GOOD
from tests.export.simulated import T0_NS, simulated_job

SCALE, TRANSMITTERS = "text:platform scale", "modbus:transmitters"


def loaded(engine: Engine, rig: Rig, t_ns: int = 0) -> None:
    engine.apply(RigLoaded(t_ns=t_ns, rig=rig))


def mass(sample: PointSample) -> float | None:
    return None if sample.value is None else round(sample.value, 6)


def test_readings_come_from_the_stored_bytes_and_the_stored_rig() -> None:
    engine = Engine(live=False)
    loaded(engine, parse_rig(GOOD))
    (sample,) = engine.frame(SCALE, NS_PER_S, b"W 30.0 kg S")
    assert mass(sample) == round(30.0 - 0.4 * 0.45359237, 6) and sample.t_ns == NS_PER_S
    assert engine.frame(SCALE, 2 * NS_PER_S, b"self test ok") == []
    (sample,) = engine.frame(SCALE, 3 * NS_PER_S, b"W 999.0 lb S")
    assert (sample.value, sample.problem) == (None, "over range")
    assert engine.model.points == ("cylinder_mass",)
    assert engine.model.weighing is not None  # its division is the scale's
    assert abs(engine.model.weighing.resolution_kg - 0.02 * 0.45359237) < 1e-12

    answered = exchange(Block(5, 3, 7, 1), bytes([3, 2, 0, 217]))
    (sample,) = engine.frame(TRANSMITTERS, 4 * NS_PER_S, answered)
    assert sample.point == "discharge_temperature" and abs((sample.value or 0) - 294.85) < 1e-9
    (sample,) = engine.frame(TRANSMITTERS, 5 * NS_PER_S, exchange(Block(4, 4, 0, 2), b""))
    assert (sample.value, sample.problem) == (None, "unit 4 does not answer")
    assert engine.frame(TRANSMITTERS, 6 * NS_PER_S, b"\x01") == []


def test_a_point_is_stale_after_the_rig_s_own_time() -> None:
    engine = Engine(live=False)
    loaded(engine, parse_rig(GOOD))
    engine.frame(SCALE, NS_PER_S, b"W 30.0 kg S")
    engine.tick(int(5.9 * NS_PER_S))
    assert engine.model.value("cylinder_mass").number is not None
    engine.tick(int(6.1 * NS_PER_S))
    assert engine.model.value("cylinder_mass").problem == "no reading for 5 s"


def test_a_rig_changed_between_two_runs_counts_from_then_on() -> None:
    engine = Engine(live=False)
    loaded(engine, parse_rig(GOOD))
    engine.frame(SCALE, NS_PER_S, b"W 30.0 kg S")
    loaded(engine, parse_rig(GOOD.replace('zero = "0.4lb"', "")), 2 * NS_PER_S)
    (sample,) = engine.frame(SCALE, 3 * NS_PER_S, b"W 30.0 kg S")
    assert mass(sample) == 30.0


def test_that_holds_for_devices_that_describe_themselves_too() -> None:
    job = simulated_job("tight", 3.0, ("vacuum board",))
    shown: list[float | None] = []
    engine = replay(job)
    rig = engine.model.state.rig
    device = rig.devices[0]
    channel = next(c for c in device.channels if c.point == "system_temperature")
    frames = [r for r in job if r.kind == records.FRAMES]
    t_ns, raw = [pair for record in frames for pair in frames_of(record)][-1]
    for zero in (0.0, 2.0):
        calibrated = replace(channel, calibration=replace(channel.calibration, zero=zero))
        changed = replace(device, channels=(calibrated,))
        loaded(engine, replace(rig, devices=(changed,)), T0_NS + 10 * NS_PER_S)
        samples = engine.frame(str(device.device_id), t_ns, raw)
        shown.append(next(s.value for s in samples if s.point == "system_temperature"))
    assert shown[0] is not None and shown[1] is not None and abs(shown[0] - shown[1] - 2.0) < 1e-9


def test_a_rig_of_a_later_version_leaves_the_record_readable() -> None:
    rig = plain(parse_rig(GOOD))
    rig["devices"][0]["channels"][0]["source"]["pattern"] = "(?P<value>.)(?P<future>.)"
    engine = Engine(live=False)
    engine.apply(event_from_json({"type": records.RIG_LOADED, "t_ns": 0, "rig": rig}))
    assert engine.frame(SCALE, NS_PER_S, b"W 30.0 kg S") == []
    assert "groups are value, unit and stable" in str(engine.model.devices[SCALE].problem)
