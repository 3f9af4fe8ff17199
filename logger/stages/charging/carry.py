"""What earlier jobs of the appliance added to it, out of their records and by way of this job's first event."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from logger.model.events import JobOpened
from logger.model.job import Job
from logger.model.value import Value, unknown
from logger.stages.charging.leak_record import EarlierJob, added_by
from logger.stages.definition import Carry, PastJob

# as records call them: kinds of stage, and the key and the number of the finding that concludes the mass
_MASS_OF = {"recovery": ("recovery.mass", "recovered"), "charging": ("charging.mass", "charged")}
_EVACUATES = "evacuation"


def carried_from(past: PastJob, job: Job) -> EarlierJob | None:
    """None when the earlier job moved no refrigerant."""
    moving = [stage for stage in past.stages if stage.kind in _MASS_OF]
    if not moving:
        return None
    masses: dict[str, list[Value]] = {kind: [] for kind in _MASS_OF}
    for stage in moving:
        key, name = _MASS_OF[stage.kind]
        concluded = [f.value(name) for f in past.findings.get(stage.number, ()) if f.key == key]
        masses[stage.kind].append((concluded and concluded[-1]) or unknown("kg", "it was not concluded how much"))
    recovered = masses["recovery"]
    return EarlierJob(
        past.job.job_id,
        past.day_of(moving),
        added_by(masses["charging"], recovered).number,
        first_charge=not recovered and any(stage.kind == _EVACUATES for stage in past.stages),
        purpose=next(filter(None, (stage.settings.get("purpose") for stage in moving)), ""),
        verified=max(filter(None, (_day(stage.settings.get("verified")) for stage in moving)), default=None),
    )


def _day(stated: object) -> date | None:
    try:
        return date.fromisoformat(str(stated))
    except ValueError:
        return None


def fields(carried: Sequence[EarlierJob]) -> Mapping[str, Any]:
    return {"earlier_additions": tuple(one.to_dict() for one in reversed(carried))}


@dataclass(frozen=True, slots=True)
class EarlierJobs:
    """The earlier jobs of this appliance that moved refrigerant. complete: all of them were read."""

    jobs: tuple[EarlierJob, ...]
    complete: bool = True

    @classmethod
    def from_event(cls, opened: JobOpened) -> "EarlierJobs | None":
        """None when they could not be looked for."""
        if opened.earlier_additions is None:
            return None
        jobs = tuple(EarlierJob.from_dict(data) for data in opened.earlier_additions)
        return cls(jobs, opened.earlier_complete is not False)


CARRY = Carry(carried_from, fields, EarlierJobs.from_event)
