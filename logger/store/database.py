"""The SQLite file of a job: opening, versions, what its errors mean.

Write-ahead log, `synchronous=FULL`: what is committed survives a power cut. One connection writes and moves the log
into the file; all others read only.
"""

import os
import sqlite3
from functools import cache
from importlib import resources
from pathlib import Path

from logger.store.errors import PlaceError, StoreDamaged, StoreError, StoreSealed, StoreVersion

APPLICATION_ID = 0x52696D65  # "Rime"
PAGE_BYTES = 4096
_BUSY_MS = 5000
_MAX_WAL_BYTES = 16 << 20  # the log file is cut back to this after a long reader had let it grow

# A damaged schema makes SQLite's own message undecodable, which Python raises as UnicodeDecodeError.
SQLITE_ERRORS = (sqlite3.Error, UnicodeDecodeError)


@cache
def schema_steps() -> tuple[str, ...]:
    """SQL that makes version k + 1 out of version k (0: an empty file)."""
    directory = resources.files("logger.store") / "schema"
    steps = sorted((step for step in directory.iterdir() if step.name.endswith(".sql")), key=lambda step: step.name)
    return tuple(step.read_text(encoding="utf-8") for step in steps)


def connect_writer(path: Path, job_id: str, now_ns: int) -> sqlite3.Connection:
    """The writing connection; makes the file of `job_id`, or brings an older version up to date. Raises a StoreError.

    The caller holds the job's lock. The connection is in autocommit mode: BEGIN and COMMIT are written out.
    """
    try:
        connection = sqlite3.connect(path, timeout=_BUSY_MS / 1000, isolation_level=None, check_same_thread=False)
    except sqlite3.Error as exc:
        raise store_error(exc, path) from exc
    try:
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        found = version_of(connection, path)
        if found and about(connection, "sealed_ns") is not None:
            raise StoreSealed(f"{path} is closed; nothing is added to a closed job: begin a new one")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA fullfsync = ON")  # macOS: down to the medium; no effect elsewhere
        connection.execute("PRAGMA checkpoint_fullfsync = ON")
        connection.execute(f"PRAGMA journal_size_limit = {_MAX_WAL_BYTES}")
        connection.execute("PRAGMA foreign_keys = OFF")  # the writer makes the ids itself
        migrate(connection, found)
        facts = (("job_id", job_id), ("created_ns", str(now_ns)))
        connection.executemany("INSERT OR IGNORE INTO about VALUES (?, ?)", facts)
        if found == 0:
            sync_directory(path.parent)
        elif (recorded := about(connection, "job_id")) != job_id:
            raise StoreError(f"{path} is of job {recorded}, not of {job_id}")
    except SQLITE_ERRORS as exc:
        connection.close()
        raise store_error(exc, path) from exc
    except BaseException:
        connection.close()
        raise
    return connection


def migrate(connection: sqlite3.Connection, found: int) -> None:
    """Each step in a transaction of its own with the number of the version it makes."""
    for version, step in enumerate(schema_steps(), 1):
        if version > found:
            header = f"PRAGMA application_id = {APPLICATION_ID};" if version == 1 else ""
            try:
                connection.executescript(f"BEGIN IMMEDIATE; {header} {step}; PRAGMA user_version = {version}; COMMIT;")
            except sqlite3.Error:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise


def connect_reader(path: Path) -> sqlite3.Connection:
    """A read-only connection. Raises a StoreError.

    A file in a directory that cannot be written needs no log beside it: it is then read as unchanging.
    """
    if not path.is_file():
        raise PlaceError(f"there is no job file {path}")
    log = path.with_name(path.name + "-wal")
    uri = path.resolve().as_uri() + "?mode=ro"
    try:
        try:
            return _reading(uri, path)
        except sqlite3.OperationalError:
            if log.exists() and log.stat().st_size > 0:
                raise
            return _reading(uri + "&immutable=1", path)
    except sqlite3.OperationalError as exc:
        if exc.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
            advice = "its last records are in the -wal file beside it: copy both into a directory you can write in"
            raise PlaceError(f"cannot read {path}: {exc}; {advice}") from exc
        raise store_error(exc, path) from exc
    except SQLITE_ERRORS as exc:
        raise store_error(exc, path) from exc


def _reading(uri: str, path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(uri, uri=True, timeout=_BUSY_MS / 1000, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA query_only = ON")
        # A damaged byte of text must not hide the rest of the row.
        connection.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
        if version_of(connection, path) == 0:
            raise StoreDamaged(f"{path} is empty; it holds no job")
    except BaseException:
        connection.close()
        raise
    return connection


def version_of(connection: sqlite3.Connection, path: Path) -> int:
    """Schema version, 0 for an empty file. Raises StoreVersion for a newer one, StoreDamaged for any other file."""
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    if application == 0 and version == 0 and tables == 0:
        return 0
    if application != APPLICATION_ID or version < 1:
        raise StoreDamaged(f"{path} is a database, but no job file of this program")
    known = len(schema_steps())
    if version > known:
        raise StoreVersion(
            f"{path} was written by a newer version of this program (file version {version}, known up to {known}); "
            "update this program to read it"
        )
    return version


def about(connection: sqlite3.Connection, key: str) -> str | None:
    """A fact of the file: job_id, created_ns, sealed_ns."""
    row = connection.execute("SELECT value FROM about WHERE key = ?", (key,)).fetchone()
    return None if row is None else str(row[0])


def is_damage(exc: Exception) -> bool:
    """Whether the file's content is at fault, not the disk or the moment."""
    code = getattr(exc, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_ERROR:  # a table or column of the schema is not there: its text was changed
        return str(exc).startswith("no such ")
    return isinstance(exc, UnicodeDecodeError) or code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def store_error(exc: sqlite3.Error | UnicodeDecodeError, path: Path) -> StoreError:
    """The error as a user should read it."""
    code = getattr(exc, "sqlite_errorcode", 0) & 0xFF
    if is_damage(exc):
        return StoreDamaged(f"{path} is damaged ({exc}); `rimelog doctor` says what is whole and saves what can be")
    if code in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM):
        return PlaceError(f"cannot write {path}: {exc}; check that the directory is there and may be written")
    if code == sqlite3.SQLITE_BUSY:
        return StoreError(f"{path} is locked by another program; end that one first")
    if code == sqlite3.SQLITE_FULL:
        return StoreError(f"the disk of {path} is full; make room")
    return StoreError(f"{path}: {exc}")


def sync_directory(directory: Path) -> None:
    """Make a new or renamed file in it survive a power cut, where the system lets one do so."""
    if os.name != "posix":
        return
    fd = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
