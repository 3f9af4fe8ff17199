"""The figures of a start-up as one finding: in the report a table, and for a later job what it is compared with."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from logger.model.events import Baseline, JobOpened
from logger.model.finding import Finding, Verdict
from logger.model.job import Job
from logger.model.value import Value, number
from logger.stages.definition import Carry, PastJob
from logger.stages.start_up.findings import FIGURES

KEY = "start_up.figures"


def figures_finding(figures: Mapping[str, Value]) -> tuple[Finding, ...]:
    """figures: `StartUpResult.baseline`; none when nothing is known."""
    inputs = tuple(
        number(name, FIGURES[name], value)
        for name, value in figures.items()
        if value.number is not None and name in FIGURES
    )
    return (Finding(KEY, Verdict.INFO, inputs),) if inputs else ()


def figures_of(finding: Finding) -> dict[str, Value]:
    """The figures again, by live quantity name; a name that no version knows is left out."""
    return {_OLD.get(name, name): value for name, value in finding.numbers() if _OLD.get(name, name) in FIGURES}


_OLD = {
    "suction superheat": "suction_superheat",
    "discharge superheat": "discharge_superheat",
    "condensing over ambient": "condensing_over_ambient",
    "valve position": "valve_position",
    "level": "liquid_level",
    "high-side margin": "high_side_margin",
}
"""How version 0.1.0 called them."""


@dataclass(frozen=True, slots=True)
class EarlierStartUp:
    """Figures of the appliance's last start-up in an earlier job, and which it was."""

    figures: Mapping[str, Value]
    named: str

    @classmethod
    def from_event(cls, opened: JobOpened) -> "EarlierStartUp | None":
        """None when no earlier start-up is known."""
        last = opened.baseline
        return None if last is None else cls(last.figures, f"the start-up of job {last.job} on {last.date}")


def carried_from(past: PastJob, job: Job) -> Baseline | None:
    """Its last start-up with the same refrigerant."""
    found = [(stage, f) for stage in past.stages for f in past.findings.get(stage.number, ()) if f.key == KEY]
    if not found or past.job.refrigerant != job.refrigerant:
        return None
    stage, finding = found[-1]
    figures = figures_of(finding)
    return Baseline(job=past.job.job_id, date=past.day_of([stage]).isoformat(), figures=figures) if figures else None


def fields(carried: Sequence[Baseline]) -> Mapping[str, Any]:
    newest = max(carried, key=lambda one: one.date, default=None)
    return {} if newest is None else {"baseline": newest}


CARRY = Carry(carried_from, fields, EarlierStartUp.from_event)
