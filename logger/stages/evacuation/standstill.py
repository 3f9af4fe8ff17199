"""Why a pull-down stands still: water, a steady gas load, something giving gas off, the gauge, the pump.

From the level it stands at, whether that level still moves, and what else is known. A leak and a pump that can do no
better both make a perfectly steady base, whatever the time: only closing the valve at the pump tells them apart, and
the finding says so. Causes are ranked; the ranking is kept where the data do not decide.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from logger.refrigerant.errors import OutOfRange
from logger.refrigerant.water import TRIPLE_PRESSURE_PA, saturation_pressure, saturation_temperature
from logger.stages.evacuation.stretches import COLDEST_WATER_K
from logger.stages.evacuation.tail_fit import Tail
from logger.statistics.least_squares import line
from logger.wording.numbers import temperature, vacuum

STEADY_PER_H = 0.01  # change of a base in an hour that counts as none
AS_LIKELY = 0.7
NEAR = 0.3  # share within which a level is "the same"


class Source(StrEnum):
    GAUGE_CEILING = "the gauge at the top of its range"
    GAUGE_FLOOR = "the gauge at the bottom of its range"
    WATER = "water boiling off"
    OUTGASSING = "refrigerant coming out of oil"
    LEAK = "a leak"
    PUMP = "the pump at its limit (wet oil)"


@dataclass(frozen=True, slots=True)
class Reason:
    """One candidate cause. weight: for ranking, larger is better supported. text: the support in words."""

    source: Source
    weight: float
    text: str


@dataclass(frozen=True, slots=True)
class Standstill:
    """level_pa, u_pa: where it stands. drift_per_h, u_drift: relative change an hour of the last part.

    reasons: best first. water_k: temperature at which water has that vapour pressure. ice: would be ice there.
    """

    level_pa: float
    u_pa: float
    drift_per_h: float
    u_drift: float
    reasons: tuple[Reason, ...]
    water_k: float | None
    ice: bool

    @property
    def leading(self) -> tuple[Reason, ...]:
        """The best supported cause, and those that the data do not clearly set behind it."""
        return tuple(r for r in self.reasons if r.weight >= AS_LIKELY * self.reasons[0].weight)

    @property
    def cause(self) -> Source | None:
        """The cause, when one leads alone."""
        return self.leading[0].source if len(self.leading) == 1 else None


def explain(
    t_s: Sequence[float],
    value: Sequence[float],
    floor_u: float,
    tail: Tail | None,
    begun_s: float,
    *,
    near_k: float | None = None,
    gauge_low_pa: float | None = None,
    gauge_high_pa: float | None = None,
    pump_ultimate_pa: float | None = None,
    earlier_bases_pa: Sequence[float] = (),
    oil_helped: bool = False,
    water_went: bool = False,
) -> Standstill | None:
    """t_s, value: block means of the part that stands still. begun_s: when the pump was opened.

    near_k: temperature of the system or the air.
    earlier_bases_pa: bases of earlier evacuations of this job. oil_helped: an oil change lowered the base before.
    water_went: water boiled off through this pump before.
    None when there is too little to say.
    """
    half = len(t_s) // 2  # the drift is that of the later half: what came before may still be the approach
    floor = floor_u / max(min(value), 1e-9)
    fit = line(t_s[half:], [math.log(v) for v in value[half:]], floor) if min(value) > 0.0 else None
    if fit is None:
        return None
    level = math.exp(fit.level)
    drift, u_drift = fit.slope * 3600.0, fit.u_slope * 3600.0
    reasons: list[Reason] = []
    if gauge_high_pa is not None and level >= 0.97 * gauge_high_pa:
        reasons.append(Reason(Source.GAUGE_CEILING, 10.0, f"it stands at the gauge's top, {vacuum(gauge_high_pa)}"))
    if gauge_low_pa is not None and gauge_low_pa > 0.0 and level <= 1.3 * gauge_low_pa:
        reasons.append(Reason(Source.GAUGE_FLOOR, 10.0, f"it stands at the gauge's bottom, {vacuum(gauge_low_pa)}"))
    water_k, water = _water(level, drift, u_drift, near_k)
    # the last of an approach also falls, but its base is as good as reached
    approached = False
    if tail is not None and tail.only_pumped and tail.base_low_pa > 0.9 * level:
        a, b = tail.best.at(t_s[half] - begun_s), tail.best.at(t_s[-1] - begun_s)
        own = math.log(b / a) / (t_s[-1] - t_s[half]) * 3600.0 if a > 0.0 and b > 0.0 else 0.0
        approached = abs(drift - own) <= max(STEADY_PER_H, 3.0 * u_drift)
    steady = abs(drift) <= max(STEADY_PER_H, 3.0 * u_drift) or (approached and drift < 0.0)
    falling = not steady and drift < 0.0
    reasons += water
    if falling:
        reasons.append(
            Reason(Source.OUTGASSING, 3.0, f"it still comes down, by {-drift:.0%} an hour, as outgassing does")
        )
    else:
        reasons.append(Reason(Source.OUTGASSING, 0.5, "a large store of refrigerant in oil can look steady"))
    base = f"the base stays at {vacuum(level)} whatever the time"
    leak, pump = (2.0, 2.0) if steady else (0.4, 0.4)
    leak_text = pump_text = base if steady else "the level is not steady, which speaks against it"
    same = [b for b in earlier_bases_pa if abs(b - level) <= NEAR * level]
    if steady and same:
        leak, leak_text = leak + 0.5, f"{base}, and an earlier evacuation ended at {vacuum(same[-1])}"
    if pump_ultimate_pa is not None:
        if level <= 1.6 * pump_ultimate_pa:
            pump, pump_text = pump + 2.0, f"the pump's own limit is stated as {vacuum(pump_ultimate_pa)}"
        elif steady:
            pump_text = f"{base}, above the {vacuum(pump_ultimate_pa)} the pump can do with clean oil"
    if oil_helped:
        pump += 1.0
        pump_text += "; an oil change lowered it before"
    if water_went:
        pump += 1.0
        pump_text += "; its oil took up water that boiled off before"
    reasons.append(Reason(Source.LEAK, leak, leak_text))
    reasons.append(Reason(Source.PUMP, pump, pump_text))
    reasons.sort(key=lambda r: -r.weight)
    ice = level < TRIPLE_PRESSURE_PA
    return Standstill(level, level * fit.u_level, drift, u_drift, tuple(reasons), water_k, ice)


def _water(level: float, drift: float, u_drift: float, near_k: float | None) -> tuple[float | None, list[Reason]]:
    """Where water would boil at this level, and how well the readings fit it."""
    try:
        water_k = saturation_temperature(level)
    except OutOfRange:
        return None, []
    if water_k < COLDEST_WATER_K:
        return water_k, []
    what = "ice" if level < TRIPLE_PRESSURE_PA else "water"
    boils = f"{what} at {temperature(water_k)} has this vapour pressure"
    if near_k is None:
        return water_k, [Reason(Source.WATER, 1.5, boils + "; no temperature was measured beside it")]
    try:
        ambient_pa = saturation_pressure(near_k)
    except OutOfRange:
        return water_k, []
    if level > 1.15 * ambient_pa:
        return water_k, [Reason(Source.WATER, 0.2, f"water at {temperature(near_k)} cannot reach this level")]
    if level > (1.0 - NEAR) * ambient_pa:
        return water_k, [Reason(Source.WATER, 5.0, f"{boils}, and {temperature(near_k)} was measured")]
    cooled = f"{boils}: boiling cools water below the {temperature(near_k)} measured"
    if abs(drift) > STEADY_PER_H and abs(drift) > 3.0 * u_drift:
        way = "rises" if drift > 0.0 else "falls"
        weight = 3.5 if drift > 0.0 else 2.0
        return water_k, [Reason(Source.WATER, weight, f"{cooled}, and the level {way} by {abs(drift):.0%} an hour")]
    return water_k, [Reason(Source.WATER, 1.5, cooled)]
