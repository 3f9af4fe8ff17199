"""A copy of a job that is safe to make while it is being written."""

import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from logger.evidence.chain import ChainReport
from logger.evidence.checkpoint import checkpoint_line
from logger.model.counted import Counted, uncounted
from logger.store.database import SQLITE_ERRORS, connect_reader, store_error, sync_directory
from logger.store.errors import PlaceError
from logger.store.place import checkpoints_path, make_private, new_part
from logger.store.reader import CheckSignature, StoreReader


@dataclass(frozen=True, slots=True)
class CopyReport:
    """path: the copy. chain: the copy verified, records up to chain.last_id."""

    path: Path
    chain: ChainReport


def copy_job(
    path: Path,
    out: Path,
    check_signature: CheckSignature | None = None,
    anchors: Path | None = None,
    counted: Counted = uncounted,
) -> CopyReport:
    """Copy the job file and its checkpoints into the directory `out` (made if need be) and verify the copy.

    The copy is the state of one moment, whatever is written meanwhile; a job can be continued from it.
    Raises a StoreError; a copy that does not hold is left for inspection, its fault is in the report. Cut short, it can
    be made again: the job file appears last, whole.
    """
    target = out / path.name
    part = new_part(target)
    try:
        make_private(out)
        with StoreReader(path, anchors) as reader:  # before the records: no checkpoint may tell of more than is copied
            seen = reader.checkpoints().checkpoints
        source = connect_reader(path)
        try:
            copy = sqlite3.connect(part, isolation_level=None)
            try:
                source.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")  # one file, readable from read-only media
            finally:
                copy.close()
        finally:
            source.close()
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        with checkpoints_path(target).open("wb") as lines:
            lines.writelines(checkpoint_line(c) for c in seen)
            lines.flush()
            os.fsync(lines.fileno())
        part.replace(target)
        sync_directory(out)
    except SQLITE_ERRORS as exc:
        raise store_error(exc, out) from exc
    except OSError as exc:
        raise PlaceError(f"cannot write in {out}: {exc.strerror}") from exc
    with StoreReader(target) as reader:
        return CopyReport(target, reader.verify(check_signature, counted, "Checking the copy"))
