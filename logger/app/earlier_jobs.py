"""What earlier jobs of the same appliance tell a new one: what they added, and how it ran at its last start-up.

Gathered once, when a job is opened, and written into its first event, so that whoever replays the job has it too.
Only the events that a job's analyses left in its record are read, never its frames. The start of a job is never held up
or broken by this: a thread of its own is waited for so long and no longer, newest job first; what it did not get to is
recorded as incomplete.
"""

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from logger.evidence.chain import event_of
from logger.model.appliance import same_appliance
from logger.model.events import FindingConcluded, JobOpened, RunBegun, StageBegun, StageEnded
from logger.model.job import Job
from logger.model.records import EVENT
from logger.pipeline.facts import effective
from logger.pipeline.job_state import JobState
from logger.stages import registry
from logger.stages.definition import Carry, PastJob
from logger.store.place import JobPlace, all_jobs
from logger.store.reader import StoreReader

log = logging.getLogger(__name__)

BUDGET_S = 2.0
MAX_JOBS = 100  # of the appliance; far more than a year of leaks
_FIRST_RECORDS = 3  # among them is JobOpened


def earlier_jobs(
    job: Job, places: Callable[[], Sequence[JobPlace]] = all_jobs, budget_s: float = BUDGET_S
) -> dict[str, Any]:
    """Fields for JobOpened: what each stage carries over, and earlier_complete.

    Empty when the job names no appliance. Never raises. places: lists the jobs, oldest first.
    """
    if not job.appliance.strip():
        return {}
    found = _Found()
    thread = threading.Thread(
        target=_read_earlier, args=(job, places, found, time.monotonic() + budget_s), daemon=True,
        name="earlier jobs",
    )  # fmt: skip
    thread.start()
    thread.join(budget_s)
    carried = list(found.carried)
    gathered: dict[str, Any] = {"earlier_complete": found.complete and not thread.is_alive()}
    for kind, carry in _carries().items():
        gathered |= carry.fields([one[kind] for one in carried if one[kind] is not None])
    return gathered


def _carries() -> dict[str, Carry]:
    return {one.kind: one.carry() for one in registry.STAGES if one.carry is not None}


@dataclass(slots=True)
class _Found:
    """Filled by the thread, newest first: what each job tells, by kind of stage. complete: nothing was left out so far,
    and the end was reached."""

    carried: list[dict[str, Any]] = field(default_factory=list)
    complete: bool = False


def _read_earlier(job: Job, places: Callable[[], Sequence[JobPlace]], found: _Found, until_s: float) -> None:
    whole = True
    try:
        newest_first = list(reversed(places()))
    except Exception as exc:  # as below
        log.warning("earlier jobs cannot be looked for: %s", exc)
        return
    for place in newest_first:
        if time.monotonic() > until_s or len(found.carried) >= MAX_JOBS:
            return
        if place.job_id == job.job_id:
            continue
        try:
            with StoreReader(place.file) as reader:
                carried = _carried_over(job, reader)
        except Exception as exc:  # whatever is wrong with an earlier job, the new one begins
            log.warning("earlier job %s cannot be read: %s", place.job_id, exc)
            whole = False
            continue
        if carried is not None:
            found.carried.append(carried)
    found.complete = whole


def _carried_over(job: Job, reader: StoreReader) -> dict[str, Any] | None:
    """None of another appliance, by what was entered and by what was corrected."""
    first = (event_of(record) for record in reader.records(until_id=_FIRST_RECORDS, kind=EVENT))
    opened = next((event for event in first if isinstance(event, JobOpened)), None)
    if opened is None or not same_appliance(job, opened.job):
        return None
    facts, state = effective(reader.events()), JobState()
    corrected = facts.job() or opened.job
    if not same_appliance(job, corrected):
        return None
    for placed in facts.events:
        if isinstance(placed.event, RunBegun | StageBegun | StageEnded | FindingConcluded):
            state.apply(placed.event)
    past = PastJob(corrected, opened.t_ns, state.stages, state.findings, state.day)
    return {kind: carry.carried_from(past, job) for kind, carry in _carries().items()}
