"""A machine started: superheat, subcooling, condensing and approach; steady or hunting; judged together; before, after.

`start_up_now` gives the live quantities of one moment. `analyse_start_up` judges the last window of a stage (15 min of
settling, California Reference Appendix RA3.2) and compares with a baseline.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from logger.model.finding import Finding
from logger.model.sample import Series
from logger.model.value import Value, known, unknown
from logger.refrigerant import OutOfRange, Refrigerant
from logger.stages.start_up.evaporator_feed import (
    SUBCOOLING_TOLERANCE_K,
    SUPERHEAT_TARGET_K,
    SUPERHEAT_TOLERANCE_K,
    Feed,
    judge_feed,
)
from logger.stages.start_up.findings import (
    compare_finding,
    condensing_finding,
    discharge_finding,
    hunting_finding,
    margin_finding,
    steady_finding,
    target_finding,
)
from logger.statistics.block_means import blocks, interpolate
from logger.statistics.steadiness import SETTLING_S, Hunting, Steadiness, hunting, steadiness

Readings = Mapping[str, Value]
# What may still move over the window and be called steady: half the tolerance the reading is judged with.
MAX_CHANGE_K = {"suction_superheat": 0.5 * SUPERHEAT_TOLERANCE_K, "subcooling": 0.5 * SUBCOOLING_TOLERANCE_K}
MAX_SPREAD_K = 0.5 * SUPERHEAT_TOLERANCE_K
HUNTING_K = 2.0  # half of peak to peak (common practice, no source)
RUNNING_RATIO = 1.25  # high side over suction, absolute: below, the machine stands still
_POINTS = 2000


@dataclass(frozen=True, slots=True)
class Metric:
    """One derived quantity over the stage. value: mean of the judged window, u from accuracy and scatter."""

    series: Series
    steadiness: Steadiness
    value: Value


@dataclass(frozen=True, slots=True)
class StartUpResult:
    """metrics: by live quantity name, also valve_position and liquid_level; only what the readings give.

    judged_to_s: end of the judged window.
    """

    metrics: Mapping[str, Metric]
    hunting: Hunting
    judged_to_s: float
    findings: tuple[Finding, ...]

    @property
    def baseline(self) -> dict[str, Value]:
        """What a later start-up is compared with."""
        return {name: metric.value for name, metric in self.metrics.items()}


def analyse_start_up(
    series: Mapping[str, Series],
    *,
    refrigerant: Refrigerant,
    superheat_target_k: float = SUPERHEAT_TARGET_K,
    superheat_tolerance_k: float = SUPERHEAT_TOLERANCE_K,
    subcooling_target_k: float | None = None,
    subcooling_tolerance_k: float = SUBCOOLING_TOLERANCE_K,
    high_limit_pa: float | None = None,
    window_s: float = SETTLING_S,
    end_s: float | None = None,
    baseline: Mapping[str, Value] | None = None,
    baseline_of: str = "",
) -> StartUpResult:
    """series: by measuring point, one time zero, absolute Pa and K. end_s: default the last moment it still ran.

    baseline: `StartUpResult.baseline` of another start-up; baseline_of: which.
    """
    present = {name: s for name, s in series.items() if len(s) > 1}
    end = _running_end(present) if end_s is None else end_s
    metrics = {name: _metric(name, s, end, window_s) for name, s in _derived(present, refrigerant, high_limit_pa)}
    swing = Hunting(None, None, 0.0, 0, 0.0, "no suction superheat")
    if "suction_superheat" in metrics:
        swing = hunting(
            metrics["suction_superheat"].series, least_amplitude=HUNTING_K, start_s=end - window_s, end_s=end
        )
    feed = Feed(
        _of(metrics, "suction_superheat", "K"),
        _of(metrics, "subcooling", "K"),
        _of(metrics, "valve_position", "1"),
        _of(metrics, "liquid_level", "1"),
        metrics["valve_position"].steadiness.change if "valve_position" in metrics else 0.0,
        superheat_target_k,
        superheat_tolerance_k,
    )
    findings = [steady_finding({name: m.steadiness for name, m in metrics.items() if name in MAX_CHANGE_K}, window_s)]
    findings += hunting_finding(swing, metrics["valve_position"].series if "valve_position" in metrics else None)
    findings.append(
        target_finding("suction_superheat", feed.superheat, _steady(metrics, "suction_superheat"), swing,
                       superheat_target_k, superheat_tolerance_k)
    )  # fmt: skip
    if subcooling_target_k is not None:
        findings.append(
            target_finding("subcooling", feed.subcooling, _steady(metrics, "subcooling"), None,
                           subcooling_target_k, subcooling_tolerance_k)
        )  # fmt: skip
    findings.append(judge_feed(feed))
    findings += discharge_finding(_of(metrics, "discharge_superheat", "K"))
    findings += condensing_finding(_of(metrics, "condensing_over_ambient", "K"))
    findings += margin_finding(_of(metrics, "high_side_margin", "Pa"))
    if baseline is not None:
        findings.append(compare_finding(baseline, {name: m.value for name, m in metrics.items()}, baseline_of))
    return StartUpResult(metrics, swing, end, tuple(findings))


def _of(metrics: Mapping[str, Metric], name: str, unit: str) -> Value:
    return metrics[name].value if name in metrics else unknown(unit, f"no readings for {name.replace('_', ' ')}")


def _steady(metrics: Mapping[str, Metric], name: str) -> Steadiness | None:
    return metrics[name].steadiness if name in metrics else None


def _metric(name: str, series: Series, end_s: float, window_s: float) -> Metric:
    change = MAX_CHANGE_K.get(name, math.inf)
    spread = MAX_SPREAD_K if name in MAX_CHANGE_K else math.inf
    found = steadiness(series, end_s=end_s, window_s=window_s, most_change=change, most_spread=spread)
    unit = "Pa" if name == "high_side_margin" else "1" if name in ("valve_position", "liquid_level") else "K"
    if found.mean is None:
        return Metric(series, found, unknown(unit, found.reason))
    return Metric(series, found, known(found.mean, unit, math.hypot(series.u_scale, found.u_mean)))


def _running_end(series: Mapping[str, Series]) -> float:
    """Last moment at which the high side stood well above suction; the last reading where that is not measured."""
    last = max((s.t_s[-1] for s in series.values()), default=0.0)
    high = series.get("discharge_pressure") or series.get("liquid_pressure")
    low = series.get("suction_pressure")
    if high is None or low is None:
        return last
    b = blocks(high, high.t_s[0], high.t_s[-1], _POINTS)
    suction = interpolate(low.t_s, low.value, b.t_s)
    running = [t for t, h, s in zip(b.t_s, b.value, suction, strict=True) if h > RUNNING_RATIO * s]
    return running[-1] if running else last


def _derived(
    series: Mapping[str, Series], refrigerant: Refrigerant, high_limit_pa: float | None
) -> list[tuple[str, Series]]:
    """Every quantity that the recorded points give, as a series."""
    dew, bubble = refrigerant.dew_temperature, refrigerant.bubble_temperature
    high = "discharge_pressure" if "discharge_pressure" in series else "liquid_pressure"
    liquid = "liquid_pressure" if "liquid_pressure" in series else "discharge_pressure"
    pairs: tuple[tuple[str, str, str, Callable[[float], float], float], ...] = (
        ("suction_superheat", "suction_pressure", "suction_temperature", dew, 1.0),
        ("subcooling", liquid, "liquid_temperature", bubble, -1.0),
        ("discharge_superheat", high, "discharge_temperature", dew, 1.0),
        ("condensing_over_ambient", high, "ambient_temperature", dew, -1.0),
        ("approach", "suction_pressure", "leaving_fluid_temperature", dew, 1.0),
    )
    out = []
    for name, pressure, temperature, curve, sign in pairs:
        if pressure in series and temperature in series:
            paired = _pair(name, series[pressure], series[temperature], curve, sign)
            if len(paired) > 1:
                out.append((name, paired))
    out += [(name, series[name]) for name in ("valve_position", "liquid_level") if name in series]
    if high_limit_pa is not None and high in series:
        s = series[high]
        margins = [high_limit_pa - p for p in s.value]
        out.append(("high_side_margin", Series("high_side_margin", s.t_s, margins, s.u, s.u_scale)))
    return out


def _pair(name: str, pressure: Series, temperature: Series, curve: Callable[[float], float], sign: float) -> Series:
    """sign * (temperature - saturation) where both were measured, at most some 2000 points over the stage."""
    b = blocks(pressure, pressure.t_s[0], pressure.t_s[-1], _POINTS)
    kelvin = interpolate(temperature.t_s, temperature.value, b.t_s)
    first, last = temperature.t_s[0] - b.width_s, temperature.t_s[-1] + b.width_s
    t: list[float] = []
    value: list[float] = []
    for at, pa, k in zip(b.t_s, b.value, kelvin, strict=True):
        if not first <= at <= last or any(gap.start_s < at < gap.end_s for gap in temperature.gaps):
            continue
        try:
            saturation = curve(pa)
        except OutOfRange:
            continue
        t.append(at)
        value.append(sign * (k - saturation))
    slope = _slope(curve, b.value[-1])
    u = math.hypot(temperature.u, slope * pressure.u)
    u_scale = math.hypot(temperature.u_scale, slope * pressure.u_scale)
    return Series(name, t, value, u, u_scale, gaps=pressure.gaps)


def _slope(curve: Callable[[float], float], pressure_pa: float) -> float:
    """dT/dp near a pressure; 0 outside the table, where there is no value either."""
    try:
        return abs(curve(pressure_pa) - curve(0.999 * pressure_pa)) / (0.001 * pressure_pa)
    except OutOfRange:
        return 0.0
