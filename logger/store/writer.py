"""The one writer of a job: a thread that commits once a second, so that the event loop never waits for a disk.

`submit` puts records and their readings into a bounded ring and returns; the thread gives each record its id and
digest, commits, and every minute writes a signed checkpoint into the file and beside it. Nothing ends the thread but
`close`: what goes wrong is reported (`on_problem`, `status`), kept in the ring and tried again.

    waiting -> commit -> reported (on_commit)
                  | no room:        the reserve is given up, reported; set aside again when there is room
                  | damaged page:   the file is put aside, what can be read goes into a new one, tried again, reported
                  | file gone:      all that was committed is written to its path again, reported
                  | anything else:  reported, tried again later
"""

import logging
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from logger.evidence.chain import header_bytes
from logger.evidence.errors import ChainError
from logger.model.records import EVENT, NewRecord, Record
from logger.model.sample import Scan
from logger.store.ballast import Ballast, free_bytes
from logger.store.checkpoints import Sign
from logger.store.database import SQLITE_ERRORS, is_damage
from logger.store.errors import StoreDamaged, StoreError, StoreGone, StoreSealed, StoreUnsaved
from logger.store.jobfile import JobFile
from logger.store.place import ballast_path, is_received
from logger.store.ring import Ring
from logger.store.rollup import Bins
from logger.store.status import DAMAGED, DISK_FULL, FAULT, GONE, LOW_SPACE, REFUSED, RESTORED, Problem, StoreStatus

log = logging.getLogger(__name__)

_COMMIT_BYTES = 1 << 20  # of one transaction: after an outage the backlog goes in pieces
_MAX_RETRY_S = 10.0
_MAX_REPAIRS = 3  # in one run: a disk that keeps spoiling files is not written in circles
_LOW_SPACE_BYTES = 4 << 20
_CHECK_S = 2.0  # between two looks at whether the file is still there, when nothing is written


class StoreWriter:
    """Open with `StoreWriter.open`; `submit` from any thread; `close` at the end."""

    def __init__(
        self,
        file: JobFile,
        *,
        on_commit: Callable[[list[Record]], None] | None,
        on_problem: Callable[[Problem | None], None] | None,
        commit_interval_s: float,
        checkpoint_interval_s: float,
        ring_bytes: int,
        reserve_bytes: int,
    ) -> None:
        self.path = file.path
        self.found = file.found  # the end of the chain when the job was opened
        self._file = file
        self._on_commit, self._on_problem = on_commit, on_problem
        self._commit_interval_s, self._checkpoint_interval_s = commit_interval_s, checkpoint_interval_s
        self._changed = threading.Condition()
        self._ring = Ring(ring_bytes)
        self._ballast = Ballast(ballast_path(file.path), reserve_bytes)
        self._last = (file.last_id, file.last_t0_ns)
        self._problem: Problem | None = None
        self._no_checkpoint: Problem | None = None
        self._stopping = self._flushing = self._closed = False
        self._failures = self._repairs = self._restores = 0
        self._unreported: list[Record] = []  # committed, but the file was gone right after
        self._saved_aside: Path | None = None
        self._next_commit_s = self._next_reserve_s = self._next_check_s = self._next_restore_s = 0.0
        # With the first commit: else a job whose power comes and goes within the minute would have none for all of it.
        self._next_checkpoint_s = time.monotonic()
        self._thread = threading.Thread(target=self._run, name="store-writer", daemon=True)

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        job_id: str,
        now_ns: Callable[[], int],
        sign: Sign | None = None,
        anchors: Path | None = None,
        on_commit: Callable[[list[Record]], None] | None = None,
        on_problem: Callable[[Problem | None], None] | None = None,
        accept_lost_tail: bool = False,
        repair_damaged: bool = False,
        commit_interval_s: float = 1.0,
        checkpoint_interval_s: float = 60.0,
        ring_bytes: int = 16 << 20,
        reserve_bytes: int = 32 << 20,
    ) -> "StoreWriter":
        """Make or go on with the job file at `path`. Raises a StoreError; nothing is changed then.

        now_ns: UTC nanoseconds. sign: bytes of a checkpoint -> its signature. anchors: folder for checkpoints besides
        those in the job's own. on_commit (records in the file now,
        with id and digest) and on_problem (None: all is well again) are called in the writer's thread.
        accept_lost_tail: go on although records that a checkpoint saw are gone, or many that none saw are there, and
        say so in the record; otherwise that is StoreTailLost. repair_damaged: put a damaged file aside, go on with what
        can be read of it, and report a problem; otherwise that is StoreDamaged. Both are for a daemon that restarts
        by itself at night.
        ring_bytes, reserve_bytes: what is kept in memory, and set aside on the disk, for when the disk is full. At 16
        channels and ten scans a second the defaults hold 2 h and 16 h.
        """
        if is_received(path):
            raise StoreSealed(f"{path} is another computer's job: nothing is added to it here")
        file = JobFile(
            path,
            job_id=job_id,
            now_ns=now_ns,
            sign=sign,
            anchors=anchors,
            accept_lost_tail=accept_lost_tail,
            repair_damaged=repair_damaged,
        )
        writer = cls(
            file,
            on_commit=on_commit,
            on_problem=on_problem,
            commit_interval_s=commit_interval_s,
            checkpoint_interval_s=checkpoint_interval_s,
            ring_bytes=ring_bytes,
            reserve_bytes=reserve_bytes,
        )
        if file.first:
            writer._ring.add(file.first, (), time.monotonic())
        writer._thread.start()
        return writer

    def submit(self, records: Sequence[NewRecord], scans: Sequence[Scan] = ()) -> None:
        """Take records to be written, and the readings decoded from them. Never waits for the disk.

        Raises ChainError for a record that no chain can hold, StoreError after `close`.
        """
        for record in records:
            _check(record)
        with self._changed:
            if self._closed or self._stopping:
                raise StoreError(f"{self.path} is closed")
            idle = self._ring.since_s is None
            self._ring.add(records, scans, time.monotonic())
            if idle:
                self._changed.notify_all()

    def replace_overview(self, bins: Bins) -> None:
        """bins: of all readings submitted so far, as corrected. Raises StoreError after `close`."""
        with self._changed:
            if self._closed or self._stopping:
                raise StoreError(f"{self.path} is closed")
            self._ring.add_overview(bins, time.monotonic())
            self._changed.notify_all()

    def hurry(self) -> None:
        """What was submitted so far goes into the file now, before the next commit is due. Does not wait."""
        with self._changed:
            self._flushing = self._ring.since_s is not None
            self._changed.notify_all()

    def flush(self, timeout_s: float = 10.0) -> bool:
        """Wait until everything submitted so far is in the file; False when it was not in time. Not for a loop."""
        with self._changed:
            self._flushing = self._ring.since_s is not None
            self._changed.notify_all()
            return self._changed.wait_for(lambda: self._ring.since_s is None, timeout_s)

    def close(self, timeout_s: float = 30.0) -> None:
        """Write what waits and a last checkpoint, let go of the job. Raises StoreUnsaved if anything is left behind."""
        with self._changed:
            if self._closed:
                return
            self._stopping = True
            self._changed.notify_all()
        self._thread.join(timeout_s)
        with self._changed:
            self._closed = True
            unsaved, problem = self._ring.records, self._problem
        if self._thread.is_alive():
            raise StoreUnsaved(f"{self.path}: the disk has not answered for {timeout_s:.0f} s; it is still being tried")
        if unsaved:
            why = problem.text if problem else "no reason known"
            raise StoreUnsaved(f"{self.path}: {unsaved} records could not be written: {why}")
        if self._saved_aside is not None:
            raise StoreUnsaved(f"{self.path} was taken away; everything is in {self._saved_aside} instead")

    @property
    def status(self) -> StoreStatus:
        """What is stored, what waits and what is wrong, at this moment."""
        with self._changed:
            since_s = self._ring.since_s
            return StoreStatus(
                *self._last,
                self._ring.records,
                0.0 if since_s is None else time.monotonic() - since_s,
                self._ring.size,
                self._ring.lost_frames,
                self._ballast.present,
                self._problem,
            )

    # All below runs in the writer's thread.

    def _run(self) -> None:
        if self._file.repaired is not None:
            self._report(Problem(DAMAGED, f"the job file was damaged; {self._file.repaired.text}"))
        self._keep_reserve()
        while True:
            with self._changed:
                while not self._stopping and (wait_s := self._wait_s()) != 0.0:
                    self._changed.wait(wait_s)
                stopping = self._stopping
            self._cycle()
            if stopping:
                break
        self._leave()
        self._checkpoint()
        self._ballast.release()
        self._file.close()

    def _leave(self) -> None:
        """At the end a file that is still gone is saved beside its folder: its last content goes with this process."""
        if self._problem is None or self._problem.kind != GONE:
            return
        self._next_restore_s = 0.0
        self._cycle()
        if self._problem.kind != GONE:
            return
        try:
            while self._write_some():
                pass
            self._saved_aside = self._file.save_aside()
            self._committed()
        except (StoreError, OSError, *SQLITE_ERRORS) as exc:
            log.error("store: %s is gone, and cannot be saved elsewhere: %s", self.path, exc)

    def _wait_s(self) -> float:
        """Seconds until there is something to do."""
        now_s = time.monotonic()
        times = [self._next_check_s]
        if self._ring.since_s is not None:
            if self._flushing and not self._failures:
                return 0.0
            times.append(self._next_commit_s)
        if not self._file.checkpointed:
            times.append(self._next_checkpoint_s)
        if self._problem is not None and not self._ballast.present:
            times.append(self._next_reserve_s)
        return max(0.0, min(times) - now_s)

    def _cycle(self) -> None:
        """Everything due now. Never raises."""
        self._next_check_s = time.monotonic() + _CHECK_S
        try:
            self._file.check_there()
            self._file.check_untouched()
            if self._unreported:  # it had been moved away and is back
                self._committed()
            while self._commit_some():
                pass
            self._failures = 0
            if not self._file.checkpointed and time.monotonic() >= self._next_checkpoint_s:
                self._checkpoint()
            self._all_is_well()
        except Exception as exc:
            self._failures += 1
            try:
                self._react(exc)
            except Exception as worse:
                log.exception("store: while dealing with a problem")
                self._report(Problem(FAULT, f"the job is not being written: {worse}"))
        delay_s = self._commit_interval_s * min(1 << min(self._failures, 10), 1024) if self._failures > 1 else 0.0
        with self._changed:
            self._next_commit_s = time.monotonic() + max(self._commit_interval_s, min(delay_s, _MAX_RETRY_S))
            self._flushing = self._flushing and self._ring.since_s is not None
            self._changed.notify_all()

    def _commit_some(self) -> bool:
        """One transaction; False when nothing waits."""
        if not self._write_some():
            return False
        self._file.check_there()  # what is in a file that nobody would find is not reported as stored
        self._committed()
        return True

    def _write_some(self) -> bool:
        with self._changed:
            records, bins, anew = self._ring.take(_COMMIT_BYTES)
        if not records and not bins and not anew:
            with self._changed:
                self._ring.done()
            return False
        try:
            self._unreported += self._file.write(records, bins, anew)
        except BaseException:
            with self._changed:
                self._ring.failed()
            raise
        return True

    def _committed(self) -> None:
        """Report what is in the file, and where it belongs."""
        stored, self._unreported = self._unreported, []
        with self._changed:
            self._last = (self._file.last_id, self._file.last_t0_ns)
        if self._on_commit is not None and stored:
            try:
                self._on_commit(stored)
            except Exception:
                log.exception("store: a callback for commits failed")
        with self._changed:
            self._ring.done()  # a caller waiting in `flush` then finds it reported, too

    def _checkpoint(self) -> None:
        self._next_checkpoint_s = time.monotonic() + self._checkpoint_interval_s
        try:
            self._file.checkpoint()
            self._no_checkpoint = None
        except Exception as exc:  # also whatever the signer may raise
            self._no_checkpoint = Problem(FAULT, f"no checkpoint could be written beside the job: {exc}")

    def _react(self, exc: Exception) -> None:
        if isinstance(exc, StoreGone):
            self._restore(exc)
            return
        if isinstance(exc, StoreDamaged):
            self._on_damage(exc)
            return
        if not isinstance(exc, SQLITE_ERRORS):
            log.error("store: a fault of this program", exc_info=exc)
            self._report(Problem(FAULT, f"the job is not being written: {exc}"))
            return
        code = getattr(exc, "sqlite_errorcode", 0) & 0xFF
        free = free_bytes(self.path.parent)
        if code == sqlite3.SQLITE_FULL or (code == sqlite3.SQLITE_IOERR and free < _LOW_SPACE_BYTES):
            self._make_room()
        elif is_damage(exc):
            self._on_damage(exc)
        else:
            self._ring.cause = REFUSED
            self._report(
                Problem(REFUSED, f"the job cannot be written ({exc}); new data is only in memory: see the disk")
            )
            if self._failures % 3 == 0:
                self._file.reopen()

    def _make_room(self) -> None:
        self._ring.cause = DISK_FULL
        self._next_reserve_s = time.monotonic() + _MAX_RETRY_S
        if self._ballast.release():
            with suppress(sqlite3.Error):
                while self._commit_some():
                    pass
                self._failures = 0
                self._report(Problem(LOW_SPACE, "the disk is full; the job is written into its reserve: make room"))
                return
        self._report(Problem(DISK_FULL, "the disk is full; new data is only in memory: make room now"))

    def _all_is_well(self) -> None:
        """Everything is committed: which problem is over?"""
        kind = self._problem.kind if self._problem is not None else None
        if self._no_checkpoint is not None:
            self._report(self._no_checkpoint)
        elif kind in (REFUSED, FAULT, GONE):
            self._report(None)
        if kind == DISK_FULL or (not self._ballast.present and time.monotonic() >= self._next_reserve_s):
            self._keep_reserve()

    def _keep_reserve(self) -> None:
        self._next_reserve_s = time.monotonic() + _MAX_RETRY_S
        if not self._ballast.ensure():
            self._report(Problem(LOW_SPACE, "the disk is nearly full, no reserve can be set aside: make room"))
            return
        self._ring.cause = "storage too slow"
        if self._problem is not None and self._problem.kind in (LOW_SPACE, DISK_FULL):
            self._report(None)

    def _restore(self, gone: StoreGone) -> None:
        """Write all again to the path, at once; again and again only ever more slowly, each is a whole copy."""
        self._ring.cause = GONE
        if time.monotonic() >= self._next_restore_s:
            self._restores += 1
            self._next_restore_s = time.monotonic() + min(2.0**self._restores, 60.0)
            try:
                text = self._file.restore()
            except (StoreError, OSError, *SQLITE_ERRORS) as exc:
                self._report(Problem(GONE, f"{gone}; it cannot be written again ({exc}): new data is only in memory"))
                return
            self._committed()
            while self._commit_some():
                pass
            self._keep_reserve()
            self._failures = 0
            advice = "keep cleaners and sync tools off this folder"
            self._report(Problem(RESTORED, f"{gone}; {text}: {advice}"))
        elif self._problem is None or self._problem.kind != GONE:
            self._report(Problem(GONE, f"{gone}, again: new data is only in memory for the moment"))

    def _on_damage(self, exc: Exception) -> None:
        self._ring.cause = "job file damaged"
        self._report(Problem(DAMAGED, f"the job file is damaged ({exc}); new data is only in memory"))
        self._repair()

    def _repair(self) -> None:
        if self._repairs >= _MAX_REPAIRS:
            return
        self._repairs += 1
        report = self._file.repair()
        while self._commit_some():
            pass
        self._failures = 0
        self._report(Problem(DAMAGED, f"the job file was damaged; {report.text}"))

    def _report(self, problem: Problem | None) -> None:
        with self._changed:
            if problem == self._problem:
                return
            self._problem = problem
        log.warning("store: %s", problem.text) if problem else log.info("store: all is well again")
        if self._on_problem is not None:
            try:
                self._on_problem(problem)
            except Exception:
                log.exception("store: the problem callback failed")


def _check(record: NewRecord) -> None:
    """Refuse here what would stop the thread later. Raises ChainError."""
    if not isinstance(record.offsets, bytes) or not isinstance(record.payload, bytes):
        raise ChainError("a record's offsets and payload are bytes")
    header_bytes(record, 1)
    if record.kind == EVENT and record.n != 1:
        raise ChainError("an event counts as one")
    try:
        record.device.encode()
    except UnicodeEncodeError as exc:
        raise ChainError(f"device name {record.device!r} is not text") from exc
