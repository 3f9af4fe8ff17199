"""One figure of two runs: ratio, interval, and whether they differ by more than the uncertainty."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from logger.model.points import Quantity
from logger.model.value import Argument, Value, known, unknown
from logger.statistics.least_squares import line

K = 2.0


class Answer(StrEnum):
    MORE = "more"
    LESS = "less"
    SAME = "no difference seen"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Measure:
    """One figure of both. key: what is measured; at: between or after what. ratio: b over a, low..high its 95 %
    interval. difference: the quantity of b less a, where that is judged and a ratio would say nothing."""

    key: str
    at: tuple[Argument, ...]
    a: Value
    b: Value
    ratio: Value
    low: float | None
    high: float | None
    answer: Answer
    difference: Quantity | None = None

    @property
    def u_difference(self) -> float | None:
        return None if self.a.u is None or self.b.u is None else math.hypot(self.a.u, self.b.u)


def measure(key: str, a: Value, b: Value, *at: Argument) -> Measure:
    """Ratio b/a with its interval: in the logarithm where both are clear of zero, else only the difference decides."""
    if a.number is None or b.number is None:
        why = a.problem or b.problem or "unknown"
        return Measure(key, at, a, b, unknown("1", why), None, None, Answer.CANNOT_TELL)
    u_a, u_b = a.u or 0.0, b.u or 0.0
    answer = _answer(b.number - a.number, K * math.hypot(u_a, u_b))
    if a.number <= K * u_a or b.number <= K * u_b:
        ratio = unknown("1", "one of them is zero within its uncertainty, so there is no ratio")
        return Measure(key, at, a, b, ratio, None, None, answer)
    value = b.number / a.number
    relative = math.hypot(u_a / a.number, u_b / b.number)
    low, high = value * math.exp(-K * relative), value * math.exp(K * relative)
    return Measure(key, at, a, b, known(value, "1", value * relative), low, high, answer)


def by_difference(key: str, a: Value, b: Value, quantity: Quantity, floor: float = 0.0) -> Measure:
    """A measure whose ratio would say nothing. floor: least difference worth naming."""
    no_ratio = unknown("1", "a ratio of these says nothing")
    answer = Answer.CANNOT_TELL
    if a.number is not None and b.number is not None and a.u is not None and b.u is not None:
        answer = _answer(b.number - a.number, max(K * math.hypot(a.u, b.u), floor))
    return Measure(key, (), a, b, no_ratio, None, None, answer, quantity)


def _answer(gap: float, least: float) -> Answer:
    return Answer.SAME if abs(gap) <= least else Answer.MORE if gap > 0.0 else Answer.LESS


def crossing(x: Sequence[float], y: Sequence[float], level: float, upward: bool) -> tuple[float, float] | None:
    """(x where y first passes the level, interpolated; local slope). None when it never does."""
    for i in range(1, len(y)):
        beyond = y[i] >= level if upward else y[i] <= level
        if beyond:
            step = y[i] - y[i - 1]
            share = (level - y[i - 1]) / step if step else 1.0
            lo, hi = max(i - 4, 0), min(i + 4, len(y))
            fit = line(x[lo:hi], y[lo:hi])
            slope = fit.slope if fit is not None and fit.slope != 0.0 else step / (x[i] - x[i - 1])
            return x[i - 1] + min(max(share, 0.0), 1.0) * (x[i] - x[i - 1]), slope
    return None
