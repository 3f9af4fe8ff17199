"""A line whose level may step but whose slope is common, fitted over the best window that still agrees with itself.

Readings lie in segments; between two segments the level stepped by an unknown amount that is not of interest. Running
sums make the slope of any stretch cheap, so that windows of growing length can be compared each second.

A long window knows its mean slope well, but that is the slope of its middle: where the flow dies away, the mean lags
behind by many times its own uncertainty. So each window carries its slope on to its end, by how much it changed between
the window's halves, and states the uncertainty of that too. A change that is no more than noise is trusted only as
far as flows change by themselves.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

KAPPA = 3.0  # width of the confidence intervals that must intersect
BREAK = 5.0  # halves that differ by more of their uncertainties are two flows, not one
CHANGES_IN_S = 600.0  # a flow that nobody switches needs about this long to change by as much as itself: our own figure
CURVED = 0.4  # by this share of (change in half a window)^2 / slope an exponential differs from its parabola at the end
MIN_WINDOW = 12  # readings in the shortest window; each longer one is twice the one before, which is its newer half
PEAK, PEAK_SHARE = 2.08, 0.436  # of the spherical Bessel function j1


@dataclass(frozen=True, slots=True)
class LineFit:
    """Slope and level at t_s, the newest reading, with their standard uncertainties.

    window_s: how far back it reaches. u_mean: of the mean slope over it.
    """

    slope: float
    u_slope: float
    t_s: float
    level: float
    u_level: float
    window_s: float
    u_mean: float

    def at(self, t_s: float) -> float:
        return self.level + self.slope * (t_s - self.t_s)


class _Mean(NamedTuple):
    """Mean slope of a stretch of readings, its standard uncertainty, and the stretch's mean time."""

    slope: float
    u: float
    t_s: float


class _BentWindow(NamedTuple):
    """slope, u: at the newest reading. u_mean: of the mean slope alone. bend, u_bend: change of the slope a second.

    broken: its halves differ by more than a bend explains.
    """

    first: int
    slope: float
    u: float
    u_mean: float
    bend: float
    u_bend: float
    lag_s: float
    broken: bool


class SegmentedLine:
    """Bounded: keeps at least the last `keep` readings."""

    def __init__(self, keep: int) -> None:
        self._keep = keep
        self._sizes = [MIN_WINDOW << k for k in range(keep.bit_length()) if MIN_WINDOW << k <= keep]
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

    def fit(self, noise: float, rounding: float, division: float, spacing_s: float) -> LineFit | None:
        """The window of the least uncertainty, of those that agree with all shorter ones; None with too few readings.

        Agreement: intersection of confidence intervals (Goldenshluger and Nemirovski 1997). noise: standard deviation
        of a reading; rounding: see `u_slope`; division: step of the scale; spacing_s: between readings.
        """
        n = len(self.t)
        scale = noise, rounding, division, spacing_s
        low, high = -math.inf, math.inf
        best: _BentWindow | None = None
        mean = self._mean(n - MIN_WINDOW // 2, n, *scale) if n >= MIN_WINDOW else None
        for count in self._sizes:
            if count > n:
                break
            newer, mean = mean, self._mean(n - count, n, *scale)
            older = self._mean(n - count, n - count // 2, *scale)
            if mean is None or newer is None or older is None:
                continue
            window = self._window(n - count, mean, older, newer)
            if best is None and window.broken and self._straight(n - count // 2, newer.slope, noise, division):
                return self._at_end(self._only(n - count // 2, newer), noise, division)  # since a valve moved
            low, high = max(low, window.slope - KAPPA * window.u), min(high, window.slope + KAPPA * window.u)
            if best is not None and (low > high or window.broken):
                break
            if best is None or window.u < best.u:
                best = window
        return None if best is None else self._at_end(best, noise, division)

    def _mean(
        self, first: int, end: int, noise: float, rounding: float, division: float, spacing_s: float
    ) -> _Mean | None:
        """Of the readings from `first` to before `end`; None where each is a segment by itself."""
        sxx, sxy = self._pooled(first, end)
        if sxx <= 0:
            return None
        slope, n = sxy / sxx, end - first
        u = u_slope(slope, noise, rounding, division, n, spacing_s, sxx)
        return _Mean(slope, u, self.t[0] + (self._sums[end][0] - self._sums[first][0]) / n)

    def _window(self, first: int, mean: _Mean, older: _Mean, newer: _Mean) -> _BentWindow:
        apart_s, lag_s = newer.t_s - older.t_s, self.t[-1] - mean.t_s
        size = abs(mean.slope) + mean.u
        natural = (size / CHANGES_IN_S) ** 2
        seen, noise = (newer.slope - older.slope) / apart_s, (newer.u**2 + older.u**2) / apart_s**2
        share = natural / (natural + noise)
        bend, u_bend = share * seen, math.sqrt(share * noise)
        u = math.sqrt(mean.u**2 + (u_bend * lag_s) ** 2 + (CURVED * (bend * lag_s) ** 2 / size) ** 2)
        broken = abs(seen) > math.sqrt(BREAK**2 * noise + 4 * natural)
        return _BentWindow(first, mean.slope + bend * lag_s, u, mean.u, bend, u_bend, lag_s, broken)

    def _straight(self, first: int, slope: float, noise: float, division: float) -> bool:
        """The newest readings lie on a line: a valve moved before them, and nothing swings."""
        t, y = self.t[first:], self.y[first:]
        middle_s, middle = sum(t) / len(t), sum(y) / len(y)
        off = max(abs(b - middle - slope * (a - middle_s)) for a, b in zip(t, y, strict=True))
        return self._starts[-1] <= first and off <= division / 2 + 2 * noise

    def _only(self, first: int, mean: _Mean) -> _BentWindow:
        """A window too short for a bend to be seen: it may change as flows do by themselves."""
        lag_s, u_bend = self.t[-1] - mean.t_s, (abs(mean.slope) + mean.u) / CHANGES_IN_S
        return _BentWindow(first, mean.slope, math.hypot(mean.u, u_bend * lag_s), mean.u, 0.0, u_bend, lag_s, True)

    def _at_end(self, window: _BentWindow, noise: float, division: float) -> LineFit:
        """The level is that of the newest segment, its mean carried on to the newest reading."""
        n = len(self.t)
        first = max(window.first, self._starts[-1])
        k = n - first
        (st, sy, _, _), (rt, ry, _, _) = self._sums[n], self._sums[first]
        back_s = self.t[-1] - self.t[0] - (st - rt) / k
        level = self.y[0] + (sy - ry) / k + window.slope * back_s - 2 / 3 * window.bend * back_s**2
        by_bend = window.u_bend * back_s * (window.lag_s - 2 / 3 * back_s)
        u_level = math.sqrt(noise**2 / k + division**2 / 12 + (window.u_mean * back_s) ** 2 + by_bend**2)
        window_s = self.t[-1] - self.t[window.first]
        return LineFit(window.slope, window.u, self.t[-1], level, u_level, window_s, window.u_mean)

    def _pooled(self, first: int, end: int) -> tuple[float, float]:
        """Sums of squares and products about the mean of each segment, from `first` to before `end`."""
        sums = self._sums
        sxx = sxy = 0.0
        for start in reversed(self._starts):
            if start < end:
                begin = max(start, first)
                k = end - begin
                st, sy, stt, sty = sums[end]
                rt, ry, rtt, rty = sums[begin]
                dt = st - rt
                sxx += stt - rtt - dt * dt / k
                sxy += sty - rty - dt * (sy - ry) / k
                end = begin
                if start <= first:
                    break
        return sxx, sxy


def u_slope(
    slope: float, noise: float, rounding: float, division: float, n: int, spacing_s: float, sxx: float
) -> float:
    """Standard uncertainty of a mean slope from noise, and from rounding that the noise does not shake away.

    rounding: standard deviation of the mean rounding error over all places between two divisions. It is a wave that
    repeats with every division: a slope through many waves hardly sees it, one through about one sees most of it. How
    many there were is known only as well as the slope is.
    """
    white = noise * noise / sxx
    run = math.sqrt(12 * sxx / n) / spacing_s  # readings between two steps, were they all as far apart
    waved = 3 * run * rounding * rounding / sxx
    u = math.sqrt(white + waved * PEAK_SHARE**2)
    if u * u < 1.05 * white:
        return u
    per_reading = abs(slope) * spacing_s / division
    waves = (abs(per_reading - round(per_reading)) if per_reading > 0.5 else per_reading) * run
    for _ in range(2):
        unsure = u * spacing_s * run / division
        seen = _seen_of_waves(math.pi * (waves - unsure), math.pi * (waves + unsure))
        u = math.sqrt(white + waved * seen * seen)
    return u


def _seen_of_waves(low: float, high: float) -> float:
    """The largest response of a least-squares slope to a wave of between `low` and `high` half-turns in the run.

    Spherical Bessel function j1; beyond its first peak without its ripple.
    """
    if low <= PEAK <= high:
        return PEAK_SHARE
    x = high if high < PEAK else low
    if x < 0.01:
        return x / 3
    return abs(math.sin(x) - x * math.cos(x)) / (x * x) if x < 3.5 else 1 / (math.sqrt(2) * x)
