"""Two vacuum decay tests side by side: rise since isolation, as gas let in where both volumes are known."""

import math
from dataclasses import replace

from logger.model.points import Quantity
from logger.model.value import Statement, Value, known, number, unknown
from logger.stages.comparison import (
    POINTS,
    ComparedCurve,
    Comparing,
    Comparison,
    Differs,
    Fact,
    MeasureWords,
    NothingToCompare,
    Run,
    finding_of,
    gap_notes,
    volumes_known,
)
from logger.stages.decay_test.analysis import DecayResult
from logger.stages.decay_test.definition import DecayTest
from logger.stages.decay_test.words import WORDS
from logger.stages.inputs import StageInputs
from logger.statistics.block_means import blocks
from logger.statistics.isolation import scatter
from logger.statistics.ratio import Measure, measure
from logger.wording.book import Book
from logger.wording.values import Shown

_Q = Quantity
_BOOK = Book((WORDS,))


def side(now: StageInputs[DecayTest], result: DecayResult | None, name: str) -> Run:
    """The rise since isolation; a decay's series begins with what led to it. Raises NothingToCompare."""
    if result is None:
        raise NothingToCompare("it was not analyzed")
    vacuum = now.series("vacuum", now.lead_ns)
    if not len(vacuum):
        raise NothingToCompare("it has no readings of the vacuum")
    begin_s = result.readings[0][0] if result.readings else -now.seconds(now.lead_ns)
    end_s = result.readings[-1][0] if result.readings else math.inf
    held = [(t, v) for t, v in zip(vacuum.t_s, vacuum.value, strict=True) if begin_s <= t <= end_s]
    series = replace(vacuum, t_s=[t for t, _ in held], value=[v for _, v in held])
    lasted = known(end_s - begin_s, "s") if result.readings else unknown("s", "no hold")
    isolated = known(held[0][1], "Pa") if held else unknown("Pa", "no readings")
    facts = (
        Fact("Held for", lasted, _Q.TIME),
        Fact("Vacuum when isolated", isolated, _Q.VACUUM, Differs.BY_SHARE),
        Fact("Verdict of the test", _BOOK.text_of(result.verdict, Shown()).headline, None),
    )
    notes = gap_notes(vacuum, begin_s, end_s)
    notes += [_BOOK.statement_of(Statement(f"decay.{s.key}", s.inputs), Shown()) for s in result.suspicions]
    job = now.job
    return Run(name, series, begin_s, end_s, None, job.volume_m3, job.volume_u_m3, result, facts, tuple(notes))


def compare(a: Run, b: Run) -> Comparison:
    """Rise since isolation, as gas let in (Pa m3) where both volumes are known; steady rate and rise over equal time.

    Both runs need their `result`.
    """
    by_volume = volumes_known(a, b)
    scale_a, scale_b = (a.volume_m3 or 1.0, b.volume_m3 or 1.0) if by_volume else (1.0, 1.0)
    curve_a, curve_b = _rise(a, scale_a), _rise(b, scale_b)
    unit, rate_unit = ("Pa.m3", "Pa.m3/s") if by_volume else ("Pa", "Pa/s")
    measures: list[Measure] = []
    if curve_a.x and curve_b.x and a.result is not None and b.result is not None:
        measures.append(
            measure(
                "steady_inflow" if by_volume else "steady_rise",
                _scaled(a.result.rate, scale_a, a.volume_share, rate_unit),
                _scaled(b.result.rate, scale_b, b.volume_share, rate_unit),
            )
        )  # fmt: skip
        common = min(curve_a.x[-1], curve_b.x[-1])
        one, two = _rise_at(a, curve_a, common, scale_a, unit), _rise_at(b, curve_b, common, scale_b, unit)
        measures.append(measure("rise_in", one, two, number("time", _Q.TIME, known(common, "s"))))
    normalised = "gas_let_in" if by_volume else "volume_unknown"
    return Comparison(
        a=curve_a, b=curve_b, x_label="Time since isolation", y_label="Gas let in" if by_volume else "Rise",
        y_unit=unit, normalised=normalised, measures=tuple(measures),
        finding=finding_of("compare.decay", a, b, measures, normalised, "not_analyzed"),
    )  # fmt: skip


def _rise(run: Run, scale: float) -> ComparedCurve:
    if run.result is None or not run.result.readings:
        return ComparedCurve(run.label)
    t0, p0 = run.result.readings[0][0], run.result.readings[0][2]
    rows = run.result.readings
    return ComparedCurve(run.label, tuple(t - t0 for t, _, _ in rows), tuple((p - p0) * scale for _, _, p in rows))


def _rise_at(run: Run, curve: ComparedCurve, at_s: float, scale: float, unit: str) -> Value:
    near = [y for x, y in zip(curve.x, curve.y, strict=True) if x <= at_s][-5:]
    if not near:
        return unknown(unit, "no readings")
    rise = sum(near) / len(near)
    data = blocks(run.series, run.begin_s, run.end_s, POINTS)
    noise = scatter(data) if len(data) > 4 else run.series.u
    level = min(run.series.value, default=1.0)
    share = run.series.u_scale / max(level, run.series.u_scale, 1e-9)
    accuracy = min(share * rise, math.sqrt(2.0) * run.series.u_scale * scale)  # of two readings at the most
    return known(rise, unit, math.hypot(noise * scale, accuracy, run.volume_share * rise))


def _scaled(rate: Value, scale: float, share: float, unit: str) -> Value:
    if rate.number is None:
        return unknown(unit, rate.problem or "unknown")
    return known(rate.number * scale, unit, math.hypot((rate.u or 0.0) * scale, share * rate.number * scale))


_MEASURES = {
    "steady_inflow": MeasureWords(lambda f: "steady inflow", "rose", "faster", "slower"),
    "steady_rise": MeasureWords(lambda f: "steady rise", "rose", "faster", "slower"),
    "rise_in": MeasureWords(lambda f: f"rise in {f.rough('time')}", "rose", "more", "less"),
}
COMPARING = Comparing("Two vacuum decay tests", side, compare, _MEASURES)
