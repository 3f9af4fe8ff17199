"""Between a message's attributes and its CBOR map: one FieldSpec a key, checked both ways.

A reader takes a decoded CBOR value and returns the attribute, or raises ValueError saying what is wrong.
"""

import math
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Any, Final

from firmware_protocol.cbor import CborValue
from firmware_protocol.errors import MessageError

REQUIRED: Final = object()
_UNSAFE_CATEGORIES: Final = {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}

Reader = Callable[[CborValue], Any]


@dataclass(frozen=True, slots=True)
class FieldSpec:
    """Key of the map, attribute of the message, reader, and the value that is left out on the wire."""

    key: int
    name: str
    read: Reader
    default: Any = REQUIRED


def read_map(what: str, specs: tuple[FieldSpec, ...], value: CborValue) -> dict[str, Any]:
    """Attributes from a decoded map, unknown keys under `extra`. Raises MessageError."""
    if not isinstance(value, dict):
        raise MessageError(f"{what}: the body is not a map")
    rest = dict(value)
    found: dict[str, Any] = {}
    for spec in specs:
        if spec.key not in rest:
            if spec.default is REQUIRED:
                raise MessageError(f"{what}: key {spec.key} ({spec.name}) is missing")
            continue
        try:
            found[spec.name] = spec.read(rest.pop(spec.key))
        except ValueError as exc:
            raise MessageError(f"{what}: key {spec.key} ({spec.name}): {exc}") from exc
    found["extra"] = rest
    return found


def write_map(specs: tuple[FieldSpec, ...], message: Any) -> dict[int, CborValue]:
    """Map for the wire. Raises MessageError where reading it back would not give the same message."""
    what = type(message).__name__
    body: dict[int, CborValue] = {}
    for spec in specs:
        attribute = getattr(message, spec.name)
        if spec.default is not REQUIRED and attribute == spec.default:
            continue
        value = _plain(attribute)
        try:
            same = spec.read(value) == attribute
        except ValueError as exc:
            raise MessageError(f"{what}: {spec.name}: {exc}") from exc
        if not same:
            raise MessageError(f"{what}: {spec.name}: would not read back the same (control characters?)")
        body[spec.key] = value
    if taken := body.keys() & message.extra.keys():
        raise MessageError(f"{what}: extra uses known keys {sorted(taken)}")
    extra: dict[int, CborValue] = message.extra
    return body | extra


def _plain(value: Any) -> CborValue:
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, int) and not isinstance(value, bool):
        return int(value)  # an enum becomes its number
    plain: CborValue = value
    return plain


def clean_text(text: str) -> str:
    """`text` with every control, format, private-use and line-separator character replaced by U+FFFD."""
    return "".join("\ufffd" if unicodedata.category(c) in _UNSAFE_CATEGORIES else c for c in text)


def as_int(low: int, high: int) -> Reader:
    def read(value: CborValue) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValueError("not an integer")
        if not low <= value <= high:
            raise ValueError(f"{value} is not {low} to {high}")
        return value

    return read


def as_enum(kind: type[IntEnum], *, closed: bool = False) -> Reader:
    """A member of `kind`; a number it does not have stays a plain int, or is refused when `closed`."""
    number = as_int(0, 255)

    def read(value: CborValue) -> int:
        code: int = number(value)
        try:
            return kind(code)
        except ValueError:
            if closed:
                raise ValueError(f"{code} is no {kind.__name__} of this version") from None
            return code

    return read


def as_flags(kind: type[IntFlag]) -> Reader:
    """Flags; bits this version does not know are kept."""
    number = as_int(0, 0xFFFF_FFFF)
    return lambda value: kind(number(value))


def as_bool(value: CborValue) -> bool:
    if not isinstance(value, bool):
        raise ValueError("not true or false")
    return value


def as_bytes(low: int, high: int) -> Reader:
    def read(value: CborValue) -> bytes:
        if not isinstance(value, bytes):
            raise ValueError("not a byte string")
        if not low <= len(value) <= high:
            raise ValueError(f"{len(value)} bytes, {low} to {high} allowed")
        return value

    return read


def as_text(longest: int) -> Reader:
    """Text of at most `longest` UTF-8 bytes, cleaned."""

    def read(value: CborValue) -> str:
        if not isinstance(value, str):
            raise ValueError("not text")
        if len(value.encode()) > longest:
            raise ValueError(f"{len(value.encode())} bytes of text, at most {longest} allowed")
        return clean_text(value)

    return read


def as_unit(value: CborValue) -> str:
    """A UCUM unit: 1 to 16 printable ASCII characters without blanks."""
    if not isinstance(value, str) or not 1 <= len(value) <= 16:
        raise ValueError("not text of 1 to 16 characters")
    if not all("!" <= c <= "~" for c in value):
        raise ValueError("not printable ASCII without blanks")
    return value


def as_number(value: CborValue) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("not a number")
    if not math.isfinite(value):
        raise ValueError(f"{value} is not finite")
    return value


def as_tolerance(value: CborValue) -> float:
    number = as_number(value)
    if number < 0:
        raise ValueError(f"{number} is negative")
    return number


def as_numbers(longest: int) -> Reader:
    def read(value: CborValue) -> tuple[float, ...]:
        if not isinstance(value, list):
            raise ValueError("not an array")
        if len(value) > longest:
            raise ValueError(f"{len(value)} numbers, at most {longest} allowed")
        return tuple(as_number(item) for item in value)

    return read


def as_triples(longest: int) -> Reader:
    """Array of at most `longest` arrays of three integers or more; only the first three are used."""
    number = as_int(0, 0xFFFF_FFFF)

    def read(value: CborValue) -> tuple[tuple[int, int, int], ...]:
        if not isinstance(value, list):
            raise ValueError("not an array")
        if len(value) > longest:
            raise ValueError(f"{len(value)} entries, at most {longest} allowed")
        found = []
        for entry in value:
            if not isinstance(entry, list) or len(entry) < 3:
                raise ValueError("an entry is not an array of three integers")
            found.append((number(entry[0]), number(entry[1]), number(entry[2])))
        return tuple(found)

    return read
