"""What a job moved, out of its record: which of it was added to the appliance."""

from dataclasses import dataclass
from datetime import date

from logger.model.job import Job
from logger.model.value import Value, unknown
from logger.stages.definition import PastJob
from logger.stages.leak_law.leak_record import EarlierJob, added_by


@dataclass(frozen=True, slots=True)
class MassMoved:
    """finding, amount: where a stage concludes how much, by key and name. into_cylinder: out of the appliance."""

    finding: str
    amount: str
    into_cylinder: bool


MOVES = {
    "recovery": MassMoved("recovery.mass", "recovered", into_cylinder=True),
    "charging": MassMoved("charging.mass", "charged", into_cylinder=False),
}
"""By the kinds of stage that move refrigerant."""
_EVACUATES = "evacuation"


def carried_from(past: PastJob, job: Job) -> EarlierJob | None:
    """None when the earlier job moved no refrigerant."""
    moving = [stage for stage in past.stages if stage.kind in MOVES]
    if not moving:
        return None
    recovered: list[Value] = []
    charged: list[Value] = []
    for stage in moving:
        of = MOVES[stage.kind]
        concluded = [f.value(of.amount) for f in past.findings.get(stage.number, ()) if f.key == of.finding]
        moved = (concluded and concluded[-1]) or unknown("kg", "it was not concluded how much")
        (recovered if of.into_cylinder else charged).append(moved)
    return EarlierJob(
        past.job.job_id,
        past.day_of(moving),
        added_by(charged, recovered).number,
        first_charge=not recovered and any(stage.kind == _EVACUATES for stage in past.stages),
        purpose=next(filter(None, (stage.settings.get("purpose") for stage in moving)), ""),
        verified=max(filter(None, (_day(stage.settings.get("verified")) for stage in moving)), default=None),
    )


def _day(stated: object) -> date | None:
    try:
        return date.fromisoformat(str(stated))
    except ValueError:
        return None
