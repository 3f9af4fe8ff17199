"""A closed job goes on: an unsealed copy of it takes the new records, is verified, sealed, and exchanged by rename.

The records that were closed are the first ones of the new file, bit for bit; nothing of them is written again.
"""

import shutil
import sqlite3
from collections.abc import Sequence
from pathlib import Path

from logger.model.records import NewRecord
from logger.store.checkpoints import Sign, append_line
from logger.store.database import SQLITE_ERRORS, connect_writer, store_error, sync_directory
from logger.store.errors import PlaceError, StoreDamaged, StoreError, StoreSealed
from logger.store.lock import JobLock
from logger.store.place import anchor_path, checkpoints_path, is_received, lock_path, make_private
from logger.store.reader import CheckSignature, StoreReader
from logger.store.rollup import Bins
from logger.store.rows import INSERT_RECORD, row_of
from logger.store.seal import seal
from logger.store.writer import StoreWriter

_TABLES = (("point", "id"), ("rollup", "level_s, bin_s, point"))


def amend(
    path: Path,
    new: Sequence[NewRecord],
    *,
    now_ns: int,
    sign: Sign | None = None,
    check_signature: CheckSignature | None = None,
    anchors: Path | None = None,
    overview: Bins | None = None,
) -> int:
    """Add records to the closed job at `path`; how many it has then. overview: of all readings, where a
    correction has made them others. Raises a StoreError, and the job is as before."""
    if is_received(path):
        raise StoreSealed(f"{path} is another computer's job: amend it there, and take it again with `rimelog take`")
    with StoreReader(path) as reader:
        job_id = reader.job_id
    aside = path.parent / "amending"
    with JobLock(lock_path(path), f"job {job_id}"):
        shutil.rmtree(aside, ignore_errors=True)
        try:
            make_private(aside)
            copy = aside / path.name
            with StoreReader(path, anchors) as closed:
                before = closed.verify(check_signature)
                if not before.holds:
                    raise StoreDamaged(f"{path} is not amended: {before.problem}; ask `rimelog doctor`")
                _unsealed(closed, copy, job_id, now_ns)
            writer = StoreWriter.open(copy, job_id=job_id, now_ns=lambda: now_ns, sign=sign, reserve_bytes=0)
            writer.submit(list(new))
            if overview is not None:
                writer.replace_overview(overview)
            writer.close()
            done = seal(copy, now_ns=now_ns, sign=sign, check_signature=check_signature)
            with StoreReader(copy) as amended:
                first = next(amended.records(before.last_id - 1, until_id=before.last_id), None)
                if first is None or first.digest != before.head or done.chain.count != before.count + len(new):
                    raise StoreError(f"{path} is not amended: the copy does not hold what the closed one did")
            copy.replace(path)
            sync_directory(path.parent)
            _carry_checkpoints(copy, path, job_id, anchors)
        except SQLITE_ERRORS as exc:
            raise store_error(exc, path) from exc
        except OSError as exc:
            raise PlaceError(f"cannot amend {path}: {exc.strerror}") from exc
        finally:
            shutil.rmtree(aside, ignore_errors=True)
    return done.chain.count


def _unsealed(closed: StoreReader, copy: Path, job_id: str, now_ns: int) -> None:
    """The same records as rows again, in a file that takes more; its checkpoints beside it."""
    connection = connect_writer(copy, job_id, now_ns)
    try:
        connection.execute("BEGIN")
        connection.executemany(INSERT_RECORD, map(row_of, closed.records()))
        connection.execute("COMMIT")
        connection.execute("ATTACH ? AS closed", (f"{closed.path.resolve().as_uri()}?mode=ro",))
        connection.execute("BEGIN")
        for table, order in _TABLES:
            connection.execute(f"INSERT INTO main.{table} SELECT * FROM closed.{table} ORDER BY {order}")
        connection.execute("INSERT INTO main.checkpoint SELECT last_id, line FROM closed.checkpoint ORDER BY rowid")
        connection.execute(
            "INSERT OR REPLACE INTO main.about SELECT key, value FROM closed.about WHERE key != 'sealed_ns'"
        )
        connection.execute("COMMIT")
    except sqlite3.Error:
        connection.close()
        raise
    connection.close()
    beside = checkpoints_path(closed.path)
    if beside.exists():
        shutil.copyfile(beside, checkpoints_path(copy))


def _carry_checkpoints(copy: Path, path: Path, job_id: str, anchors: Path | None) -> None:
    """The new ones beside the job's file, and in the anchors."""
    here = checkpoints_path(path)
    there = set(here.read_bytes().splitlines()) if here.exists() else set()
    for line in checkpoints_path(copy).read_bytes().splitlines():
        if line not in there:
            append_line(here, line + b"\n")
            if anchors is not None:
                make_private(anchors)
                append_line(anchor_path(anchors, job_id), line + b"\n")
