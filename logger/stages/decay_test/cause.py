"""What made the pressure rise in a closed system: nothing, a leak, something that gives off gas, or both.

Decided by the interval of the steady rate (rise_fit.py) that holds whatever else may give off gas in the system. A
leak is called when all of it lies above what a gauge's zero may drift, and the rate is at least a quarter of what the
acceptance profile lets the pressure rise. No leak is called when all of it lies under a fifth. Between the two a
leak is not ruled out, with the largest that may be there: a tie is never called a leak.

A large part that levels off is never exactly a sum of such sources: water cools, freezes, melts and warms, and while
its heat comes in steadily its vapor does too, in a straight line. So beside a large one a leak is neither called nor
ruled out, unless the pressure stands above what water at the measured temperature can make this gauge show. Dry first,
then test again.

A drier may take up a part of what leaks in. A curve that bends upward, as beside such a one, is called neither.

Vapor in balance with water or oil follows the temperature with all of its pressure, in a straight line where that
drifts in one: a leak is only called above what the warming could make, and above the pressure to isolate at nothing
is called tight that the cooling could hide.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from logger.model.units import MICRON_PA
from logger.stages.decay_test.rise_fit import K, RiseFit

STRAYS = 0.02
STRAYS_LARGE = 0.05  # where it is so large that it buries a leak
VAPOR_PER_K = 0.06  # vapor over water gains 6 to 7 % a kelvin, refrigerant over oil some 3
STRAYS_SETTLED = 0.003
BEYOND_WATER = 1.1
BURIES = 2.0  # a part that was given off, of so many allowed rises
STRAIGHT = 0.8  # slope at the end over that at the beginning
BEGUN_HIGH = 3.0  # times the pressure to isolate at: what fills the system there is mostly vapor
# Shares of the allowed rise: a steady rise that is called a leak, and one that may be there where none is called. Walls
# and gaskets of a sound system give off a tenth or less.
CALLED, MATTERS = 0.25, 0.2
UNMEASURED_DRIFT_K = 3.0  # half-width assumed where no temperature was measured
HOLDS = 1.0  # a drier holds up to so much of the air that stands over it


class RiseCause(StrEnum):
    """The value is the code that words.py knows it by."""

    TIGHT = "tight"
    LEVELS_OFF = "levels_off"
    LEAK = "leak"
    LEAK_AND_RISE = "leak_and_rise"
    MASKED = "masked"
    CANNOT_TELL = "unknown"


LEAKING = (RiseCause.LEAK, RiseCause.LEAK_AND_RISE)
NOT_LEAKING = (RiseCause.TIGHT, RiseCause.LEVELS_OFF)


@dataclass(frozen=True, slots=True)
class RiseJudgment:
    """rate_pa_s, u_rate: steady part of the rise by the plainest curve that fits. at_most_pa_s: largest
    steady rate still in play (k = 2), whatever the shape. smallest_pa_s: least one that the test would have told from
    none (95 % both ways).

    confidence: probability that there is a leak, where one is called, and that the steady rate is under what
    matters, where none is. settles_s: slowest time constant of what gives off gas, 0 when nothing does. isolate_s: how
    long the test should be in all, 0 when long enough. levels_off_at_pa: None when no part levels off. fell_pa: by
    which the pressure fell after the isolation, 0 when it did not. why: a code of words.py, for CANNOT_TELL.
    """

    cause: RiseCause
    rate_pa_s: float
    u_rate: float
    at_most_pa_s: float
    smallest_pa_s: float
    confidence: float
    levels_off_at_pa: float | None
    settles_s: float
    isolate_s: float = 0.0
    why: str = ""
    fell_pa: float = 0.0


def judge_rise(
    fit: RiseFit,
    *,
    allowed_pa_s: float,
    begin_pa: float = math.inf,
    u_extra_pa_s: float = 0.0,
    drift_pa_s: float = 0.0,
    water_pa: float | None = None,
    warming_k_s: float | None = 0.0,
) -> RiseJudgment:
    """Apply the rule.

    allowed_pa_s: what the profile lets the pressure rise, over its hold. begin_pa: at which it wants the system
    isolated. u_extra_pa_s: added to every rate (k = 1), such as from a temperature that was not measured at the gas.
    drift_pa_s: by which the gauge's zero may drift, either way. water_pa: what the gauge may show at the most over
    water at the temperature measured last, None when there was none. warming_k_s: trend of the temperature, K/s;
    None where none was measured: UNMEASURED_DRIFT_K either way is allowed for.
    """
    matters = MATTERS * allowed_pa_s
    bent = fit.z_bend > K
    span_s, rate = fit.span_s, 0.5 * (fit.low_pa_s + fit.high_pa_s) if bent else fit.line_pa_s
    allowed_pa = allowed_pa_s * span_s
    given = fit.given_off_pa if bent else 0.0
    levelling = given if given > max(10.0 * fit.u_block_pa, 0.25 * allowed_pa) else 0.0
    end_pa = fit.at(fit.t0_s + span_s)
    per_k = VAPOR_PER_K * (fit.start_pa + given if levelling else end_pa)
    u_system = math.hypot(u_extra_pa_s, drift_pa_s / math.sqrt(3.0), _unlike_fitted(fit, water_pa, allowed_pa) / span_s)
    follows = 0.0  # Pa/s: what vapor would make of a steady trend, which cannot be told from a line
    if warming_k_s is None:  # neither the drift nor the share of vapor is known: rectangular both
        u_system = math.hypot(u_system, per_k * UNMEASURED_DRIFT_K / span_s / 3.0)
    elif fit.per_k == 0.0:
        follows = per_k * warming_k_s
    if levelling:
        u_system = math.hypot(u_system, follows)
    low = rate - math.hypot(max(rate - fit.low_pa_s, 0.0), K * u_system)
    high = rate + math.hypot(max(fit.high_pa_s - rate, 0.0), K * u_system)
    if rate < 0.0:
        high = max(high, -rate)  # what takes up so much may take up a leak of that size
    u_wide = (high - low) / (2.0 * K)  # all shapes in play
    stated, u = (fit.plain_pa_s, fit.u_plain_pa_s) if bent else (fit.line_pa_s, fit.u_line_pa_s)
    if (
        bent and _straightness(fit) >= STRAIGHT and u >= 0.99 * (fit.high_pa_s - fit.low_pa_s) / (2.0 * K)
    ):  # a slow part bends the line a little
        stated = fit.line_pa_s
    u = math.hypot(u, u_system)
    fell = _fell(fit)

    def judged(cause: RiseCause, confidence: float, isolate_s: float = 0.0, why: str = "") -> RiseJudgment:
        level = fit.levels_off_at_pa if levelling else None
        settles = fit.slowest_s if given else 0.0
        return RiseJudgment(cause, stated, u, high, 3.29 * u_wide, confidence, level, settles, isolate_s, why, fell)

    buried = levelling > BURIES * allowed_pa and _straightness(fit) < STRAIGHT
    beyond_water = water_pa is not None and end_pa > BEYOND_WATER * water_pa
    warmed = 0.0 if levelling else max(follows, 0.0)
    hidden = max(-follows, 0.0) if fit.start_pa > begin_pa and not levelling else 0.0
    high_begun = fit.start_pa > BEGUN_HIGH * begin_pa and end_pa < 2.0 * fit.start_pa
    taken_up = fit.taken_up_pa > 0.2 * max(end_pa - fit.start_pa, 0.0)
    clear = low > 0.0 and rate >= CALLED * allowed_pa_s and not taken_up
    if clear and low > warmed and ((not buried and not high_begun) or beyond_water):
        # a part slower than half the test only bends the line a little: no name is given to that
        beside = levelling > 0.0 and fit.slowest_s <= 0.5 * span_s
        return judged(
            RiseCause.LEAK_AND_RISE if beside else RiseCause.LEAK, _normal(rate / max(rate - low, 1e-300) * K)
        )
    held_back = 1.0 + (HOLDS if levelling else 0.0)
    if -matters < rate and held_back * high + hidden < matters and not taken_up:
        confidence = _normal((matters - rate) / max((high - rate) / K, 1e-300))
        return judged(RiseCause.LEVELS_OFF if levelling else RiseCause.TIGHT, confidence)
    undecided = _normal(abs(fit.z_leak))
    if levelling:
        on = 3.0 * fit.slowest_s if span_s < 3.0 * fit.slowest_s else 0.0
        return judged(RiseCause.MASKED, undecided, min(on, 8.0 * span_s))
    # the interval of a rate shrinks about as the test's length to the power of 2.5
    wanted = max(min(high - matters, rate - drift_pa_s - low), 0.3 * (high - low))
    needed = span_s * min(max(((high - low) / max(high - low - wanted, 0.1 * (high - low))) ** 0.4, 1.5), 8.0)
    if fell or taken_up:
        return judged(RiseCause.CANNOT_TELL, undecided, needed, "taken_up")
    if given and fit.slowest_s > span_s / 3.0:
        needed = max(needed, 3.0 * min(fit.slowest_s, 2.0 * span_s))
        return judged(RiseCause.CANNOT_TELL, undecided, needed, "still_rising")
    if high_begun:
        return judged(RiseCause.CANNOT_TELL, undecided, 0.0, "isolated_too_high")
    if clear or hidden > 0.0:
        return judged(RiseCause.CANNOT_TELL, undecided, needed, "vapor_follows_temperature")
    return judged(RiseCause.CANNOT_TELL, undecided, needed, "scatter" if rate < matters else "too_short")


def _normal(z: float) -> float:
    """Probability that a normal deviate lies under z."""
    return 0.5 * (1.0 + math.erf(z / math.sqrt(2.0)))


def _fell(fit: RiseFit) -> float:
    """By how much the fitted curve falls below its start, Pa; 0 where that is no more than noise."""
    lowest = min(fit.at(fit.t0_s + fit.span_s * i / 20.0) for i in range(21))
    fell = fit.start_pa - lowest
    return fell if fell > max(4.0 * fit.u_block_pa, 2.0 * MICRON_PA) else 0.0


def _straightness(fit: RiseFit) -> float:
    """Slope at the end of the test over that after its first tenth; 1 for a line, 0 for what has levelled off."""
    first = fit.slope(0.1 * fit.span_s)
    return fit.slope(fit.span_s) / first if first > 0.0 else 0.0


def _unlike_fitted(fit: RiseFit, water_pa: float | None, allowed_pa: float) -> float:
    """How far what was given off may stray from its fitted curve over the test, Pa (k = 1): a share of its size, from
    simulated water with its heat and mass balance.

    Water that is left comes to rest at its vapor pressure. What has long come to rest well below it was a store that
    is used up, and strays little more.
    """
    ends = fit.levels_off_at_pa
    settled = ends is not None and fit.span_s >= 5.0 * fit.slowest_s and water_pa is not None and ends < 0.4 * water_pa
    if settled:
        return fit.given_off_pa * STRAYS_SETTLED
    return fit.given_off_pa * (STRAYS_LARGE if fit.given_off_pa > BURIES * allowed_pa else STRAYS)
