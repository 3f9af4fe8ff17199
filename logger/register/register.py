"""The register's file: opened, mended, made anew. `<data>/register.db`.

Before each question it is mended: jobs whose file is new, changed or gone are entered anew, in one transaction. So it
is right after the next command whatever happened to it, and killing any command leaves it as it was before. One that is
damaged, or of another version, is made anew.
"""

import logging
import os
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from logger.model.counted import Counted, uncounted
from logger.register import RegisterError, derive, schema
from logger.register.cylinders_sent import FILE_NAME as SENT_FILE
from logger.register.cylinders_sent import read_sent
from logger.register.read_job import JobRows, group_key, read_job
from logger.store.place import JobPlace, data_dir, jobs_dir, received_dir

log = logging.getLogger(__name__)

FILE_NAME = "register.db"
WAIT_S = 60.0  # for another command that is just mending it
_OTHER = ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_FORMAT")
T = TypeVar("T")
Stamp = tuple[Any, ...]  # path, bytes, mtime of the job's file; of its log


@dataclass(frozen=True, slots=True)
class Mended:
    """How many jobs were entered anew, how many left, how many there are."""

    entered: int
    gone: int
    jobs: int


def register_path(data: Path | None = None) -> Path:
    return (data or data_dir()) / FILE_NAME


def rebuild(data: Path | None = None, counted: Counted = uncounted) -> Mended:
    """Make it anew of the job files. Raises RegisterError."""
    return _tried(data, lambda: _mend(data, counted, anew=True))


def mend(data: Path | None = None, counted: Counted = uncounted) -> Mended:
    """As the job files are now. Raises RegisterError."""
    return _tried(data, lambda: _mend(data, counted))


def asked(question: Callable[[sqlite3.Connection], T], data: Path | None = None, counted: Counted = uncounted) -> T:
    """What the question finds in the mended register, which it can only read. Raises RegisterError."""

    def ask() -> T:
        if not (data or data_dir()).is_dir():  # nothing was ever recorded here, and asking leaves no trace
            with closing(sqlite3.connect(":memory:", isolation_level=None)) as empty:
                schema.create(empty)
                empty.row_factory = sqlite3.Row
                return question(empty)
        _mend(data, counted)
        with closing(connect_reader(data)) as connection:
            return question(connection)

    return _tried(data, ask)


def connect_reader(data: Path | None = None) -> sqlite3.Connection:
    """Read-only, rows by name. The caller has mended it."""
    connection = sqlite3.connect(f"{register_path(data).resolve().as_uri()}?mode=ro", uri=True, timeout=WAIT_S)
    connection.row_factory = sqlite3.Row
    return connection


def entered(data: Path | None = None) -> None:
    """After a job was closed: never stops what it follows, since the next command mends it too."""
    try:
        mend(data)
    except Exception as exc:
        log.warning("the register is not up to date: %s", exc)


def _tried(data: Path | None, act: Callable[[], T]) -> T:
    """A damaged file is thrown away, once: nothing is in it that the job files do not have."""
    path = register_path(data)
    try:
        try:
            return act()
        except sqlite3.DatabaseError as exc:
            if getattr(exc, "sqlite_errorname", "").removesuffix("_VTAB") not in _OTHER:
                raise
            log.warning("%s is damaged (%s); it is made again", path, exc)
            for file in (path, path.with_name(path.name + "-journal")):
                file.unlink(missing_ok=True)
            return act()
    except sqlite3.Error as exc:
        raise RegisterError(f"{path}: {exc}; make room or check its permissions") from exc
    except OSError as exc:
        raise RegisterError(f"{path}: {exc.strerror or exc}") from exc


def _mend(data: Path | None, counted: Counted, *, anew: bool = False) -> Mended:
    root, path = data or data_dir(), register_path(data)
    sent = _sent_state(root)
    with closing(_connect_writer(path)) as connection:
        whole = not anew and is_ours(connection)
        now = _stamps(root, _closed(connection) if whole else {})
        if whole and not _changed(connection, now, sent):
            return Mended(0, 0, len(now))
        connection.execute("BEGIN IMMEDIATE")
        try:
            if anew or not is_ours(connection):
                schema.create(connection)
            done = _enter(connection, root, now, sent, counted)
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    return done


def _connect_writer(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.execute("PRAGMA cache_size = -16000")
    return connection


def is_ours(connection: sqlite3.Connection) -> bool:
    """Whether the file is of this version."""
    found = connection.execute("PRAGMA user_version").fetchone()[0]
    ours = connection.execute("PRAGMA application_id").fetchone()[0]
    return (found, ours) == (schema.VERSION, schema.APPLICATION_ID)


def _changed(connection: sqlite3.Connection, now: Mapping[str, Stamp], sent: str) -> bool:
    return _known(connection) != now or _sent_known(connection) != sent


def _known(connection: sqlite3.Connection) -> dict[str, Stamp]:
    rows = connection.execute("SELECT job, path, size_bytes, mtime_ns, log_bytes, log_mtime_ns FROM files")
    return {row[0]: tuple(row[1:]) for row in rows}


def _closed(connection: sqlite3.Connection) -> dict[str, Stamp]:
    """Those that were entered as closed."""
    closed = {job for (job,) in connection.execute("SELECT id FROM jobs WHERE state = 'closed'")}
    return {job: stamp for job, stamp in _known(connection).items() if job in closed}


def _sent_known(connection: sqlite3.Connection) -> str:
    row = connection.execute("SELECT value FROM made_of WHERE key = 'cylinders_sent'").fetchone()
    return row[0] if row else ""


def _stamps(root: Path, closed: Mapping[str, Stamp]) -> dict[str, Stamp]:
    """Of each job's file, by its id. Only the file system is asked, not the file.

    closed: of these nothing is written beside the file, so that while it is the same there is no log to ask for.
    """
    found: dict[str, Stamp] = {}
    for parent in (jobs_dir(root), received_dir(root)):
        try:
            listed = list(os.scandir(parent))
        except FileNotFoundError:
            continue
        for folder in sorted(listed, key=lambda one: one.name):
            if folder.name.startswith("."):
                continue  # a job that is just being taken in
            file = f"{folder.path}/job.rimelog"
            try:
                of = os.stat(file)  # noqa: PTH116  ten thousand of them
            except OSError:
                continue
            where, before = f"{parent.name}/{folder.name}", closed.get(folder.name)
            if before is not None and before == (where, of.st_size, of.st_mtime_ns, None, None):
                found.setdefault(folder.name, before)
                continue
            try:
                log_of = os.stat(file + "-wal")  # noqa: PTH116
                log_bytes, log_ns = (log_of.st_size, log_of.st_mtime_ns) if log_of.st_size else (None, None)
            except OSError:
                log_bytes = log_ns = None
            found.setdefault(folder.name, (where, of.st_size, of.st_mtime_ns, log_bytes, log_ns))
    return found


def _sent_state(root: Path) -> str:
    try:
        of = (root / SENT_FILE).stat()
    except OSError:
        return ""
    return f"{of.st_size} {of.st_mtime_ns}"


def _enter(connection: sqlite3.Connection, root: Path, now: Mapping[str, Stamp], sent: str, counted: Counted) -> Mended:
    known, was_sent = _known(connection), _sent_known(connection)
    gone = [job for job in known if job not in now]
    changed = [job for job, stamp in now.items() if known.get(job) != stamp]
    all_new = not known
    appliances: set[str] = set()
    cylinders: set[str] = set()
    for job in (*gone, *changed):
        if job in known:
            _touch(connection, job, appliances, cylinders)
            _forget(connection, job)
    for job in counted(changed, "Entering jobs", len(changed)) if len(changed) > 50 else changed:
        path, size, _, log_bytes, _ = now[job]
        rows = read_job(JobPlace(job, root / path), size + (log_bytes or 0))
        rows.add("files", job, *now[job])
        _store(connection, rows)
        if not all_new:
            _touch(connection, job, appliances, cylinders)
    sent_now = read_sent(root)
    if sent != was_sent:
        cylinders |= {group_key(name) for (name,) in connection.execute(
            "SELECT DISTINCT from_name FROM movements WHERE kind = 'sent'")}  # fmt: skip
        cylinders |= {group_key(one.cylinder) for one in sent_now}
        connection.execute("INSERT OR REPLACE INTO made_of VALUES ('cylinders_sent', ?)", (sent,))
    derive.appliances(connection, None if all_new else appliances)
    derive.cylinders(connection, None if all_new else cylinders, sent_now)
    return Mended(len(changed), len(gone), len(now))


def _touch(connection: sqlite3.Connection, job: str, appliances: set[str], cylinders: set[str]) -> None:
    for row in connection.execute("SELECT invented, customer, appliance FROM jobs WHERE id = ?", (job,)):
        appliances.add(derive.appliance_group(*row))
    cylinders |= {k for (k,) in connection.execute("SELECT group_key FROM cylinder_uses WHERE job = ?", (job,))}


def _forget(connection: sqlite3.Connection, job: str) -> None:
    connection.execute("DELETE FROM jobs WHERE id = ?", (job,))
    for table in schema.OF_A_JOB:
        connection.execute(f"DELETE FROM {table.name} WHERE job = ?", (job,))


_INSERTS = {table.name: table.insert for table in schema.TABLES}


def _store(connection: sqlite3.Connection, rows: JobRows) -> None:
    for table, listed in rows.rows.items():
        connection.executemany(_INSERTS[table], listed)


def uids(connection: sqlite3.Connection) -> Iterable[tuple[str, str, str, int]]:
    """(uid, id, path below the data directory, records) of each job."""
    return connection.execute("SELECT uid, id, path, records FROM jobs WHERE uid != ''")
