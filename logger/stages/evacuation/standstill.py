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
from logger.stages.evacuation.tail_fit import PossibleTails
from logger.statistics.least_squares import line

STEADY_PER_H = 0.01  # change of a base in an hour that counts as none
AS_LIKELY = 0.7
NEAR = 0.3  # share within which a level is "the same"


class Origin(StrEnum):
    """The value is the code that words.py knows it by."""

    GAUGE_CEILING = "gauge_top"
    GAUGE_FLOOR = "gauge_bottom"
    WATER = "water"
    OUTGASSING = "outgassing"
    LEAK = "leak"
    PUMP = "pump"


@dataclass(frozen=True, slots=True)
class Reason:
    """One candidate cause. weight: for ranking, larger is better supported. support: codes of what speaks for or
    against it; the numbers behind them are the Standstill's."""

    source: Origin
    weight: float
    support: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Standstill:
    """level_pa, u_pa: where it stands. drift_per_h, u_drift: relative change an hour of the last part.

    reasons: best first. water_k: temperature at which water has that vapor pressure. ice: would be ice there. near_k:
    temperature of the system or the air. gauge_low_pa, gauge_high_pa: the gauge's range; pump_ultimate_pa: stated;
    earlier_pa: where an earlier evacuation ended at the same level.
    """

    level_pa: float
    u_pa: float
    drift_per_h: float
    u_drift: float
    reasons: tuple[Reason, ...]
    water_k: float | None
    ice: bool
    near_k: float | None = None
    gauge_low_pa: float | None = None
    gauge_high_pa: float | None = None
    pump_ultimate_pa: float | None = None
    earlier_pa: float | None = None

    @property
    def leading(self) -> tuple[Reason, ...]:
        """The best supported cause, and those that the data do not clearly set behind it."""
        return tuple(r for r in self.reasons if r.weight >= AS_LIKELY * self.reasons[0].weight)

    @property
    def cause(self) -> Origin | None:
        """The cause, when one leads alone."""
        return self.leading[0].source if len(self.leading) == 1 else None


def explain(
    t_s: Sequence[float],
    value: Sequence[float],
    floor_u: float,
    tail: PossibleTails | None,
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
        reasons.append(Reason(Origin.GAUGE_CEILING, 10.0, ("at_gauge_top",)))
    if gauge_low_pa is not None and gauge_low_pa > 0.0 and level <= 1.3 * gauge_low_pa:
        reasons.append(Reason(Origin.GAUGE_FLOOR, 10.0, ("at_gauge_bottom",)))
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
    reasons.append(
        Reason(Origin.OUTGASSING, 3.0, ("still_falling",))
        if falling
        else Reason(Origin.OUTGASSING, 0.5, ("oil_store",))
    )
    leak, pump = (2.0, 2.0) if steady else (0.4, 0.4)
    for_leak, for_pump = (["steady_base"], ["steady_base"]) if steady else (["not_steady"], ["not_steady"])
    same = [b for b in earlier_bases_pa if abs(b - level) <= NEAR * level]
    if steady and same:
        leak += 0.5
        for_leak.append("earlier_same")
    if pump_ultimate_pa is not None:
        if level <= 1.6 * pump_ultimate_pa:
            pump += 2.0
            for_pump = ["pump_limit"]
        elif steady:
            for_pump.append("above_pump_limit")
    if oil_helped:
        pump += 1.0
        for_pump.append("oil_helped")
    if water_went:
        pump += 1.0
        for_pump.append("water_in_oil")
    reasons.append(Reason(Origin.LEAK, leak, tuple(for_leak)))
    reasons.append(Reason(Origin.PUMP, pump, tuple(for_pump)))
    reasons.sort(key=lambda r: -r.weight)
    ice = level < TRIPLE_PRESSURE_PA
    return Standstill(
        level, level * fit.u_level, drift, u_drift, tuple(reasons), water_k, ice, near_k, gauge_low_pa, gauge_high_pa,
        pump_ultimate_pa, same[-1] if same else None,
    )  # fmt: skip


def _water(level: float, drift: float, u_drift: float, near_k: float | None) -> tuple[float | None, list[Reason]]:
    """Where water would boil at this level, and how well the readings fit it."""
    try:
        water_k = saturation_temperature(level)
    except OutOfRange:
        return None, []
    if water_k < COLDEST_WATER_K:
        return water_k, []
    if near_k is None:
        return water_k, [Reason(Origin.WATER, 1.5, ("boils_at", "no_temperature"))]
    try:
        ambient_pa = saturation_pressure(near_k)
    except OutOfRange:
        return water_k, []
    if level > 1.15 * ambient_pa:
        return water_k, [Reason(Origin.WATER, 0.2, ("too_cold_for_water",))]
    if level > (1.0 - NEAR) * ambient_pa:
        return water_k, [Reason(Origin.WATER, 5.0, ("boils_at", "temperature_agrees"))]
    if abs(drift) > STEADY_PER_H and abs(drift) > 3.0 * u_drift:
        way, weight = ("level_rises", 3.5) if drift > 0.0 else ("level_falls", 2.0)
        return water_k, [Reason(Origin.WATER, weight, ("boils_at", "boiling_cools", way))]
    return water_k, [Reason(Origin.WATER, 1.5, ("boils_at", "boiling_cools"))]
