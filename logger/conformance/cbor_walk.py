"""Where each key of a CBOR map lies in its bytes, and what is written in an unusual way. For bodies that decode."""

from dataclasses import dataclass, field


@dataclass(slots=True)
class Walk:
    """Offsets into the body. keys: of the outer map, key -> (where its value begins, where it ends)."""

    keys: dict[int, tuple[int, int]] = field(default_factory=dict)
    longer: int | None = None  # the first integer or length that is not in its shortest form
    unordered: int | None = None  # the first key that comes after a higher one


def walk(body: bytes) -> Walk:
    """Of a body that cbor.loads accepts."""
    found = Walk()
    _item(body, 0, found, outer=True)
    return found


def _head(body: bytes, at: int, found: Walk) -> tuple[int, int, int]:
    """(major, argument, where it ends)"""
    major, info = body[at] >> 5, body[at] & 31
    if info < 24:
        return major, info, at + 1
    width = 1 << (info - 24)
    argument = int.from_bytes(body[at + 1 : at + 1 + width], "big")
    lowest = {1: 24, 2: 1 << 8, 4: 1 << 16, 8: 1 << 32}[width]
    if major < 7 and argument < lowest and found.longer is None:
        found.longer = at
    return major, argument, at + 1 + width


def _item(body: bytes, at: int, found: Walk, *, outer: bool = False) -> int:
    """Where the item at `at` ends."""
    begin = at
    major, argument, at = _head(body, begin, found)
    if major in (2, 3):
        return at + argument
    if major == 4:
        for _ in range(argument):
            at = _item(body, at, found)
    elif major == 5:
        before = b""
        for _ in range(argument):
            key_at = at
            key_major, key, at = _head(body, at, found)
            encoded = body[key_at:at]
            if encoded < before and found.unordered is None:
                found.unordered = key_at
            before = encoded
            value_at = at
            at = _item(body, at, found)
            if outer and key_major == 0:
                found.keys[key] = (value_at, at)
    return at
