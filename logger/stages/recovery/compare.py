"""Two recoveries side by side: recovered share of the charge (or mass, where a charge is unknown) over time."""

import math
from collections.abc import Iterable

from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.value import Value, known, number, unknown
from logger.stages.comparison import (
    POINTS,
    ComparedCurve,
    Comparing,
    Comparison,
    Fact,
    MeasureWords,
    NothingToCompare,
    Run,
    ends_u,
    finding_of,
    first_pressure,
    gap_notes,
)
from logger.stages.inputs import StageInputs
from logger.stages.recovery.analysis import RecoveryResult, RecoveryStep
from logger.stages.recovery.definition import Recovery
from logger.statistics.block_means import blocks
from logger.statistics.ratio import Measure, by_difference, crossing, measure
from logger.wording.values import rough

_Q = Quantity


def side(now: StageInputs[Recovery], result: RecoveryResult | None, name: str) -> Run:
    """The mass that came, cylinders added up and bumps of the scale left out, from the machine's start on. Raises
    NothingToCompare."""
    scale = now.series("cylinder_mass")
    if result is None or not len(scale) or now.scale is None:
        raise NothingToCompare("it has no readings of the cylinder on the scale")
    steps = _settled(result.steps)
    # Readings, the scale's accuracy, and what may have come while the scale was knocked: as the mass balance counts.
    u = math.hypot(scale.u, result.recovered.u or now.scale.resolution_kg)
    series = Series("cylinder_mass", [t for t, _ in steps], [m for _, m in steps], u, gaps=scale.gaps)
    starts = now.marked("machine-started")
    begin_s = now.seconds(starts[0]) if starts else 0.0
    facts = (
        Fact("Recovered", result.recovered, _Q.MASS),
        Fact("Rate while liquid came", _bare(result.liquid_rate), _Q.MASS_RATE),
        Fact("Rate while vapor came", _bare(result.vapour_rate), _Q.MASS_RATE),
        Fact("Condensing over ambient", result.condensing_over_ambient, _Q.TEMPERATURE_DIFFERENCE),
        *first_pressure(now, "cylinder_pressure", "Cylinder pressure at the start", begin_s),
    )
    notes = gap_notes(scale, begin_s, math.inf)
    if result.recovered.note:
        notes.append(result.recovered.note)
    if len(result.ledger.by_cylinder()) > 1:
        notes.append(f"{len(result.ledger.by_cylinder())} cylinders, added up")
    notes += [f"stalled after {rough(s.start_s)} for {rough(s.end_s - s.start_s)}" for s in result.stalls]
    charge_kg = now.job.full_charge_kg
    return Run(name, series, begin_s, charge_kg=charge_kg, result=result, facts=facts, notes=tuple(notes))


def _settled(steps: Iterable[RecoveryStep]) -> list[tuple[float, float]]:
    """(s, kg recovered), without the stretches in which a knocked or emptied scale held the sum still."""
    out: list[tuple[float, float]] = []
    for step in steps:
        still = bool(out) and step.recovered_kg == out[-1][1] and step.rate_kg_s is None
        if step.recovered_kg is not None and not still:
            out.append((step.t_s, step.recovered_kg))
    return out


def _bare(value: Value) -> Value:
    """Without its spread: overlapping windows of one rate are no independent readings."""
    return value if value.number is None else known(value.number, value.unit)


def compare(a: Run, b: Run) -> Comparison:
    """Recovered share of the charge (or mass, where a charge is unknown) over time; mean rate and times to shares.

    The rate is that over the masses both went through, from the first 2 % to where the lesser one ended.
    """
    by_charge = a.charge_kg is not None and b.charge_kg is not None and min(a.charge_kg, b.charge_kg) > 0.0
    scale_a, scale_b = (a.charge_kg or 1.0, b.charge_kg or 1.0) if by_charge else (1.0, 1.0)
    unit = "1" if by_charge else "kg"
    curve_a, curve_b = _recovered(a, scale_a), _recovered(b, scale_b)
    measures: list[Measure] = []
    top = min(max(curve_a.y, default=0.0), max(curve_b.y, default=0.0))
    u_a, u_b = a.reading_u / scale_a, b.reading_u / scale_b
    if len(curve_a.x) >= 5 and len(curve_b.x) >= 5 and top > 10.0 * max(u_a, u_b, 1e-9):
        marks = [0.5 * top, 0.9 * top]
        mean_a, mean_b = _mean_rate(curve_a, top, u_a, unit), _mean_rate(curve_b, top, u_b, unit)
        measures.append(measure("mean_rate", mean_a, mean_b))
        for level in marks:
            at = number(*(("share", _Q.RATIO) if by_charge else ("mass", _Q.MASS)), known(level, unit))
            measures.append(measure("time_to", _time_to(curve_a, level, u_a), _time_to(curve_b, level, u_b), at))
        measures += _condensing(a.result, b.result)
    normalised = "share_of_charge" if by_charge else "charge_unknown"
    return Comparison(
        a=curve_a, b=curve_b, x_label="Time since the start",
        y_label="Recovered, share of the charge" if by_charge else "Recovered", y_unit=unit, normalised=normalised,
        measures=tuple(measures),
        finding=finding_of("compare.recovery", a, b, measures, normalised, "nothing_recovered"),
    )  # fmt: skip


def _condensing(a: RecoveryResult | None, b: RecoveryResult | None) -> list[Measure]:
    """What a subcooler changes first: how far over ambient the machine's outlet condenses."""
    if a is None or b is None:
        return []
    one, two = a.condensing_over_ambient, b.condensing_over_ambient
    if one.number is None or two.number is None:
        return []
    return [by_difference("condensing_over_ambient", one, two, _Q.TEMPERATURE_DIFFERENCE)]


def _recovered(run: Run, scale: float) -> ComparedCurve:
    data = blocks(run.series, run.begin_s, run.end_s, POINTS)
    if not data.t_s:
        return ComparedCurve(run.label)
    t0, m0 = data.t_s[0], data.value[0]
    return ComparedCurve(run.label, tuple(t - t0 for t in data.t_s), tuple((m - m0) / scale for m in data.value))


def _time_to(curve: ComparedCurve, level: float, u: float) -> Value:
    found = crossing(curve.x, curve.y, level, upward=True)
    if found is None or found[1] <= 0.0:
        return unknown("s", "not reached")
    return known(found[0], "s", math.hypot(u / found[1], math.sqrt(2.0) * ends_u(curve)))


def _mean_rate(curve: ComparedCurve, top: float, u: float, unit: str) -> Value:
    """From 2 % to 98 % of the common range: both ends as crossings."""
    begin = crossing(curve.x, curve.y, 0.02 * top, upward=True)
    end = crossing(curve.x, curve.y, 0.98 * top, upward=True)
    rate_unit = "kg/s" if unit == "kg" else "s-1"
    if begin is None or end is None or end[0] <= begin[0]:
        return unknown(rate_unit, "no common range")
    took = end[0] - begin[0]
    u_took = math.hypot(u / max(begin[1], 1e-12), u / max(end[1], 1e-12), math.sqrt(2.0) * ends_u(curve))
    rate = 0.96 * top / took
    return known(rate, rate_unit, rate * math.hypot(min(u_took / took, 10.0), math.sqrt(2.0) * u / (0.96 * top)))


_MEASURES = {
    "mean_rate": MeasureWords(lambda f: "mean rate over the common part", "recovered", "faster", "slower"),
    "time_to": MeasureWords(
        lambda f: f"time to {f.whole('share')} of the charge" if f.has("share") else f"time to {f('mass')}",
        "took", "more time", "less time",
    ),
    "condensing_over_ambient": MeasureWords(lambda f: "condensing over ambient", "condensed", "hotter", "cooler"),
}  # fmt: skip
COMPARING = Comparing("Two recoveries", side, compare, _MEASURES)
