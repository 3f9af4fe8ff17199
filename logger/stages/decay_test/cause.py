"""What made the pressure rise in a closed system: nothing, a leak, something that levels off, or both.

Two questions, answered apart. Does part of the rise level off? When a shape that does so beats every other by odds of
20 to 1. Is there a leak? Yes when a shape with a straight line beats every shape without one by those odds, its rate
is clear of zero by two standard uncertainties, and is at least a fifth of what the acceptance profile lets the
pressure rise. No when every shape still in play keeps the rate, with two standard uncertainties, under that fifth.

A large part that levels off is never exactly an exponential: water cools, freezes, melts and warms, and while its heat
comes in steadily its vapour does too, in a straight line. So beside a large one a leak is neither called nor ruled
out, unless the pressure stands above what water at the measured temperature can make. Dry first, then ask again.

Vapour in balance with water or oil follows the temperature with all of its pressure, in a straight line where that
drifts in one: a leak is only called above what the warming could make, and above the pressure to isolate at nothing
is called tight that the cooling could hide.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from logger.stages.decay_test.rise_fit import CLEAR, Shape, ShapeFit, Shapes

K = 2.0  # coverage factor, about 95 %
STRAYS = 0.02
VAPOUR_PER_K = 0.06  # vapour over water gains 6 to 7 % a kelvin, refrigerant over oil some 3
STRAYS_SETTLED = 0.003
BEYOND_WATER = 1.1
BURIES = 2.0  # a levelling part of so many allowed rises
STRAIGHT = 0.8  # slope at the end over that at the beginning
BEGUN_HIGH = 3.0  # times the pressure to isolate at: what fills the system there is mostly vapour
MATTERS = 0.2  # share of the allowed rise; walls and gaskets of a sound system give off a tenth or less


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
    """rate_pa_s, u_rate: steady part of the rise. at_most_pa_s: largest steady rate still in play (k = 2).

    confidence: for a leak, share of the evidence (weights from the criterion) on shapes with a line; for no leak,
    probability that the steady rate is under what matters.
    settles_s: slowest time constant in play, 0 when none. isolate_s: how long the test should be in all, 0 when long
    enough. levels_off_at_pa: None when no part levels off. why: a code of words.py, for CANNOT_TELL.
    """

    cause: RiseCause
    rate_pa_s: float
    u_rate: float
    at_most_pa_s: float
    confidence: float
    levels_off_at_pa: float | None
    settles_s: float
    isolate_s: float = 0.0
    why: str = ""


def judge_shapes(
    shapes: Shapes,
    *,
    span_s: float,
    allowed_pa_s: float,
    begin_pa: float = math.inf,
    u_extra_pa_s: float = 0.0,
    water_pa: float | None = None,
    warming_k_s: float = 0.0,
) -> RiseJudgment:
    """Apply the rule.

    allowed_pa_s: what the profile lets the pressure rise, over its hold. begin_pa: at which it wants the system
    isolated. u_extra_pa_s: added to every rate (k = 1),
    such as from a temperature that was not measured at the gas. water_pa: vapour pressure of water at the
    temperature measured last, None when there was none. warming_k_s: trend of the temperature, K/s.
    """
    matters = MATTERS * allowed_pa_s
    best = shapes.best
    lined = [s for s in (Shape.LINEAR, Shape.BOTH) if s in shapes.by_shape]
    unlined = [s for s in (Shape.FLAT, Shape.SATURATING) if s in shapes.by_shape]
    in_play = [f for f in shapes.by_shape.values() if f.criterion - best.criterion < CLEAR]
    # the rate is read from the shape that can tell it: with a levelling part if the data want one
    bent = best.shape in (Shape.SATURATING, Shape.BOTH) and Shape.BOTH in shapes.by_shape
    reference = shapes.by_shape[Shape.BOTH if bent else Shape.LINEAR]
    levelling = _levelling(best, shapes, allowed_pa_s * span_s)
    strays = _unlike_exponential(best, span_s, water_pa) / span_s
    end_pa = best.at(best.t0_s + span_s)
    follows = 0.0  # Pa/s: what vapour would make of a steady trend, which cannot be told from a line
    if best.per_k == 0.0:
        follows = VAPOUR_PER_K * warming_k_s * (best.levels_off_at_pa if levelling else end_pa)
    if levelling:
        strays = math.hypot(strays, follows)
    u = math.hypot(reference.u_rate, u_extra_pa_s, strays)

    def highest(fit: ShapeFit) -> float:
        return fit.rate_pa_s + K * math.hypot(fit.u_rate, u_extra_pa_s, strays)

    # a part that rises and levels off only takes from the line: the line alone bounds the rate from above
    at_most = min(
        max(highest(f) for f in [*in_play, reference] if f.shape in lined), highest(shapes.by_shape[Shape.LINEAR])
    )
    weights = {s: math.exp(-0.5 * (f.criterion - best.criterion)) for s, f in shapes.by_shape.items()}
    leak_share = sum(weights[s] for s in lined) / sum(weights.values())
    settles = max((f.slowest_s for f in in_play), default=0.0)

    def judged(cause: RiseCause, confidence: float, isolate_s: float = 0.0, why: str = "") -> RiseJudgment:
        level = best.levels_off_at_pa if levelling else None
        return RiseJudgment(cause, reference.rate_pa_s, u, at_most, confidence, level, settles, isolate_s, why)

    rate = reference.rate_pa_s
    buried = levelling > BURIES * allowed_pa_s * span_s and _straightness(best, span_s) < STRAIGHT
    beyond_water = water_pa is not None and end_pa > BEYOND_WATER * water_pa
    warmed = 0.0 if levelling else max(follows, 0.0)
    hidden = max(-follows, 0.0) if best.start_pa > begin_pa and not levelling else 0.0
    high = best.start_pa > BEGUN_HIGH * begin_pa and end_pa < 2.0 * best.start_pa
    straight = shapes.lead(unlined) >= CLEAR and rate - K * u > 0.0 and rate >= matters
    if straight and rate - K * u > warmed and ((not buried and not high) or beyond_water):
        # a part slower than half the test only bends the line a little: no name is given to that
        beside = levelling > 0.0 and best.shape is Shape.BOTH and best.slowest_s <= 0.5 * span_s
        return judged(RiseCause.LEAK_AND_RISE if beside else RiseCause.LEAK, leak_share)
    if -matters < rate and at_most + hidden < matters:
        under = 0.5 * (1.0 + math.erf((matters - rate) / max(u, 1e-300) / math.sqrt(2.0)))
        return judged(RiseCause.LEVELS_OFF if levelling else RiseCause.TIGHT, under)
    undecided = max(leak_share, 1.0 - leak_share)
    if levelling and shapes.lead([Shape.FLAT, Shape.LINEAR]) >= CLEAR:
        on = 3.0 * best.slowest_s if span_s < 3.0 * best.slowest_s else 0.0
        return judged(RiseCause.MASKED, undecided, on)
    needed = span_s * min(max((K * u / matters) ** (2.0 / 3.0), 1.5), 8.0)
    if settles > span_s / 3.0:
        needed = max(needed, 3.0 * min(settles, 2.0 * span_s))
        why = "still_rising"
        return judged(RiseCause.CANNOT_TELL, undecided, needed, why)
    if high:
        why = "isolated_too_high"
        return judged(RiseCause.CANNOT_TELL, undecided, 0.0, why)
    if straight or hidden > 0.0:
        why = "vapor_follows_temperature"
        return judged(RiseCause.CANNOT_TELL, undecided, needed, why)
    return judged(RiseCause.CANNOT_TELL, undecided, needed, "scatter")


def _levelling(best: ShapeFit, shapes: Shapes, allowed_pa: float) -> float:
    """Size of the part that levels off, Pa; 0 where it is only noise or the settling after a valve is closed."""
    size = sum(c for c, _ in best.terms)
    return size if size > max(10.0 * shapes.u_block_pa, 0.25 * allowed_pa) else 0.0


def _straightness(fit: ShapeFit, span_s: float) -> float:
    """Slope at the end of the test over that after its first tenth; 1 for a line, 0 for what has levelled off."""

    def slope(t: float) -> float:
        return fit.rate_pa_s + sum(c / tau * math.exp(-t / tau) for c, tau in fit.terms)

    first = slope(0.1 * span_s)
    return slope(span_s) / first if first > 0.0 else 0.0


def _unlike_exponential(fit: ShapeFit, span_s: float, water_pa: float | None) -> float:
    """How far a levelling part may stray from its fitted curve over the test, Pa (k = 1): a share of its size, from
    simulated water with its heat and mass balance.

    Water that is left comes to rest at its vapour pressure. What has long come to rest well below it was a store that
    is used up, and strays little more.
    """
    settled = span_s >= 5.0 * fit.slowest_s and water_pa is not None and fit.levels_off_at_pa < 0.4 * water_pa
    return sum(abs(c) for c, _ in fit.terms) * (STRAYS_SETTLED if settled else STRAYS)
