"""The engine's replay as exports and `verify` use it: findings, curves, instruments, cylinders from the records."""

import math
from collections.abc import Iterator

from firmware_protocol.codes import SensorKind
from logger.cylinder.limits import limits
from logger.decode.channel import ChannelDecoder
from logger.export.report.report_data import (
    CHARGED,
    RECOVERED,
    CylinderRow,
    Instrument,
    InstrumentChannel,
    OnSamples,
    RecordSource,
    Replayed,
)
from logger.model.drawing import Stay
from logger.model.errors import ComputeError
from logger.model.instrument import MODBUS, TEXT, LineField, Register
from logger.model.rig import RigDevice
from logger.model.value import Value, known, unknown
from logger.pipeline.device_readings import DeviceReadings
from logger.pipeline.engine import Engine
from logger.pipeline.job_model import JobModel
from logger.pipeline.replay import facts_of, replay
from logger.pipeline.silent_alarms import SilentAlarms
from logger.refrigerant import RefrigerantError
from logger.stages.definition import StageResult

_SENSOR: dict[int, str] = {
    SensorKind.DIRECT: "direct",
    SensorKind.RATIOMETRIC: "ratiometric",
    SensorKind.VOLTAGE: "voltage",
    SensorKind.CURRENT_LOOP: "4-20 mA",
    SensorKind.NTC_BETA: "NTC",
    SensorKind.NTC_STEINHART_HART: "NTC",
    SensorKind.RTD_IEC60751: "platinum RTD",
    SensorKind.BRIDGE: "bridge",
    SensorKind.LOG_VOLTAGE: "logarithmic voltage",
    SensorKind.THERMOCOUPLE: "thermocouple",
}

_MODEL = {TEXT: "text instrument", MODBUS: "Modbus transmitter"}


def replay_job(records: RecordSource, on_samples: OnSamples) -> Replayed:
    """The product's Replay (report_data.py)."""
    engine, facts = Engine(live=False), facts_of(records())
    engine.silent = silent = SilentAlarms(facts)
    replay(records(), engine, on_samples, facts=facts)
    model = engine.model
    results = dict(engine.results)
    running = model.state.stage
    if running is not None:
        results[running.number] = engine.final_result(running, model.now_ns)
    return Replayed(
        ambient=model.ambient.as_value(),
        stages=results,
        instruments=tuple(_instrument(device, model) for device in model.state.rig.devices),
        cylinders=tuple(
            _row(model, number, stay) for number, result in sorted(results.items()) for stay in result.stays
        ),
        balance=tuple(_balance(model, list(results.values()))),
        silent=silent.found(),
    )


def _limit(model: JobModel, name: str) -> Value:
    """Most the cylinder may hold, kg net."""
    cylinder, job = model.state.cylinders.get(name), model.state.job
    if cylinder is None or job is None:
        return unknown("kg", "its markings were not entered")
    try:
        return limits(cylinder, job.jurisdiction, job.refrigerant, model.state.catalogue).max_net
    except (ComputeError, RefrigerantError) as exc:
        return unknown("kg", str(exc))


def _row(model: JobModel, number: int, stay: Stay) -> CylinderRow:
    name, cylinder = stay.cylinder, model.state.cylinders.get(stay.cylinder)
    before = after = unknown("kg", "its tare was not entered")
    if cylinder is not None:
        before, after = (_net(gross, cylinder.tare_kg) for gross in (stay.before, stay.after))
    return CylinderRow(number, name or "not named", cylinder, before, after, stay.moved, _limit(model, name))


def _net(gross: Value, tare_kg: float) -> Value:
    return gross if gross.number is None else known(gross.number - tare_kg, "kg", gross.u, gross.note)


def _balance(model: JobModel, results: list[StageResult]) -> Iterator[tuple[str, Value]]:
    recovered = [one.facts["recovered"] for one in results if "recovered" in one.facts]
    charged = [one.facts["charged"] for one in results if "charged" in one.facts]
    if recovered:
        yield RECOVERED, _sum(recovered)
    if charged:
        yield CHARGED, _sum(charged)
    charge_kg = model.state.job.full_charge_kg if model.state.job else None
    if charge_kg is None or not recovered:
        return
    yield "Full charge of the system", known(charge_kg, "kg")
    total = _sum(recovered)
    if total.number is not None:
        yield "Full charge less recovered", known(charge_kg - total.number, "kg", total.u)


def _sum(values: list[Value]) -> Value:
    numbers = [v.number for v in values if v.number is not None]
    if len(numbers) < len(values):
        return unknown("kg", next(v.problem or "not known" for v in values if v.number is None))
    return known(sum(numbers), "kg", math.hypot(*(v.u or 0.0 for v in values)))


def _instrument(entry: RigDevice, model: JobModel) -> Instrument:
    """A device of the rig file; the newest one that answered in its place."""
    device_id, device = "", None
    for found_id, found in model.devices.items():
        if model.state.rig_device(found_id) == entry:
            device_id, device = found_id, found
    if device is None:
        return Instrument(entry.name, entry.device_id or "", problem="it never answered")
    hello = device.hello
    return Instrument(
        name=entry.name,
        device_id=device_id,
        model=hello.model if hello else _MODEL.get(entry.kind, ""),
        firmware=f"{hello.firmware_name} {hello.firmware_version}" if hello else "",
        channels=tuple(_channels(device, model)),
        problem=device.problem,
    )


def _channels(device: DeviceReadings, model: JobModel) -> Iterator[InstrumentChannel]:
    for decoder in device.decoders:
        describe, point = decoder.describe, decoder.point
        u = model.u(point.name)
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
