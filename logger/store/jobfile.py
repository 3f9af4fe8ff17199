"""The file of a job as its one writer holds it: lock, connection, end of the chain, checkpoints.

Not thread-safe: once it is open, the writer's thread alone has it.
"""

import os
import sqlite3
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from logger.evidence.chain import GENESIS, chained
from logger.model.records import NewRecord, Record
from logger.store.checkpoints import CheckpointLog, Sign
from logger.store.database import SQLITE_ERRORS, connect_writer, store_error, sync_directory
from logger.store.errors import PlaceError, StoreDamaged, StoreError, StoreTailLost
from logger.store.identity import Identity, sidecars
from logger.store.lock import JobLock
from logger.store.place import lock_path, make_private
from logger.store.reader import StoreReader
from logger.store.rescue import RescueReport, finish_repair, put_aside, repair
from logger.store.rollup import Bins, store_bins
from logger.store.rows import INSERT_RECORD, row_of
from logger.store.tail import Tail, check_tail, lost_tail_event, read_checkpoints, unseen_event

_GO_ON = "go on all the same with --accept-lost-tail, which is then recorded"
_CHECK_S = 60.0  # between two readings of a file whose time somebody keeps changing


class JobFile:
    """found: the end of the chain when it was opened. repaired: what was saved, if it had to be repaired for that.

    first: records that must be written before all others. last_id, last_t0_ns: of the last record committed.
    """

    def __init__(
        self,
        path: Path,
        *,
        job_id: str,
        now_ns: Callable[[], int],
        sign: Sign | None = None,
        anchors: Path | None = None,
        accept_lost_tail: bool = False,
        repair_damaged: bool = False,
    ) -> None:
        """Make or go on with the file, locked to this process. Raises a StoreError and lets go of the lock then."""
        self.path = path
        self._job_id, self._now_ns, self._sign, self._anchors = job_id, now_ns, sign, anchors
        self._point_ids: dict[str, int] = {}
        self.repaired: RescueReport | None = None
        self.last_id = 0
        self.last_t0_ns: int | None = None
        self._head = GENESIS
        self._next_check_s = 0.0
        self._checkpoints = CheckpointLog(path, job_id, sign, anchors)
        self._lock = JobLock(lock_path(path), f"job {job_id}")
        try:
            try:
                self.found = self._connect(accept_lost_tail)
            except StoreDamaged:
                if not repair_damaged:
                    raise
                self.repaired = repair(path, job_id, now_ns(), sign, anchors=anchors)
                self.found = self._connect(accept_lost_tail)
        except BaseException:
            self._lock.release()
            raise
        lost = self.found.lost
        self.first = [lost_tail_event(now_ns(), self.found.t0_ns, self.found.last_id, lost)] if lost else []
        self.first += [unseen_event(now_ns(), self.found.unseen)] if self.found.unseen is not None else []

    def write(self, records: Sequence[NewRecord], bins: Bins, anew: bool = False) -> list[Record]:
        """One transaction; the records as they are in the file now. anew: the bins take the place of all others.
        Raises sqlite3.Error, and nothing is written."""
        stored: list[Record] = []
        head, record_id = self._head, self.last_id
        for record in records:
            record_id += 1
            stored.append(chained(head, record, record_id))
            head = stored[-1].digest
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            self._connection.executemany(INSERT_RECORD, map(row_of, stored))
            if anew:
                self._connection.execute("DELETE FROM rollup")
            store_bins(self._connection, bins, self._point_ids)
            lines = self._checkpoints.insert_waiting(self._connection)
            self._connection.execute("COMMIT")
        except BaseException:
            self._point_ids.clear()
            with suppress(sqlite3.Error):
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
            raise
        self._checkpoints.inserted(lines)
        self._identity.learn()
        if stored:
            self.last_id, self._head, self.last_t0_ns = record_id, head, stored[-1].t0_ns
        return stored

    def check_there(self) -> None:
        """Raises StoreGone when what stands at the path is not what is written to."""
        self._identity.check_there()

    def check_untouched(self) -> None:
        """Raises StoreDamaged when another program changed the content. A changed time alone is no harm, only slow."""
        if self._identity.untouched or time.monotonic() < self._next_check_s:
            return
        self._next_check_s = time.monotonic() + _CHECK_S
        with StoreReader(self.path) as reader:
            found = reader.verify()
        if (found.last_id, found.head, found.problem) != (self.last_id, self._head, None):
            wrong = found.problem or "its end is not the one written"
            raise StoreDamaged(f"another program wrote into {self.path}: {wrong}")
        self._identity.learn()

    def restore(self) -> str:
        """Write all that was committed to the path again; what stands there is put aside. What was done, in words.

        SQLite still reads a file that has no name any more. Raises a StoreError, sqlite3.Error, OSError.
        """
        make_private(self.path.parent)
        self._lock.renew()
        fresh = self.path.with_name(self.path.name + ".saving")
        self._copy_to(fresh)
        aside = put_aside((self.path, *sidecars(self.path)), "replaced")
        fresh.replace(self.path)
        sync_directory(self.path.parent)
        self._checkpoints.restore(self._connection)
        self.reopen()
        earlier = f"; what was there is in {aside.name}" if aside is not None else ""
        return f"all {self.last_id} records were written again to {self.path}{earlier}"

    def save_aside(self) -> Path:
        """Write all that was committed to a folder beside the job's; its path. Raises as `restore` does."""
        folder = self.path.parent
        number = 1
        while (saved := folder.with_name(f"{folder.name}-saved-{number}")).exists():
            number += 1
        make_private(saved)
        self._copy_to(saved / self.path.name)
        CheckpointLog(saved / self.path.name, self._job_id, self._sign).restore(self._connection)
        return saved

    def _copy_to(self, target: Path) -> None:
        target.unlink(missing_ok=True)
        try:
            copy = sqlite3.connect(target, isolation_level=None)
            try:
                copy.execute("PRAGMA synchronous = OFF")  # flushed as a whole
                self._connection.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")  # one file, until it is written to
            finally:
                copy.close()
            with target.open("rb+") as file:
                os.fsync(file.fileno())
        except BaseException:
            target.unlink(missing_ok=True)  # half a copy only takes up room
            raise

    @property
    def checkpointed(self) -> bool:
        """Whether a checkpoint covers the last record, or there is none yet."""
        return self.last_id in (0, self._checkpoints.last_id)

    def checkpoint(self) -> None:
        """Beside the file now, in it with the next transaction. Raises OSError, or whatever the signer raises."""
        if not self.checkpointed:
            self._checkpoints.write(self._now_ns(), self.last_id, self._head)

    def reopen(self) -> None:
        """A disk that went away and came back needs new file handles. Only if the chain ends where it should. Raises
        StoreError otherwise."""
        last_id, head, checkpoints = self.last_id, self._head, self._checkpoints
        self._disconnect()
        self._connect(accept_lost_tail=True)
        self._checkpoints.resume_from(checkpoints)
        if (self.last_id, self._head) != (last_id, head):
            raise StoreError(f"{self.path} is not the file it was")

    def repair(self) -> RescueReport:
        """Put the damaged file aside and go on with what can be read of it. Raises a StoreError."""
        self._disconnect()
        report = repair(
            self.path, self._job_id, self._now_ns(), self._sign, last_id=self.last_id, anchors=self._anchors
        )
        self._connect(accept_lost_tail=False)
        return report

    def close(self) -> None:
        """Leave one file alone, unless someone reads it now. What fails here is done by whoever opens it next."""
        with suppress(sqlite3.Error):
            self.write((), {})  # the last checkpoint
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self._connection.execute("PRAGMA busy_timeout = 0")
            self._connection.execute("PRAGMA journal_mode = DELETE")
        self._disconnect()
        self._lock.release()

    def _connect(self, accept_lost_tail: bool) -> Tail:
        try:
            finish_repair(self.path)
            seen = read_checkpoints(self.path, self._anchors, self._job_id).checkpoints
            if seen and not self.path.exists() and not accept_lost_tail:
                raise StoreTailLost(
                    f"{self.path} is gone, but checkpoints of it are here; find it or a copy, or name another job"
                )
            self._connection = connect_writer(self.path, self._job_id, self._now_ns())
            try:
                tail = check_tail(self._connection, seen, self.path)
                if (tail.lost or tail.unseen) and not accept_lost_tail:
                    raise StoreTailLost(_lost_text(self.path, tail))
            except BaseException:
                self._connection.close()
                raise
        except SQLITE_ERRORS as exc:
            raise store_error(exc, self.path) from exc
        except OSError as exc:
            raise PlaceError(f"cannot use {self.path}: {exc.strerror}") from exc
        self.last_id, self._head, self.last_t0_ns = tail.last_id, tail.head, tail.t0_ns
        self._identity = Identity(self.path)
        self._identity.learn()
        self._checkpoints = CheckpointLog(self.path, self._job_id, self._sign, self._anchors)
        if any((c.last_id, c.head) == (tail.last_id, tail.head) for c in seen):
            self._checkpoints.last_id = tail.last_id  # this end is already recorded
        return tail

    def _disconnect(self) -> None:
        self._point_ids.clear()
        with suppress(sqlite3.Error):
            self._connection.close()


def _lost_text(path: Path, tail: Tail) -> str:
    if not tail.lost:
        return f"{path}: {tail.unseen}; they may have been rewritten: look for a copy, or {_GO_ON}"
    furthest = max(c.last_id for c in tail.lost)
    if furthest > tail.last_id:
        what = f"its last record is {tail.last_id}, but a checkpoint saw {furthest}"
    else:
        what = "its records are not the ones the checkpoints saw"
    return f"{path}: {what}; look for a newer copy and its -wal file, or {_GO_ON}"
