"""What earlier jobs of the appliance added to it, out of their records and by way of this job's first event."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from logger.model.events import JobOpened
from logger.stages.definition import Carry
from logger.stages.leak_law.leak_record import EarlierJob
from logger.stages.leak_law.mass_moved import carried_from


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
