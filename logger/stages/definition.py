"""What a stage is: one StageDefinition each, named in registry.py. Everything else iterates over those."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Generic, Protocol, TypeVar

from logger.alarms.rules import AlarmRule
from logger.model.drawing import Curve, LimitLine, PlotSpec, Stay
from logger.model.events import JobOpened
from logger.model.finding import Finding
from logger.model.job import Job, Stage
from logger.model.points import Quantity
from logger.model.value import Statement, Value
from logger.stages.acceptance import Profile
from logger.stages.comparison import Comparing
from logger.stages.inputs import StageInputs
from logger.stages.noticing import Notice
from logger.stages.settings import NoSettings
from logger.wording.book import Words

S = TypeVar("S")
Profiles = Mapping[str, Profile]


@dataclass(frozen=True, slots=True)
class LiveQuantity:
    """key: name in the API and exports. label: what the mechanic reads.

    whole_stage: it rests on the stage from its beginning, not on the last minutes alone.
    """

    key: str
    label: str
    quantity: Quantity
    whole_stage: bool = False


@dataclass(frozen=True, slots=True)
class View:
    """What a stage shows first: the one large number, the lines under it, the point whose trend is drawn, the points
    whose readings come before the others. log: the trend is drawn over decades. optional: lines that are left out where
    there is no such thing."""

    headline: str
    lines: tuple[str, ...]
    trend: str
    points: tuple[str, ...] = ()
    log: bool = False
    optional: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class StageResult:
    """findings: what was concluded. live: live quantities that only the analysis knows. facts: what later stages of
    the job, later jobs and the balance of masses rest on, by name. stays: of cylinders on the scale. held_ns: from when
    to when (UTC) a hold was judged. result: the analysis whole, for the stage's own comparison."""

    findings: tuple[Finding, ...] = ()
    live: Mapping[str, Value] = field(default_factory=dict)
    facts: Mapping[str, Value] = field(default_factory=dict)
    curves: tuple[Curve, ...] = ()
    limits: tuple[LimitLine, ...] = ()
    stays: tuple[Stay, ...] = ()
    held_ns: tuple[int, int] | None = None
    result: Any = None


class Watch(Protocol):
    """The live side of a stage, made again with each. `update` is called at each reading that counts and every second;
    `advice`, seldom: what to do now and why, most urgent first."""

    def update(self, now: StageInputs[Any], /) -> Mapping[str, Value]: ...

    def advice(self, now: StageInputs[Any], /) -> tuple[Statement, ...]: ...


@dataclass(frozen=True, slots=True)
class Pending:
    """What a running stage still waits for. said: what to do, or how much of a time has run. mark: the act whose mark
    is asked for. missed: what the stage is for is not reached: who goes on all the same must say so."""

    said: Statement
    mark: str = ""
    missed: bool = False


@dataclass(frozen=True, slots=True)
class PastJob:
    """An earlier job of the same appliance, by its record. findings: by the number of the stage. day: of a UTC time in
    ns, at the computer's place."""

    job: Job
    opened_ns: int
    stages: Sequence[Stage]
    findings: Mapping[int, Sequence[Finding]]
    day: Callable[[int], date]

    def day_of(self, stages: Sequence[Stage]) -> date:
        """On which the last of them ended; of the job's beginning where none did."""
        return self.day(max((stage.ended_ns or self.opened_ns for stage in stages), default=self.opened_ns))


@dataclass(frozen=True, slots=True)
class Carry:
    """What earlier jobs of the same appliance give to this one, by way of its first event.

    carried_from: what one earlier job gives to the job that is opened; None when nothing. fields: of JobOpened, made of
    what was carried, newest job first. read: from that event again.
    """

    carried_from: Callable[[PastJob, Job], Any]
    fields: Callable[[Sequence[Any]], Mapping[str, Any]]
    read: Callable[[JobOpened], object]


def no_alarms(settings: Any, profiles: Profiles) -> tuple[AlarmRule, ...]:
    return ()


def no_notices() -> tuple[Notice, ...]:
    return ()


def nothing_pending(now: StageInputs[Any]) -> Pending | None:
    return None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StageDefinition(Generic[S]):
    """kind: as stored and typed. also_called: what else people type for it. decides: key of the finding that the stage
    is judged by.

    analyse: the stage as a whole, at its end. interim: every ten seconds while it runs, on thinned series; None:
    `analyse`. fed_by: points whose every reading feeds the watch, on replay too. alarms: its rules; settings None: the
    stage is not running. silence_matters: points that must be read in this stage. plots: what the report draws; listed:
    beginnings of the names of points in its table. profiles: published acceptance profiles it may be judged by;
    profile: the one where none is named.
    acts: marks usual in it. pending: what it still waits for, on few readings and all live quantities. again: the stage
    to go back to when it has failed, where that is another one.
    comparing: how two of this kind are laid side by side; carry: what it takes from earlier jobs; both made when asked.
    notices: what the readings alone show of it (noticing.py), made when asked.
    question: what a customer wants to know of it. figures: the numbers that go with the answer, (finding, input), input
    None: all of that finding. The first plot is the picture of the stage.
    words: the sentences of its findings and statements.
    """

    kind: str
    also_called: tuple[str, ...] = ()
    label: str
    decides: str
    view: View
    analyse: Callable[[StageInputs[S]], StageResult]
    settings: type[S] = NoSettings  # type: ignore[assignment]
    live: tuple[LiveQuantity, ...] = ()
    interim: Callable[[StageInputs[S]], StageResult] | None = None
    watch: Callable[[StageInputs[S]], Watch] | None = None
    fed_by: frozenset[str] = frozenset()
    alarms: Callable[[S | None, Profiles], tuple[AlarmRule, ...]] = no_alarms
    silence_matters: frozenset[str] = frozenset()
    fills_cylinder: bool = False
    plots: tuple[PlotSpec, ...] = ()
    listed: tuple[str, ...] = ()
    profiles: Mapping[str, Profile] = field(default_factory=dict)
    profile: str = ""
    acts: tuple[str, ...] = ()
    pending: Callable[[StageInputs[S]], Pending | None] = nothing_pending
    again: str = ""
    comparing: Callable[[], Comparing] | None = None
    carry: Callable[[], Carry] | None = None
    notices: Callable[[], tuple[Notice, ...]] = no_notices
    words: Words = field(default_factory=Words)
    question: str = ""
    figures: tuple[tuple[str, str | None], ...] = ()
