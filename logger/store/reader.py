"""Reading a job, running or closed, by any number of readers: short reads that never hold the writer up."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any

from logger.evidence.chain import ChainReport, event_of, verify_chain
from logger.evidence.checkpoint import Checkpoint, CheckpointFile, checkpoint_bytes, parse_checkpoints
from logger.model.counted import Counted, uncounted
from logger.model.events import Event
from logger.model.records import EVENT, Record
from logger.store import rollup
from logger.store.blocks import RECORDS_A_BLOCK, unpack_block
from logger.store.database import SQLITE_ERRORS, about, connect_reader, store_error, version_of
from logger.store.errors import StoreDamaged
from logger.store.rollup import OverviewBucket
from logger.store.rows import COLUMNS_OF_RECORD, COLUMNS_OF_VERSION_1, KINDS, Row, record_of
from logger.store.tail import UncheckedTail, read_checkpoints, unseen

_PAGE = 500  # rows a read
CheckSignature = Callable[[bytes, str], str | None]  # bytes, signature -> what is wrong with it, None when it holds


class StoreReader:
    """Raises a StoreError when the file is no job file, of a newer version, or cannot be read.

    A connection of its own; may be used from several threads, one call at a time. anchors: where checkpoints are kept
    besides those of the job's own folder.
    """

    def __init__(self, path: Path, anchors: Path | None = None) -> None:
        self.path, self._anchors = path, anchors
        self._connection = connect_reader(path)
        try:
            self.version = version_of(self._connection, path)
            self.job_id = about(self._connection, "job_id") or ""
            sealed = about(self._connection, "sealed_ns")
            self.sealed_ns = None if sealed is None else int(sealed)
        except SQLITE_ERRORS as exc:
            self._connection.close()
            raise store_error(exc, path) from exc
        except ValueError as exc:
            self._connection.close()
            raise StoreDamaged(f"{path}: when it was closed cannot be read") from exc
        self._columns = COLUMNS_OF_RECORD if self.version >= 2 else COLUMNS_OF_VERSION_1

    def close(self) -> None:
        self._connection.close()

    def __enter__(self) -> "StoreReader":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def last_id(self) -> int:
        """Of the last record, 0 when there is none."""
        last = self._rows("SELECT max(id) FROM record")[0][0] or 0
        if self.sealed_ns is not None:
            last = max(last, self._rows("SELECT max(last_id) FROM block")[0][0] or 0)
        return int(last)

    @property
    def count(self) -> int:
        """Records in the file; equal to `last_id` when the chain is whole."""
        count = int(self._rows("SELECT count(*) FROM record")[0][0])
        if self.sealed_ns is not None:
            for (body,) in self._rows("SELECT body FROM block"):
                count += len(unpack_block(body))
        return count

    def records(
        self, since_id: int = 0, *, device: str | None = None, kind: str | None = None, until_id: int | None = None
    ) -> Iterator[Record]:
        """Records with id > since_id (and <= until_id), in order. Without until_id up to the present end."""
        until = self.last_id if until_id is None else until_id
        for record in self._in_order(since_id, until, kind):
            if (device is None or record.device == device) and (kind is None or record.kind == kind):
                yield record

    def events(self) -> Iterator[tuple[int, Event]]:
        """(record id, event) of all events. Raises ChainError for one that is not as its type says."""
        for record in self.records(kind=EVENT):
            yield record.id, event_of(record)

    def points(self) -> list[str]:
        """Measuring points that have an overview."""
        return [str(row[0]) for row in self._rows("SELECT name FROM point ORDER BY id")]

    def overview(self, point: str, t0_ns: int, t1_ns: int, buckets: int) -> list[OverviewBucket]:
        """Smallest, largest, mean in at most `buckets` equal buckets, empty ones included; never finer than 10 s.
        Raises a StoreError."""
        try:
            return rollup.overview(self._connection, point, t0_ns, t1_ns, buckets)
        except SQLITE_ERRORS as exc:
            raise store_error(exc, self.path) from exc
        except (TypeError, ValueError, ZeroDivisionError) as exc:
            raise StoreDamaged(f"{self.path}: the overview of {point} is damaged; ask `rimelog doctor`") from exc

    def checkpoints(self) -> CheckpointFile:
        """Those beside the file and in the anchors, and those only in it (a file that was copied alone)."""
        beside = read_checkpoints(self.path, self._anchors, self.job_id)
        lines = [row[0] for row in self._rows("SELECT line FROM checkpoint ORDER BY rowid")]
        inside = parse_checkpoints(b"".join(line for line in lines if isinstance(line, bytes)))
        known = set(beside.checkpoints)
        only_inside = [c for c in inside.checkpoints if c not in known]
        return CheckpointFile((*only_inside, *beside.checkpoints), beside.problems + inside.problems)

    def unseen(self) -> UncheckedTail | None:
        """Records at the end that no checkpoint saw, when they are more than a crash leaves. Does not read all."""
        return unseen(
            lambda since, until: self.records(since, until_id=until), self.last_id, self.checkpoints().checkpoints
        )

    def verify(
        self, check_signature: CheckSignature | None = None, counted: Counted = uncounted, what: str = "Checking"
    ) -> ChainReport:
        """The whole chain against every checkpoint (read first: the writer may go on meanwhile)."""
        listed = self.checkpoints()
        unreadable: list[StoreDamaged] = []
        report = verify_chain(counted(self._readable(unreadable), what, self.last_id), listed.checkpoints)
        if unreadable:
            return replace(report, problem=str(unreadable[0]), first_bad_id=report.last_id + 1)
        if report.problem is None and check_signature is not None:
            for checkpoint in listed.checkpoints:
                problem = _signature_problem(checkpoint, self.job_id, check_signature)
                if problem is not None:
                    return replace(report, problem=problem, first_bad_id=checkpoint.last_id)
        return report

    def _readable(self, unreadable: list[StoreDamaged]) -> Iterator[Record]:
        try:
            yield from self.records()
        except StoreDamaged as exc:
            unreadable.append(exc)

    def _in_order(self, since_id: int, until_id: int, kind: str | None) -> Iterator[Record]:
        """Rows, and in a closed file blocks, merged by id."""
        if self.sealed_ns is None or kind == EVENT:
            yield from self._from_rows(since_id, until_id, kind)
            return
        rows = self._from_rows(since_id, until_id, kind)
        row = next(rows, None)
        for block in self._blocks(since_id, until_id):
            for record in block:
                while row is not None and row.id < record.id:
                    yield row
                    row = next(rows, None)
                yield record
        while row is not None:
            yield row
            row = next(rows, None)

    def _from_rows(self, since_id: int, until_id: int, kind: str | None) -> Iterator[Record]:
        of_kind = "" if kind is None else f"AND kind = {KINDS.index(kind)} "
        sql = f"SELECT {self._columns} FROM record WHERE id > ? AND id <= ? {of_kind}ORDER BY id LIMIT {_PAGE}"
        while True:
            rows = self._rows(sql, since_id, until_id)
            for row in rows:
                yield record_of(row)
            if len(rows) < _PAGE:
                return
            if rows[-1][0] <= since_id:  # only a damaged index gives this
                raise StoreDamaged(f"{self.path}: its records are out of order; ask `rimelog doctor`")
            since_id = rows[-1][0]

    def _blocks(self, since_id: int, until_id: int) -> Iterator[list[Record]]:
        sql = "SELECT first_id, body FROM block WHERE last_id > ? AND first_id <= ? AND first_id > ? ORDER BY first_id"
        last_first = 0
        while True:
            rows = self._rows(f"{sql} LIMIT {max(1, _PAGE // RECORDS_A_BLOCK)}", since_id, until_id, last_first)
            for first_id, body in rows:
                yield [record for record in unpack_block(body) if since_id < record.id <= until_id]
                last_first = first_id
            if not rows:
                return

    def _rows(self, sql: str, *values: Any) -> list[Row]:
        """All rows at once: no read transaction stays open between calls."""
        try:
            return self._connection.execute(sql, values).fetchall()
        except SQLITE_ERRORS as exc:
            raise store_error(exc, self.path) from exc


def _signature_problem(checkpoint: Checkpoint, job_id: str, check: CheckSignature) -> str | None:
    if checkpoint.job_id != job_id:
        return f"the checkpoint at record {checkpoint.last_id} is of another job"
    if not checkpoint.signature:
        return f"the checkpoint at record {checkpoint.last_id} is not signed"
    problem = check(checkpoint_bytes(checkpoint), checkpoint.signature)
    return None if problem is None else f"the checkpoint at record {checkpoint.last_id}: {problem}"
