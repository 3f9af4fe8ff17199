"""Two stages side by side: did the change between them matter, and by more than the uncertainty?

What is compared is what the readings of both can answer over the part both went through; the confidence interval holds
the instruments' and the readings' uncertainty only. One run each says nothing about how much runs differ of themselves,
and the finding says so. What a kind of stage is compared by is in its folder (compare.py).
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from typing import Any

from logger.model.errors import ComputeError
from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.units import NS_PER_S
from logger.model.value import Argument, Value, known, name_of, word
from logger.stages.inputs import StageInputs
from logger.statistics.block_means import blocks
from logger.statistics.isolation import scatter
from logger.statistics.ratio import Answer, K, Measure
from logger.wording.given import Given
from logger.wording.values import rough

POINTS = 400
MIN_GAP_S = 60.0


class NothingToCompare(ComputeError):
    """A stage has nothing that could be laid beside another one; the message says what is missing."""


class Differs(Enum):
    """When a circumstance differs enough to be named, so that the reader does not credit the change with it."""

    NEVER = auto()
    AT_ALL = auto()
    BY_WEATHER = auto()  # by 2 K (common practice, no source)
    BY_SHARE = auto()  # by a tenth of the larger one (common practice, no source)


@dataclass(frozen=True, slots=True)
class Fact:
    """A circumstance of one side, for the table beside the measures. quantity: None where `value` is text."""

    label: str
    value: Value | str
    quantity: Quantity | None
    differs: Differs = Differs.NEVER

    def apart(self, other: "Fact") -> bool:
        """Whether the two differ by more than their uncertainty, and enough to matter. False where either is
        unknown."""
        a, b = self.value, other.value
        if isinstance(a, str) or isinstance(b, str) or a.number is None or b.number is None:
            return False
        gap, u = abs(a.number - b.number), K * math.hypot(a.u or 0.0, b.u or 0.0)
        match self.differs:
            case Differs.AT_ALL:
                return gap > 1e-9
            case Differs.BY_WEATHER:
                return gap > max(2.0, u)
            case Differs.BY_SHARE:
                return gap > max(0.1 * max(a.number, b.number), u)
        return False


@dataclass(frozen=True, slots=True)
class Run:
    """One side. label: as the user names it. series: cylinder mass (recovery) or vacuum (absolute Pa), or empty.

    begin_s, end_s: the part that counts. charge_kg: the appliance's charge; volume_m3: of the circuit: what the run
    is normalised by, None when unknown. volume_u_m3: its standard uncertainty. result: the stage's own analysis.
    facts: its circumstances. notes: what the reader must know of it.
    """

    label: str
    series: Series
    begin_s: float = 0.0
    end_s: float = math.inf
    charge_kg: float | None = None
    volume_m3: float | None = None
    volume_u_m3: float | None = None
    result: Any = None
    facts: tuple[Fact, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def volume_share(self) -> float:
        """Standard uncertainty of the volume, as a share of it."""
        return 0.0 if self.volume_m3 is None or self.volume_u_m3 is None else self.volume_u_m3 / self.volume_m3

    @property
    def reading_u(self) -> float:
        data = blocks(self.series, self.begin_s, self.end_s, POINTS)
        return max(self.series.u, scatter(data) if len(data) > 4 else 0.0)


@dataclass(frozen=True, slots=True)
class ComparedCurve:
    """Thinned curve on the common axis, in the comparison's `x_unit` and `y_unit`."""

    label: str
    x: tuple[float, ...] = ()
    y: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Both curves on one axis, in SI (UCUM). log_y: a vacuum is drawn by its logarithm. normalised: by what, a code.

    decided: whether anything could be answered.
    """

    a: ComparedCurve
    b: ComparedCurve
    x_label: str
    x_unit: str = "s"
    y_label: str
    y_unit: str
    log_y: bool = False
    normalised: str
    measures: tuple[Measure, ...]
    finding: Finding

    @property
    def decided(self) -> bool:
        return judged(self.measures) != "unknown"

    @property
    def curves(self) -> tuple[ComparedCurve, ComparedCurve] | None:
        """None when there is nothing to draw."""
        return (self.a, self.b) if len(self.a.x) > 1 and len(self.b.x) > 1 else None


@dataclass(frozen=True, slots=True)
class MeasureWords:
    """name: such as "time to 20.0 lb", given what the measure is at. "B took 12% more time": verb, and what more and
    less of it is."""

    name: Callable[[Given], str]
    verb: str
    more: str
    less: str


@dataclass(frozen=True, slots=True)
class Comparing:
    """How two stages of one kind are compared. title: such as "Two recoveries". measures: their words, by key.
    pressure: what its pascals are.

    side: of a stage, its analysis and the name it is called by; raises NothingToCompare. compare: of two sides.
    """

    title: str
    side: Callable[[StageInputs[Any], Any, str], Run]
    compare: Callable[[Run, Run], Comparison]
    measures: Mapping[str, MeasureWords]
    pressure: Quantity = Quantity.VACUUM


def judged(measures: Sequence[Measure]) -> str:
    """ "differ", "same" or "unknown"."""
    answers = {m.answer for m in measures} - {Answer.CANNOT_TELL}
    return "unknown" if not answers else "same" if answers == {Answer.SAME} else "differ"


def finding_of(key: str, a: Run, b: Run, measures: Sequence[Measure], normalised: str, none_why: str) -> Finding:
    """normalised, none_why (why there are no measures at all): codes."""
    found: list[Argument] = [Argument(f"{m.key}_{n}", None, v) for m in measures for n, v in (("a", m.a), ("b", m.b))]
    found += [name_of("a", a.label), name_of("b", b.label), word("normalised", normalised)]
    found.append(word("judged", judged(measures)))
    verdict = Verdict.INFO
    if judged(measures) == "unknown":
        verdict = Verdict.CANNOT_TELL
        why = measures[0].ratio.problem if measures else None
        found.append(name_of("why", why) if why else word("why", none_why))
    return Finding(key, verdict, tuple(found))


def volumes_known(a: Run, b: Run) -> bool:
    return a.volume_m3 is not None and b.volume_m3 is not None and min(a.volume_m3, b.volume_m3) > 0.0


def ends_u(curve: ComparedCurve) -> float:
    """Of one moment: it is known no better than the readings are apart."""
    return (curve.x[-1] - curve.x[0]) / len(curve.x) / math.sqrt(12.0)


def first_pressure(now: StageInputs[Any], point: str, label: str, begin_s: float) -> Iterator[Fact]:
    """The first reading of the point from begin_s seconds into the stage on, in Pa; none where there is none."""
    series = now.measured(point, now.stage.begun_ns + int(begin_s * NS_PER_S))
    if series is not None:
        first = known(series.value[0], "Pa", math.hypot(series.u, series.u_scale) or None)
        yield Fact(label, first, Quantity.PRESSURE, Differs.BY_SHARE)


def gap_notes(series: Series, begin_s: float, end_s: float) -> list[str]:
    lost = sum(max(0.0, min(g.end_s, end_s) - max(g.start_s, begin_s)) for g in series.gaps)
    return [f"{rough(lost)} of it without trusted readings"] if lost >= MIN_GAP_S else []


def circumstances(now: StageInputs[Any], run: Run) -> tuple[Fact, ...]:
    """Those of the job, of the run, and the weather: means over the stage."""
    job = now.job
    facts: list[Fact] = []
    if job.full_charge_kg is not None:
        facts.append(Fact("Full charge", known(job.full_charge_kg, "kg"), Quantity.MASS, Differs.AT_ALL))
    if job.volume_m3 is not None:
        volume = known(job.volume_m3, "m3", job.volume_u_m3)
        facts.append(Fact("Internal volume", volume, Quantity.VOLUME, Differs.AT_ALL))
    facts += run.facts
    for point, label in (("ambient_temperature", "Ambient, mean"), ("system_temperature", "System, mean")):
        series = now.measured(point)
        if series is not None:
            mean = known(sum(series.value) / len(series), "K", series.u_scale or None)
            facts.append(Fact(label, mean, Quantity.TEMPERATURE, Differs.BY_WEATHER))
    return tuple(facts)
