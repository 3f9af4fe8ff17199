"""One figure of two runs: ratio, interval, and whether they differ by more than the uncertainty."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from logger.model.value import Value, known, unknown
from logger.statistics.least_squares import line

K = 2.0


class Answer(StrEnum):
    MORE = "more"
    LESS = "less"
    SAME = "no difference seen"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Measure:
    """One figure of both. ratio: b over a, low..high its 95 % interval. text: plain words."""

    name: str
    a: Value
    b: Value
    ratio: Value
    low: float | None
    high: float | None
    answer: Answer
    text: str


def measure(name: str, a: Value, b: Value, verb: str, more: str, less: str) -> Measure:
    """Ratio b/a with its interval: in the logarithm where both are clear of zero, else only the difference decides."""
    if a.number is None or b.number is None:
        why = a.problem or b.problem or "unknown"
        return Measure(name, a, b, unknown("1", why), None, None, Answer.CANNOT_TELL, f"{name}: unknown, because {why}")
    u_a, u_b = a.u or 0.0, b.u or 0.0
    gap, u_gap = b.number - a.number, math.hypot(u_a, u_b)
    clear = abs(gap) > K * u_gap
    answer = (Answer.MORE if gap > 0.0 else Answer.LESS) if clear else Answer.SAME
    if a.number <= K * u_a or b.number <= K * u_b:
        ratio = unknown("1", "one of them is not told from zero, so there is no ratio")
        low = high = None
        words = f"B {verb} {more if gap > 0 else less}" if clear else "no difference beyond the uncertainty"
        return Measure(name, a, b, ratio, low, high, answer, f"{name}: {words}")
    value = b.number / a.number
    relative = math.hypot(u_a / a.number, u_b / b.number)
    low, high = value * math.exp(-K * relative), value * math.exp(K * relative)
    ratio = known(value, "1", value * relative)
    if not clear:
        text = f"{name}: no difference beyond the uncertainty (B is {low:.2f} to {high:.2f} times A)"
        return Measure(name, a, b, ratio, low, high, answer, text)
    if value >= 2.0:
        digits = 1 if value < 20.0 else 0
        told, first, last = (f"{x:,.{digits}f}" for x in (value, low, high))
        text = f"{name}: B is {told} times A ({first} to {last}, 95 %)"
        return Measure(name, a, b, ratio, low, high, answer, text)
    change = abs(value - 1.0)
    ends = sorted((abs(low - 1.0), abs(high - 1.0)))
    digits = 0 if ends[1] - ends[0] >= 0.02 else 1
    told, first, last = (f"{x:.{digits}%}" for x in (change, *ends))
    text = f"{name}: B {verb} {told} {more if gap > 0.0 else less} ({first} to {last}, 95 %)"
    return Measure(name, a, b, ratio, low, high, answer, text)


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
