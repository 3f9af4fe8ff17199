"""A machine started: superheat, subcooling, condensing and approach; steady or hunting; judged together; before, after.

`analyse_start_up` judges the last window of a stage (15 min of settling, California Reference Appendix RA3.2) and
compares with a baseline; nothing is judged while it is not steady. `standing_check` looks for air while it stands.
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
    AIR_STANDING,
    FIGURES,
    FREEZE_MARGIN_K,
    HIGH_RATIO,
    HOT_DISCHARGE_K,
    LINE_RISE_K,
    LIQUID_LINE_DROP_K,
    LOW_DISCHARGE_K,
    WATER_APPROACH_K,
    compare_finding,
    condensing_finding,
    gas_cooler_approach_finding,
    gas_cooler_finding,
    hunting_finding,
    limited,
    margin_finding,
    standing_finding,
    steady_finding,
    target_finding,
)
from logger.stages.start_up.performance import TAKES, Machine, performance_finding
from logger.statistics.block_means import blocks, interpolate
from logger.statistics.steadiness import SETTLING_S, Hunting, Steadiness, hunting_lately, steadiness

Readings = Mapping[str, Value]
# What may still move over the window and be called steady: the tolerance it is judged with. The mean's u has it in it.
MAX_CHANGE_K = {"suction_superheat": SUPERHEAT_TOLERANCE_K, "subcooling": SUBCOOLING_TOLERANCE_K}
MAX_SPREAD_K = 0.5 * SUPERHEAT_TOLERANCE_K
HUNTING_WINDOWS = (1.0, 2.0, 4.0, 8.0)  # of the judged window: three periods of a slow swing need longer than it
HUNTING_K = 2.0  # half of peak to peak (common practice, no source)
PULL_DOWN_S = 300.0  # after the start, that are no hunting
RUNNING_RATIO = 1.25  # high side over suction, absolute: below, the machine stands still
STANDING_RATIO, STANDING_S, STANDING_U_K = 1.03, 1800.0, 0.5  # equalized, for so long; how near ambient it then is
WATER_FREEZES_K = 273.15
CARBON_DIOXIDE = "R-744"
OPTIMUM_U_PA = 3e5  # of the correlation, against cycles computed with CoolProp
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

    judged_to_s, window_s: end and length of the judged window. unsteady: why nothing is judged, None where it is.
    """

    metrics: Mapping[str, Metric]
    hunting: Hunting
    judged_to_s: float
    window_s: float
    unsteady: str | None
    findings: tuple[Finding, ...]

    @property
    def baseline(self) -> dict[str, Value]:
        """What a later start-up is compared with."""
        return {name: metric.value for name, metric in self.metrics.items() if name in FIGURES}


def analyse_start_up(
    series: Mapping[str, Series],
    *,
    refrigerant: Refrigerant,
    superheat_target_k: float = SUPERHEAT_TARGET_K,
    superheat_tolerance_k: float = SUPERHEAT_TOLERANCE_K,
    subcooling_target_k: float | None = None,
    subcooling_tolerance_k: float = SUBCOOLING_TOLERANCE_K,
    high_limit_pa: float | None = None,
    suction_line_drop_pa: float = 0.0,
    freezing_point_k: float = WATER_FREEZES_K,
    window_s: float = SETTLING_S,
    end_s: float | None = None,
    baseline: Mapping[str, Value] | None = None,
    baseline_of: str = "",
) -> StartUpResult:
    """series: by measuring point, one time zero, absolute Pa and K. end_s: default the last moment it still ran.

    suction_line_drop_pa: how much the pressure at the evaporator is above the gauge's. freezing_point_k: of the fluid.

    baseline: `StartUpResult.baseline` of another start-up; baseline_of: which.
    """
    present = {name: s for name, s in series.items() if len(s) > 1}
    ran_until = _running_end(present)
    end = end_s if end_s is not None else max((s.t_s[-1] for s in present.values()), default=0.0)
    if end_s is None and ran_until is not None:
        end = ran_until
    derived = _derived(present, refrigerant, high_limit_pa, suction_line_drop_pa, freezing_point_k)
    metrics = {name: _metric(name, s, end, window_s) for name, s in derived}
    swing = Hunting(None, None, 0.0, 0, 0.0, "no suction superheat")
    if "suction_superheat" in metrics:
        swing = hunting_lately(
            metrics["suction_superheat"].series, least_amplitude=HUNTING_K, end_s=end,
            windows_s=[window_s * times for times in HUNTING_WINDOWS],
            since_s=min(_running_since(present, end) + PULL_DOWN_S, end - window_s),
        )  # fmt: skip
    unsteady = _unsteady(metrics, swing) if ran_until is not None else "the machine did not run"
    feed = Feed(
        _of(metrics, "suction_superheat", "K"),
        _of(metrics, "subcooling", "K"),
        _of(metrics, "valve_position", "1"),
        _of(metrics, "liquid_level", "1"),
        metrics["valve_position"].steadiness.change if "valve_position" in metrics else 0.0,
        superheat_target_k,
        superheat_tolerance_k,
        unsteady,
    )
    findings = [steady_finding({name: m.steadiness for name, m in metrics.items() if name in MAX_CHANGE_K}, window_s)]
    findings += hunting_finding(
        swing, metrics["valve_position"].series if "valve_position" in metrics else None, unsteady
    )
    findings.append(
        target_finding("suction_superheat", feed.superheat, unsteady, superheat_target_k, superheat_tolerance_k)
    )
    if subcooling_target_k is not None:
        findings.append(
            target_finding("subcooling", feed.subcooling, unsteady, subcooling_target_k, subcooling_tolerance_k)
        )
    findings.append(judge_feed(feed))
    ambient = _mean_of(present.get("ambient_temperature"), end, window_s, "K")
    by_limit = [
        one
        for key, name, limit, low, checks in _LIMITED
        for one in limited(key, name, _of(metrics, name, "K"), limit, low=low, checks=checks, unsteady=unsteady)
    ]
    findings += [one for one in by_limit if one.key == "start_up.discharge"]
    findings += condensing_finding(_of(metrics, "condensing_over_ambient", "K"), ambient, unsteady)
    findings += _transcritical(present, refrigerant, metrics, end, window_s, unsteady)
    findings += gas_cooler_approach_finding(_of(metrics, "gas_cooler_approach", "K"), unsteady)
    findings += margin_finding(_of(metrics, "high_side_margin", "Pa"), unsteady)
    findings += [one for one in by_limit if one.key != "start_up.discharge"]
    if baseline is not None:
        now = {name: m.value for name, m in metrics.items() if name in FIGURES}
        findings.append(compare_finding(baseline, now, baseline_of))
    return StartUpResult(metrics, swing, end, window_s, unsteady, tuple(findings))


def performance_of(
    series: Mapping[str, Series], result: StartUpResult, refrigerant: Refrigerant, power: Value | None, machine: Machine
) -> list[Finding]:
    """Flow, capacity, COP and efficiencies over the judged window, where power or a rated map was entered. Slow: it
    takes CoolProp."""
    means = {
        name: _mean_of(series.get(name), result.judged_to_s, result.window_s, "Pa" if "pressure" in name else "K")
        for name in TAKES
    }
    return performance_finding(means, power, machine, refrigerant, result.unsteady)


# key, figure, limit, whether it must stay above, what to check: common practice, no source.
_LIMITED: tuple[tuple[str, str, float, bool, tuple[str, ...]], ...] = (
    ("discharge", "discharge_superheat", LOW_DISCHARGE_K, True, ("suction_superheat", "oil", "discharge_sensor")),
    ("discharge_temperature", "discharge_temperature", HOT_DISCHARGE_K, False, ("suction_superheat", "condenser_air")),
    ("compression_ratio", "compression_ratio", HIGH_RATIO, False, ("condenser_air", "load_and_flow")),
    ("liquid_line", "liquid_line_drop", LIQUID_LINE_DROP_K, False, ("drier_drop",)),
    ("suction_line", "suction_line_rise", LINE_RISE_K, False, ("line_insulation",)),
    ("condenser", "condenser_approach", WATER_APPROACH_K, False, ("condenser_water", "standing")),
    ("freezing", "freeze_margin", FREEZE_MARGIN_K, True, ("load_and_flow", "freezing_point")),
)


def _unsteady(metrics: Mapping[str, Metric], swing: Hunting) -> str | None:
    """Why nothing may be judged yet; None when superheat and subcooling, as far as they are measured, are steady."""
    judged = [metrics[name].steadiness for name in MAX_CHANGE_K if name in metrics]
    for one in judged or [m.steadiness for m in metrics.values()]:
        if one.steady is not True:
            return one.reason
    return swing.reason if swing.hunting else None


def _mean_of(series: Series | None, end_s: float, window_s: float, unit: str) -> Value:
    if series is None:
        return unknown(unit, "no readings")
    found = steadiness(series, end_s=end_s, window_s=window_s, most_change=math.inf, most_spread=math.inf)
    if found.mean is None:
        return unknown(unit, found.reason)
    return known(found.mean, unit, math.hypot(series.u_scale, found.u_mean))


def _transcritical(
    series: Mapping[str, Series], refrigerant: Refrigerant, metrics: Mapping[str, Metric], end_s: float,
    window_s: float, unsteady: str | None,
) -> list[Finding]:  # fmt: skip
    """Of R-744 above its critical pressure: the high side against its optimum; it has no subcooling."""
    high = _mean_of(series.get("discharge_pressure") or series.get("liquid_pressure"), end_s, window_s, "Pa")
    if refrigerant.name != CARBON_DIOXIDE or high.number is None or high.number < refrigerant.critical_pressure_pa:
        return []
    outlet = _mean_of(series.get("liquid_temperature"), end_s, window_s, "K")
    approach = _of(metrics, "gas_cooler_approach", "K").number
    if approach is not None and approach <= 0.0:
        return []  # the optimum hangs on an outlet that cannot be
    suction = _mean_of(series.get("suction_pressure"), end_s, window_s, "Pa")
    if outlet.number is None or suction.number is None:
        return []
    try:
        evaporating_k = refrigerant.dew_temperature(suction.number)
    except OutOfRange:
        return []
    return gas_cooler_finding(high, optimum_high_side(outlet.number, evaporating_k), unsteady)


def optimum_high_side(gas_cooler_outlet_k: float, evaporating_k: float) -> Value:
    """Absolute Pa of best COP of a single-stage R-744 cycle: Liao, Zhao, Jakobsen, Applied Thermal Engineering 20
    (2000) 831-841, from memory and held to computed cycles by a test; for a gas cooler outlet of 30 to 60 °C and
    evaporation from -10 to 20 °C, unknown outside.
    """
    outlet_c, evaporating_c = gas_cooler_outlet_k - 273.15, evaporating_k - 273.15
    if not (30 <= outlet_c <= 60 and -10 <= evaporating_c <= 20):
        return unknown("Pa", "outside the range of the correlation")
    bar = (2.778 - 0.0157 * evaporating_c) * outlet_c + 0.381 * evaporating_c - 9.34
    return known(bar * 1e5, "Pa", OPTIMUM_U_PA)


def standing_check(series: Mapping[str, Series], refrigerant: Refrigerant) -> Finding | None:
    """Air, from the last half hour that the machine stood equalized; None where it did not stand so long or its
    temperature is not known. series: with what was read before the start."""
    high = series.get("discharge_pressure") or series.get("liquid_pressure")
    low, ambient = series.get("suction_pressure"), series.get("ambient_temperature")
    if high is None or low is None or ambient is None or min(len(high), len(low), len(ambient)) < 2:
        return None
    b = blocks(high, high.t_s[0], high.t_s[-1], _POINTS)
    suction = interpolate(low.t_s, low.value, b.t_s)
    still = [abs(h / s - 1) < STANDING_RATIO - 1 for h, s in zip(b.value, suction, strict=True)]
    end = next((i for i in reversed(range(len(still))) if still[i]), None)
    if end is None:
        return None
    start = end
    while start > 0 and still[start - 1]:
        start -= 1
    if b.t_s[end] - b.t_s[start] < STANDING_S:
        return None
    pressure = _mean_of(high, b.t_s[end], STANDING_S / 3, "Pa")
    around = _mean_of(ambient, b.t_s[end], STANDING_S / 3, "K")
    if pressure.number is None or around.number is None or high.u_scale <= 0 or ambient.u_scale <= 0:
        return None
    lines = (
        _mean_of(series.get(n), b.t_s[end], STANDING_S / 3, "K") for n in ("liquid_temperature", "suction_temperature")
    )
    if any(line.number is not None and abs(line.number - around.number) > 2 * STANDING_U_K for line in lines):
        return None  # still warm, or cold
    try:
        saturated, lowest = refrigerant.bubble_pressure(around.number), refrigerant.dew_pressure(around.number)
        slope = saturated - refrigerant.bubble_pressure(around.number - 1)
    except OutOfRange:
        return None
    u = slope * math.hypot(around.u or 0.0, STANDING_U_K)
    return standing_finding(pressure, known(saturated, "Pa", u), known(lowest, "Pa", u), AIR_STANDING)


def _of(metrics: Mapping[str, Metric], name: str, unit: str) -> Value:
    return metrics[name].value if name in metrics else unknown(unit, f"no readings for {name.replace('_', ' ')}")


_UNITS = {"high_side_margin": "Pa", "valve_position": "1", "liquid_level": "1", "compression_ratio": "1"}


def _metric(name: str, series: Series, end_s: float, window_s: float) -> Metric:
    change = MAX_CHANGE_K.get(name, math.inf)
    spread = MAX_SPREAD_K if name in MAX_CHANGE_K else math.inf
    found = steadiness(series, end_s=end_s, window_s=window_s, most_change=change, most_spread=spread)
    unit = _UNITS.get(name, "K")
    if found.mean is None:
        return Metric(series, found, unknown(unit, found.reason))
    u = math.hypot(series.u_scale, found.u_mean, found.change / math.sqrt(12))  # what it drifts over the window, too
    return Metric(series, found, known(found.mean, unit, u))


def _running_since(series: Mapping[str, Series], end_s: float) -> float:
    """When the run that ends at end_s began; the first reading where that is not measured."""
    first = min((s.t_s[0] for s in series.values()), default=0.0)
    return next((t for t, ran in reversed(_running(series)) if t < end_s and not ran), first)


def _running(series: Mapping[str, Series]) -> list[tuple[float, bool]]:
    """(time, whether the high side stands well above suction); nothing where they are not measured."""
    high = series.get("discharge_pressure") or series.get("liquid_pressure")
    low = series.get("suction_pressure")
    if high is None or low is None:
        return []
    b = blocks(high, high.t_s[0], high.t_s[-1], _POINTS)
    suction = interpolate(low.t_s, low.value, b.t_s)
    return [(t, h > RUNNING_RATIO * s) for t, h, s in zip(b.t_s, b.value, suction, strict=True)]


def _running_end(series: Mapping[str, Series]) -> float | None:
    """Last moment at which the high side stood well above suction, None when it never did; the last reading where that
    is not measured."""
    found = _running(series)
    if not found:
        return max((s.t_s[-1] for s in series.values()), default=0.0)
    return next((t for t, ran in reversed(found) if ran), None)


def _derived(
    series: Mapping[str, Series], refrigerant: Refrigerant, high_limit_pa: float | None, line_drop_pa: float,
    freezing_k: float,
) -> list[tuple[str, Series]]:  # fmt: skip
    """Every quantity that the recorded points give, as a series."""
    dew, bubble = refrigerant.dew_temperature, refrigerant.bubble_temperature
    high = "discharge_pressure" if "discharge_pressure" in series else "liquid_pressure"
    liquid = "liquid_pressure" if "liquid_pressure" in series else "discharge_pressure"

    def evaporating(pressure_pa: float) -> float:
        return dew(pressure_pa + line_drop_pa)

    pairs: tuple[tuple[str, str, str, Callable[[float], float], float], ...] = (
        ("suction_superheat", "suction_pressure", "suction_temperature", evaporating, 1.0),
        ("total_superheat", "suction_pressure", "compressor_suction_temperature", dew, 1.0),
        ("subcooling", liquid, "liquid_temperature", bubble, -1.0),
        ("discharge_superheat", high, "discharge_temperature", dew, 1.0),
        ("condensing_over_ambient", high, "ambient_temperature", dew, -1.0),
        ("condenser_approach", high, "condenser_leaving_temperature", dew, -1.0),
        ("approach", "suction_pressure", "leaving_fluid_temperature", evaporating, 1.0),
    )
    out = []
    no_saturation = {high, liquid} if high in series and _transcritical_now(series[high], refrigerant) else set()
    for name, pressure, temperature, curve, sign in pairs:
        if pressure in series and temperature in series and pressure not in no_saturation:
            paired = _pair(name, series[pressure], series[temperature], curve, sign)
            if len(paired) > 1:
                out.append((name, paired))
    differences = (
        ("suction_line_rise", "compressor_suction_temperature", "suction_temperature"),
        ("liquid_line_drop", "liquid_temperature", "valve_inlet_temperature"),
        ("condenser_split", "condenser_leaving_temperature", "condenser_entering_temperature"),
    )
    for name, warm, cold in differences:
        if warm in series and cold in series:
            out.append((name, _pair(name, series[cold], series[warm], lambda kelvin: kelvin, 1.0)))
    outlet, around = series.get("liquid_temperature"), series.get("ambient_temperature")
    if no_saturation and outlet is not None and around is not None:
        out.append(("gas_cooler_approach", _pair("", around, outlet, lambda kelvin: kelvin, 1.0)))
    if high in series and "suction_pressure" in series:
        out.append(("compression_ratio", _ratio(series[high], series["suction_pressure"])))
    out += [
        (name, series[name]) for name in ("valve_position", "liquid_level", "discharge_temperature") if name in series
    ]
    if "leaving_fluid_temperature" in series:
        s = series["leaving_fluid_temperature"]
        out.append(("freeze_margin", Series("", s.t_s, [k - freezing_k for k in s.value], s.u, s.u_scale)))
    if high_limit_pa is not None and high in series:
        s = series[high]
        margins = [high_limit_pa - p for p in s.value]
        out.append(("high_side_margin", Series("high_side_margin", s.t_s, margins, s.u, s.u_scale)))
    return out


def _transcritical_now(high: Series, refrigerant: Refrigerant) -> bool:
    return refrigerant.name == CARBON_DIOXIDE and high.value[-1] > refrigerant.critical_pressure_pa


def _ratio(high: Series, low: Series) -> Series:
    b = blocks(high, high.t_s[0], high.t_s[-1], _POINTS)
    suction = interpolate(low.t_s, low.value, b.t_s)
    value = [h / s for h, s in zip(b.value, suction, strict=True)]
    high_pa, low_pa, last = b.value[-1], suction[-1], value[-1]
    u, u_scale = (last * math.hypot(a / high_pa, c / low_pa) for a, c in ((high.u, low.u), (high.u_scale, low.u_scale)))
    return Series("compression_ratio", b.t_s, value, u, u_scale)


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
