"""The subset of CBOR (RFC 8949) that messages use: definite lengths, integer keys, no tags.

Unsigned and negative integers, byte strings, text strings, arrays, maps, false, true, null and finite floats.
The encoder writes the shortest integers and ascending keys, floats in 32 bits where that is exact,
else 64. The decoder accepts longer forms and 16-bit floats too.
"""

import math
import struct
from typing import Final, TypeAlias

from firmware_protocol.errors import CborError

CborValue: TypeAlias = "int | float | bool | bytes | str | list[CborValue] | dict[int, CborValue] | None"

MAX_SIZE: Final = 240
MAX_DEPTH: Final = 4
MAX_ITEMS: Final = 128

_FLOAT_FORMATS: Final = {25: ">e", 26: ">f", 27: ">d"}


def dumps(value: CborValue) -> bytes:
    """CBOR bytes of `value`. Raises CborError for what the subset cannot carry."""
    out = bytearray()
    _write(value, out, 1)
    if len(out) > MAX_SIZE:
        raise CborError(f"item of {len(out)} bytes, at most {MAX_SIZE} allowed")
    return bytes(out)


def loads(data: bytes) -> CborValue:
    """The one item in `data`. Raises CborError unless the bytes are exactly one allowed item."""
    if len(data) > MAX_SIZE:
        raise CborError(f"item of {len(data)} bytes, at most {MAX_SIZE} allowed")
    reader = _Reader(data)
    try:
        value = reader.item(1)
    except CborError as exc:
        exc.at = reader.begun
        raise
    if reader.at != len(data):
        error = CborError(f"{len(data) - reader.at} bytes after the end of the item")
        error.at = reader.at
        raise error
    return value


def _head(major: int, argument: int) -> bytes:
    first = major << 5
    if argument < 24:
        return bytes((first | argument,))
    for info, width in ((24, 1), (25, 2), (26, 4), (27, 8)):
        if argument < 1 << (8 * width):
            return bytes((first | info,)) + argument.to_bytes(width, "big")
    raise CborError(f"{argument} needs more than 64 bits")


def _write(value: CborValue, out: bytearray, depth: int) -> None:
    if depth > MAX_DEPTH:
        raise CborError(f"nested deeper than {MAX_DEPTH}")
    match value:
        case bool() | None:
            out += b"\xf6" if value is None else (b"\xf5" if value else b"\xf4")
        case int():
            out += _head(0, value) if value >= 0 else _head(1, -1 - value)
        case float():
            out += _float(value)
        case bytes():
            out += _head(2, len(value)) + value
        case str():
            try:
                text = value.encode()
            except UnicodeEncodeError as exc:
                raise CborError(f"text is not valid Unicode: {exc.reason}") from exc
            out += _head(3, len(text)) + text
        case list():
            out += _head(4, len(value))
            for item in value:
                _write(item, out, depth + 1)
        case dict():
            out += _head(5, len(value))
            # RFC 8949 4.2.1: keys in the byte order of their encodings
            for encoded, key in sorted((_key(key), key) for key in value):
                out += encoded
                _write(value[key], out, depth + 1)
        case _:
            raise CborError(f"{type(value).__name__} has no place in a message")


def _key(key: int) -> bytes:
    if isinstance(key, bool) or not isinstance(key, int):
        raise CborError(f"map keys are integers, not {type(key).__name__}")
    return _head(0, key) if key >= 0 else _head(1, -1 - key)


def _float(value: float) -> bytes:
    if not math.isfinite(value):
        raise CborError("NaN or infinite; only finite floats are allowed")
    try:
        short = struct.pack(">f", value)
    except OverflowError:
        short = b""
    if short and struct.unpack(">f", short)[0] == value:
        return b"\xfa" + short
    return b"\xfb" + struct.pack(">d", value)


class _Reader:
    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0
        self.begun = 0  # where the innermost item begins
        self.items = 0

    def take(self, count: int) -> bytes:
        end = self.at + count
        if end > len(self.data):
            raise CborError("cut short")
        piece = self.data[self.at : end]
        self.at = end
        return piece

    def item(self, depth: int) -> CborValue:
        self.items += 1
        self.begun = self.at
        if depth > MAX_DEPTH:
            raise CborError(f"nested deeper than {MAX_DEPTH}")
        if self.items > MAX_ITEMS:
            raise CborError(f"more than {MAX_ITEMS} items")
        first = self.take(1)[0]
        major, info = first >> 5, first & 31
        if major == 7:
            return self.simple(info)
        if info > 27:
            raise CborError("indefinite length or reserved head" if info == 31 else "reserved head")
        argument = info if info < 24 else int.from_bytes(self.take(1 << (info - 24)), "big")
        match major:
            case 0:
                return argument
            case 1:
                return -1 - argument
            case 2:
                return self.take(argument)
            case 3:
                try:
                    return self.take(argument).decode()
                except UnicodeDecodeError as exc:
                    raise CborError("text is not UTF-8") from exc
            case 4:
                return [self.item(depth + 1) for _ in self.bounded(argument)]
            case 5:
                return self.map(argument, depth)
            case _:
                raise CborError("tags are not allowed")

    def bounded(self, count: int) -> range:
        if count > MAX_ITEMS:
            raise CborError(f"more than {MAX_ITEMS} items")
        return range(count)

    def map(self, count: int, depth: int) -> CborValue:
        found: dict[int, CborValue] = {}
        for _ in self.bounded(count):
            key = self.item(depth + 1)
            if isinstance(key, bool) or not isinstance(key, int):
                raise CborError("map keys are integers")
            if key in found:
                raise CborError(f"key {key} twice")
            found[key] = self.item(depth + 1)
        return found

    def simple(self, info: int) -> CborValue:
        if info in (20, 21, 22):
            return (False, True, None)[info - 20]
        if info not in _FLOAT_FORMATS:
            raise CborError(f"simple value {info} is not allowed")
        value: float = struct.unpack(_FLOAT_FORMATS[info], self.take(1 << (info - 24)))[0]
        if not math.isfinite(value):
            raise CborError("NaN or infinite; only finite floats are allowed")
        return value
