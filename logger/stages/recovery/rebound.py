"""After the machine has stopped: is the level still held once it has settled, and what does the rebound say?"""

import math
from dataclasses import dataclass

from logger.model.finding import Finding, Verdict, worded
from logger.model.sample import Series
from logger.model.value import Value, known, unknown
from logger.refrigerant import OutOfRange, Refrigerant
from logger.stages.recovery.level import RecoveryLevel, judge_level
from logger.statistics.block_means import blocks, interpolate
from logger.wording.numbers import absolute, difference, duration

SETTLE_S = 300.0  # common practice, no source: the rule sets no time
REBOUND_PA = 5e3
NEAR_SATURATION = 0.5


@dataclass(frozen=True, slots=True)
class Rebound:
    """stopped_s: when the pressure was lowest at the machine's end. settled: mean of the last minute, absolute Pa.

    rise: from there. rate: Pa/s over the last third of the settling time.
    """

    stopped_s: float
    lowest: Value
    settled: Value
    rise: Value
    rate: Value
    findings: tuple[Finding, ...]


def judge_rebound(
    pressure: Series,
    level: RecoveryLevel,
    *,
    stopped_s: float | None = None,
    settle_s: float = SETTLE_S,
    refrigerant: Refrigerant | None = None,
    temperature: Series | None = None,
) -> Rebound:
    """pressure: of the appliance, absolute. stopped_s: when the machine was stopped; None finds it.

    temperature: of the appliance or ambient, to tell liquid left behind by its saturation pressure.
    """
    nothing = unknown("Pa", "no pressure of the appliance recorded")
    if len(pressure) < 3:
        return Rebound(0.0, nothing, nothing, nothing, unknown("Pa/s", "no pressure"), (judge_level(level, nothing),))
    stop = _lowest_s(pressure) if stopped_s is None else stopped_s
    before = [v for t, v in zip(pressure.t_s, pressure.value, strict=True) if stop - 30.0 <= t <= stop + 5.0]
    end = pressure.t_s[-1]
    u = math.hypot(pressure.u, pressure.u_scale)
    lowest = known(min(before), "Pa", u) if before else unknown("Pa", "no reading when the machine stopped")
    if end - stop < settle_s:
        wait = settle_s - (end - stop)
        settled = unknown("Pa", f"settling: {duration(wait)} of {duration(settle_s)} left after the machine stopped")
        rise, rate = unknown("Pa", str(settled.problem)), unknown("Pa/s", str(settled.problem))
        return Rebound(stop, lowest, settled, rise, rate, (judge_level(level, settled),))
    if any(gap.end_s > stop and gap.end_s - gap.start_s > 0.2 * settle_s for gap in pressure.gaps):
        settled = unknown("Pa", "too much of the settling time is without readings")
        rise, rate = unknown("Pa", str(settled.problem)), unknown("Pa/s", str(settled.problem))
        return Rebound(stop, lowest, settled, rise, rate, (judge_level(level, settled),))
    last = [v for t, v in zip(pressure.t_s, pressure.value, strict=True) if t >= end - 60.0]
    settled = known(sum(last) / len(last), "Pa", u)
    assert settled.number is not None
    start = settled.number if lowest.number is None else lowest.number
    rise = known(settled.number - start, "Pa", math.sqrt(2) * pressure.u)
    late = blocks(pressure, end - (end - stop) / 3, end, 40)
    slope = (late.value[-1] - late.value[0]) / (late.t_s[-1] - late.t_s[0]) if len(late) > 1 else 0.0
    rate = known(slope, "Pa/s")
    findings = (judge_level(level, settled), _cause(rise, rate, settled.number, end, refrigerant, temperature))
    return Rebound(stop, lowest, settled, rise, rate, findings)


def _lowest_s(pressure: Series) -> float:
    b = blocks(pressure, pressure.t_s[0], pressure.t_s[-1], 400)
    return b.t_s[min(range(len(b)), key=lambda i: b.value[i])]


def _cause(
    rise: Value,
    rate: Value,
    settled_pa: float,
    end_s: float,
    refrigerant: Refrigerant | None,
    temperature: Series | None,
) -> Finding:
    key, rule = "recovery.rebound", "common practice, no source: a rebound shows refrigerant left behind"
    assert rise.number is not None and rate.number is not None
    inputs = (("rebound", rise), ("rate at the end", rate))
    per_hour = rate.number * 3600.0
    if rise.number <= max(REBOUND_PA, 3 * (rise.u or 0.0)):
        text = f"The pressure came back by {difference(rise.number)} to {absolute(settled_pa)}: no more than it should."
        return worded(key, Verdict.PASS, "no rebound", text, rule, inputs=inputs)
    text = f"The pressure came back by {difference(rise.number)} to {absolute(settled_pa)}"
    share = _share_of_saturation(settled_pa, end_s, refrigerant, temperature)
    causes: tuple[str, ...] = ("refrigerant boiling out of the oil or from a trapped place",)
    if share is not None and share >= NEAR_SATURATION:
        causes = (f"liquid left: the pressure is {100 * share:.0f} % of saturation at the appliance", *causes)
    elif per_hour > 0.3 * rise.number:
        causes = (*causes, "liquid still warming up", "a valve leaking by, or air leaking in")
    still = f", still rising by {difference(per_hour)} an hour" if per_hour > 0.1 * rise.number else ", and levelled"
    check = ("recover again and wait again", "warm cold spots and the oil", "open every solenoid and isolated part")
    return worded(key, Verdict.ATTENTION, "rebound", f"{text}{still}.", rule, "", inputs, causes, check)


def _share_of_saturation(
    settled_pa: float, end_s: float, refrigerant: Refrigerant | None, temperature: Series | None
) -> float | None:
    if refrigerant is None or temperature is None or len(temperature) == 0:
        return None
    kelvin = interpolate(temperature.t_s, temperature.value, [end_s])[0]
    try:
        return settled_pa / refrigerant.bubble_pressure(kelvin)
    except OutOfRange:
        return None
