"""After the recovery machine has stopped: is the level still held once it has settled, and is there a rebound?"""

import math
from dataclasses import dataclass
from itertools import pairwise

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.value import Argument, Value, known, number, unknown, word
from logger.refrigerant import OutOfRange, Refrigerant
from logger.stages.recovery.level import RecoveryLevel, judge_level
from logger.statistics.block_means import blocks, interpolate
from logger.statistics.least_squares import line
from logger.wording.values import duration

SETTLE_S = 300.0  # common practice, no source: the rule sets no time
REBOUND_PA = 5e3
NEAR_S = 5.0  # on either side of the lowest
NEAR_SATURATION = 0.5


@dataclass(frozen=True, slots=True)
class Rebound:
    """stopped_s: when the pressure was lowest at the machine's end. lowest: mean of the readings about there; settled:
    mean of the last minute, absolute Pa.

    rise: between the two means, with the scatter of both, the digits, and the accuracy as a share of the range (of
    the reading where no range is stated): an offset is in both. rate: Pa/s over the last third of the settling time.
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
    nothing = unknown("Pa", "no system pressure was recorded")
    if len(pressure) < 3:
        return Rebound(0.0, nothing, nothing, nothing, unknown("Pa/s", "no pressure"), (judge_level(level, nothing),))
    stop = _lowest_s(pressure) if stopped_s is None else stopped_s
    before = [v for t, v in zip(pressure.t_s, pressure.value, strict=True) if stop - NEAR_S <= t <= stop + NEAR_S]
    end = pressure.t_s[-1]
    u = math.hypot(pressure.u, pressure.u_scale)
    lowest = unknown("Pa", "no reading when the recovery machine stopped")
    if before:
        lowest = known(sum(before) / len(before), "Pa", u)
    last = [v for t, v in zip(pressure.t_s, pressure.value, strict=True) if t >= max(end - 60.0, stop)]
    if end - stop < settle_s:
        if stopped_s is not None and last:
            now = judge_level(level, known(sum(last) / len(last), "Pa", u), end - stop, settled_yet=False)
            if now.verdict is Verdict.FAIL:  # from the stop on it only rises
                wanting = unknown("Pa", "left before it had settled")
                return Rebound(stop, lowest, wanting, wanting, unknown("Pa/s", str(wanting.problem)), (now,))
        wait = settle_s - (end - stop)
        settled = unknown("Pa", f"still settling, {duration(wait)} of {duration(settle_s)} left")
        rise, rate = unknown("Pa", str(settled.problem)), unknown("Pa/s", str(settled.problem))
        return Rebound(stop, lowest, settled, rise, rate, (judge_level(level, settled),))
    if any(gap.end_s > stop and gap.end_s - gap.start_s > 0.2 * settle_s for gap in pressure.gaps):
        settled = unknown("Pa", "too much of the settling time has no readings")
        rise, rate = unknown("Pa", str(settled.problem)), unknown("Pa/s", str(settled.problem))
        return Rebound(stop, lowest, settled, rise, rate, (judge_level(level, settled),))
    settled = known(sum(last) / len(last), "Pa", u)
    assert settled.number is not None
    start = settled.number if lowest.number is None else lowest.number
    gain = pressure.u_scale / max(settled.number, pressure.high or 0.0, 1.0) * (settled.number - start)
    u_rise = math.hypot(_scatter(before), _scatter(last), math.sqrt(2) * pressure.u, gain)
    rise = known(settled.number - start, "Pa", u_rise)
    late = blocks(pressure, end - (end - stop) / 3, end, 40)
    slope = line(late.t_s, late.value, pressure.u)
    rate = known(0.0, "Pa/s") if slope is None else known(slope.slope, "Pa/s", slope.u_slope)
    findings = (
        judge_level(level, settled, end - stop, accuracy_stated=pressure.u_scale > 0.0),
        _judge(rise, rate, settled, end, refrigerant, temperature),
    )
    return Rebound(stop, lowest, settled, rise, rate, findings)


def _scatter(values: list[float]) -> float:
    """Standard uncertainty of the mean of readings that scatter from one to the next, Pa."""
    n = len(values)
    rough = sum((b - a) ** 2 for a, b in pairwise(values))
    return math.sqrt(rough / (2.0 * (n - 1) * n)) if n > 1 else 0.0


def _lowest_s(pressure: Series) -> float:
    b = blocks(pressure, pressure.t_s[0], pressure.t_s[-1], 400)
    return b.t_s[min(range(len(b)), key=lambda i: b.value[i])]


def _judge(
    rise: Value, rate: Value, settled: Value, end_s: float, refrigerant: Refrigerant | None, temperature: Series | None
) -> Finding:
    assert rise.number is not None and rate.number is not None and settled.number is not None
    inputs: list[Argument] = [
        number("rise", Quantity.PRESSURE_DIFFERENCE, rise),
        number("rate", Quantity.PRESSURE_DIFFERENCE_RATE, rate),
        number("settled", Quantity.PRESSURE, settled),
    ]
    if rise.number <= max(REBOUND_PA, 3 * (rise.u or 0.0)):
        return Finding("recovery.rebound", Verdict.PASS, (*inputs, word("judged", "none")))
    per_hour = rate.number * 3600.0
    share = _share_of_saturation(settled.number, end_s, refrigerant, temperature)
    causes = ["oil_or_trapped"]
    if share is not None and share >= NEAR_SATURATION:
        inputs.append(number("share_of_saturation", Quantity.RATIO, known(share, "1")))
        causes.insert(0, "liquid_left")
    elif per_hour > 0.3 * rise.number:
        causes += ["liquid_warming", "leaking_by"]
    inputs.append(word("judged", "still_rising" if per_hour > 0.1 * rise.number else "leveled"))
    inputs += [word("cause", cause) for cause in causes]
    inputs += [word("check", check) for check in ("recover_again", "warm_cold_spots", "open_all")]
    return Finding("recovery.rebound", Verdict.ATTENTION, tuple(inputs))


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
