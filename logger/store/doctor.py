"""What is whole in a job file, what is lost, in plain words. Reads only; safe while the job is being written."""

from dataclasses import dataclass
from pathlib import Path

from logger.evidence.chain import ChainReport
from logger.model.counted import Counted, uncounted
from logger.store.database import SQLITE_ERRORS, connect_reader, store_error
from logger.store.errors import PlaceError, StoreDamaged, StoreError, StoreVersion
from logger.store.lock import holder_of
from logger.store.place import lock_path
from logger.store.reader import CheckSignature, StoreReader
from logger.store.rescue import Break, rescue, salvage
from logger.store.rollup import LEVELS_S
from logger.store.tail import UncheckedTail

__all__ = ["DoctorReport", "examine", "rescue"]

_MAX_LISTED = 10


@dataclass(frozen=True, slots=True)
class DoctorReport:
    """whole: nothing is damaged, changed or lost that is not recorded as lost. last_id: of the last whole record.

    findings: one sentence each. breaks: what a rescue would leave out or mark. readable, lost: records. advice: what
    to do, "" when nothing needs doing. chain: of the file as SQLite reads it, None when it cannot.
    """

    path: Path
    whole: bool
    readable: int
    lost: int
    last_id: int
    findings: tuple[str, ...]
    breaks: tuple[Break, ...] = ()
    advice: str = ""
    chain: ChainReport | None = None

    def lines(self) -> list[str]:
        """For a terminal."""
        head = f"{self.path}: {'whole' if self.whole else 'NOT whole'}"
        return [head, *(f"  {finding}" for finding in self.findings), *([f"  {self.advice}"] if self.advice else [])]


def examine(
    path: Path, check_signature: CheckSignature | None = None, anchors: Path | None = None, counted: Counted = uncounted
) -> DoctorReport:
    """Look at everything: the file's structure, the chain, the checkpoints and their signatures, the overviews.

    A chain that no checkpoint saw is not whole, however well it holds together: anyone can make such a one.
    Raises PlaceError when there is no file, StoreVersion for a file of a newer version; damage is in the report.
    """
    if not path.is_file():
        raise PlaceError(f"there is no job file {path}")
    findings: list[str] = []
    chain: ChainReport | None = None
    not_seen: UncheckedTail | None = None
    writer = holder_of(lock_path(path))
    if writer is not None:
        findings.append(f"being written by {writer} now")
    damage: list[str] = []
    try:
        with StoreReader(path, anchors) as reader:
            chain = reader.verify(check_signature, counted)
            not_seen = reader.unseen() if chain.holds else None
            marks = reader.checkpoints()
            closed = "closed" if reader.sealed_ns is not None else "open"
            findings.append(f"job {reader.job_id}, {closed}, {chain.count} records hold, the last is {chain.last_id}")
            if (named := _named_otherwise(path, reader.job_id)) is not None:
                findings.append(named)
            if chain.problem is not None:
                damage.append(f"chain: {chain.problem}")
            findings += [f"known loss: {declared}" for declared in chain.declared]
            findings += _checkpoint_findings(chain, len(marks.checkpoints), check_signature is not None)
            findings += marks.problems
        damage += _structure(path)
        overviews = _overviews(path)
        findings += overviews
    except StoreVersion:
        raise
    except StoreError as exc:
        damage.append(str(exc))
    if not damage:
        assert chain is not None
        advice = "a rescue makes them again from the records, into a new file" if overviews else ""
        if not_seen is not None:
            findings.append(f"{not_seen}: they may have been rewritten")
            advice = "compare it with a copy or a bundle of this job that was made earlier"
        return DoctorReport(
            path, not_seen is None, chain.count, 0, chain.last_id, tuple(findings), advice=advice, chain=chain
        )
    found = salvage(path)
    findings += damage
    listed = [str(b) for b in found.breaks[:_MAX_LISTED]]
    findings += listed + ([f"and {len(found.breaks) - _MAX_LISTED} more"] if len(found.breaks) > _MAX_LISTED else [])
    findings.append(f"{len(found.records)} records can be saved, {found.lost} are lost")
    advice = "a rescue writes what can be saved to a new file and leaves this one as it is"
    return DoctorReport(
        path,
        False,
        len(found.records),
        found.lost,
        found.whole_to_id,
        tuple(findings),
        tuple(found.breaks),
        advice if found.records else "nothing can be saved; look for a copy",
        chain,
    )


def _named_otherwise(path: Path, job_id: str) -> str | None:
    """A job's folder copied or renamed: the record keeps its own name and times, whatever the folder is called."""
    place = path.parent
    if place.name == job_id or place.parent.name != "jobs":
        return None
    return f"it lies in the folder of {place.name}: a copy of {job_id}, or that folder was renamed"


def _checkpoint_findings(chain: ChainReport, checkpoints: int, signatures: bool) -> list[str]:
    if checkpoints == 0:
        return ["no checkpoints: records cut off the end would not be noticed"]
    checked = "signatures checked" if signatures else "signatures not checked"
    return [f"{chain.checkpoints} of {checkpoints} checkpoints agree, {checked}"]


def _structure(path: Path) -> list[str]:
    """What SQLite itself finds wrong."""
    connection = connect_reader(path)
    try:
        rows = connection.execute(f"PRAGMA integrity_check({_MAX_LISTED})").fetchall()
    except SQLITE_ERRORS as exc:
        raise store_error(exc, path) from exc
    finally:
        connection.close()
    problems = [line for (text,) in rows for line in str(text).splitlines() if line != "ok"]
    return [f"file structure: {line}" for line in problems if line.strip("* ")]


def _overviews(path: Path) -> list[str]:
    connection = connect_reader(path)
    try:
        counts = [
            connection.execute("SELECT coalesce(sum(n), 0) FROM rollup WHERE level_s = ?", (level,)).fetchone()[0]
            for level in LEVELS_S
        ]
    except SQLITE_ERRORS as exc:
        raise StoreDamaged(f"{path}: the overviews cannot be read ({exc})") from exc
    finally:
        connection.close()
    whole = len(set(counts)) == 1
    return [] if whole else ["the overviews do not agree with each other: the trend may be wrong, the record is not"]
