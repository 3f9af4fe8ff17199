"""Two pull-downs side by side: pressure over time, per liter of circuit where both volumes are known."""

import math

from logger.model.points import Quantity
from logger.model.value import Argument, Value, known, number, unknown
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
    gap_notes,
    volumes_known,
)
from logger.stages.evacuation.analysis import PullDown
from logger.stages.evacuation.definition import Evacuation
from logger.stages.evacuation.tail_fit import MIN_PA
from logger.stages.inputs import StageInputs
from logger.statistics.block_means import blocks
from logger.statistics.isolation import scatter
from logger.statistics.ratio import Measure, crossing, measure
from logger.wording.values import rough

EQUALLY_LONG = 1.1  # times the shorter run: both ends are compared as they are

_Q = Quantity


def side(now: StageInputs[Evacuation], result: PullDown | None, name: str) -> Run:
    """The vacuum while it was pumped on, from the pump's start on. Raises NothingToCompare."""
    series = now.series("vacuum")
    if result is None or not len(series):
        raise NothingToCompare("it has no readings of the vacuum")
    begin_s, end_s = 0.0, math.inf
    if result.stretches:
        last = result.stretches[-1]
        begin_s = result.stretches[0].start_s
        end_s = last.end_s if last.rises_from_s is None else last.rises_from_s
    starts = [s for s in map(now.seconds, now.marked("pump-started")) if s < end_s]
    begin_s = max(begin_s, starts[0]) if starts else begin_s
    inside = [v for t, v in zip(series.t_s, series.value, strict=True) if begin_s <= t <= end_s]
    lowest = known(min(inside), "Pa") if inside else unknown("Pa", "no readings")
    notes = gap_notes(series, begin_s, end_s)
    if len(result.evacuations) > 1:
        count = len(result.evacuations)
        notes.append(f"{count} evacuations with breaks: times count to the first passing of a pressure")
    notes += [
        f"the curve changed after {rough(g.t_s)}, marked {g.what}" for g in result.gains if begin_s <= g.t_s <= end_s
    ]
    return Run(
        name, series, begin_s, end_s, None, now.job.volume_m3, now.job.volume_u_m3, result,
        (Fact("Lowest vacuum", lowest, _Q.VACUUM),), tuple(notes),
    )  # fmt: skip


def compare(a: Run, b: Run) -> Comparison:
    """Pressure over time per litre of circuit; pumping time between common pressures, and where each ended, or was when
    the shorter run ended.

    With both volumes known the axis is time / volume (s/L), so that a larger circuit is no disadvantage.
    """
    by_volume = volumes_known(a, b)
    scale_a, scale_b = ((a.volume_m3 or 1e-3) * 1e3, (b.volume_m3 or 1e-3) * 1e3) if by_volume else (1.0, 1.0)
    curve_a, curve_b = _pressure(a, scale_a), _pressure(b, scale_b)
    measures: list[Measure] = []
    if len(curve_a.x) >= 5 and len(curve_b.x) >= 5:
        high = 0.95 * min(max(curve_a.y), max(curve_b.y))
        low = 1.05 * max(min(curve_a.y), min(curve_b.y))
        if high > 2.0 * low and low > MIN_PA:
            levels = [10.0 ** (math.log10(high) + f * math.log10(low / high)) for f in (0.5, 1.0)]
            for level in levels:
                one = _fall_time(a, curve_a, high, level, by_volume)
                two = _fall_time(b, curve_b, high, level, by_volume)
                at = (number("high", _Q.VACUUM, known(high, "Pa")), number("low", _Q.VACUUM, known(level, "Pa")))
                measures.append(measure("pumping_per_liter" if by_volume else "pumping", one, two, *at))
        common = min(curve_a.x[-1], curve_b.x[-1])
        equal = max(curve_a.x[-1], curve_b.x[-1]) < EQUALLY_LONG * common
        ends = [_pressure_at(run, None if equal else common * scale) for run, scale in ((a, scale_a), (b, scale_b))]
        after = Argument("after", None if by_volume else _Q.TIME, known(common, "s/L" if by_volume else "s"))
        key = "last_pressure" if equal else "pressure_after_per_liter" if by_volume else "pressure_after"
        measures.append(measure(key, ends[0], ends[1], after))
    normalised = "time_per_liter" if by_volume else "volume_unknown"
    return Comparison(
        a=curve_a, b=curve_b, x_label="Pumping time per liter of circuit" if by_volume else "Pumping time",
        x_unit="s/L" if by_volume else "s", y_label="Vacuum", y_unit="Pa", log_y=True, normalised=normalised,
        measures=tuple(measures),
        finding=finding_of("compare.pull-down", a, b, measures, normalised, "no_common_range"),
    )  # fmt: skip


def _pressure(run: Run, scale: float) -> ComparedCurve:
    data = blocks(run.series, run.begin_s, run.end_s, POINTS)
    if not data.t_s:
        return ComparedCurve(run.label)
    return ComparedCurve(run.label, tuple((t - data.t_s[0]) / scale for t in data.t_s), tuple(data.value))


def _fall_time(run: Run, curve: ComparedCurve, high: float, low: float, by_volume: bool) -> Value:
    """Pumping time between two pressures, on the curve's axis; a volume's uncertainty divides in."""
    logs = [math.log(v) if v > 0.0 else -50.0 for v in curve.y]
    begin = crossing(curve.x, logs, math.log(high), upward=False)
    end = crossing(curve.x, logs, math.log(low), upward=False)
    unit = "s/L" if by_volume else "s"
    if begin is None or end is None or end[0] <= begin[0]:
        return unknown(unit, "that range was not passed through")
    took = end[0] - begin[0]
    noise = run.reading_u
    ends = [noise / p / max(abs(slope), 1e-12) for p, (_, slope) in ((high, begin), (low, end))]
    accuracy = run.series.u_scale / low / max(abs(end[1]), 1e-12)
    return known(took, unit, math.hypot(*ends, accuracy, ends_u(curve), took * run.volume_share if by_volume else 0.0))


def _pressure_at(run: Run, after_s: float | None) -> Value:
    """Mean over the last tenth of the run, or of its beginning as long as the other run lasted."""
    begin_s = next((t for t in run.series.t_s if t >= run.begin_s), run.begin_s)
    data = blocks(run.series, begin_s, run.end_s if after_s is None else begin_s + after_s, 60)
    if len(data) < 6:
        return unknown("Pa", "too few readings")
    part = data.value[-6:]
    return known(sum(part) / 6.0, "Pa", math.hypot(scatter(data) / math.sqrt(6.0), run.series.u_scale))


_MEASURES = {
    "pumping": MeasureWords(lambda f: f"pumping from {f('high')} to {f('low')}", "took", "more time", "less time"),
    "pumping_per_liter": MeasureWords(
        lambda f: f"pumping from {f('high')} to {f('low')} per liter", "took", "more time", "less time"
    ),
    "last_pressure": MeasureWords(lambda f: "last pressure", "ended", "higher", "lower"),
    "pressure_after": MeasureWords(lambda f: f"pressure after {f.rough('after')}", "was", "higher", "lower"),
    "pressure_after_per_liter": MeasureWords(lambda f: f"pressure after {f('after')}", "was", "higher", "lower"),
}
COMPARING = Comparing("Two pull-downs", side, compare, _MEASURES)
