"""Jobs and bundles of other computers: verified first, kept as received, marked with the key that signed.

Each gets a folder of its own in <data>/received/, made aside and moved into place whole. The same job twice is one:
what goes on from it takes its place, anything else of the same beginning is refused.
"""

import hashlib
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from logger.clock import utc_text
from logger.evidence.bagit import PAYLOAD, Bag
from logger.evidence.errors import EvidenceError, SignatureError
from logger.evidence.keys import PublicKey
from logger.evidence.record_lines import parse_records
from logger.evidence.safezip import SafeZip
from logger.evidence.sshsig import CHECKPOINT_NAMESPACE, verify
from logger.export.bundle.outcome import Outcome, Result
from logger.export.bundle.verify import verify_bundle
from logger.export.bundle.write import CHECKPOINTS, RECORDS
from logger.export.replayed import replay_job
from logger.model.counted import Counted, uncounted
from logger.model.records import Record
from logger.model.text import clean, clean_name
from logger.pipeline.replay import readings
from logger.register import RegisterError
from logger.register.received import ABOUT, ReceivedJob
from logger.register.register import asked, uids
from logger.store.copy import copy_job
from logger.store.database import connect_writer
from logger.store.errors import StoreError
from logger.store.place import JobPlace, checkpoints_path, jobs_dir, make_private, received_dir
from logger.store.reader import StoreReader
from logger.store.rollup import rebuild
from logger.store.rows import INSERT_RECORD, row_of
from logger.store.seal import seal

ASIDE = ".taking"
BUNDLE = "bundle.zip"
MAX_BUNDLE_CHECKPOINTS = 64 << 20
_MAX_SAME_ID = 1000


@dataclass(frozen=True, slots=True)
class Taken:
    """job: its id here, "" where it was refused. new: False where it was here already. said: what was done, or why
    not. key: fingerprint, "" where nothing is signed; known: whose that key is, "" for one not known here."""

    path: Path
    job: str
    new: bool
    said: str
    key: str = ""
    known: str = ""


def found_in(paths: Iterable[Path]) -> list[Path]:
    """Bundles and job files: those named, and all below a folder."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = [*path.rglob("*.zip"), *path.rglob("job.rimelog")]
            found += sorted(one for one in inside if one.is_file() and not one.is_symlink())
        else:
            found.append(path)
    return list(dict.fromkeys(found))


def take(
    path: Path, data: Path, now_ns: int, whose: Callable[[PublicKey], str | None], counted: Counted = uncounted
) -> Taken:
    """whose: a key that is known here. Never raises for what is wrong with the file: `said` tells it."""
    aside = received_dir(data) / ASIDE
    try:
        make_private(aside)
        shutil.rmtree(aside)
        aside.mkdir(mode=0o700)
        take_in = _bundle if path.suffix == ".zip" else _job_file
        return _placed(path, data, take_in(path, aside, now_ns, counted), aside, now_ns, whose)
    except (StoreError, EvidenceError, RegisterError) as exc:
        return Taken(path, "", False, clean(str(exc)))
    except OSError as exc:
        return Taken(path, "", False, f"cannot be read or kept: {exc.strerror or exc}")
    finally:
        shutil.rmtree(aside, ignore_errors=True)


@dataclass(frozen=True, slots=True)
class _Verified:
    """file: of the job, aside. keys: that signed it."""

    file: Path
    keys: tuple[PublicKey, ...]
    job_id: str
    fingerprint: str


def _bundle(path: Path, aside: Path, now_ns: int, counted: Counted) -> _Verified:
    keys: list[PublicKey] = []
    report = verify_bundle(path, replay_job, known=lambda key: keys.append(key), counted=counted)
    if report.result is Result.FAILS:
        why = next((c.text for c in report.checks if c.outcome is Outcome.FAILS), "something required was not checked")
        raise RegisterError(f"it does not hold: {why}; see `rimelog verify {path.name}`")
    shutil.copyfile(path, aside / BUNDLE)
    file = aside / "job.rimelog"
    with (aside / BUNDLE).open("rb") as opened:
        bag = Bag(SafeZip(opened))
        records = list(parse_records(bag.chunks(PAYLOAD + RECORDS)))
        name = PAYLOAD + CHECKPOINTS
        lines = bag.read(name, MAX_BUNDLE_CHECKPOINTS) if name in bag.names else b""
    connection = connect_writer(file, report.job_id, now_ns)
    try:
        connection.execute("BEGIN")
        connection.executemany(INSERT_RECORD, map(row_of, records))
        rebuild(connection, readings(records))
        connection.execute("COMMIT")
    finally:
        connection.close()
    if lines:
        checkpoints_path(file).write_bytes(lines)
    _seal_where_seen(file, records, now_ns)
    return _Verified(file, tuple(keys[:1]), report.job_id, report.fingerprint or "")


def _seal_where_seen(file: Path, records: Sequence[Record], now_ns: int) -> None:
    """In less room, where the other computer's last checkpoint has seen all: none is made here."""
    with StoreReader(file) as reader:
        seen = reader.checkpoints().checkpoints
    if any((c.last_id, c.head) == (records[-1].id, records[-1].digest) for c in seen):
        seal(file, now_ns=now_ns)


def _job_file(path: Path, aside: Path, now_ns: int, counted: Counted) -> _Verified:
    keys: list[PublicKey] = []

    def check(message: bytes, signature: str) -> str | None:
        try:
            keys.append(verify(signature, message, CHECKPOINT_NAMESPACE))
        except SignatureError as exc:
            return str(exc)
        return None

    place = JobPlace(path.parent.name, path.parent)
    if path.name != place.file.name:
        raise RegisterError("it is neither a bundle (.zip) nor a job's folder or job.rimelog")
    with StoreReader(path) as reader:
        chain = reader.verify(check, counted)
        job_id = reader.job_id
    if not chain.holds:
        raise RegisterError(f"its record does not hold: {chain.problem}; see `rimelog doctor {path.parent}`")
    done = copy_job(path, aside / "copy", check)
    if not done.chain.holds:
        raise RegisterError(f"its copy does not hold: {done.chain.problem}; try again")
    for made in (aside / "copy").iterdir():
        made.rename(aside / made.name)
    (aside / "copy").rmdir()
    distinct = tuple(dict.fromkeys(keys))
    return _Verified(aside / path.name, distinct, job_id, ", ".join(key.fingerprint for key in distinct))


def _placed(
    path: Path, data: Path, got: _Verified, aside: Path, now_ns: int, whose: Callable[[PublicKey], str | None]
) -> Taken:
    """Moved into place, unless it is here."""
    owner = next(filter(None, map(whose, got.keys)), None) or ""
    with StoreReader(got.file) as reader:
        first, count = next(reader.records(until_id=1), None), reader.last_id
    if first is None:
        raise RegisterError("no record is in it")
    uid = first.digest.hex()
    listed = asked(lambda connection: list(uids(connection)), data)
    same = next(((job, where, records) for of, job, where, records in listed if of == uid), None)
    if same is not None:
        job, where, records = same
        there = JobPlace(job, data / where)
        if not _goes_on(there.file, got.file, records):
            return Taken(path, "", False, f"another record of job {job}, which is here: the two do not agree")
        if count <= records or there.directory.parent != received_dir(data):
            more = f"; that one has {count - records} more records" if count > records else ""
            return Taken(path, job, False, f"is here already as {job}{more}", got.fingerprint, owner)
        name = job
    else:
        name = _free_id(data, got.job_id)
    about = ReceivedJob(got.fingerprint, clean(path.name, 120), _sha256(path), uid, count, utc_text(now_ns))
    (aside / ABOUT).write_text(about.text(), encoding="utf-8")
    target = received_dir(data) / name
    old = target.with_name(f"{ASIDE}-old")
    shutil.rmtree(old, ignore_errors=True)
    if target.exists():
        target.rename(old)
    aside.rename(target)
    shutil.rmtree(old, ignore_errors=True)
    return Taken(path, name, True, "taken" if same is None else "taken; it continues the record that was here",
                 got.fingerprint, owner)  # fmt: skip


def _goes_on(here: Path, new: Path, records: int) -> bool:
    """Whether one record is the beginning of the other."""
    with StoreReader(here) as one, StoreReader(new) as other:
        last = min(records, one.last_id, other.last_id)
        ends = [next(reader.records(last - 1, until_id=last), None) for reader in (one, other)]
    return None not in ends and ends[0].digest == ends[1].digest  # type: ignore[union-attr]


def _free_id(data: Path, job_id: str) -> str:
    """As it was called there, with -2, -3 ... where another job is called so here."""
    name = clean_name(job_id, 50)
    taken = {folder.name for parent in (jobs_dir(data), received_dir(data)) for folder in _folders(parent)}
    return next(n for n in (name, *(f"{name}-{i}" for i in range(2, _MAX_SAME_ID))) if n not in taken)


def _folders(parent: Path) -> Iterator[os.DirEntry[str]]:
    try:
        with os.scandir(parent) as listed:
            yield from listed
    except FileNotFoundError:
        return


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
