"""Model dataclasses as plain JSON data and back: for the chain's events, the API and the bundle."""

import dataclasses
from collections.abc import Mapping
from datetime import date
from enum import Enum
from typing import Any

from logger.model.cylinder import Cylinder
from logger.model.finding import Finding, Verdict
from logger.model.job import Job
from logger.model.rig import Calibration, Rig, RigChannel, RigDevice
from logger.model.value import Value


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
    fields["tested"] = _day(fields.get("tested"))
    fields["candidates"] = tuple(fields.get("candidates", ()))
    return Cylinder(**fields)


def value_from(data: Mapping[str, Any]) -> Value:
    return Value(**_known(Value, data))


def finding_from(data: Mapping[str, Any]) -> Finding:
    fields = _known(Finding, data)
    fields["verdict"] = Verdict(fields["verdict"])
    fields["inputs"] = tuple((label, value_from(v)) for label, v in fields.get("inputs", ()))
    fields["causes"] = tuple(fields.get("causes", ()))
    fields["check_next"] = tuple(fields.get("check_next", ()))
    return Finding(**fields)


def rig_from(data: Mapping[str, Any]) -> Rig:
    """Devices, channels and calibrations of a stored rig (its text is the user's file)."""
    devices = tuple(
        RigDevice(
            name=d["name"],
            url=d.get("url"),
            device_id=d.get("device_id"),
            channels=tuple(
                RigChannel(c["index"], c["point"], _calibration(c["calibration"])) for c in d.get("channels", ())
            ),
            period_s=d.get("period_s"),
        )
        for d in data["devices"]
    )
    return Rig(data["name"], devices, dict(data.get("alarms", {})), data.get("text", ""))


def _calibration(data: Mapping[str, Any]) -> Calibration:
    fields = _known(Calibration, data)
    fields["done"] = _day(fields.get("done"))
    return Calibration(**fields)
