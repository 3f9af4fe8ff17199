"""Two stages side by side: did the change between them matter, and by more than the uncertainty?

Two recoveries, pull-downs or decays on one time axis, normalised by charge or volume. What is compared is what the
readings of both can answer over the part both went through; the confidence interval holds the instruments' and the
readings' uncertainty only. One run each says nothing about how much runs differ of themselves, and the finding says so.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from logger.model.finding import Finding, Verdict, worded
from logger.model.sample import Series
from logger.model.value import Value, known, unknown
from logger.stages.decay_test.analysis import DecayResult
from logger.stages.evacuation.tail_fit import MIN_PA
from logger.statistics.block_means import blocks
from logger.statistics.isolation import scatter
from logger.statistics.ratio import Answer, Measure, crossing, measure
from logger.wording.numbers import mass, vacuum
from logger.wording.values import rough

POINTS = 400
EQUALLY_LONG = 1.1  # times the shorter run: both ends are compared as they are
CAVEAT = (
    "one run of each: whatever else differed between them (weather, hoses, warm-up) is in the difference, and how much "
    "runs differ of themselves is not known"
)


class Kind(StrEnum):
    RECOVERY = "recovery"
    PULL_DOWN = "pull-down"
    DECAY = "decay"


@dataclass(frozen=True, slots=True)
class Run:
    """One side. label: as the user names it. series: cylinder mass (recovery) or vacuum, absolute Pa.

    begin_s, end_s: the part that counts. charge_kg: the appliance's charge; volume_m3: of the circuit: what the run
    is normalised by, None when unknown. volume_u_m3: its standard uncertainty. decay: the decay's analysis.
    """

    label: str
    series: Series
    begin_s: float = 0.0
    end_s: float = math.inf
    charge_kg: float | None = None
    volume_m3: float | None = None
    volume_u_m3: float | None = None
    decay: DecayResult | None = None


@dataclass(frozen=True, slots=True)
class Curve:
    """Thinned curve on the common axis: x seconds from its beginning (times what `Comparison.x_label` says), y as
    `Comparison.y_label`.
    """

    label: str
    x: tuple[float, ...]
    y: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Both curves on one axis. log_y: a vacuum is drawn by its logarithm. normalised: by what, in words."""

    kind: Kind
    a: Curve
    b: Curve
    x_label: str
    y_label: str
    y_unit: str
    log_y: bool
    normalised: str
    measures: tuple[Measure, ...]
    finding: Finding


def compare_recoveries(a: Run, b: Run) -> Comparison:
    """Recovered share of the charge (or mass, where a charge is unknown) over time; mean rate and times to shares.

    The rate is that over the masses both went through, from the first 2 % to where the lesser one ended.
    """
    by_charge = a.charge_kg is not None and b.charge_kg is not None and min(a.charge_kg, b.charge_kg) > 0.0
    scale_a, scale_b = (a.charge_kg or 1.0, b.charge_kg or 1.0) if by_charge else (1.0, 1.0)
    unit = "1" if by_charge else "kg"
    curve_a, curve_b = _recovered(a, scale_a), _recovered(b, scale_b)
    measures: list[Measure] = []
    top = min(max(curve_a.y, default=0.0), max(curve_b.y, default=0.0))
    u_a, u_b = _reading_u(a) / scale_a, _reading_u(b) / scale_b
    if len(curve_a.x) >= 5 and len(curve_b.x) >= 5 and top > 10.0 * max(u_a, u_b, 1e-9):
        marks = [0.5 * top, 0.9 * top]
        mean_a, mean_b = _mean_rate(curve_a, top, u_a, unit), _mean_rate(curve_b, top, u_b, unit)
        measures.append(measure("mean rate over the common part", mean_a, mean_b, "recovered", "faster", "slower"))
        for level in marks:
            name = f"time to {level:.0%} of the charge" if by_charge else f"time to {mass(level)}"
            measures.append(
                measure(
                    name, _time_to(curve_a, level, u_a), _time_to(curve_b, level, u_b), "took", "more time", "less time"
                )
            )
    normalised = "compared as share of the charge" if by_charge else "not normalised: a charge is not known for both"
    return _comparison(
        Kind.RECOVERY, a, b, curve_a, curve_b, "time", "recovered", unit, False, normalised, measures,
        "nothing was recovered over a part common to both",
    )  # fmt: skip


def compare_pull_downs(a: Run, b: Run) -> Comparison:
    """Pressure over time per litre of circuit; pumping time between common pressures, and where each ended, or was when
    the shorter run ended.

    With both volumes known the axis is time / volume (s/L), so that a larger circuit is no disadvantage.
    """
    by_volume = a.volume_m3 is not None and b.volume_m3 is not None and min(a.volume_m3, b.volume_m3) > 0.0
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
                name = f"pumping from {vacuum(high)} to {vacuum(level)}" + (" per litre" if by_volume else "")
                measures.append(measure(name, one, two, "took", "more time", "less time"))
        common = min(curve_a.x[-1], curve_b.x[-1])
        equal = max(curve_a.x[-1], curve_b.x[-1]) < EQUALLY_LONG * common
        after = f"{common:.1f} s per litre" if by_volume else rough(common)
        ends = [_pressure_at(run, None if equal else common * scale) for run, scale in ((a, scale_a), (b, scale_b))]
        name, verb = ("last pressure", "ended") if equal else (f"pressure after {after}", "was")
        measures.append(measure(name, ends[0], ends[1], verb, "higher", "lower"))
    normalised = (
        "compared as time per litre of circuit" if by_volume else "not normalised: a volume is not known for both"
    )
    return _comparison(
        Kind.PULL_DOWN, a, b, curve_a, curve_b, "time per litre" if by_volume else "time", "pressure", "Pa", True,
        normalised, measures, "the two did not pass through a common range of pressures",
    )  # fmt: skip


def compare_decays(a: Run, b: Run) -> Comparison:
    """Rise since isolation, as gas let in (Pa m3) where both volumes are known; steady rate and rise over equal time.

    Both runs need their `decay`.
    """
    by_volume = a.volume_m3 is not None and b.volume_m3 is not None and min(a.volume_m3, b.volume_m3) > 0.0
    scale_a, scale_b = (a.volume_m3 or 1.0, b.volume_m3 or 1.0) if by_volume else (1.0, 1.0)
    curve_a, curve_b = _rise(a, scale_a), _rise(b, scale_b)
    unit, rate_unit = ("Pa.m3", "Pa.m3/s") if by_volume else ("Pa", "Pa/s")
    measures: list[Measure] = []
    if curve_a.x and curve_b.x and a.decay is not None and b.decay is not None:
        measures.append(
            measure(
                "steady inflow" if by_volume else "steady rise",
                _scaled(a.decay.rate, scale_a, _share(a), rate_unit),
                _scaled(b.decay.rate, scale_b, _share(b), rate_unit),
                "rose", "faster", "slower",
            )
        )  # fmt: skip
        common = min(curve_a.x[-1], curve_b.x[-1])
        one, two = _rise_at(a, curve_a, common, scale_a, unit), _rise_at(b, curve_b, common, scale_b, unit)
        measures.append(measure(f"rise in {rough(common)}", one, two, "rose", "more", "less"))
    normalised = (
        "compared as gas let in, pressure times volume"
        if by_volume
        else "not normalised: a volume is not known for both"
    )
    return _comparison(
        Kind.DECAY, a, b, curve_a, curve_b, "time since isolation", "gas let in" if by_volume else "rise", unit, False,
        normalised, measures, "a decay of one or both could not be analysed",
    )  # fmt: skip


def _reading_u(run: Run) -> float:
    data = blocks(run.series, run.begin_s, run.end_s, POINTS)
    return max(run.series.u, scatter(data) if len(data) > 4 else 0.0)


def _recovered(run: Run, scale: float) -> Curve:
    data = blocks(run.series, run.begin_s, run.end_s, POINTS)
    if not data.t_s:
        return Curve(run.label, (), ())
    t0, m0 = data.t_s[0], data.value[0]
    return Curve(run.label, tuple(t - t0 for t in data.t_s), tuple((m - m0) / scale for m in data.value))


def _pressure(run: Run, scale: float) -> Curve:
    data = blocks(run.series, run.begin_s, run.end_s, POINTS)
    if not data.t_s:
        return Curve(run.label, (), ())
    return Curve(run.label, tuple((t - data.t_s[0]) / scale for t in data.t_s), tuple(data.value))


def _rise(run: Run, scale: float) -> Curve:
    if run.decay is None or not run.decay.readings:
        return Curve(run.label, (), ())
    t0, p0 = run.decay.readings[0][0], run.decay.readings[0][2]
    rows = run.decay.readings
    return Curve(run.label, tuple(t - t0 for t, _, _ in rows), tuple((p - p0) * scale for _, _, p in rows))


def _time_to(curve: Curve, level: float, u: float) -> Value:
    found = crossing(curve.x, curve.y, level, upward=True)
    if found is None or found[1] <= 0.0:
        return unknown("s", "not reached")
    return known(found[0], "s", math.hypot(u / found[1], _ends_u(curve)))


def _ends_u(curve: Curve) -> float:
    """Of a time between two moments: neither is known better than the readings are apart."""
    spacing = (curve.x[-1] - curve.x[0]) / len(curve.x)
    return math.sqrt(2.0) * spacing / math.sqrt(12.0)


def _mean_rate(curve: Curve, top: float, u: float, unit: str) -> Value:
    """From 2 % to 98 % of the common range: both ends as crossings."""
    begin = crossing(curve.x, curve.y, 0.02 * top, upward=True)
    end = crossing(curve.x, curve.y, 0.98 * top, upward=True)
    rate_unit = "kg/s" if unit == "kg" else "s-1"
    if begin is None or end is None or end[0] <= begin[0]:
        return unknown(rate_unit, "no common range")
    took = end[0] - begin[0]
    u_took = math.hypot(u / max(begin[1], 1e-12), u / max(end[1], 1e-12), _ends_u(curve))
    rate = 0.96 * top / took
    return known(rate, rate_unit, rate * math.hypot(min(u_took / took, 10.0), math.sqrt(2.0) * u / (0.96 * top)))


def _fall_time(run: Run, curve: Curve, high: float, low: float, by_volume: bool) -> Value:
    """Pumping time between two pressures, on the curve's axis; a volume's uncertainty divides in."""
    logs = [math.log(v) if v > 0.0 else -50.0 for v in curve.y]
    begin = crossing(curve.x, logs, math.log(high), upward=False)
    end = crossing(curve.x, logs, math.log(low), upward=False)
    unit = "s/L" if by_volume else "s"
    if begin is None or end is None or end[0] <= begin[0]:
        return unknown(unit, "that range was not passed through")
    took = end[0] - begin[0]
    noise = _reading_u(run)
    ends = [noise / p / max(abs(slope), 1e-12) for p, (_, slope) in ((high, begin), (low, end))]
    accuracy = run.series.u_scale / low / max(abs(end[1]), 1e-12)
    spacing = (curve.x[-1] - curve.x[0]) / len(curve.x) / math.sqrt(12.0)
    return known(took, unit, math.hypot(*ends, accuracy, spacing, took * _share(run) if by_volume else 0.0))


def _share(run: Run) -> float:
    return 0.0 if run.volume_m3 is None or run.volume_u_m3 is None else run.volume_u_m3 / run.volume_m3


def _pressure_at(run: Run, after_s: float | None) -> Value:
    """Mean over the last tenth of the run, or of its beginning as long as the other run lasted."""
    begin_s = next((t for t in run.series.t_s if t >= run.begin_s), run.begin_s)
    data = blocks(run.series, begin_s, run.end_s if after_s is None else begin_s + after_s, 60)
    if len(data) < 6:
        return unknown("Pa", "too few readings")
    part = data.value[-6:]
    return known(sum(part) / 6.0, "Pa", math.hypot(scatter(data) / math.sqrt(6.0), run.series.u_scale))


def _rise_at(run: Run, curve: Curve, at_s: float, scale: float, unit: str) -> Value:
    near = [y for x, y in zip(curve.x, curve.y, strict=True) if x <= at_s][-5:]
    if not near:
        return unknown(unit, "no readings")
    rise = sum(near) / len(near)
    data = blocks(run.series, run.begin_s, run.end_s, POINTS)
    noise = scatter(data) if len(data) > 4 else run.series.u
    level = min(run.series.value, default=1.0)
    share = run.series.u_scale / max(level, run.series.u_scale, 1e-9)
    accuracy = min(share * rise, math.sqrt(2.0) * run.series.u_scale * scale)  # of two readings at the most
    return known(rise, unit, math.hypot(noise * scale, accuracy, _share(run) * rise))


def _scaled(rate: Value, scale: float, share: float, unit: str) -> Value:
    if rate.number is None:
        return unknown(unit, rate.problem or "unknown")
    return known(rate.number * scale, unit, math.hypot((rate.u or 0.0) * scale, share * rate.number * scale))


def _comparison(
    kind: Kind,
    a: Run,
    b: Run,
    curve_a: Curve,
    curve_b: Curve,
    x_label: str,
    y_label: str,
    y_unit: str,
    log_y: bool,
    normalised: str,
    measures: list[Measure],
    none_why: str,
) -> Comparison:
    rule = "95 % intervals from the instruments' and the readings' uncertainty (k = 2)"
    key = f"compare.{kind.value}"
    sides = f"A is {a.label}, B is {b.label}."
    answered = [m for m in measures if m.answer is not Answer.CANNOT_TELL]
    inputs = tuple((f"{m.name}, {side}", v) for m in measures for side, v in (("A", m.a), ("B", m.b)))
    if not answered:
        why = measures[0].ratio.problem if measures else none_why
        text = f"{sides} Unknown, because {why or none_why}."
        finding = worded(key, Verdict.CANNOT_TELL, "cannot tell", text, rule, inputs=inputs)
    else:
        differs = [m for m in answered if m.answer is not Answer.SAME]
        headline = "they differ by more than the uncertainty" if differs else "no difference beyond the uncertainty"
        text = (
            f"{sides} {'; '.join(m.text for m in measures)}. {normalised[0].upper() + normalised[1:]}. Only {CAVEAT}."
        )
        finding = worded(key, Verdict.INFO, headline, text, rule, inputs=inputs)
    return Comparison(
        kind, curve_a, curve_b, x_label, y_label, y_unit, log_y, normalised, tuple(measures), finding
    )  # fmt: skip
