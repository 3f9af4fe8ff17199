"""What the daemon shows now: plain data for the API, screens and alarms."""

from dataclasses import dataclass

from logger.model.cylinder import Cylinder
from logger.model.drawing import LimitLine
from logger.model.finding import Finding
from logger.model.job import Job, Mark, Note, Stage
from logger.model.value import Value
from logger.pipeline.proposals import ProposalNow


@dataclass(frozen=True, slots=True)
class PointNow:
    """A point's newest reading; value.problem says why it is not trusted."""

    point: str
    value: Value
    age_s: float | None


@dataclass(frozen=True, slots=True)
class PendingNow:
    """What the running stage still waits for, or at which the last one failed, in words. mark, missed: as of
    stages.definition.Pending. again: the kind of stage that comes next, instead of the usual one."""

    text: str
    mark: str = ""
    missed: bool = False
    again: str = ""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """ambient_pa: what gauge pressures refer to. findings: of the running stage so far, or of the last one.

    refrigerant: the job's label for it. earlier: the first finding of each ended stage, oldest first. advice: what to
    do now and why, in short sentences. proposals: open ones, the newest first. pending: what comes before the next
    stage. cylinders: names known in this job. marks, swaps: of the stage shown, swaps as (t_ns, name). limits: levels
    that belong across its readings.
    """

    t_ns: int
    job: Job
    refrigerant: str
    stage: Stage | None
    cylinder: Cylinder | None
    ambient_pa: Value
    points: dict[str, PointNow]
    live: dict[str, Value]
    findings: tuple[Finding, ...]
    notes: tuple[Note, ...]
    earlier: tuple[tuple[Stage, Finding], ...] = ()
    advice: tuple[str, ...] = ()
    pending: PendingNow | None = None
    cylinders: tuple[str, ...] = ()
    proposals: tuple[ProposalNow, ...] = ()
    marks: tuple[Mark, ...] = ()
    swaps: tuple[tuple[int, str], ...] = ()
    limits: tuple[LimitLine, ...] = ()
