"""Events as the JSON of the record and back: the only file that knows their keys.

An event is one JSON object with "type" and "t_ns". Its version "v" is 1 where it is not written. `UPGRADES` makes
events of older versions into those of today; stored bytes are never rewritten, because hashes are over them.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any

from logger.model import events as e
from logger.model import records as r
from logger.model.alarm import RENAMED
from logger.model.errors import EventError
from logger.model.plain import from_plain, plain

MAX_NS = 1 << 63
EVENT_CLASSES: dict[str, type[e.Event]] = {
    r.JOB_OPENED: e.JobOpened,
    r.JOB_CLOSED: e.JobClosed,
    r.RUN_BEGUN: e.RunBegun,
    r.RUN_ENDED: e.RunEnded,
    r.RIG_LOADED: e.RigLoaded,
    r.DEVICE_HELLO: e.DeviceHello,
    r.DEVICE_LOST: e.DeviceLost,
    r.PERMIT: e.PermitChanged,
    r.STAGE_BEGUN: e.StageBegun,
    r.STAGE_ENDED: e.StageEnded,
    r.MARK: e.Marked,
    r.NOTE: e.NoteWritten,
    r.CYLINDER_ON_SCALE: e.CylinderOnScale,
    r.FINDING: e.FindingConcluded,
    r.ALARM: e.AlarmChanged,
    r.GAP: e.GapNoted,
    r.CLOCK: e.ClockNoted,
    r.KEEP_AWAKE: e.KeepAwakeNoted,
    r.SETTING: e.SettingChanged,
    r.PROPOSED: e.Proposed,
    r.PROPOSAL_ANSWERED: e.ProposalAnswered,
    r.CORRECTED: e.Corrected,
    r.JOB_AMENDED: e.JobAmended,
}
_TYPES = {cls: type_ for type_, cls in EVENT_CLASSES.items()}
UPGRADES: dict[tuple[str, int], Callable[[dict[str, Any]], dict[str, Any]]] = {
    (r.ALARM, 1): lambda data: data | ({"key": RENAMED[key]} if (key := str(data.get("key"))) in RENAMED else {}),
}
"""(type, version) -> what makes the JSON of the next version of it."""


def event_from_json(data: Mapping[str, Any]) -> e.Event:
    """Raises EventError for one that is not as its type says; one of a later version is an UnknownEvent."""
    type_, t_ns, version = data.get("type"), data.get("t_ns"), data.get("v", 1)
    if not isinstance(type_, str) or type(t_ns) is not int or not -MAX_NS <= t_ns < MAX_NS:
        raise EventError(f'an event needs "type" and "t_ns", not {type_!r:.40} and {t_ns!r:.40}')
    newest = _newest(type_)
    known = type_ in EVENT_CLASSES
    if known and (type(version) is not int or version < 1):
        raise EventError(f"{type_} event: its version is a whole number from 1, not {version!r:.40}")
    if not known or version > newest:
        return e.UnknownEvent(t_ns=t_ns, type=type_, extra=_without(data, "type", "t_ns"))
    try:
        for old in range(version, newest):
            data = UPGRADES[type_, old](dict(data))
        rest = dict(data)
        del rest["type"]
        rest.pop("v", None)
        return from_plain(EVENT_CLASSES[type_], rest)
    except EventError as exc:
        raise EventError(f"{type_} event: {exc}") from exc


def event_to_json(event: e.Event) -> dict[str, Any]:
    """As it is stored, with "type" and "t_ns"."""
    type_ = type_of(event)
    data: dict[str, Any] = {"type": type_}
    if type_ in EVENT_CLASSES and _newest(type_) > 1:
        data["v"] = _newest(type_)
    for field in fields(event):
        value = getattr(event, field.name)
        if field.name not in ("extra", "type") and (value is not None or field.default is not None):
            data[field.name] = plain(value)
    return {**event.extra, **data}


def type_of(event: e.Event) -> str:
    """Its type as it is stored, such as "stage-begun"."""
    return event.type if isinstance(event, e.UnknownEvent) else _TYPES[type(event)]


def operator_of(event: e.Event) -> str:
    """Who acted, as far as an event of any type says; "" without."""
    said = (getattr(event, key, None) or event.extra.get(key) for key in ("operator", "author", "by"))
    return str(next(filter(None, said), ""))


def details_of(event: e.Event) -> str:
    """What an event holds besides type, time and who acted, as JSON; "" when that is nothing."""
    version = () if isinstance(event, e.UnknownEvent) else ("v",)  # read as today's, whatever was stored
    rest = _without(event_to_json(event), *version, "type", "t_ns", "operator", "author", "by")
    return json.dumps(rest, ensure_ascii=False, sort_keys=True) if rest else ""


def event_bytes(event: e.Event) -> bytes:
    """Canonical JSON in UTF-8: keys sorted, no spaces, no NaN. Raises EventError for what JSON cannot hold."""
    try:
        text = json.dumps(
            event_to_json(event), sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
        )
    except (TypeError, ValueError, RecursionError) as exc:
        raise EventError(f"{type_of(event)!s:.40} event: {exc}") from exc
    return text.encode("utf-8", "backslashreplace")  # half a surrogate pair becomes its JSON escape


def event_data(payload: bytes, t_ns: int) -> dict[str, Any]:
    """The JSON of an event stored with the time t_ns, which it must hold. Raises EventError."""
    try:
        data = json.loads(payload.decode(), parse_constant=_no_constant)
    except (ValueError, RecursionError) as exc:
        raise EventError(f"event is no JSON: {exc}") from exc
    if not isinstance(data, dict) or not isinstance(data.get("type"), str) or data.get("t_ns") != t_ns:
        raise EventError('an event needs "type", and its record\'s time as "t_ns"')
    return data


def _newest(type_: str) -> int:
    """The version in which events of a type are written."""
    version = 1
    while (type_, version) in UPGRADES:
        version += 1
    return version


def _without(data: Mapping[str, Any], *keys: str) -> dict[str, Any]:
    return {key: value for key, value in data.items() if key not in keys}


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is no JSON")
