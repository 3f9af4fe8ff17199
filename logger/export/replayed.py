"""The pipeline's replay as exports and `verify` use it: findings, curves, instruments, cylinders from the records."""

import math
from collections.abc import Callable, Iterable, Iterator

from firmware_protocol.codes import SensorKind
from logger.cylinder.limits import limits
from logger.decode.channel import ChannelDecoder
from logger.export.report.report_data import (
    Curve,
    CylinderRow,
    Instrument,
    InstrumentChannel,
    LimitLine,
    OnSamples,
    RecordSource,
    Replayed,
    StageResult,
)
from logger.model.errors import ComputeError
from logger.model.instrument import MODBUS, TEXT, LineField, Register
from logger.model.job import Stage, StageKind
from logger.model.rig import RigDevice
from logger.model.units import NS_PER_S
from logger.model.value import Value, known, unknown
from logger.pipeline.analysis import Report, profile_of, target_vacuum
from logger.pipeline.device_readings import Device
from logger.pipeline.readings import LEAD_S, Scene
from logger.pipeline.replay import replay
from logger.refrigerant import RefrigerantError
from logger.scale.ledger import Leg
from logger.stages.acceptance import DecayProfile
from logger.stages.charging.analysis import ChargingResult
from logger.stages.decay_test.analysis import DecayResult
from logger.stages.evacuation.analysis import PullDown
from logger.stages.recovery.analysis import RecoveryResult

_CURVE_POINTS = 120
_ROOT_12 = math.sqrt(12)
_SENSOR: dict[int, str] = {
    SensorKind.DIRECT: "direct",
    SensorKind.RATIOMETRIC: "ratiometric",
    SensorKind.VOLTAGE: "voltage",
    SensorKind.CURRENT_LOOP: "4-20 mA",
    SensorKind.NTC_BETA: "NTC",
    SensorKind.NTC_STEINHART_HART: "NTC",
    SensorKind.RTD_IEC60751: "platinum RTD",
    SensorKind.BRIDGE: "bridge",
}

_MODEL = {TEXT: "text instrument", MODBUS: "Modbus transmitter"}


def replay_job(records: RecordSource, on_samples: OnSamples) -> Replayed:
    """The product's Replay (report_data.py)."""
    pipeline = replay(records(), on_samples=on_samples)
    scene = pipeline.scene
    reports = dict(pipeline.reports)
    running = scene.state.stage
    if running is not None:
        reports[running.number] = pipeline.final_report(running, scene.now_ns)
    stages = [(s, reports.get(s.number, Report())) for s in scene.state.stages]
    return Replayed(
        ambient=scene.ambient.as_value(),
        stages=tuple(_stage(scene, stage, report) for stage, report in stages),
        instruments=tuple(_instrument(device, scene) for device in scene.state.rig.devices),
        cylinders=tuple(row for stage, report in stages for row in _cylinders(scene, stage, report)),
        balance=tuple(_balance(scene, stages)),
    )


def _stage(scene: Scene, stage: Stage, report: Report) -> StageResult:
    return StageResult(
        stage.number, report.findings, tuple(_curves(scene, stage, report)), tuple(_limits(scene, stage, report))
    )


def _curves(scene: Scene, stage: Stage, report: Report) -> Iterator[Curve]:
    result = report.result
    if isinstance(result, DecayResult) and result.shapes is not None and len(result.readings) > 1:
        best, times = result.shapes.best, [t for t, _, _ in result.readings]
        zero_ns = stage.begun_ns - int(LEAD_S * NS_PER_S)  # a decay test's series begins with what led to it
        yield _curve(f"fitted: {best.shape.value}", times[0], times[-1], best.at, zero_ns)
    if isinstance(result, PullDown) and result.tail is not None and result.stretches:
        stretch, tail = result.stretches[-1], result.tail.best
        begin_s = stretch.start_s + tail.t0_s
        if stretch.end_s > begin_s:
            yield _curve("fitted tail", begin_s, stretch.end_s, lambda t: tail.at(t - stretch.start_s), stage.begun_ns)


def _curve(label: str, begin_s: float, end_s: float, at: Callable[[float], float], zero_ns: int) -> Curve:
    times = [begin_s + (end_s - begin_s) * i / (_CURVE_POINTS - 1) for i in range(_CURVE_POINTS)]
    pairs = [(zero_ns + int(t * NS_PER_S), v) for t in times if math.isfinite(v := at(t))]
    return Curve(label, "vacuum", [t for t, _ in pairs], [v for _, v in pairs])


def _limits(scene: Scene, stage: Stage, report: Report) -> Iterator[LimitLine]:
    if stage.kind is StageKind.EVACUATION:
        yield LimitLine("target", "vacuum", target_vacuum(stage))
    elif stage.kind is StageKind.DECAY_TEST:
        profile = profile_of(scene, stage)
        if isinstance(profile, DecayProfile) and profile.steps[-1].limit_pa is not None:
            yield LimitLine("limit of the profile", "vacuum", profile.steps[-1].limit_pa)
    elif stage.kind is StageKind.RECOVERY:
        for name in dict.fromkeys(leg.cylinder for leg in _legs(report)):
            gross = _limit(scene, name)
            cylinder = scene.state.cylinders.get(name)
            if gross.number is not None and cylinder is not None:
                yield LimitLine(f"limit of {name}", "cylinder_mass", gross.number + cylinder.tare_kg)


def _legs(report: Report) -> tuple[Leg, ...]:
    result = report.result
    return result.ledger.legs if isinstance(result, RecoveryResult | ChargingResult) else ()


def _limit(scene: Scene, name: str) -> Value:
    """Most the cylinder may hold, kg net."""
    cylinder, job = scene.state.cylinders.get(name), scene.state.job
    if cylinder is None or job is None:
        return unknown("kg", "its markings were not entered")
    try:
        return limits(cylinder, job.jurisdiction, job.refrigerant, scene.state.catalogue).max_net
    except (ComputeError, RefrigerantError) as exc:
        return unknown("kg", str(exc))


def _cylinders(scene: Scene, stage: Stage, report: Report) -> Iterator[CylinderRow]:
    result = report.result
    if not isinstance(result, RecoveryResult | ChargingResult):
        return
    ledger = result.ledger
    for leg in ledger.legs:
        name = leg.cylinder
        cylinder = scene.state.cylinders.get(name)
        # As the ledger counts: a reading is at least as uncertain as its division, a difference as the scale too.
        u_first, u_last = (math.hypot(u, ledger.resolution_kg / _ROOT_12) for u in (leg.u_first_kg, leg.u_last_kg))
        before = after = unknown("kg", "its tare was not entered")
        if cylinder is not None:
            before, after = (
                known(reading - cylinder.tare_kg, "kg", math.hypot(u, ledger.u_accuracy_kg))
                for reading, u in ((leg.first_kg, u_first), (leg.last_kg, u_last))
            )
        moved = known(leg.moved_kg, "kg", math.hypot(u_first, u_last, ledger.u_accuracy_kg))
        yield CylinderRow(stage.number, name or "not named", cylinder, before, after, moved, _limit(scene, name))


def _balance(scene: Scene, stages: Iterable[tuple[Stage, Report]]) -> Iterator[tuple[str, Value]]:
    results = [report.result for _, report in stages]
    recovered = [r.recovered for r in results if isinstance(r, RecoveryResult)]
    charged = [r.charged for r in results if isinstance(r, ChargingResult)]
    if recovered:
        yield "Recovered, all cylinders", _sum(recovered)
    if charged:
        yield "Charged", _sum(charged)
    charge_kg = scene.state.job.full_charge_kg if scene.state.job else None
    if charge_kg is None or not recovered:
        return
    yield "Full charge of the appliance", known(charge_kg, "kg")
    total = _sum(recovered)
    if total.number is not None:
        yield "Full charge less recovered", known(charge_kg - total.number, "kg", total.u)


def _sum(values: list[Value]) -> Value:
    numbers = [v.number for v in values if v.number is not None]
    if len(numbers) < len(values):
        return unknown("kg", next(v.problem or "not known" for v in values if v.number is None))
    return known(sum(numbers), "kg", math.hypot(*(v.u or 0.0 for v in values)))


def _instrument(entry: RigDevice, scene: Scene) -> Instrument:
    """A device of the rig file; the newest one that answered in its place."""
    device_id, device = "", None
    for found_id, found in scene.devices.items():
        if scene.state.rig_device(found_id) == entry:
            device_id, device = found_id, found
    if device is None:
        return Instrument(entry.name, entry.device_id or "", problem="it never answered")
    hello = device.hello
    return Instrument(
        name=entry.name,
        device_id=device_id,
        model=hello.model if hello else _MODEL.get(entry.kind, ""),
        firmware=f"{hello.firmware_name} {hello.firmware_version}" if hello else "",
        channels=tuple(_channels(device, scene)),
        problem=device.problem,
    )


def _channels(device: Device, scene: Scene) -> Iterator[InstrumentChannel]:
    for decoder in device.decoders:
        describe, point = decoder.describe, decoder.point
        u = scene.u(point.name)
        yield InstrumentChannel(
            index=describe.index,
            label=describe.label,
            point=point.name,
            unit=describe.unit,
            sensor=_sensor(decoder),
            range_low=describe.range_low,
            range_high=describe.range_high,
            accuracy=describe.accuracy,
            accuracy_of_reading=describe.accuracy_of_reading,
            calibration=decoder.channel.calibration,
            u=unknown(point.unit, "not stated") if u is None else known(u, point.unit),
            gauge=decoder.gauge,
        )


def _sensor(decoder: ChannelDecoder) -> str:
    match decoder.channel.source:
        case LineField():
            return "number in lines of text"
        case Register() as register:
            return f"Modbus {register.table} register {register.address} of unit {register.unit_id}"
    return _SENSOR.get(decoder.describe.sensor_kind, f"kind {decoder.describe.sensor_kind}")
