"""Invented records for the store's tests: what a second of a device looks like, told by its number alone."""

import struct
from pathlib import Path
from typing import Any

from logger.evidence.chain import encode_offsets, event_data, new_event
from logger.model.events import NoteWritten
from logger.model.records import EVENT, FRAMES, NewRecord, Record
from logger.model.sample import Scan
from logger.model.units import NS_PER_S
from logger.store.reader import StoreReader

T0_NS = 1_764_000_000_000_000_000
DEVICE = "00a1b2c3d4e5f607"
JOB_ID = "2025-11-24-01"


def second(number: int, *, t_ns: int | None = None, frames: int = 10) -> NewRecord:
    """Second `number` of the job."""
    raw = [b"\x07" + struct.pack("<IHB", number, 1000 + tick, 255 - tick) * 4 for tick in range(frames)]
    offsets = encode_offsets([(100_000 * tick, len(frame)) for tick, frame in enumerate(raw)])
    t0_ns = T0_NS + number * NS_PER_S if t_ns is None else t_ns
    return NewRecord(FRAMES, DEVICE, t0_ns, frames, offsets, b"".join(raw))


def number_of(record: Record) -> int:
    return int(struct.unpack_from("<I", record.payload, 1)[0])


def note(number: int, text: str = "a note") -> NewRecord:
    return new_event(NoteWritten(t_ns=T0_NS + number * NS_PER_S, text=text))


def readings(number: int, point: str = "vacuum") -> list[Scan]:
    """Ten readings of second `number`: number + 0.0 to 0.9."""
    t_ns = T0_NS + number * NS_PER_S
    return [Scan(t_ns + tick * NS_PER_S // 10, (point,), (number + tick / 10,)) for tick in range(10)]


def stored(path: Path) -> list[Record]:
    with StoreReader(path) as reader:
        return list(reader.records())


def events(path: Path, type_: str) -> list[dict[str, Any]]:
    with StoreReader(path) as reader:
        found = (event_data(record) for record in reader.records(kind=EVENT))
        return [event for event in found if event["type"] == type_]
