"""A line whose level may step but whose slope is common, fitted over the longest window that still agrees with itself.

Readings lie in segments; between two segments the level stepped by an unknown amount that is not of interest. Running
sums make the fit of any window cheap, so that a dozen windows of growing length can be compared each second.
"""

import math
from dataclasses import dataclass

KAPPA = 2.5  # width of the confidence intervals that must intersect
GROWTH = 1.4  # each window is this much longer than the one before
MIN_WINDOW = 12  # readings in the shortest window


@dataclass(frozen=True, slots=True)
class LineFit:
    """slope and its standard uncertainty; the newest segment's mean point and the uncertainty of the level at t_s."""

    slope: float
    u_slope: float
    t_mean: float
    y_mean: float
    t_s: float
    u_level: float

    def at(self, t_s: float) -> float:
        return self.y_mean + self.slope * (t_s - self.t_mean)


class SegmentedLine:
    """Bounded: keeps at least the last `keep` readings."""

    def __init__(self, keep: int) -> None:
        self._keep = keep
        self.clear()

    def clear(self) -> None:
        """Forget all readings."""
        self.t: list[float] = []
        self.y: list[float] = []
        self._starts: list[int] = []  # index of each segment's first reading
        self._sums: list[tuple[float, float, float, float]] = [(0.0, 0.0, 0.0, 0.0)]  # t, y, tt, ty before each reading

    def __len__(self) -> int:
        return len(self.t)

    def append(self, t: float, y: float, *, new_segment: bool = False) -> None:
        """t: seconds, rising. y: any unit, the same for all. new_segment: no line goes through this reading and
        those before."""
        if len(self.t) >= 2 * self._keep:
            self._trim()
        if new_segment or not self.t:
            self._starts.append(len(self.t))
        self.t.append(t)
        self.y.append(y)
        self._add(t, y)

    def _add(self, t: float, y: float) -> None:
        dt, dy = t - self.t[0], y - self.y[0]  # about the oldest reading, for digits
        st, sy, stt, sty = self._sums[-1]
        self._sums.append((st + dt, sy + dy, stt + dt * dt, sty + dt * dy))

    def _trim(self) -> None:
        cut = len(self.t) - self._keep
        del self.t[:cut], self.y[:cut]
        self._starts = sorted({max(0, start - cut) for start in self._starts})
        self._sums = [(0.0, 0.0, 0.0, 0.0)]
        for t, y in zip(self.t, self.y, strict=True):
            self._add(t, y)

    def recent(self, n: int) -> list[tuple[float, float]]:
        """The last n readings, oldest first, as far back as no step lies between."""
        first = max(len(self.t) - n, self._starts[-1]) if self.t else 0
        return list(zip(self.t[first:], self.y[first:], strict=True))

    @property
    def at_segment_start(self) -> bool:
        """Fewer than two readings since the last step."""
        return len(self.t) - self._starts[-1] < 2 if self.t else True

    def fit(self, noise: float, division: float, spacing_s: float) -> LineFit | None:
        """Intersection of confidence intervals (Goldenshluger and Nemirovski 1997); None with too few readings.

        noise: standard deviation of a reading; division: step of the scale; spacing_s: between readings.
        """
        n = len(self.t)
        longest = min(n, self._keep)
        low, high = -math.inf, math.inf
        best: tuple[float, float] | None = None
        count = MIN_WINDOW
        while count <= longest:
            sxx, sxy = self._pooled(n - count)
            if sxx > 0:
                slope = sxy / sxx
                u = u_slope(slope, noise, division, count, spacing_s, sxx)
                low, high = max(low, slope - KAPPA * u), min(high, slope + KAPPA * u)
                if low > high and best is not None:
                    break
                best = slope, u
                width = count
            if count == longest:
                break
            count = min(math.ceil(count * GROWTH), longest)
        if best is None:
            return None
        slope, u = best
        first = max(n - width, self._starts[-1])
        k = n - first
        t0, y0 = self.t[0], self.y[0]
        (st, sy, _, _), (rt, ry, _, _) = self._sums[n], self._sums[first]
        t_mean, y_mean = t0 + (st - rt) / k, y0 + (sy - ry) / k
        now = self.t[-1]
        u_level = math.sqrt(noise**2 / k + division**2 / 12 + (u * (now - t_mean)) ** 2)
        return LineFit(slope, u, t_mean, y_mean, now, u_level)

    def _pooled(self, first: int) -> tuple[float, float]:
        """Sums of squares and products about the mean of each segment, from reading `first` on."""
        sums, end = self._sums, len(self.t)
        sxx = sxy = 0.0
        for start in reversed(self._starts):
            begin = max(start, first)
            k = end - begin
            if k > 0:
                st, sy, stt, sty = sums[end]
                rt, ry, rtt, rty = sums[begin]
                dt = st - rt
                sxx += stt - rtt - dt * dt / k
                sxy += sty - rty - dt * (sy - ry) / k
            if start <= first:
                break
            end = start
        return sxx, sxy


def u_slope(slope: float, noise: float, division: float, n: int, spacing_s: float, sxx: float) -> float:
    """Standard uncertainty of a slope from noise and from the scale's division.

    Rounding errors of neighbouring readings repeat each other when the mass moves slowly, or by nearly whole
    divisions, from one to the next: then only as many count as the rounding error ran through its range, unless noise
    shakes the reading across divisions.
    """
    advance = abs(slope) * spacing_s / division
    advance = abs(advance - round(advance)) if advance > 0.5 else advance
    independent = max(1.0, n * advance, n * min(1.0, 4 * (noise / division) ** 2))
    return math.sqrt((noise**2 + division**2 / 12 * max(1.0, n / independent)) / sxx)
