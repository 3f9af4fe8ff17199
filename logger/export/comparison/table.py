"""Two sides laid side by side: measures, both curves on one axis, and what is to be said of it."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from logger.export.comparison.sides import Fact, Side, must_be_comparable
from logger.model.finding import Finding
from logger.model.value import Value, unknown
from logger.stages.comparison import (
    CAVEAT,
    POINTS,
    Comparison,
    Curve,
    Run,
    compare_decays,
    compare_pull_downs,
    compare_recoveries,
)
from logger.stages.decay_test.definition import DECAY_TEST
from logger.stages.evacuation.definition import EVACUATION
from logger.stages.recovery.definition import RECOVERY
from logger.stages.start_up.analysis import Metric
from logger.stages.start_up.findings import WORTH_NAMING, compare_finding
from logger.stages.start_up.words import LABELS
from logger.statistics.block_means import blocks
from logger.statistics.ratio import Answer, K, Measure
from logger.wording.numbers import difference, kelvin

_CANCELS = "both on the same circuit, so its volume cancels and times and pressures are compared as they are"
_PLOTTED = ("suction_superheat", "subcooling", "discharge_superheat", "condensing_over_ambient")
_COMPARE = {
    RECOVERY: compare_recoveries,
    EVACUATION: compare_pull_downs,
    DECAY_TEST: compare_decays,
}
_DIFFERS_K = 2.0  # of the weather: worth naming (common practice, no source)
_DIFFERS_SHARE = 0.1  # of a pressure at the start (common practice, no source)


@dataclass(frozen=True, slots=True)
class Compared:
    """told: whether anything could be answered. headline: the verdict. differs: facts by which the sides differ
    besides, as (label, of A, of B). curves: None when there is nothing to draw. Units are SI, as UCUM.
    """

    kind: str
    a: Side
    b: Side
    measures: tuple[Measure, ...]
    told: bool
    headline: str
    finding: Finding
    normalised: str
    curves: tuple[Curve, Curve] | None
    x_label: str
    x_unit: str
    y_label: str
    y_unit: str
    log_y: bool
    differs: tuple[tuple[str, Fact, Fact], ...]

    @property
    def caveat(self) -> str:
        return f"{CAVEAT[0].upper()}{CAVEAT[1:]}."


def compared(a: Side, b: Side) -> Compared:
    """Raises CompareError when the two are not of one kind, or of one that is not compared."""
    must_be_comparable(a.stage, a.name, b.stage, b.name)
    if a.run is None or b.run is None:
        return _start_ups(a, b)
    run_a, run_b, cancels = _alike(a, b, a.run, b.run)
    found = _COMPARE[a.stage.kind](run_a, run_b)
    extra = tuple(_condensing(a, b)) if a.stage.kind == RECOVERY and found.measures else ()
    return _of(a, b, found, (*found.measures, *extra), cancels)


def _alike(a: Side, b: Side, run_a: Run, run_b: Run) -> tuple[Run, Run, bool]:
    """One circuit twice: its volume, and the doubt about it, are the same in both and cancel."""
    place = [(s.job.customer, s.job.site, s.job.appliance) for s in (a, b)]
    same = a.job.job_id == b.job.job_id or (place[0] == place[1] and a.job.appliance != "")
    if not same or run_a.volume_m3 is None or run_a.volume_m3 != run_b.volume_m3:
        return run_a, run_b, False
    return replace(run_a, volume_m3=None), replace(run_b, volume_m3=None), True


def _of(a: Side, b: Side, found: Comparison, measures: tuple[Measure, ...], cancels: bool) -> Compared:
    per_litre = found.x_label == "time per litre"
    drawable = len(found.a.x) > 1 and len(found.b.x) > 1
    since = {RECOVERY: "Time since the start", EVACUATION: "Pumping time"}
    return Compared(
        a.stage.kind,
        a,
        b,
        measures,
        any(m.answer is not Answer.CANNOT_TELL for m in measures),
        _headline(measures),
        found.finding,
        _CANCELS if cancels else found.normalised,
        (found.a, found.b) if drawable else None,
        "Pumping time per litre of circuit" if per_litre else since.get(a.stage.kind, "Time since isolation"),
        "s/L" if per_litre else "s",
        {"recovered": "Recovered, share of the charge" if found.y_unit == "1" else "Recovered", "rise": "Rise",
         "pressure": "Vacuum", "gas let in": "Gas let in"}[found.y_label],
        found.y_unit,
        found.log_y,
        tuple(_differs(a, b)),
    )  # fmt: skip


def _headline(measures: tuple[Measure, ...]) -> str:
    answered = [m for m in measures if m.answer is not Answer.CANNOT_TELL]
    if not answered:
        return "Cannot tell"
    if any(m.answer is not Answer.SAME for m in answered):
        return "They differ by more than the uncertainty"
    return "No difference beyond the uncertainty"


def _condensing(a: Side, b: Side) -> Iterator[Measure]:
    """What a subcooler changes first: how far over ambient the machine's outlet condenses."""
    name = "Condensing over ambient"
    one, two = (next((f.value for f in s.facts if f.label == name), None) for s in (a, b))
    if isinstance(one, Value) and isinstance(two, Value) and one.number is not None and two.number is not None:
        yield _by_difference(name.lower(), one, two, "condensed", "hotter", "cooler")


def _by_difference(name: str, a: Value, b: Value, verb: str, more: str, less: str, floor: float = 0.0) -> Measure:
    """A measure whose ratio would say nothing. floor: least difference worth naming."""
    no_ratio = unknown("1", "a ratio of these says nothing")
    if a.number is None or b.number is None:
        why = a.problem or b.problem or "unknown"
        return Measure(name, a, b, no_ratio, None, None, Answer.CANNOT_TELL, f"{name}: unknown, because {why}")
    if a.u is None or b.u is None:
        text = f"{name}: not judged, because no uncertainty is stated"
        return Measure(name, a, b, no_ratio, None, None, Answer.CANNOT_TELL, text)
    gap, u = b.number - a.number, math.hypot(a.u, b.u)
    if abs(gap) <= max(K * u, floor):
        return Measure(name, a, b, no_ratio, None, None, Answer.SAME, f"{name}: no difference beyond the uncertainty")
    answer, word = (Answer.MORE, more) if gap > 0.0 else (Answer.LESS, less)
    text = f"{name}: B {verb} {_told(abs(gap), a.unit)} {word} (± {_told(K * u, a.unit)}, 95 %)"
    return Measure(name, a, b, no_ratio, None, None, answer, text)


def _told(size: float, unit: str) -> str:
    return kelvin(size) if unit == "K" else difference(size) if unit == "Pa" else f"{100 * size:.1f} %"


def _start_ups(a: Side, b: Side) -> Compared:
    """Before and after: what is steady at the end of each, and the superheat over time."""
    assert a.start_up is not None and b.start_up is not None
    before, after = a.start_up.baseline, b.start_up.baseline
    measures = tuple(
        _by_difference(label, before[n], after[n], "is", "higher", "lower", WORTH_NAMING.get(before[n].unit, 0.0))
        for n, label in LABELS.items()
        if n in before and n in after
    )
    drawn = next((n for n in _PLOTTED if n in before and n in after), None)
    curves = None
    if drawn is not None:
        one, two = (_metric(s.name, s.start_up.metrics[drawn]) for s in (a, b) if s.start_up is not None)
        curves = (one, two) if len(one.x) > 1 and len(two.x) > 1 else None
    return Compared(
        a.stage.kind, a, b, measures, any(m.answer is not Answer.CANNOT_TELL for m in measures), _headline(measures),
        compare_finding(before, after), "compared as they are: each is the mean of the window that was judged", curves,
        "Time since the stage began", "s", LABELS[drawn].capitalize() if drawn else "", "K", False,
        tuple(_differs(a, b)),
    )  # fmt: skip


def _metric(label: str, metric: Metric) -> Curve:
    data = blocks(metric.series, 0.0, math.inf, POINTS)
    return Curve(label, tuple(data.t_s), tuple(data.value))


def _differs(a: Side, b: Side) -> Iterator[tuple[str, Fact, Fact]]:
    """Circumstances that differ enough to matter, so that the reader does not credit the change with them."""
    if a.job.refrigerant != b.job.refrigerant:
        yield "refrigerant", Fact("", a.job.refrigerant, None), Fact("", b.job.refrigerant, None)
    others = {f.label: f for f in b.facts}
    for one in a.facts:
        two = others.get(one.label)
        if two is not None and _apart(one.label, one.value, two.value):
            yield f"{one.label[0].lower()}{one.label[1:]}", one, two


def _apart(label: str, a: Value | str, b: Value | str) -> bool:
    if isinstance(a, str) or isinstance(b, str) or a.number is None or b.number is None:
        return False
    gap = abs(a.number - b.number)
    if label in ("Full charge", "Internal volume"):
        return gap > 1e-9
    if label in ("Ambient, mean", "System, mean"):
        return gap > max(_DIFFERS_K, K * math.hypot(a.u or 0.0, b.u or 0.0))
    if label in ("Cylinder pressure at the start", "Vacuum when isolated"):
        return gap > max(_DIFFERS_SHARE * max(a.number, b.number), K * math.hypot(a.u or 0.0, b.u or 0.0))
    return False
