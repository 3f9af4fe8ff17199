"""A measured thing by the second: means, differences and rest, with how sure they are by noise and digits.

Noise is learned from second differences, which see neither level nor slope. Times are whole seconds; nothing depends on
which.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass

KEEP_S = 900
JOINED_S = 10  # a longer silence is a gap: no difference is taken across it
_TO_SIGMA = 1.0 / (0.798 * 6**0.5)  # mean of |second difference| of white noise -> its standard deviation


@dataclass(frozen=True, slots=True)
class Mean:
    """value: SI. u: standard uncertainty by noise and digits; what the sensor's accuracy adds is common to all."""

    value: float
    u: float


class SecondMeans:
    """One measuring point by the second, the newest KEEP_S of them. digits: standard uncertainty by them, SI."""

    def __init__(self, digits: float = 0.0) -> None:
        self.t: list[int] = []
        self.v: list[float] = []
        self.digits, self.noise = digits, digits
        self._learned = 0

    def add(self, t: int, value: float) -> None:
        """t never goes back."""
        times, values = self.t, self.v
        if times and t - times[-1] > JOINED_S:
            self.forget()
        elif len(values) > 1 and t - times[-2] == 2:
            second = abs(value - 2.0 * values[-1] + values[-2]) * _TO_SIGMA
            self._learned += 1
            if self._learned > 5:
                second = min(second, 6.0 * self.noise + 2.0 * self.digits)
            self.noise += max(0.02, 1.0 / (self._learned + 1)) * (second - self.noise)
        times.append(t)
        values.append(value)
        if len(times) > 2 * KEEP_S:
            del times[:KEEP_S], values[:KEEP_S]

    def forget(self) -> None:
        """What was before has nothing to do with what comes; the noise stays known."""
        self.t.clear()
        self.v.clear()

    def window(self, from_s: float, to_s: float = 0.0) -> list[float]:
        """Values from from_s (outside) to to_s (inside) before the newest."""
        times = self.t
        if not times:
            return []
        newest = times[-1]
        first = bisect_right(times, newest - from_s, max(0, len(times) - int(from_s) - 1))
        return self.v[first : bisect_right(times, newest - to_s, first)] if to_s else self.v[first:]

    def mean(self, from_s: float, to_s: float = 0.0) -> Mean | None:
        """None unless half of the seconds are there."""
        found = self.window(from_s, to_s)
        if not found or 2 * len(found) < from_s - to_s:
            return None
        return Mean(sum(found) / len(found), (self.noise**2 / len(found) + self.digits**2) ** 0.5)

    def means(self, parts: int, each_s: int) -> list[float] | None:
        """Of so many stretches that follow each other up to now, oldest first."""
        if not self.t or self.t[-1] - self.t[0] < parts * each_s - 1:
            return None
        found = []
        for i in range(parts, 0, -1):
            inside = self.window(i * each_s, (i - 1) * each_s)
            if not inside:
                return None
            found.append(sum(inside) / len(inside))
        return found

    def u(self, seconds: float) -> float:
        """Of the difference of two means over so many seconds."""
        return math.sqrt(2.0 * (self.noise**2 / max(seconds, 1.0) + self.digits**2))

    def at_rest(self, for_s: float, floor: float, k: float = 4.0) -> bool:
        """Whether its first and its last third of that time are the same within k u, or within the floor."""
        first, last = self.mean(for_s, for_s * 2 / 3), self.mean(for_s / 3)
        if first is None or last is None or self.t[-1] - self.t[0] < for_s - 2:
            return False
        return abs(last.value - first.value) <= max(floor, k * self.u(for_s / 3))
