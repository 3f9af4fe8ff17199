"""Model dataclasses as plain JSON data and back: for the chain's events, the API and the bundle."""

import dataclasses
from collections.abc import Callable, Mapping
from datetime import date
from enum import Enum
from typing import Any

from logger.model.cylinder import Cylinder, marked_date
from logger.model.finding import Finding, Text, Verdict
from logger.model.instrument import MODBUS, PROTOCOL, TEXT, LineField, ModbusPort, Register, Stated, TextPort
from logger.model.job import Job
from logger.model.points import Quantity
from logger.model.rig import Calibration, Rig, RigChannel, RigDevice, RigOutput
from logger.model.value import Argument, Code, Value


def plain(item: Any) -> Any:
    """Dataclasses, enums, dates, tuples -> dicts, strings, lists. Anything else passes through."""
    if isinstance(item, Enum):
        return item.value
    if dataclasses.is_dataclass(item) and not isinstance(item, type):
        return {f.name: plain(getattr(item, f.name)) for f in dataclasses.fields(item)}
    if isinstance(item, date):
        return item.isoformat()
    if isinstance(item, Mapping):
        return {str(k): plain(v) for k, v in item.items()}
    if isinstance(item, list | tuple | set | frozenset):
        return [plain(v) for v in item]
    return item


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _known(cls: type[Any], data: Mapping[str, Any]) -> dict[str, Any]:
    """Fields the class has; a later version's extra fields are left out."""
    names = {f.name for f in dataclasses.fields(cls)}
    return {k: v for k, v in data.items() if k in names}


def job_from(data: Mapping[str, Any]) -> Job:
    fields = _known(Job, data)
    fields["recovery_machine_made"] = _day(fields.get("recovery_machine_made"))
    return Job(**fields)


def cylinder_from(data: Mapping[str, Any]) -> Cylinder:
    fields = _known(Cylinder, data)
    tested = fields.get("tested")
    fields["tested"] = None if tested is None else marked_date(tested)
    fields["candidates"] = tuple(fields.get("candidates", ()))
    return Cylinder(**fields)


def value_from(data: Mapping[str, Any]) -> Value:
    return Value(**_known(Value, data))


def finding_from(data: Mapping[str, Any]) -> Finding:
    """From an event or a findings file; of version 0.1.0 with the sentences it stored."""
    verdict = Verdict(data["verdict"])
    if "headline" not in data:
        return Finding(data["key"], verdict, tuple(_argument(one) for one in data.get("inputs", ())))
    said = Text(
        data["headline"], data["text"], data.get("rule", ""), data.get("decision_rule", ""),
        tuple(data.get("causes", ())), tuple(data.get("check_next", ())),
    )  # fmt: skip
    inputs = tuple(Argument(label, None, value_from(v)) for label, v in data.get("inputs", ()))
    return Finding(data["key"], verdict, inputs, said)


def finding_data(finding: Finding) -> dict[str, Any]:
    """As `finding_from` reads it: data alone."""
    return {
        "key": finding.key,
        "verdict": finding.verdict.value,
        "inputs": [{"name": one.name, "kind": plain(one.kind), "value": plain(one.value)} for one in finding.inputs],
    }


def _argument(data: Mapping[str, Any]) -> Argument:
    kind, value = data["kind"], data["value"]
    if isinstance(value, str):
        return Argument(data["name"], Code(kind), value)
    return Argument(data["name"], None if kind is None else Quantity(kind), value_from(value))


def rig_from(data: Mapping[str, Any]) -> Rig:
    """Devices, channels and calibrations of a stored rig (its text is the user's file)."""
    devices = tuple(_device(d) for d in data["devices"])
    return Rig(data["name"], devices, dict(data.get("alarms", {})), data.get("text", ""))


def _device(data: Mapping[str, Any]) -> RigDevice:
    kind, port = data.get("kind", PROTOCOL), data.get("port")
    return RigDevice(
        name=data["name"],
        url=data.get("url"),
        device_id=data.get("device_id"),
        channels=tuple(_channel(c, kind) for c in data.get("channels", ())),
        period_s=data.get("period_s"),
        kind=kind,
        port=None if port is None or kind not in _PORTS else _PORTS[kind](**_known(_PORTS[kind], port)),
        outputs=tuple(RigOutput(**_known(RigOutput, o)) for o in data.get("outputs", ())),
    )


def _channel(data: Mapping[str, Any], kind: str) -> RigChannel:
    stated, source = data.get("stated"), data.get("source")
    return RigChannel(
        data["index"],
        data["point"],
        _calibration(data["calibration"]),
        None if stated is None else Stated(**_known(Stated, stated)),
        None if source is None or kind not in _SOURCES else _SOURCES[kind](source),
    )


def _line_field(data: Mapping[str, Any]) -> LineField:
    fields = _known(LineField, data)
    fields["units"] = tuple((word, unit) for word, unit in fields.get("units", ()))
    fields["stable"] = tuple(fields.get("stable", ()))
    return LineField(**fields)


def _register(data: Mapping[str, Any]) -> Register:
    fields = _known(Register, data)
    fields["no_reading"] = tuple(fields.get("no_reading", ()))
    return Register(**fields)


_PORTS: dict[str, type[Any]] = {TEXT: TextPort, MODBUS: ModbusPort}
_SOURCES: dict[str, Callable[[Mapping[str, Any]], Any]] = {TEXT: _line_field, MODBUS: _register}


def _calibration(data: Mapping[str, Any]) -> Calibration:
    fields = _known(Calibration, data)
    fields["done"] = _day(fields.get("done"))
    return Calibration(**fields)
