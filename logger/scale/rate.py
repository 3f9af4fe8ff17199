"""Mass rate from a scale that steps, drifts, and gets bumped, tugged and lifted.

Live: readings become buckets (median of about a second). A bucket that jumps away from the line is set aside until
it is clear what happened:
  - it comes back: a bump, dropped (after a longer absence the level may have shifted, so a new segment begins);
  - it goes on continuously from the old line: the rate has changed, and everything set aside counts;
  - it stays away, steady: a step (a tugged hose, a lifted or swapped cylinder), and a new segment begins.
The rate is the common slope of all segments in a window, carried on to its end: a step between segments never counts
as flow. The window is the best of those that agree with all shorter ones (statistics/segmented_line.py): short right
after a change, long when steady. The stated uncertainty is the spread that rates have, for steady flows and for those
that die away; of a scale whose readings no noise shakes it is a bound, as such a scale hides where it is between two
divisions. For half a minute after a valve moved the rate may be off by more: the change has to show first.

A step of less than about two divisions cannot be told from flow and shows as rate for up to a minute.
"""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median, median_low

from logger.model.errors import ComputeError
from logger.model.value import Value, known, unknown
from logger.statistics.segmented_line import MIN_WINDOW, LineFit, SegmentedLine
from logger.wording.numbers import mass

UNIT = "kg/s"
# Noise of standard deviation s divisions leaves the share exp(-SHAKEN s^2) of the rounding error's variance: within a
# third of the sum over k of exp(-(2 pi k s)^2) / 2 (pi k)^2.
SHAKEN = 20.0
BIG_JUMP_KG = 2.0  # beyond: the cylinder was lifted, set down or swapped, and the rate is unknown until that is over
MAX_KG_S = 0.4  # no hose of this trade passes more
OFF_SCALE = 0.25  # of the level before: nothing but an empty scale drops so far
HISTORY_S = 600.0  # the longest window
MIN_RATES = 5  # for a median


@dataclass(frozen=True, slots=True)
class Disturbance:
    """Something that moved the scale other than flow.

    t_s: when it began. duration_s: until the scale was settled again. size_kg: how far away readings were (a bump) or
    how far the level moved for good (a step). before_kg, after_kg: settled level on either side; before a small step
    with the flow through the disturbance added, whose standard uncertainty is u_kg.
    """

    t_s: float
    duration_s: float
    size_kg: float
    stayed: bool
    before_kg: float
    after_kg: float
    u_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class FittedRate:
    """A rate, kg/s, with the standard uncertainty of the mean slope over its window, and that of the scale's drift."""

    rate: Value
    window_s: float
    u_mean: float
    u_drift: float


def median_rate(rates: Sequence[FittedRate], spacing_s: float) -> Value:
    """Median of rates, one each `spacing_s`, kg/s; unknown with fewer than five.

    Rates closer to each other than a window share their readings: only one a window counts as independent, and what
    each may be off by the scale's drift they share altogether. That each is carried on to its window's end averages out
    but for about as much again as the mean slope's own; a flow that changed shows as a spread of more than twice
    the rates' own.
    """
    numbers = [one.rate.number for one in rates if one.rate.number is not None]
    if len(numbers) < MIN_RATES:
        return unknown(UNIT, "not enough readings yet")
    middle = median(numbers)
    spread = 1.4826 * median(abs(number - middle) for number in numbers)
    changed = spread**2 if spread > 2 * median(one.rate.u or 0.0 for one in rates) else 0.0
    own = 2 * median(one.u_mean for one in rates) ** 2
    independent = max(1.0, len(numbers) * spacing_s / max(median(one.window_s for one in rates), spacing_s))
    drift = median(one.u_drift for one in rates)
    return known(middle, UNIT, math.sqrt((own + changed) / independent + drift**2))


class MassRate:
    """Live estimator in bounded memory. Positive when the scale gains.

    resolution_kg: the scale's division. noise_kg: standard deviation of a settled reading, learned from then on.
    drift_kg_s: drift of the unloaded scale; by default one division an hour. bucket_s: 1 s live, the spacing of
    the readings in replay. history_s: longest window.
    """

    def __init__(
        self,
        *,
        resolution_kg: float,
        noise_kg: float = 0.0,
        drift_kg_s: float | None = None,
        bucket_s: float = 1.0,
        history_s: float = HISTORY_S,
    ) -> None:
        if not (resolution_kg > 0 and bucket_s > 0 and history_s >= 2 * MIN_WINDOW * bucket_s):
            raise ComputeError("mass rate: resolution, bucket and history must be above 0, history at least 24 buckets")
        self.resolution_kg, self.bucket_s = resolution_kg, bucket_s
        self.disturbances: deque[Disturbance] = deque(maxlen=32)
        self.value: Value = unknown(UNIT, "not enough readings yet")
        self.buckets = 0  # closed so far: between two of them nothing that is asked here changes
        self._drift = resolution_kg / 3600 if drift_kg_s is None else drift_kg_s
        self._noise = max(noise_kg, 0.3 * resolution_kg)
        self._learned = 0  # buckets that the noise was learned from
        self._shaken = 0.0  # variance of the readings of a bucket, in divisions
        self._line = SegmentedLine(math.ceil(history_s / bucket_s))
        self._pending: list[tuple[float, float]] = []
        self._filling: list[float] = []
        self._bucket_end = -math.inf
        self._bucket_start = self._newest_s = 0.0  # its first and its last reading
        self._fit: LineFit | None = None
        self._last_end = -math.inf
        self._swap_expected = False
        self._off_scale = False

    @property
    def disturbed(self) -> bool:
        """True while readings are set aside: the level is then the last settled one."""
        return bool(self._pending)

    @property
    def fitted(self) -> FittedRate | None:
        """The rate now, None while it is unknown or held."""
        if self._fit is None or self.value.number is None or self.value.note is not None:
            return None
        return FittedRate(self.value, self._fit.window_s, self._fit.u_mean, self._drift)

    @property
    def level(self) -> Value:
        """What the scale shows without the bumps, kg, at the last settled bucket."""
        if not self._line:
            return unknown("kg", "no settled reading of the scale yet")
        if self._fit is None:
            return known(self._line.y[-1], "kg", math.hypot(self._noise, self.resolution_kg / math.sqrt(12)))
        return known(self._fit.at(self._line.t[-1]), "kg", self._fit.u_level)

    @property
    def quick(self) -> Value:
        """Rate of the last five buckets alone, kg/s: coarse, but there a few seconds after a valve moves."""
        recent = self._line.recent(5)
        if len(recent) < 5:
            return unknown(UNIT, "not enough readings yet")
        middle = sum(t for t, _ in recent) / 5
        sxx = sum((t - middle) ** 2 for t, _ in recent)
        slope = sum((t - middle) * y for t, y in recent) / sxx
        return known(slope, UNIT, math.sqrt((self._noise**2 + self.resolution_kg**2 / 12) / sxx))

    def level_at(self, t_s: float) -> Value:
        """The settled level carried on by the rate to t_s (a few seconds at most); while disturbed as it was.

        Follows the last three buckets where they have left the line, so that it does not lag a valve that moved.
        """
        if self._fit is None or self.disturbed or self._off_scale:
            return self.level
        return self._followed(self._fit, t_s)

    def _followed(self, fit: LineFit, t_s: float) -> Value:
        recent = self._line.recent(3)
        off = sum(y - fit.at(t) for t, y in recent) / len(recent)
        slope, u = fit.slope, fit.u_level
        if abs(off) > 2 * math.hypot(self._noise, self.resolution_kg / math.sqrt(12)):
            quick = self.quick
            slope = slope if quick.number is None else quick.number
            middle = sum(t for t, _ in recent) / len(recent)
            ahead = min(t_s - middle, 4 * self.bucket_s)
            return known(sum(y for _, y in recent) / len(recent) + slope * ahead, "kg", u)
        ahead = min(max(t_s - self._line.t[-1], 0.0), 3 * self.bucket_s)
        return known(fit.at(self._line.t[-1] + ahead), "kg", u)

    def update(self, t_s: float, mass_kg: float) -> Value:
        """One reading of the scale, in kg; t_s never goes back. Returns the rate in kg/s (also in `value`)."""
        if t_s >= self._bucket_end:
            if self._filling:
                self._close_bucket()
            self._bucket_start = t_s
            self._bucket_end = (math.floor(t_s / self.bucket_s) + 1) * self.bucket_s
        self._newest_s = t_s
        self._filling.append(mass_kg)
        if len(self._filling) > 200:  # a very fast scale: thin out instead of growing
            self._filling = self._filling[::2]
        return self.value

    def finish(self) -> None:
        """No more readings come: those set aside that move as a flow does are one, though none followed to be sure."""
        if self._filling:
            self._close_bucket()
        if len(self._pending) >= 3 and self._gradual():
            self._accept_flow()
            self._refit()

    def expect_swap(self) -> None:
        """A cylinder swap was announced: the next big step is taken as soon as the scale is steady."""
        self._swap_expected = True

    def _close_bucket(self) -> None:
        t, y = (self._bucket_start + self._newest_s) / 2, self._middle(self._filling)
        self._filling = []
        self.buckets += 1
        if not self._line:
            self._line.append(t, y)
            return
        if self._pending:
            self._resolve(t, y)
        elif self._jumped(t, y):
            self._pending.append((t, y))
        else:
            self._learn_noise(y)
            self._line.append(t, y)
        if not self._pending:
            self._refit()
        else:
            self._hold(t, y)

    @property
    def _tolerance(self) -> float:
        return 1.5 * self.resolution_kg + 5 * self._noise

    def _middle(self, readings: list[float]) -> float:
        """Mean of the readings near their median: finer than the scale's division, blind to a knock."""
        middle = median_low(readings)
        near = [y for y in readings if abs(y - middle) <= self._tolerance]
        mean = sum(near) / len(near)
        if len(near) > 1:
            variance = sum((y - mean) ** 2 for y in near) / (len(near) - 1) / self.resolution_kg**2
            self._shaken += 0.05 * (variance - self._shaken)
        return mean

    def _expected(self, t: float) -> float:
        return self._fit.at(t) if self._fit is not None else self._line.y[-1] + self._slope * (t - self._line.t[-1])

    @property
    def _slope(self) -> float:
        """kg/s; by the last five buckets where there are too few for a line, and it is clear: a flow from the start."""
        if self._fit is not None:
            return self._fit.slope
        quick = self.quick
        return 0.0 if quick.number is None or abs(quick.number) < 6 * (quick.u or 0.0) else quick.number

    def _jumped(self, t: float, y: float) -> bool:
        """Off the line, and not by drifting off it or by a flow that stopped."""
        flow = self._slope * (t - self._line.t[-1])
        since_last = y - self._line.y[-1] - flow
        return abs(y - self._expected(t)) > self._tolerance and abs(since_last) > self._tolerance + abs(flow)

    def _came_back(self, t: float, y: float) -> bool:
        """Where it would be by now had the flow gone on, stopped, or anything between."""
        u_slope = self._fit.u_slope if self._fit is not None else 0.0
        stopped, flowing = self._expected(self._line.t[-1]), self._expected(t)
        slack = self._tolerance / 2 + 2 * u_slope * (t - self._line.t[-1])
        return min(stopped, flowing) - slack <= y <= max(stopped, flowing) + slack

    def _resolve(self, t: float, y: float) -> None:
        """Decide, if it can be decided yet, what the readings set aside are."""
        pending, began = self._pending, self._pending[0][0]
        if self._came_back(t, y):
            away = max((p - self._expected(at) for at, p in pending), key=abs)
            last = self._line.y[-1]
            self._pending = []
            brief = t - began <= max(3.0, 2 * self.bucket_s)
            if began - self._last_end < 10.0:  # rocked, not bumped once: that is noise
                self._noise += 0.1 * (min(abs(away), 3 * self._tolerance) - self._noise)
            self._disturbed(Disturbance(began, t - began, away, False, last, y))
            self._line.append(t, y, new_segment=not brief)
            return
        pending.append((t, y))
        size = abs(y - self._expected(t))
        short, long = max(5, math.ceil(8.0 / self.bucket_s)), max(5, math.ceil(45.0 / self.bucket_s))
        tail = pending[-short:]
        if len(tail) < short:
            return
        steady = self._line_through(tail)
        if self._gradual() or (steady is not None and self._continuous(tail, *steady)):
            self._accept_flow()
        elif steady is not None:
            if size <= BIG_JUMP_KG or self._swap_expected or len(pending) >= long:
                self._accept_step(tail)
        elif len(pending) >= max(12, math.ceil(120.0 / self.bucket_s)):
            self._noise = max(self._noise, (max(p for _, p in tail) - min(p for _, p in tail)) / 4)
            self._accept_step(tail)

    def _gradual(self) -> bool:
        """Many moves make up the distance where flow does it, one or two where something moved the scale."""
        levels = [self._line.y[-1], *(y for _, y in self._pending)]
        moves = [b - a for a, b in pairwise(levels)]
        largest = max(abs(a + b) for a, b in pairwise(moves))
        away = abs(levels[-1] - levels[0])
        reach_kg = (self._pending[-1][0] - self._line.t[-1]) * MAX_KG_S
        return largest < 0.5 * away and away <= reach_kg + self._tolerance

    def _continuous(self, tail: Sequence[tuple[float, float]], at_start: float, slope: float) -> bool:
        """The line through the tail, carried back, meets the line before: only the rate has changed."""
        first_t, first_y = self._pending[0]
        back_at_start = at_start - slope * (tail[0][0] - first_t)
        bend = abs(slope - self._slope)
        margin = self._tolerance + 2.5 * bend * self.bucket_s
        jump = back_at_start - slope * (first_t - self._line.t[-1]) - self._expected(self._line.t[-1])
        return abs(jump) <= margin and abs(first_y - back_at_start) <= margin

    def _line_through(self, tail: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
        """(level at its start, slope) of readings set aside that lie on a line, else None."""
        n, t0 = len(tail), tail[0][0]
        mean_x, mean_y = sum(t - t0 for t, _ in tail) / n, sum(y for _, y in tail) / n
        sxx = sum((t - t0 - mean_x) ** 2 for t, _ in tail)
        slope = sum((t - t0 - mean_x) * (y - mean_y) for t, y in tail) / sxx
        worst = max(abs(y - mean_y - slope * (t - t0 - mean_x)) for t, y in tail)
        return (mean_y - slope * mean_x, slope) if worst <= self._tolerance / 2 else None

    def _accept_flow(self) -> None:
        for t, y in self._pending:
            self._line.append(t, y)
        self._pending = []

    def _accept_step(self, tail: Sequence[tuple[float, float]]) -> None:
        """A small step goes on with the rate; after a big one another cylinder, or none, is there: begin afresh."""
        began, (settled_s, after) = self._pending[0][0], tail[0]
        before = self._expected(self._line.t[-1])
        if abs(after - before) > BIG_JUMP_KG:
            if self._fit is not None:  # the flow may have stopped just before
                before = self._followed(self._fit, self._line.t[-1]).number or before
            self._off_scale = after < OFF_SCALE * before
            self._swap_expected = self._swap_expected and self._off_scale
            self._line.clear()
            self._fit = None
            through, u = 0.0, 0.0
            self.value = unknown(UNIT, "not enough readings since the scale jumped")
        else:
            through = self._expected(settled_s) - before
            u = abs(through) / 2
        before += through
        self._disturbed(Disturbance(began, settled_s - began, after - before, True, before, after, u))
        for i, (t, y) in enumerate(tail):
            self._line.append(t, y, new_segment=i == 0)
        self._pending = []
        self._refit()

    def _disturbed(self, disturbance: Disturbance) -> None:
        self.disturbances.append(disturbance)
        self._last_end = disturbance.t_s + disturbance.duration_s

    def _learn_noise(self, y: float) -> None:
        """Second differences see noise but neither level nor rate: their variance is six times the noise's."""
        if self._line.at_segment_start:
            return
        second = abs(y - 2 * self._line.y[-1] + self._line.y[-2])
        estimate = min(second, 3 * self._tolerance) / (0.798 * math.sqrt(6))
        self._learned += 1
        gain = max(0.02, 1 / (self._learned + 4))
        self._noise += gain * (estimate - self._noise)
        self._noise = max(self._noise, 0.1 * self.resolution_kg)

    @property
    def _rounding(self) -> float:
        """Standard deviation of the rounding error that noise does not shake away, kg."""
        shaken = max(self._shaken, (self._noise / self.resolution_kg) ** 2)
        return self.resolution_kg * math.sqrt(math.exp(-SHAKEN * shaken) / 12)

    def _hold(self, t: float, y: float) -> None:
        """Readings are set aside: the last rate stands for a while, then it is not known."""
        away, since = y - self._expected(t), t - self._pending[0][0]
        if abs(away) > BIG_JUMP_KG or since > 30.0:
            self.value = unknown(UNIT, f"scale jumped by {mass(away)}: cylinder lifted, swapped or held")
        elif self.value.number is not None:
            self.value = self.value.with_note("scale disturbed: last steady rate")

    def _refit(self) -> None:
        fit = self._line.fit(self._noise, self._rounding, self.resolution_kg, self.bucket_s)
        self._fit = fit if fit is not None else self._fit
        if self._off_scale:
            self.value = unknown(UNIT, "cylinder is off the scale")
        elif fit is not None:
            self.value = known(fit.slope, UNIT, math.hypot(fit.u_slope, self._drift))
