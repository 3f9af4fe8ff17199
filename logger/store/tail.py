"""Is the end of the chain where the checkpoints saw it? Asked whenever a job is opened to go on."""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from logger.evidence.chain import GENESIS, declared_losses, digest, new_event
from logger.evidence.checkpoint import Checkpoint, CheckpointFile, parse_checkpoints
from logger.evidence.errors import ChainError
from logger.model.events import GapNoted
from logger.model.records import NewRecord, Record
from logger.store.errors import StoreDamaged
from logger.store.place import checkpoints_path
from logger.store.rows import COLUMNS_OF_RECORD, record_of

_LINKS_CHECKED = 120


@dataclass(frozen=True, slots=True)
class Tail:
    """The end of a chain. t0_ns: of the last record, None for an empty chain. lost: checkpoints it contradicts."""

    last_id: int
    head: bytes
    t0_ns: int | None
    lost: tuple[Checkpoint, ...]


def read_checkpoints(file: Path) -> CheckpointFile:
    """The checkpoints kept beside a job file; none when there is no such file."""
    try:
        return parse_checkpoints(checkpoints_path(file).read_bytes())
    except FileNotFoundError:
        return CheckpointFile(())


def check_tail(connection: sqlite3.Connection, checkpoints: Sequence[Checkpoint], path: Path) -> Tail:
    """Recomputes the last links and looks every checkpoint up. Raises StoreDamaged when a link does not hold."""
    rows = connection.execute(
        f"SELECT {COLUMNS_OF_RECORD} FROM record ORDER BY id DESC LIMIT ?", (_LINKS_CHECKED + 1,)
    ).fetchall()
    records = [record_of(row) for row in reversed(rows)]
    previous = GENESIS if not records or records[0].id == 1 else None
    for before, record in zip([None, *records], records, strict=False):
        if previous is None:  # the first of the window: only its digest is needed
            previous = record.digest
            continue
        if before is not None and record.id != before.id + 1:
            raise StoreDamaged(f"{path}: records {before.id + 1} to {record.id - 1} are missing; ask `rimelog doctor`")
        try:
            holds = digest(previous, record, record.id) == record.digest
        except ChainError:
            holds = False
        if not holds:
            raise StoreDamaged(f"{path}: record {record.id} was changed; ask `rimelog doctor`")
        previous = record.digest
    lost = [c for c in checkpoints if _digest_of(connection, c.last_id) != c.head]
    if lost:
        known = _declared(connection)
        lost = [c for c in lost if (c.last_id, c.head.hex()) not in known]
    last = records[-1] if records else None
    return Tail(
        0 if last is None else last.id,
        GENESIS if last is None else last.digest,
        None if last is None else last.t0_ns,
        tuple(lost),
    )


def lost_tail_event(now_ns: int, t0_ns: int | None, last_id: int, lost: Sequence[Checkpoint]) -> NewRecord:
    """The gap event that owns up to a lost end: verification then tells the loss instead of failing."""
    furthest = max(c.last_id for c in lost)
    gap = GapNoted(
        t_ns=now_ns, cause="stored records lost", from_ns=now_ns if t0_ns is None else t0_ns, to_ns=now_ns,
        lost_from_id=last_id + 1, lost_to_id=max(furthest, last_id + 1),
        lost_checkpoints=tuple((c.last_id, c.head.hex()) for c in lost),
    )  # fmt: skip
    return new_event(gap)


def _digest_of(connection: sqlite3.Connection, record_id: int) -> bytes | None:
    row = connection.execute("SELECT digest FROM record WHERE id = ?", (record_id,)).fetchone()
    return None if row is None else bytes(row[0])


def _declared(connection: sqlite3.Connection) -> set[tuple[int, str]]:
    known: set[tuple[int, str]] = set()
    rows = connection.execute(f"SELECT {COLUMNS_OF_RECORD} FROM record WHERE kind = 1 ORDER BY id").fetchall()
    for row in rows:
        record: Record = record_of(row)
        if b'"lost_checkpoints"' in record.payload:
            known.update(declared_losses(record))
    return known
