"""Records as rows of the table `record`."""

from typing import Any

from logger.model.records import EVENT, FRAMES, Record
from logger.store.errors import StoreDamaged
from logger.store.packing import AS_RECEIVED, pack, unpack

COLUMNS_OF_RECORD = "id, kind, device, t0_ns, n, offsets, payload, digest, codec"
COLUMNS_OF_VERSION_1 = "id, kind, device, t0_ns, n, offsets, payload, digest, 0"
INSERT_RECORD = f"INSERT INTO record ({COLUMNS_OF_RECORD}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"

KINDS = (FRAMES, EVENT)  # by their number in the file

Row = tuple[Any, ...]


def row_of(record: Record) -> Row:
    """The columns of a record as it is stored."""
    is_event = record.kind == EVENT
    codec, body = (AS_RECEIVED, record.payload) if is_event else pack(record.payload, record.n, record.offsets)
    return (record.id, int(is_event), record.device, record.t0_ns, record.n, record.offsets, body, record.digest, codec)


def record_of(row: Row) -> Record:
    """Raises StoreDamaged for a row that `row_of` would not have made."""
    match row:
        case (
            int(record_id),
            int(kind),
            str(device),
            int(t0_ns),
            int(n),
            bytes(offsets),
            bytes(body),
            bytes(digest),
            int(codec),
        ) if 0 <= kind < len(KINDS):
            payload = unpack(codec, body, n, offsets)
            return Record(record_id, KINDS[kind], device, t0_ns, n, offsets, payload, digest)
    raise StoreDamaged(f"the row of record {row[0]!r:.20} is none")
