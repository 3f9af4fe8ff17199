"""The hash chain over a job's records.

    digest(0) = 32 zero bytes
    digest(k) = SHA-256(digest(k-1) | header(k) | offsets(k) | payload(k))

The header holds everything else of the record and the lengths of what follows, so no two records give the same
bytes. Changing, adding, removing or exchanging a record breaks the chain at that record; only records cut off the
end leave a chain that holds, which is what checkpoints (checkpoint.py) are for.
"""

import hashlib
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from logger.evidence.checkpoint import Checkpoint
from logger.evidence.errors import ChainError
from logger.model import codec
from logger.model.errors import EventError
from logger.model.events import Event, GapNoted
from logger.model.records import EVENT, FRAMES, NewRecord, Record

GENESIS = bytes(32)
KIND_CODES = {FRAMES: 0, EVENT: 1}

# Mark of what is hashed and its version | kind | id | t0_ns | n | bytes of device, offsets, payload.
_HEADER = struct.Struct("<16sBQqIIII")
_MARK = b"rimelog record 1"
MAX_DEVICE = 255
_MAX_VARINT = 10  # bytes of an unsigned 64-bit number


def header_bytes(record: NewRecord | Record, record_id: int) -> bytes:
    """What is hashed of a record besides offsets and payload. Raises ChainError for values that do not fit."""
    device = record.device.encode("utf-8", "surrogateescape")
    code = KIND_CODES.get(record.kind)
    if code is None:
        raise ChainError(f"record {record_id}: kind {record.kind!r:.20} is not known")
    if len(device) > MAX_DEVICE:
        raise ChainError(f"record {record_id}: device name of {len(device)} bytes")
    try:
        head = _HEADER.pack(
            _MARK, code, record_id, record.t0_ns, record.n, len(device), len(record.offsets), len(record.payload)
        )
    except (struct.error, TypeError) as exc:
        raise ChainError(f"record {record_id}: {exc}") from exc
    return head + device


def digest(previous: bytes, record: NewRecord | Record, record_id: int) -> bytes:
    """SHA-256 that links the record to the one before it (`GENESIS` for the first)."""
    data = b"".join((previous, header_bytes(record, record_id), record.offsets, record.payload))
    return hashlib.sha256(data).digest()


def chained(previous: bytes, record: NewRecord, record_id: int) -> Record:
    """The record with its id and digest."""
    return Record(
        record_id,
        record.kind,
        record.device,
        record.t0_ns,
        record.n,
        record.offsets,
        record.payload,
        digest(previous, record, record_id),
    )


@dataclass(frozen=True, slots=True)
class ChainReport:
    """count, last_id, head: of the records that hold, from the first on.

    problem: what is wrong in plain words, None when all holds. first_bad_id: the record where it shows.
    checkpoints: how many were compared and agree. declared: losses that the chain itself records (a gap event that
    names the checkpoints whose records are gone): reported, but no break.
    """

    count: int
    last_id: int
    head: bytes
    problem: str | None = None
    first_bad_id: int | None = None
    checkpoints: int = 0
    declared: tuple[str, ...] = ()

    @property
    def holds(self) -> bool:
        return self.problem is None


def verify_chain(records: Iterable[Record], checkpoints: Iterable[Checkpoint] = ()) -> ChainReport:
    """Recompute every digest and compare with the checkpoints. Signatures are the caller's to check.

    Stops at the first record that does not hold. Ids are 1, 2, 3 ... without holes.
    """
    awaited: dict[int, list[Checkpoint]] = {}
    for checkpoint in checkpoints:
        awaited.setdefault(checkpoint.last_id, []).append(checkpoint)
    contradicted: list[Checkpoint] = []
    excused: dict[tuple[int, str], int] = {}
    previous, last_id, agreed = GENESIS, 0, 0
    for record in records:
        problem = _bad_link(previous, record, last_id + 1)
        if problem is not None:
            return ChainReport(last_id, last_id, previous, problem, last_id + 1, agreed)
        previous, last_id = record.digest, last_id + 1
        if record.kind == EVENT and b'"lost_checkpoints"' in record.payload:
            excused.update(declared_losses(record))
        for checkpoint in awaited.pop(last_id, ()):
            if checkpoint.head == previous:
                agreed += 1
            else:
                contradicted.append(checkpoint)
    for later in awaited.values():
        contradicted += later
    undeclared = [c for c in contradicted if (c.last_id, c.head.hex()) not in excused]
    declared = tuple(_declared(c, excused) for c in contradicted if (c.last_id, c.head.hex()) in excused)
    if not undeclared:
        return ChainReport(last_id, last_id, previous, None, None, agreed, declared)
    furthest = max(undeclared, key=lambda c: c.last_id)
    if furthest.last_id > last_id:
        lost = furthest.last_id - last_id
        problem = (
            f"{lost} record{'s' if lost > 1 else ''} missing at the end: a checkpoint saw records up to "
            f"{furthest.last_id}, the last one here is {last_id}"
        )
        return ChainReport(last_id, last_id, previous, problem, last_id + 1, agreed, declared)
    first = min(undeclared, key=lambda c: c.last_id)
    problem = f"record {first.last_id} is not the one a checkpoint saw: records up to it were rewritten"
    return ChainReport(last_id, last_id, previous, problem, first.last_id, agreed, declared)


def _bad_link(previous: bytes, record: Record, expected_id: int) -> str | None:
    if record.id != expected_id:
        if record.id > expected_id:
            return f"records {expected_id} to {record.id - 1} are missing"
        return f"record {record.id} is where record {expected_id} belongs"
    try:
        if digest(previous, record, expected_id) == record.digest:
            return None
    except ChainError as exc:
        return str(exc)
    return f"record {record.id} does not fit the one before it: one of the two was changed"


def _declared(checkpoint: Checkpoint, excused: dict[tuple[int, str], int]) -> str:
    event_id = excused[checkpoint.last_id, checkpoint.head.hex()]
    return f"event {event_id} records the loss of what the checkpoint at record {checkpoint.last_id} had seen"


def declared_losses(record: Record) -> dict[tuple[int, str], int]:
    """(last id, head in hex) of the checkpoints that a gap event declares lost -> the id of that event."""
    try:
        event = event_of(record)
    except ChainError:
        return {}
    lost = event.lost_checkpoints if isinstance(event, GapNoted) else None
    return dict.fromkeys(lost or (), record.id)


# Frames: for each, two unsigned LEB128 varints, microseconds since t0_ns and length in bytes.


def encode_offsets(frames: Sequence[tuple[int, int]]) -> bytes:
    """frames: (microseconds since t0_ns, length in bytes) each, both not negative. Raises ChainError."""
    out = bytearray()
    for pair in frames:
        for number in pair:
            if number < 0 or number >> 64:
                raise ChainError(f"offset {number} is not 0 to 2**64 - 1")
            while number > 0x7F:
                out.append(number & 0x7F | 0x80)
                number >>= 7
            out.append(number)
    return bytes(out)


def decode_offsets(offsets: bytes) -> list[tuple[int, int]]:
    """The reverse. Raises ChainError for anything `encode_offsets` would not have written."""
    numbers: list[int] = []
    number = shift = 0
    for byte in offsets:
        number |= (byte & 0x7F) << shift
        if byte & 0x80:
            shift += 7
            if shift >= 7 * _MAX_VARINT:
                raise ChainError("an offset of more than 64 bits")
            continue
        if (byte == 0 and shift) or number >> 64:
            raise ChainError("an offset that is not in its shortest form or has more than 64 bits")
        numbers.append(number)
        number = shift = 0
    if shift or len(numbers) % 2:
        raise ChainError("the offsets end inside a frame's entry")
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def frames_of(record: Record | NewRecord) -> list[tuple[int, bytes]]:
    """(UTC nanoseconds, frame as received) of each frame, in order of arrival. Raises ChainError."""
    if record.kind != FRAMES:
        raise ChainError("an event has no frames")
    entries = decode_offsets(record.offsets)
    if len(entries) != record.n or sum(length for _, length in entries) != len(record.payload):
        raise ChainError("the offsets do not fit the frames")
    frames: list[tuple[int, bytes]] = []
    at = 0
    for microseconds, length in entries:
        frames.append((record.t0_ns + 1000 * microseconds, record.payload[at : at + length]))
        at += length
    return frames


# Events: canonical JSON (logger/model/codec.py).


def new_event(event: Event) -> NewRecord:
    """A record of an event. Raises ChainError."""
    try:
        return NewRecord(EVENT, "", event.t_ns, 1, b"", codec.event_bytes(event))
    except EventError as exc:
        raise ChainError(str(exc)) from exc


def event_data(record: Record | NewRecord) -> dict[str, Any]:
    """The event of a record as it was stored: its JSON. Raises ChainError for what `new_event` would not have made."""
    where = f"record {record.id}: " if isinstance(record, Record) else ""
    if record.kind != EVENT:
        raise ChainError(f"{where}frames are no event")
    try:
        return codec.event_data(record.payload, record.t0_ns)
    except EventError as exc:
        raise ChainError(f"{where}{exc}") from exc


def event_of(record: Record | NewRecord) -> Event:
    """The event of a record. Raises ChainError for one that is not as its type says."""
    data = event_data(record)
    try:
        return codec.event_from_json(data)
    except EventError as exc:
        where = f"record {record.id}: " if isinstance(record, Record) else ""
        raise ChainError(f"{where}the event cannot be read ({exc})") from exc
