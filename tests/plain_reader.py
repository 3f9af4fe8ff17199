"""A reader of a running or killed job's file of its own: plain SQLite and SHA-256, none of the store's code.

After logger/export/files/FORMAT.txt and the heads of logger/store/schema/ and packing.py; every digest anew.
"""

import hashlib
import json
import sqlite3
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_HEAD = struct.Struct("<16sBQqIIII")
_EVENT = 1


@dataclass(frozen=True, slots=True)
class Record:
    """event: of an event. frames: as received, each with its UTC ns, of frames."""

    device: str
    digest: bytes
    event: dict[str, Any] | None
    frames: tuple[tuple[int, bytes], ...]


def records_in(path: Path) -> list[Record]:
    """Of a whole chain; an AssertionError of any other."""
    connection = sqlite3.connect(path.resolve().as_uri() + "?mode=ro", uri=True)
    try:
        rows = connection.execute(
            "SELECT id, kind, device, t0_ns, n, offsets, payload, digest, codec FROM record ORDER BY id"
        )
        return list(_checked(rows))
    finally:
        connection.close()


def notes_in(path: Path) -> list[str]:
    """Texts of the notes, in order."""
    return [one.event["text"] for one in records_in(path) if one.event and one.event["type"] == "note"]


def _checked(rows: sqlite3.Cursor) -> Iterator[Record]:
    previous = bytes(32)
    for number, (record_id, kind, device, t0_ns, n, offsets, stored, digest, codec) in enumerate(rows, start=1):
        assert record_id == number, f"record {number} is missing"
        name, numbers = device.encode(), list(_leb128(offsets))
        payload = b"".join(_unpacked(stored, numbers[1::2])) if codec else stored
        head = _HEAD.pack(
            b"rimelog record 1", kind, record_id, t0_ns, n, len(name), len(offsets), len(payload)
        )  # fmt: skip
        previous = hashlib.sha256(previous + head + name + offsets + payload).digest()
        assert digest == previous, f"the chain breaks at record {number}"
        if kind == _EVENT:
            yield Record(device, digest, json.loads(payload), ())
        else:
            frames = tuple(_frames(t0_ns, numbers, payload))
            assert len(frames) == n
            yield Record(device, digest, None, frames)


def _frames(t0_ns: int, numbers: list[int], payload: bytes) -> Iterator[tuple[int, bytes]]:
    at = 0
    for after_us, length in zip(numbers[::2], numbers[1::2], strict=True):
        yield t0_ns + after_us * 1000, payload[at : at + length]
        at += length
    assert at == len(payload)


def _unpacked(stored: bytes, lengths: list[int]) -> Iterator[bytes]:
    """The frames of a payload in columns (codec 1)."""
    width, rows = struct.unpack_from("<HH", stored)
    bits = int.from_bytes(stored[4 : 4 + (width + 7) // 8], "little")
    at = 4 + (width + 7) // 8 + width
    columns = [bytes([value]) * rows for value in stored[at - width : at]]
    for column in range(width):
        if bits >> column & 1:
            columns[column] = columns[column][:1] + stored[at : at + rows - 1]
            at += rows - 1
    table = iter(zip(*columns, strict=True))
    for length in lengths:
        if length == width:
            yield bytes(next(table))
        else:
            yield stored[at : at + length]
            at += length


def _leb128(data: bytes) -> Iterator[int]:
    number = shift = 0
    for byte in data:
        number |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            yield number
            number = shift = 0
