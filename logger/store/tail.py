"""Is the end of the chain where the checkpoints saw it, and did they see it at all? Asked before a job goes on."""

import sqlite3
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from logger.evidence.chain import GENESIS, declared_losses, digest, new_event
from logger.evidence.checkpoint import Checkpoint, CheckpointFile, parse_checkpoints
from logger.evidence.errors import ChainError
from logger.model.events import GapNoted, NoteWritten
from logger.model.records import NewRecord, Record
from logger.model.units import NS_PER_S
from logger.store.errors import StoreDamaged
from logger.store.place import anchor_path, checkpoints_path
from logger.store.rows import COLUMNS_OF_RECORD, record_of
from logger.wording.values import rough

RecordsBetween = Callable[[int, int], Iterable[Record]]
"""Records with since_id < id <= until_id."""
MINUTE_S = 60.0
_LINKS_CHECKED = 120
_NEIGHBOURS = 20


@dataclass(frozen=True, slots=True)
class Tail:
    """The end of a chain. t0_ns: of the last record, None for an empty chain. lost: checkpoints it contradicts.

    unseen: records at the end that no checkpoint saw, more than a crash leaves; None when there are not too many.
    """

    last_id: int
    head: bytes
    t0_ns: int | None
    lost: tuple[Checkpoint, ...]
    unseen: "UncheckedTail | None" = None


@dataclass(frozen=True, slots=True)
class UncheckedTail:
    """Records that no checkpoint saw: they could have been written by anyone, at any time."""

    first_id: int
    last_id: int
    seconds: float

    def __str__(self) -> str:
        return f"no checkpoint saw records {self.first_id} to {self.last_id} ({rough(self.seconds)} of record)"


def read_checkpoints(file: Path, anchors: Path | None = None, job_id: str = "") -> CheckpointFile:
    """The checkpoints beside a job file, and those in the folder `anchors` by the job's and by its folder's name."""
    places = [checkpoints_path(file)]
    if anchors is not None:
        places += [anchor_path(anchors, name) for name in sorted({job_id, file.parent.name}) if name]
    found: dict[Checkpoint, None] = {}
    problems: list[str] = []
    for place in places:
        try:
            parsed = parse_checkpoints(place.read_bytes())
        except FileNotFoundError:
            continue
        found |= dict.fromkeys(parsed.checkpoints)
        problems += parsed.problems
    return CheckpointFile(tuple(found), tuple(problems))


def unseen(records: RecordsBetween, last_id: int, checkpoints: Sequence[Checkpoint]) -> UncheckedTail | None:
    """The records after the last checkpoint that holds, if they are of a longer time than a crash leaves.

    A run's first checkpoint is made with its first commit, then there is one a minute. An act may be recorded under
    an earlier time than it was given, so times are the newest of several records.
    """
    seen_id = 0
    for checkpoint in sorted(checkpoints, key=lambda c: c.last_id, reverse=True):
        if any(r.digest == checkpoint.head for r in records(checkpoint.last_id - 1, checkpoint.last_id)):
            seen_id = checkpoint.last_id
            break
    if seen_id >= last_id:
        return None
    ended_ns = max((r.t0_ns for r in records(max(seen_id, last_id - _NEIGHBOURS), last_id)), default=0)
    begun_ns = max((r.t0_ns for r in records(max(0, seen_id - _NEIGHBOURS), seen_id + 1)), default=ended_ns)
    seconds = (ended_ns - begun_ns) / NS_PER_S
    return UncheckedTail(seen_id + 1, last_id, seconds) if seconds > (2 * MINUTE_S if seen_id else MINUTE_S) else None


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
    inside = parse_checkpoints(b"".join(bytes(line) for (line,) in connection.execute("SELECT line FROM checkpoint")))

    def between(since_id: int, until_id: int) -> list[Record]:
        sql = f"SELECT {COLUMNS_OF_RECORD} FROM record WHERE id > ? AND id <= ?"
        return [record_of(row) for row in connection.execute(sql, (since_id, until_id))]

    return Tail(
        0 if last is None else last.id,
        GENESIS if last is None else last.digest,
        None if last is None else last.t0_ns,
        tuple(lost),
        unseen(between, last.id, (*checkpoints, *inside.checkpoints)) if last is not None else None,
    )


def lost_tail_event(now_ns: int, t0_ns: int | None, last_id: int, lost: Sequence[Checkpoint]) -> NewRecord:
    """The gap event that owns up to a lost end: verification then reports the loss instead of failing."""
    furthest = max(c.last_id for c in lost)
    gap = GapNoted(
        t_ns=now_ns, cause="stored records lost", from_ns=now_ns if t0_ns is None else t0_ns, to_ns=now_ns,
        lost_from_id=last_id + 1, lost_to_id=max(furthest, last_id + 1),
        lost_checkpoints=tuple((c.last_id, c.head.hex()) for c in lost),
    )  # fmt: skip
    return new_event(gap)


def unseen_event(now_ns: int, found: UncheckedTail) -> NewRecord:
    """The note that owns up to records without checkpoints: with the next one they would look like all others."""
    ids = {"unseen_from_id": found.first_id, "unseen_to_id": found.last_id}
    text = f"{str(found).capitalize()}: nothing but the records themselves shows that they are as they were received."
    return new_event(NoteWritten(t_ns=now_ns, text=text, author="rimelog", extra=ids))


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
