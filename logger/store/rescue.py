"""Saving what can be saved of a damaged job file.

Every record that can still be read goes into a new file, in order. The unbroken beginning keeps its ids and digests,
so old checkpoints still hold there. Where records are missing or were changed, a gap event says which and why, and the
chain goes on from it. The damaged file is never written to: it stays evidence.
"""

import logging
import shutil
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from logger.evidence.chain import GENESIS, chained, digest, new_event
from logger.evidence.checkpoint import Checkpoint, checkpoint_line
from logger.evidence.errors import ChainError
from logger.model.events import GapNoted
from logger.model.records import NewRecord, Record
from logger.model.sample import Scan
from logger.store.carve import carve
from logger.store.checkpoints import CheckpointLog, Sign, append_line
from logger.store.database import SQLITE_ERRORS, connect_reader, connect_writer, store_error, sync_directory
from logger.store.errors import PlaceError, StoreDamaged, StoreError
from logger.store.identity import sidecars
from logger.store.place import checkpoints_path, make_private, new_part
from logger.store.rollup import rebuild
from logger.store.rows import INSERT_RECORD, row_of
from logger.store.tail import read_checkpoints

Readings = Callable[[Iterable[Record]], Iterable[Scan]]

log = logging.getLogger(__name__)

RESCUED = "rescued"  # folder of a rescued file that is to take the damaged one's place
MISSING = "missing"
CHANGED = "changed"
UNCHECKED = "kept, but could not be checked: the record before it is missing"


@dataclass(frozen=True, slots=True)
class Break:
    """Records first_id to last_id of the damaged file: `what` became of them."""

    first_id: int
    last_id: int
    what: str

    def __str__(self) -> str:
        one = self.first_id == self.last_id
        return (f"record {self.first_id} " if one else f"records {self.first_id} to {self.last_id} ") + self.what


@dataclass(slots=True)
class Salvage:
    """What reads of a file: the records worth keeping (original ids) and every break, in order."""

    records: list[Record] = field(default_factory=list)
    breaks: list[Break] = field(default_factory=list)
    whole_to_id: int = 0  # up to here the chain holds from its beginning
    checkpoints: tuple[Checkpoint, ...] = ()

    @property
    def lost(self) -> int:
        return sum(b.last_id - b.first_id + 1 for b in self.breaks if b.what != UNCHECKED)

    def holds(self, checkpoint: Checkpoint) -> bool:
        """Whether the checkpoint agrees with the unbroken beginning."""
        at = checkpoint.last_id
        return at <= self.whole_to_id and self.records[at - 1].digest == checkpoint.head


@dataclass(frozen=True, slots=True)
class RescueReport:
    """path: the new file. kept, lost: records. text: all of it in plain words."""

    path: Path
    saved: int
    lost: int
    breaks: tuple[Break, ...]
    text: str


def salvage(path: Path, last_id: int = 0, anchors: Path | None = None, job_id: str = "") -> Salvage:
    """Read everything that can be read, and judge it by the chain. Reads pages only, writes nothing.

    last_id: up to which records are known to have been there, besides what the checkpoints say.
    """
    candidates: dict[int, list[Record]] = {}
    for record in carve(path):
        known = candidates.setdefault(record.id, [])
        if record not in known:
            known.append(record)
    checkpoints = read_checkpoints(path, anchors, job_id).checkpoints
    heads = {c.last_id: c.head for c in checkpoints}
    result = Salvage(checkpoints=checkpoints)
    previous: bytes | None = GENESIS
    expected = 1
    for record_id in sorted(candidates):
        alone = record_id - 1 not in candidates and record_id + 1 not in candidates
        if record_id < 1 or (alone and record_id > 1 and record_id not in heads):
            continue  # a damaged id: nothing shows that it belongs here
        if record_id > expected:
            result.breaks.append(Break(expected, record_id - 1, MISSING))
            previous = heads.get(record_id - 1)
        expected = record_id + 1
        chosen, previous, what = _choose(previous, candidates[record_id], candidates.get(record_id + 1, ()))
        if chosen is not None:
            result.records.append(chosen)
        if what is not None:
            result.breaks.append(Break(record_id, record_id, what))
        elif not result.breaks:
            result.whole_to_id = record_id
    furthest = max(last_id, *heads, 0)
    if furthest >= expected:
        result.breaks.append(Break(expected, furthest, MISSING))
    result.breaks = _joined(result.breaks)
    return result


def _choose(
    previous: bytes | None, found: Sequence[Record], following: Sequence[Record]
) -> tuple[Record | None, bytes | None, str | None]:
    """(record to keep, digest to go on from, what is wrong with it).

    previous: digest before it, None when that is not known.
    """
    if previous is not None:
        for record in found:
            if _digest(previous, record) == record.digest:
                return record, record.digest, None
        for record in found:  # the record as it was, with a damaged digest?
            right = _digest(previous, record)
            if right is not None and any(_digest(right, after) == after.digest for after in following):
                return replace(record, digest=right), right, None
    linked = [r for r in found if any(_digest(r.digest, after) == after.digest for after in following)]
    if previous is not None:  # its content is wrong; its digest may be right, and then the next record can be checked
        return None, (linked[0].digest if linked else None), CHANGED
    chosen = (linked or found)[0]
    return chosen, chosen.digest, UNCHECKED


def _digest(previous: bytes, record: Record) -> bytes | None:
    try:
        return digest(previous, record, record.id)
    except ChainError:
        return None


def _joined(breaks: Iterable[Break]) -> list[Break]:
    """Neighbours of the same kind as one."""
    out: list[Break] = []
    for b in breaks:
        if out and out[-1].what == b.what and out[-1].last_id + 1 == b.first_id:
            out[-1] = Break(out[-1].first_id, b.last_id, b.what)
        else:
            out.append(b)
    return out


def rescue(
    path: Path, out: Path, *, job_id: str, now_ns: int, sign: Sign | None = None, last_id: int = 0,
    readings: Readings | None = None, anchors: Path | None = None,
) -> RescueReport:  # fmt: skip
    """Write what can be saved of `path` to the new file `out`, with its own checkpoints beside it. Raises a StoreError.

    readings: gives the readings in records in order; overviews are then made from them. Without it, for a job that must
    go on at once, they are copied, and the report says so if they cannot be. Cut short, it can be run again: the job
    file appears last, whole.
    """
    part = new_part(out)
    found = salvage(path, last_id, anchors, job_id)
    if not found.records:
        raise StoreDamaged(f"{path}: not one record can be read")
    try:
        make_private(out.parent)
        connection = connect_writer(part, job_id, now_ns)
        try:
            last = _write(connection, found, now_ns)
            made = _made(connection, found, readings) if readings is not None else _copy_overviews(path, connection)
            text = _text(found) + ("" if made else "; the trend of before is lost, the readings saved are not")
        finally:
            connection.close()
        for checkpoint in filter(found.holds, found.checkpoints):
            append_line(checkpoints_path(out), checkpoint_line(checkpoint))
        CheckpointLog(out, job_id, sign).write(now_ns, last.id, last.digest)
        part.replace(out)
        sync_directory(out.parent)
    except SQLITE_ERRORS as exc:
        raise store_error(exc, out) from exc
    except OSError as exc:
        raise PlaceError(f"cannot write {out}: {exc.strerror}") from exc
    return RescueReport(out, len(found.records), found.lost, tuple(found.breaks), text)


def repair(
    path: Path, job_id: str, now_ns: int, sign: Sign | None = None, *, last_id: int = 0, anchors: Path | None = None
) -> RescueReport:
    """Rescue in place: the damaged files move to damaged-1/ (2, 3 ...) beside it, the rescued file takes their name.

    The caller holds the job's lock and has closed every writing connection. Raises a StoreError.
    """
    fresh = path.parent / RESCUED
    shutil.rmtree(fresh, ignore_errors=True)  # half of a rescue that was cut short
    report = rescue(path, fresh / path.name, job_id=job_id, now_ns=now_ns, sign=sign, last_id=last_id, anchors=anchors)
    try:
        aside = finish_repair(path)
    except OSError as exc:
        raise PlaceError(f"the rescued file is in {fresh}, but cannot be put in place: {exc.strerror}") from exc
    assert aside is not None
    text = f"{report.text}; the damaged file is kept in {aside.name}"
    return RescueReport(path, report.saved, report.lost, report.breaks, text)


def finish_repair(path: Path) -> Path | None:
    """Put a rescued file in the damaged one's place; where that was moved to. Raises OSError.

    Cut short it is gone on with when the job is opened next: a log of the damaged file must never meet the other.
    """
    fresh = path.parent / RESCUED
    if not (fresh / path.name).exists():
        with suppress(OSError):  # nothing is in it, or half of a rescue
            fresh.rmdir()
        return None
    aside = None
    if checkpoints_path(fresh / path.name).exists():  # nothing of it is in place yet
        aside = put_aside((*sidecars(path), checkpoints_path(path), path), "damaged")
    for new in sorted(fresh.iterdir(), key=lambda file: file.name == path.name):  # the job file last
        new.replace(path.with_name(new.name))
    fresh.rmdir()
    sync_directory(path.parent)
    return aside


def put_aside(files: Iterable[Path], why: str) -> Path | None:
    """Move those that are there into a new folder <why>-1 (2, 3 ...) beside them; None without any. Raises OSError."""
    there = [file for file in files if file.exists()]
    if not there:
        return None
    directory = there[0].parent
    aside = directory / f"{why}-{1 + sum(1 for d in directory.glob(f'{why}-*') if d.is_dir())}"
    aside.mkdir(mode=0o700)
    for file in there:
        file.rename(aside / file.name)
    return aside


def _write(connection: sqlite3.Connection, found: Salvage, now_ns: int) -> Record:
    """The chain again, with a gap event at each break; its last record."""
    breaks = list(found.breaks)
    head, new_id = GENESIS, 0
    written: Record | None = None
    before_ns: int | None = None
    connection.execute("BEGIN IMMEDIATE")

    def put(record: NewRecord | Record) -> None:
        nonlocal head, new_id, written
        new_id += 1
        fields = (record.kind, record.device, record.t0_ns, record.n, record.offsets, record.payload)
        written = chained(head, NewRecord(*fields), new_id)
        head = written.digest
        connection.execute(INSERT_RECORD, row_of(written))

    contradicted = [c for c in found.checkpoints if not found.holds(c)]  # recorded by the first gap event
    for record in found.records:
        while breaks and breaks[0].first_id <= record.id:
            put(_gap(breaks.pop(0), before_ns, record.t0_ns, contradicted))
            contradicted = []
        put(record)
        before_ns = record.t0_ns
    for last_break in breaks:
        put(_gap(last_break, before_ns, now_ns, contradicted))
        contradicted = []
    connection.execute("COMMIT")
    if written is None:
        raise StoreDamaged("not one record can be read")
    return written


def _gap(b: Break, from_ns: int | None, to_ns: int, lost: Sequence[Checkpoint]) -> NewRecord:
    gap = GapNoted(
        t_ns=to_ns, cause=f"damaged job file: {b}", from_ns=to_ns if from_ns is None else from_ns, to_ns=to_ns,
        lost_from_id=b.first_id, lost_to_id=b.last_id,
        lost_checkpoints=tuple((c.last_id, c.head.hex()) for c in lost) or None,
    )  # fmt: skip
    return new_event(gap)


def _made(connection: sqlite3.Connection, found: Salvage, readings: Readings) -> bool:
    """Whether the overviews could be made from the records. Of a damaged file's records all are saved, odd or not."""
    connection.execute("BEGIN")
    try:
        rebuild(connection, readings(found.records))
    except Exception:
        log.exception("store: the overviews could not be made")
        connection.execute("ROLLBACK")
        return False
    connection.execute("COMMIT")
    return True


def _copy_overviews(path: Path, connection: sqlite3.Connection) -> bool:
    """Whether SQLite could read them: they are a convenience, not evidence."""
    with suppress(StoreError, *SQLITE_ERRORS):
        old = connect_reader(path)
        try:
            points = old.execute("SELECT id, name FROM point").fetchall()
            bins = old.execute("SELECT level_s, bin_s, point, n, min, max, sum FROM rollup").fetchall()
        finally:
            old.close()
        connection.execute("BEGIN")
        try:
            connection.executemany("INSERT INTO point VALUES (?, ?)", points)
            connection.executemany("INSERT INTO rollup VALUES (?, ?, ?, ?, ?, ?, ?)", bins)
            connection.execute("COMMIT")
            return True
        except sqlite3.Error:
            connection.execute("ROLLBACK")
    return False


def _text(found: Salvage) -> str:
    saved = f"{len(found.records)} records saved"
    if not found.breaks:
        return f"{saved}, none lost"
    listed = "; ".join(str(b) for b in found.breaks[:5]) + ("; ..." if len(found.breaks) > 5 else "")
    return f"{saved}, {found.lost} lost ({listed})"
