"""Time until an amount is through, from the rate now, with a band; a rate that dies away is allowed for."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from logger.model.value import Value, known, unknown
from logger.statistics.least_squares import line
from logger.wording.numbers import mass

_MAX_S = 7 * 86400.0
_ALL = 0.98  # of what an exponential still brings
_MODEL = 0.10  # of the time, standard uncertainty: a rate falls only roughly exponentially


@dataclass(frozen=True, slots=True)
class TimeLeft:
    """value: seconds. low_s, high_s: band (k=2); high_s None when there is no telling how late."""

    value: Value
    low_s: float | None = None
    high_s: float | None = None


def time_left(amount: Value, rate: Value, *, decay: Value | None = None, may_slow: str | None = None) -> TimeLeft:
    """amount still to go (kg, or the unit of rate x s) at `rate`, both positive.

    decay: time constant (s, with u) of a rate that falls exponentially, as vapour leaving a circuit does: then rate *
    decay is all that is still to come, and an amount beyond it has no time. may_slow: why the rate will not last; then
    the time is the earliest, without an upper bound.
    """
    if amount.number is None:
        return TimeLeft(unknown("s", str(amount.problem)))
    if rate.number is None:
        return TimeLeft(unknown("s", str(rate.problem)))
    u_amount, u_rate = amount.u or 0.0, rate.u or 0.0
    if amount.number <= 0:
        return TimeLeft(known(0.0, "s", 0.0, "reached"), 0.0, 0.0)
    if rate.number <= 2 * u_rate:
        return TimeLeft(unknown("s", "no flow"))
    seconds = amount.number / rate.number
    low = max(amount.number - 2 * u_amount, 0.0) / (rate.number + 2 * u_rate)
    high: float | None = (amount.number + 2 * u_amount) / (rate.number - 2 * u_rate)
    u = seconds * math.hypot(u_amount / amount.number, u_rate / rate.number)
    note = may_slow
    if decay is not None and decay.number is not None:
        coming = rate.number * decay.number
        if amount.number >= _ALL * coming:
            return TimeLeft(unknown("s", f"the rate is dying away: about {mass(coming)} more will come like this"), low)
        seconds = -decay.number * math.log1p(-amount.number / coming)
        shortest = decay.number - 2 * (decay.u or 0.0)
        worst = (amount.number + 2 * u_amount) / ((rate.number - 2 * u_rate) * shortest) if shortest > 0 else 1.0
        high = -shortest * math.log1p(-worst) * (1 + 2 * _MODEL) if worst < _ALL else None
        u = math.hypot(u * seconds * rate.number / amount.number, _MODEL * seconds)
        note = "allows for the falling rate"
    elif may_slow is not None:
        high = None
    if seconds > _MAX_S:
        return TimeLeft(unknown("s", "more than a week at this rate"), low)
    return TimeLeft(known(seconds, "s", u, note), low, high)


def decay_time(t_s: Sequence[float], rate: Sequence[float]) -> Value:
    """Time constant (s) of a rate that falls exponentially; unknown when it does not fall beyond its scatter."""
    pairs = [(t, math.log(r)) for t, r in zip(t_s, rate, strict=True) if r > 0]
    if len(pairs) < 8:
        return unknown("s", "too few rates")
    fit = line([t for t, _ in pairs], [y for _, y in pairs])
    if fit is None or fit.slope + 3 * fit.u_slope >= 0:
        return unknown("s", "the rate does not fall beyond its scatter")
    return known(-1.0 / fit.slope, "s", fit.u_slope / fit.slope**2)
