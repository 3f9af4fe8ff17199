"""Model dataclasses as plain JSON data and back: for the chain's events, the API and the bundle."""

import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from datetime import date
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from logger.model.cylinder import marked_date
from logger.model.errors import EventError
from logger.model.finding import Finding, Text, Verdict
from logger.model.instrument import MODBUS, TEXT, LineField, ModbusPort, Register, TextPort
from logger.model.points import Quantity
from logger.model.rig import RigDevice
from logger.model.value import Argument, Code, Value

LATER = "later"  # metadata of a field that earlier versions did not write: left out while it has its default
T = TypeVar("T")
Read = Callable[[Any], Any]


def plain(item: Any) -> Any:
    """Dataclasses, enums, dates, tuples -> dicts, strings, lists. Anything else passes through."""
    if isinstance(item, Enum):
        return item.value
    if isinstance(item, Finding):
        return finding_data(item)
    if is_dataclass(item) and not isinstance(item, type):
        return _fields_of(item)
    if isinstance(item, date):
        return item.isoformat()
    if isinstance(item, Mapping):
        return {str(k): plain(v) for k, v in item.items()}
    if isinstance(item, list | tuple | set | frozenset):
        return [plain(v) for v in item]
    return item


def _fields_of(item: Any) -> dict[str, Any]:
    data = {
        field.name: plain(value)
        for field in fields(item)
        if (value := getattr(item, field.name)) != field.default or not field.metadata.get(LATER)
    }
    return {**data.pop("extra", {}), **data}


def from_plain(cls: type[T], data: Any) -> T:
    """A dataclass from its JSON: every key of the type that its field has, no required one missing.

    Keys it does not know are left out, or kept in its field `extra`. Numbers stay whole or not as they were written.
    Raises EventError: which key, and what is wrong with it.
    """
    hint: Any = cls
    return cast(T, _reader(hint)(data))


def _device_from(data: Any) -> RigDevice:
    """Its kind says what its port and the sources of its channels are; of a kind not known here they are left out."""
    device: RigDevice = _fields_reader(RigDevice)(data)
    port, source = _BY_KIND.get(device.kind, (None, None))
    channels = (replace(channel, source=_part(source, channel.source)) for channel in device.channels)
    return replace(device, port=_part(port, device.port), channels=tuple(channels))


@dataclass(frozen=True, slots=True)
class _WordedFinding:
    """A finding as version 0.1.0 stored it: with its sentences."""

    key: str
    verdict: Verdict
    headline: str
    text: str
    rule: str = ""
    decision_rule: str = ""
    inputs: tuple[tuple[str, Value], ...] = ()
    causes: tuple[str, ...] = ()
    check_next: tuple[str, ...] = ()


def finding_from(data: Any) -> Finding:
    """From an event or a findings file; of version 0.1.0 with the sentences it stored."""
    if not (isinstance(data, Mapping) and "headline" in data):
        return cast(Finding, _fields_reader(Finding)(data))
    old = from_plain(_WordedFinding, data)
    said = Text(old.headline, old.text, old.rule, old.decision_rule, old.causes, old.check_next)
    return Finding(old.key, old.verdict, tuple(Argument(label, None, v) for label, v in old.inputs), said)


def finding_data(finding: Finding) -> dict[str, Any]:
    """As `finding_from` reads it: data alone, its sentences only where they cannot be made again."""
    said = finding.said
    if said is not None and all(one.kind is None for one in finding.inputs):
        return _fields_of(
            _WordedFinding(
                finding.key, finding.verdict, said.headline, said.body, said.rule, said.decision_rule,
                tuple(finding.numbers()), said.causes, said.check_next,
            )
        )  # fmt: skip
    data = _fields_of(finding)
    return {key: value for key, value in data.items() if key != "said"}


def _argument(data: Any) -> Argument:
    if not isinstance(data, Mapping) or not isinstance(data.get("name"), str):
        raise EventError(f"an input of a finding needs a name, not {data!r:.60}")
    kind, value = data.get("kind"), data.get("value")
    try:
        if isinstance(value, str):
            return Argument(data["name"], Code(str(kind)), value)
        return Argument(data["name"], None if kind is None else Quantity(kind), from_plain(Value, value))
    except ValueError as exc:
        raise EventError(f"input {data['name']!r:.40}: {exc}") from exc


def _part(cls: type[Any] | None, data: Any) -> Any:
    return None if cls is None or data is None else from_plain(cls, data)


_BY_KIND: dict[str, tuple[type[Any], type[Any]]] = {TEXT: (TextPort, LineField), MODBUS: (ModbusPort, Register)}
_OWN_READERS: dict[type[Any], Read] = {Finding: finding_from, Argument: _argument, RigDevice: _device_from}


@cache
def _reader(hint: Any) -> Read:
    """What makes a value of a type hint from JSON; raises EventError."""
    if hint in _OWN_READERS:
        return _OWN_READERS[hint]
    if hint in _SCALARS:
        return _SCALARS[hint]
    origin, arguments = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return _union_reader(arguments)
    if origin is tuple:
        return _tuple_reader(arguments)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return _mapping_reader(_reader(arguments[1]))
    if isinstance(hint, type) and issubclass(hint, Enum):
        return _word_reader(hint)
    return _fields_reader(hint)


@cache
def _fields_reader(cls: type[Any]) -> Read:
    hints = get_type_hints(cls)
    # What is of the field's own simple type already needs no call, which is most of a night's events.
    simple = {name: hint if hint in (str, int, bool) else None for name, hint in hints.items()}
    readers = {f.name: (simple[f.name], _reader(hints[f.name])) for f in fields(cls) if f.name != "extra"}
    required = frozenset(f.name for f in fields(cls) if f.default is MISSING and f.default_factory is MISSING)
    keeps_extra = "extra" in hints

    def read(data: Any) -> Any:
        if not isinstance(data, dict):
            raise EventError(f"{data!r:.40} is no table of names and values")
        if missing := required - data.keys():
            raise EventError(f"{min(missing)} is missing")
        found: dict[str, Any] = {}
        extra: dict[str, Any] = {}
        name = ""
        try:
            for name, value in data.items():
                if name in readers:
                    own, reader = readers[name]
                    found[name] = value if type(value) is own else reader(value)
                elif keeps_extra:
                    extra[name] = value
        except ValueError as exc:
            raise EventError(f"{name}: {exc}") from exc
        try:
            return cls(**found, extra=extra) if keeps_extra else cls(**found)
        except ValueError as exc:
            raise EventError(str(exc)) from exc

    return read


def _union_reader(arguments: tuple[Any, ...]) -> Read:
    """None, or the first of the others that takes it. Of dataclasses `_device_from` chooses: they pass through."""
    some = [hint for hint in arguments if hint is not NoneType]
    optional = len(some) < len(arguments)
    *others, last = [_anything] if len(some) > 1 and is_dataclass(some[0]) else [_reader(hint) for hint in some]

    def read(data: Any) -> Any:
        if data is None and optional:
            return None
        for reader in others:
            with suppress(EventError):
                return reader(data)
        return last(data)

    return read


def _tuple_reader(arguments: tuple[Any, ...]) -> Read:
    """tuple[X, ...], or one of a fixed length."""
    readers = [_reader(hint) for hint in arguments if hint is not Ellipsis]
    any_length = Ellipsis in arguments

    def read(data: Any) -> tuple[Any, ...]:
        if not isinstance(data, list | tuple) or not (any_length or len(data) == len(readers)):
            raise EventError(f"{data!r:.40} is no list" + ("" if any_length else f" of {len(readers)}"))
        if any_length:
            return tuple(map(readers[0], data))
        return tuple(reader(item) for reader, item in zip(readers, data, strict=True))

    return read


def _mapping_reader(reader: Read) -> Read:
    def read(data: Any) -> dict[str, Any]:
        if not isinstance(data, dict):
            raise EventError(f"{data!r:.40} is no table of names and values")
        return {name: reader(value) for name, value in data.items()}

    return read


def _word_reader(cls: type[Enum]) -> Read:
    members = {member.value: member for member in cls}

    def read(data: Any) -> Enum:
        if not isinstance(data, str) or data not in members:
            raise EventError(f"{data!r:.40} is none of {', '.join(members)}")
        return members[data]

    return read


def _anything(data: Any) -> Any:
    return data


def _exactly(cls: type[Any], what: str) -> Read:
    def read(data: Any) -> Any:
        if type(data) is not cls:
            raise EventError(f"{data!r:.40} is no {what}")
        return data

    return read


def _number(data: Any) -> float:
    if type(data) not in (int, float) or not abs(data) <= sys.float_info.max:
        raise EventError(f"{data!r:.40} is no number")
    return cast(float, data)


def _day(data: Any) -> date:
    return marked_date(_TEXT(data))


_TEXT = _exactly(str, "text")
_SCALARS: dict[Any, Read] = {
    Any: _anything,
    str: _TEXT,
    bool: _exactly(bool, "true or false"),
    int: _exactly(int, "whole number"),
    float: _number,
    date: _day,
}
