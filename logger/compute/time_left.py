"""Time until an amount is through, from the rate now, with a band; a rate that dies away is allowed for."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from logger.compute.lsq import line
from logger.compute.wording import mass
from logger.model.value import Value, known, unknown

_LONGEST_S = 7 * 86400.0


@dataclass(frozen=True, slots=True)
class TimeLeft:
    """value: seconds. low_s, high_s: band (k=2); high_s None when there is no telling how late."""

    value: Value
    low_s: float | None = None
    high_s: float | None = None


def time_left(amount: Value, rate: Value, *, decay_s: float | None = None) -> TimeLeft:
    """amount still to go (kg, or the unit of rate x s) at `rate`, both positive.

    decay_s: time constant of a rate that falls exponentially (vapour leaving a circuit): then rate * decay_s is all
    that is still to come, and an amount beyond it has no time.
    """
    if amount.number is None:
        return TimeLeft(unknown("s", str(amount.problem)))
    if rate.number is None:
        return TimeLeft(unknown("s", str(rate.problem)))
    u_amount, u_rate = amount.u or 0.0, rate.u or 0.0
    if amount.number <= 0:
        return TimeLeft(known(0.0, "s", 0.0, "reached"), 0.0, 0.0)
    if rate.number <= 2 * u_rate or rate.number <= 0:
        return TimeLeft(unknown("s", "no flow in this direction to speak of"))
    seconds = amount.number / rate.number
    low = max(amount.number - 2 * u_amount, 0.0) / (rate.number + 2 * u_rate)
    high: float | None = (amount.number + 2 * u_amount) / (rate.number - 2 * u_rate)
    note = None
    if decay_s is not None:
        coming = rate.number * decay_s
        if amount.number >= 0.98 * coming:
            return TimeLeft(unknown("s", f"the rate is dying away: about {mass(coming)} more will come like this"), low)
        seconds = -decay_s * math.log1p(-amount.number / coming)
        above = (amount.number + 2 * u_amount) / coming
        high = -decay_s * math.log1p(-above) if above < 0.98 else None
        note = "allows for the falling rate"
    if seconds > _LONGEST_S:
        return TimeLeft(unknown("s", "more than a week at this rate"), low)
    u = seconds * math.hypot(u_amount / amount.number, u_rate / rate.number)
    return TimeLeft(known(seconds, "s", u, note), low, high)


def decay_time(t_s: Sequence[float], rate: Sequence[float]) -> float | None:
    """Time constant (s) of a rate that falls exponentially, None when it does not fall beyond its scatter."""
    pairs = [(t, math.log(r)) for t, r in zip(t_s, rate, strict=True) if r > 0]
    if len(pairs) < 8:
        return None
    fit = line([t for t, _ in pairs], [y for _, y in pairs])
    if fit is None or fit.slope + 3 * fit.u_slope >= 0:
        return None
    return -1.0 / fit.slope
