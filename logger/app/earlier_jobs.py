"""What earlier jobs of the same appliance tell a new one: what they added, and how it ran at its last start-up.

Gathered once, when a job is opened, and written into its first event, so that whoever replays the job has it too.
Only the events that a job's analyses left in its record are read, never its frames. The start of a job is never held up
or broken by this: a thread of its own is waited for so long and no longer, newest job first; what it did not get to is
told as incomplete.
"""

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

from logger.evidence.chain import event_of
from logger.model.events import Baseline, FindingConcluded, JobOpened, RunBegun, StageBegun, StageEnded
from logger.model.job import Job
from logger.model.records import EVENT
from logger.model.units import NS_PER_S
from logger.model.value import Value, unknown
from logger.stages.charging.definition import CHARGING
from logger.stages.charging.leak_record import EarlierJob, added_by
from logger.stages.evacuation.definition import EVACUATION
from logger.stages.recovery.definition import RECOVERY
from logger.stages.start_up.carry import KEY as FIGURES
from logger.stages.start_up.carry import figures_of
from logger.store.place import JobPlace, jobs
from logger.store.reader import StoreReader

log = logging.getLogger(__name__)

BUDGET_S = 2.0
MAX_JOBS = 100  # of the appliance; far more than a year of leaks
_FIRST_RECORDS = 3  # among them is JobOpened
_MASS_OF = {RECOVERY: ("recovery.mass", "recovered"), CHARGING: ("charging.mass", "charged")}


def earlier_jobs(
    job: Job, places: Callable[[], Sequence[JobPlace]] = jobs, budget_s: float = BUDGET_S
) -> dict[str, Any]:
    """Fields for JobOpened: earlier_additions, earlier_complete and, where there was a start-up, baseline.

    Empty when the job names no appliance. Never raises. places: lists the jobs, oldest first.
    """
    if not job.appliance.strip():
        return {}
    found = _Found()
    thread = threading.Thread(
        target=_look, args=(job, places, found, time.monotonic() + budget_s), daemon=True,
        name="earlier jobs",
    )  # fmt: skip
    thread.start()
    thread.join(budget_s)
    seen = list(found.jobs)
    gathered: dict[str, Any] = {
        "earlier_additions": tuple(s.earlier.to_dict() for s in reversed(seen) if s.earlier is not None),
        "earlier_complete": found.complete and not thread.is_alive(),
    }
    run = [s for s in seen if s.figures and s.refrigerant == job.refrigerant]
    newest = max(run, key=lambda s: s.day, default=None)
    if newest is not None:
        gathered["baseline"] = Baseline(job=newest.job_id, date=newest.day.isoformat(), figures=newest.figures)
    return gathered


@dataclass(frozen=True, slots=True)
class _Seen:
    """One earlier job of the appliance. earlier: None when it moved no refrigerant. figures: of its last start-up."""

    job_id: str
    day: date
    refrigerant: str
    earlier: EarlierJob | None
    figures: dict[str, Value]


@dataclass(slots=True)
class _Found:
    """Filled by the thread, newest first. complete: nothing was left out so far, and the end was reached."""

    jobs: list[_Seen] = field(default_factory=list)
    complete: bool = False


def _look(job: Job, places: Callable[[], Sequence[JobPlace]], found: _Found, until_s: float) -> None:
    whole = True
    try:
        newest_first = list(reversed(places()))
    except Exception as exc:  # as below
        log.warning("earlier jobs cannot be looked for: %s", exc)
        return
    for place in newest_first:
        if time.monotonic() > until_s or len(found.jobs) >= MAX_JOBS:
            return
        if place.job_id == job.job_id:
            continue
        try:
            with StoreReader(place.file) as reader:
                seen = _seen(job, reader)
        except Exception as exc:  # whatever is wrong with an earlier job, the new one begins
            log.warning("earlier job %s cannot be read: %s", place.job_id, exc)
            whole = False
            continue
        if seen is not None:
            found.jobs.append(seen)
    found.complete = whole


def _seen(job: Job, reader: StoreReader) -> _Seen | None:
    first = (event_of(record) for record in reader.records(until_id=_FIRST_RECORDS, kind=EVENT))
    opened = next((event for event in first if isinstance(event, JobOpened)), None)
    if opened is None or not same_appliance(job, opened.job):
        return None
    return _read(reader, opened.job, opened.t_ns)


def same_appliance(one: Job, other: Job) -> bool:
    """By customer, site and appliance as named, in any case; a site counts where both name one. Invented jobs are of
    their own world."""
    sites = {_plain_name(job.site) for job in (one, other)} - {""}
    return (
        one.invented == other.invented
        and len(sites) < 2
        and _plain_name(one.customer) == _plain_name(other.customer)
        and _plain_name(one.appliance) == _plain_name(other.appliance)
    )


def _plain_name(text: str) -> str:
    return " ".join(text.casefold().split())


def _read(reader: StoreReader, job: Job, opened_ns: int) -> _Seen:
    kinds: dict[int, str] = {}
    purposes: dict[int, str] = {}
    ended: dict[int, int] = {}
    masses: dict[int, Value] = {}
    figures: dict[str, Value] = {}
    offset_s = 0
    for _, event in reader.events():
        match event:
            case RunBegun():
                offset_s = event.utc_offset_s
            case StageBegun():
                kinds[event.number] = event.kind
                purposes[event.number] = str(event.settings.get("purpose", ""))
            case StageEnded():
                ended[event.number] = event.t_ns
            case FindingConcluded(stage=number, finding=finding):
                key, label = _MASS_OF.get(kinds[number], ("", ""))
                if finding.key == key:
                    problem = unknown("kg", f"job {job.job_id}: {event.words.body}")
                    masses[number] = finding.value(label) or problem
                elif finding.key == FIGURES:
                    figures = figures_of(finding)
    moved = [n for n, stage in kinds.items() if stage in _MASS_OF]
    not_told = unknown("kg", f"job {job.job_id} did not conclude how much")
    charged, recovered = (
        [masses.get(n, not_told) for n in moved if kinds[n] == stage] for stage in (CHARGING, RECOVERY)
    )
    day = _day(max((ended.get(n, opened_ns) for n in moved or kinds), default=opened_ns), offset_s)
    earlier = None
    if moved:
        first = EVACUATION in kinds.values() and not recovered
        purpose = next((purposes[n] for n in moved if purposes[n]), "")
        earlier = EarlierJob(job.job_id, day, added_by(charged, recovered).number, first, purpose)
    return _Seen(job.job_id, day, job.refrigerant, earlier, figures)


def _day(t_ns: int, offset_s: int) -> date:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=t_ns // NS_PER_S + offset_s)).date()
