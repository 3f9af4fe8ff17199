"""Where jobs are kept: <data>/jobs/<job id>/.

The data directory is RIMELOG_DATA, or what the platform gives ("rimelog" in the user's data directory).
"""

import os
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import platformdirs

from logger.config import private_files
from logger.store.errors import PlaceError, StoreError
from logger.store.lock import holder_of

DATA_VARIABLE = "RIMELOG_DATA"
RUN_FILE = "daemon.json"  # written by the API of the running daemon
LATEST = "latest"
RECEIVED = "received"  # folder of other computers' jobs

_JOB_ID = re.compile(r"[0-9A-Za-z][0-9A-Za-z_-]{0,62}")
_DEVICE_NAMES = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])", re.IGNORECASE)  # not file names on Windows


@dataclass(frozen=True, slots=True)
class JobPlace:
    """The files of one job."""

    job_id: str
    directory: Path

    @property
    def file(self) -> Path:
        return self.directory / "job.rimelog"

    @property
    def run_file(self) -> Path:
        return self.directory / RUN_FILE

    @property
    def log_file(self) -> Path:
        """The program's own messages while it writes this job."""
        return self.directory / "logger.log"

    @property
    def going_on_file(self) -> Path:
        """There from the beginning of a run until a person ends it: after a reboot such a job goes on."""
        return self.directory / "going-on"

    @property
    def running(self) -> bool:
        """Whether a process writes it now."""
        return holder_of(lock_path(self.file)) is not None


def checkpoints_path(file: Path) -> Path:
    """Checkpoints of a job file: beside it, so that they travel together."""
    return file.with_name("checkpoints.jsonl")


def lock_path(file: Path) -> Path:
    return file.with_name("lock")


def anchors_dir(data: Path | None = None) -> Path:
    """Every job's checkpoints once more, beside the signing key, where who writes in a job's folder need not reach."""
    return (data or data_dir()) / "keys" / "checkpoints"


def anchor_path(anchors: Path, job_id: str) -> Path:
    return anchors / f"{job_id}.jsonl"


def new_part(file: Path) -> Path:
    """Where a new job file is made before it gets its name; what a killed attempt left there is taken away.

    Raises PlaceError when there is a job already, or checkpoints of one that is gone.
    """
    part = file.with_name(file.name + ".part")
    if file.exists() or (checkpoints_path(file).exists() and not part.exists()):
        raise PlaceError(f"{file.parent} already holds a job; name another directory")
    try:
        if part.exists():  # the part itself last: it is what tells that the rest is only a killed attempt's
            for left in (checkpoints_path(file), *part.parent.glob(f"{part.name}-*"), part):
                left.unlink(missing_ok=True)
    except OSError as exc:
        raise PlaceError(f"cannot write in {file.parent}: {exc.strerror}") from exc
    return part


def ballast_path(file: Path) -> Path:
    """Space kept in reserve for a full disk."""
    return file.with_name("reserve")


def data_dir() -> Path:
    """Not created by asking."""
    named = os.environ.get(DATA_VARIABLE)
    return Path(named).expanduser() if named else Path(platformdirs.user_data_dir("rimelog", appauthor=False))


def jobs_dir(data: Path | None = None) -> Path:
    return (data or data_dir()) / "jobs"


def received_dir(data: Path | None = None) -> Path:
    """Jobs of other computers: read, never written to."""
    return (data or data_dir()) / RECEIVED


def checked_job_id(text: str) -> str:
    """`text` if it is safe as a file name on every system. Raises PlaceError."""
    if not _JOB_ID.fullmatch(text) or _DEVICE_NAMES.fullmatch(text):
        raise PlaceError(f"{text!r:.80} is no job id; letters, digits, - and _ are allowed, such as 2026-11-25-01")
    return text


def jobs(data: Path | None = None) -> list[JobPlace]:
    """Every job with a file, in order of id (so of date). [] when there is no data directory."""
    return [place for place in _folders(data) if place.file.is_file()]


def all_jobs(data: Path | None = None) -> list[JobPlace]:
    """Those of this computer, and those received from others, in order of id."""
    received = [place for place in _folders(data, received_dir) if place.file.is_file()]
    return sorted([*jobs(data), *received], key=lambda place: place.job_id)


def is_received(file: Path) -> bool:
    """Whether it is the file of another computer's job, which nothing here adds to."""
    return file.parent.parent.name == RECEIVED and not file.parent.name.startswith(".")


def _folders(data: Path | None, parent: Callable[[Path | None], Path] = jobs_dir) -> list[JobPlace]:
    try:
        found = sorted(parent(data).iterdir())
    except FileNotFoundError:
        return []
    except OSError as exc:
        raise PlaceError(f"cannot read {parent(data)}: {exc.strerror}") from exc
    return [JobPlace(d.name, d) for d in found if _JOB_ID.fullmatch(d.name)]


def new_job(day: date, data: Path | None = None) -> JobPlace:
    """A directory of its own for a new job: <day>-01, -02 ... Two at once never get the same. Raises PlaceError."""
    parent = jobs_dir(data)
    make_private(parent)
    for number in range(1, 1000):
        job_id = f"{day.isoformat()}-{number:02d}"
        directory = parent / job_id
        if anchor_path(anchors_dir(data), job_id).exists():
            continue  # there was such a job, and its checkpoints would speak against this one
        if (received_dir(data) / job_id).exists():
            continue  # another computer's, which was taken in under that name
        try:
            directory.mkdir(mode=0o700)
        except FileExistsError:
            continue
        except OSError as exc:
            raise _unusable(directory, exc) from exc
        return JobPlace(job_id, directory)
    raise PlaceError(f"{parent} has 999 jobs of {day.isoformat()} already")


def job_place(job_id: str, data: Path | None = None) -> JobPlace:
    """The place of a named job, which need not exist; its directory is made."""
    directory = jobs_dir(data) / checked_job_id(job_id)
    make_private(directory)
    return JobPlace(job_id, directory)


def find_job(text: str, data: Path | None = None) -> JobPlace:
    """A job by id, by the only id that begins or ends with `text`, by "latest", or by path (directory or file).

    Raises PlaceError, naming what there is.
    """
    path = Path(text).expanduser()
    if path.name == "job.rimelog" and path.is_file():
        path = path.parent
    if (path / "job.rimelog").is_file():
        directory = path.resolve()
        return JobPlace(directory.name, directory)
    own, known = jobs(data), all_jobs(data)
    if not known:
        raise PlaceError(f"there are no jobs in {jobs_dir(data)}")
    if text == LATEST:
        return latest(own or known)
    fitting = [p for p in known if p.job_id == text] or [
        p for p in known if p.job_id.startswith(text) or p.job_id.endswith(text)
    ]
    if len(fitting) == 1:
        return fitting[0]
    listed = ", ".join(p.job_id for p in (fitting or known)[-10:])
    if fitting:
        raise PlaceError(f"{text!r:.80} fits several jobs: {listed}")
    raise PlaceError(f"no job {text!r:.80}; the last ones are {listed}")


def latest(places: list[JobPlace]) -> JobPlace:
    """One that runs before one that does not, then the one begun last; an empty one only where all are."""
    begun = {place.job_id: begun_ns(place) for place in places}
    return max(places, key=lambda p: (p.running, begun[p.job_id] is not None, begun[p.job_id] or 0, p.job_id))


def begun_ns(place: JobPlace) -> int | None:
    """UTC when the job was begun, 0 when its file cannot be read; None for an empty job: no device was ever heard."""
    from logger.model.records import FRAMES
    from logger.store.reader import StoreReader

    try:
        with StoreReader(place.file) as reader:
            first = next(reader.records(until_id=1), None)
            if next(reader.records(kind=FRAMES), None) is None:
                return None
            return first.t0_ns if first is not None else 0
    except StoreError:
        return 0


def running_jobs(data: Path | None = None) -> list[JobPlace]:
    """Those that a daemon writes now and answers for."""
    return [place for place in _folders(data) if place.run_file.is_file() and place.running]


def running_address_file(job_id: str | None, data: Path | None = None) -> Path:
    """Address file of the daemon that writes `job_id`, or of the only daemon (whether or not one runs).

    A daemon is found by its address and its lock: its job file may just have been taken away.
    Raises PlaceError when it is not clear which.
    """
    running = running_jobs(data)
    if job_id is not None:
        named = next((place for place in running if place.job_id == job_id), None)
        return named.run_file if named is not None else find_job(job_id, data).run_file
    if len(running) > 1:
        raise PlaceError(f"several jobs are running: {', '.join(p.job_id for p in running)}; name one with --job")
    return running[0].run_file if running else jobs_dir(data) / RUN_FILE


def make_private(directory: Path) -> None:
    """Make the folder and the missing ones above it, for this user alone whatever the umask. Raises PlaceError."""
    try:
        private_files.make_private(directory)
    except OSError as exc:
        raise _unusable(directory, exc) from exc


def _unusable(directory: Path, exc: OSError) -> PlaceError:
    return PlaceError(
        f"cannot make {directory}: {exc.strerror}; make room, check its permissions, or set {DATA_VARIABLE}"
    )
