"""Model dataclasses as plain JSON data and back: for the chain's events, the API and the bundle."""

import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import MISSING, fields, is_dataclass, replace
from datetime import date
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from logger.model.cylinder import marked_date
from logger.model.errors import EventError
from logger.model.finding import Finding
from logger.model.instrument import MODBUS, TEXT, LineField, ModbusPort, Register, TextPort
from logger.model.rig import RigDevice

T = TypeVar("T")
Read = Callable[[Any], Any]


def plain(item: Any) -> Any:
    """Dataclasses, enums, dates, tuples -> dicts, strings, lists. Anything else passes through."""
    if isinstance(item, Enum):
        return item.value
    if isinstance(item, Finding):
        return plain_finding(item)
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
    data = {field.name: plain(getattr(item, field.name)) for field in fields(item)}
    return {**data.pop("extra", {}), **data}


def plain_finding(finding: Finding) -> dict[str, Any]:
    return _fields_of(finding)


def from_plain(cls: type[T], data: Any) -> T:
    """A dataclass from its JSON: every key of the type that its field has, no required one missing.

    Keys it does not know are left out, or kept in its field `extra`. Numbers stay whole or not as they were written.
    Raises EventError: which key, and what is wrong with it.
    """
    hint: Any = cls
    return cast(T, _reader(hint)(data))


def finding_from(data: Any) -> Finding:
    return cast(Finding, _fields_reader(Finding)(data))


def _device_from(data: Any) -> RigDevice:
    """Its kind says what its port and the sources of its channels are; of a kind not known here they are left out."""
    device: RigDevice = _fields_reader(RigDevice)(data)
    port, source = _BY_KIND.get(device.kind, (None, None))
    channels = (replace(channel, source=_part(source, channel.source)) for channel in device.channels)
    return replace(device, port=_part(port, device.port), channels=tuple(channels))


def _part(cls: type[Any] | None, data: Any) -> Any:
    return None if cls is None or data is None else from_plain(cls, data)


_BY_KIND: dict[str, tuple[type[Any], type[Any]]] = {TEXT: (TextPort, LineField), MODBUS: (ModbusPort, Register)}
_OWN_READERS: dict[type[Any], Read] = {Finding: finding_from, RigDevice: _device_from}


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
        return hint
    return _fields_reader(hint)


@cache
def _fields_reader(cls: type[Any]) -> Read:
    hints = get_type_hints(cls)
    readers = {f.name: _reader(hints[f.name]) for f in fields(cls) if f.name != "extra"}
    required = [f.name for f in fields(cls) if f.default is MISSING and f.default_factory is MISSING]
    keeps_extra = "extra" in hints

    def read(data: Any) -> Any:
        if not isinstance(data, dict):
            raise EventError(f"{data!r:.40} is no table of names and values")
        for name in required:
            if name not in data:
                raise EventError(f"{name} is missing")
        found: dict[str, Any] = {}
        extra: dict[str, Any] = {}
        name = ""
        try:
            for name, value in data.items():
                if name in readers:
                    found[name] = readers[name](value)
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
