"""Closing a job: verify, write the evidence file again with its frames in blocks, verify that, then exchange the files.

`VACUUM INTO` would copy the rows as they are; writing them again in order gives the same compact file and lets the
frames of 120 records share one compressed block (blocks.py). Digests are over the frames, so nothing of the chain
changes.
"""

import os
import sqlite3
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from logger.evidence.chain import ChainReport
from logger.evidence.errors import ChainError
from logger.model.counted import Counted, uncounted
from logger.model.records import EVENT, Record
from logger.store.blocks import RECORDS_A_BLOCK, pack_block
from logger.store.checkpoints import CheckpointLog, Sign
from logger.store.database import (
    APPLICATION_ID,
    PAGE_BYTES,
    SQLITE_ERRORS,
    connect_writer,
    schema_steps,
    store_error,
    sync_directory,
)
from logger.store.errors import PlaceError, StoreDamaged, StoreError
from logger.store.lock import JobLock
from logger.store.place import ballast_path, lock_path
from logger.store.reader import CheckSignature, StoreReader
from logger.store.rows import INSERT_RECORD, row_of


@dataclass(frozen=True, slots=True)
class SealReport:
    """Sizes in bytes; chain: of the closed file, verified."""

    before_bytes: int
    after_bytes: int
    chain: ChainReport


def seal(
    path: Path,
    *,
    now_ns: int,
    sign: Sign | None = None,
    check_signature: CheckSignature | None = None,
    anchors: Path | None = None,
    counted: Counted = uncounted,
) -> SealReport:
    """Close the job at `path`; afterwards nothing can be added. Raises a StoreError, and the job is then as before.

    Takes about 0.1 ms a record: run it where that disturbs nobody. The writer must be closed.
    """
    with StoreReader(path) as reader:
        job_id = reader.job_id
    with JobLock(lock_path(path), f"job {job_id}"):
        part = path.with_name(path.name + ".closing")
        part.unlink(missing_ok=True)
        try:
            _settle(path, job_id, now_ns, sign, anchors)
            with StoreReader(path, anchors) as live:
                chain = live.verify(check_signature, counted)
                if not chain.holds:
                    raise StoreDamaged(f"{path} is not closed: {chain.problem}; ask `rimelog doctor`")
                before = path.stat().st_size
                _write(counted(live.records(), "Writing", live.last_id), path, part, now_ns)
            _same(part, chain, counted)
            with part.open("rb+") as file:
                os.fsync(file.fileno())
            part.replace(path)
            sync_directory(path.parent)
        except SQLITE_ERRORS as exc:
            raise store_error(exc, path) from exc
        except OSError as exc:
            raise PlaceError(f"cannot close {path}: {exc.strerror}") from exc
        finally:
            with suppress(OSError):
                part.unlink(missing_ok=True)
        ballast_path(path).unlink(missing_ok=True)
        for suffix in ("-wal", "-shm"):  # empty since _settle
            path.with_name(path.name + suffix).unlink(missing_ok=True)
        return SealReport(before, path.stat().st_size, chain)


def _settle(path: Path, job_id: str, now_ns: int, sign: Sign | None, anchors: Path | None) -> None:
    """Everything in the main file, a last checkpoint, and no log that could be replayed into the new file."""
    connection = connect_writer(path, job_id, now_ns)
    try:
        row = connection.execute("SELECT id, digest FROM record ORDER BY id DESC LIMIT 1").fetchone()
        if row is None:
            raise StoreError(f"{path} has no records; there is nothing to close")
        with StoreReader(path) as reader:
            seen = reader.checkpoints().checkpoints
        if not any((c.last_id, c.head) == tuple(row) for c in seen):
            marks = CheckpointLog(path, job_id, sign, anchors)
            marks.write(now_ns, row[0], row[1])
            marks.insert_waiting(connection)
        busy = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
        if busy:
            raise StoreError(f"{path} is being read by another program; end that one and close the job again")
    finally:
        connection.close()


def _write(records: Iterable[Record], path: Path, part: Path, now_ns: int) -> None:
    connection = sqlite3.connect(part, isolation_level=None)
    try:
        connection.executescript(
            f"PRAGMA page_size = {PAGE_BYTES}; PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF"
        )
        connection.executescript("".join(schema_steps()))
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(schema_steps())}")
        connection.execute("BEGIN")
        _write_records(connection, records)
        connection.execute("COMMIT")
        connection.execute("ATTACH ? AS live", (f"{path.resolve().as_uri()}?mode=ro",))
        connection.execute("BEGIN")
        for table, order in (("about", "key"), ("point", "id"), ("rollup", "level_s, bin_s, point")):
            connection.execute(f"INSERT INTO main.{table} SELECT * FROM live.{table} ORDER BY {order}")
        connection.execute("INSERT INTO main.checkpoint SELECT last_id, line FROM live.checkpoint ORDER BY rowid")
        connection.execute("INSERT INTO about VALUES ('sealed_ns', ?)", (str(now_ns),))
        connection.execute("COMMIT")
    finally:
        connection.close()


def _write_records(connection: sqlite3.Connection, records: Iterable[Record]) -> None:
    block: list[Record] = []

    def end_block() -> None:
        if block:
            try:
                row = (block[0].id, block[-1].id, pack_block(block))
                connection.execute("INSERT INTO block VALUES (?, ?, ?)", row)
            except ChainError:  # a record whose offsets are not regular: kept as it is
                connection.executemany(INSERT_RECORD, map(row_of, block))
            block.clear()

    for record in records:
        if record.kind == EVENT:
            connection.execute(INSERT_RECORD, row_of(record))
            continue
        block.append(record)
        if len(block) >= RECORDS_A_BLOCK:
            end_block()
    end_block()


def _same(part: Path, chain: ChainReport, counted: Counted) -> None:
    with StoreReader(part) as closed:
        found = closed.verify(counted=counted, what="Checking what was written")
    if (found.holds, found.count, found.head) != (True, chain.count, chain.head):
        raise StoreError(f"the closed file {part} does not hold what the open one did; the job is left open")
