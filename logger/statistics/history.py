"""One measuring point over time in bounded memory: buckets that double in width when there are too many.

Buckets are kept as columns of plain numbers: a job has some forty histories, and as objects they would be most of the
daemon's memory and let it grow for an hour.
"""

import math
from array import array
from bisect import bisect_left, bisect_right
from dataclasses import dataclass

from logger.model.sample import NOTHING_STATED, Gap, GaugeFacts, Series
from logger.model.units import NS_PER_S

MAX_BUCKETS = 4096


@dataclass(frozen=True, slots=True)
class Bucket:
    """start_s and width_s in seconds from the history's start; low, mean, high in SI."""

    start_s: float
    width_s: float
    low: float
    mean: float
    high: float


class _Columns:
    """Buckets in order of their index; a place in one column is the same bucket's in the others."""

    __slots__ = ("high", "index", "low", "n", "total")

    def __init__(self) -> None:
        self.index, self.n = array("q"), array("q")
        self.total, self.low, self.high = array("d"), array("d"), array("d")

    def __len__(self) -> int:
        return len(self.index)

    def insert(self, at: int, index: int, n: int, total: float, low: float, high: float) -> None:
        self.index.insert(at, index)
        self.n.insert(at, n)
        self.total.insert(at, total)
        self.low.insert(at, low)
        self.high.insert(at, high)

    def append(self, at: int, index: int, n: int, total: float, low: float, high: float) -> None:
        """As `insert` after the last one, which is where nearly all go."""
        self.index.append(index)
        self.n.append(n)
        self.total.append(total)
        self.low.append(low)
        self.high.append(high)

    def merge(self, at: int, n: int, total: float, low: float, high: float) -> None:
        self.set(at, n, self.total[at] + total, low, high)

    def set(self, at: int, n: int, total: float, low: float, high: float) -> None:
        """As `merge`, the new total being known."""
        self.n[at] += n
        self.total[at] = total
        if low < self.low[at]:
            self.low[at] = low
        if high > self.high[at]:
            self.high[at] = high

    def joined(self, count: int) -> "_Columns":
        """`count` neighbouring buckets made one."""
        wide = _Columns()
        for index, n, total, low, high in zip(self.index, self.n, self.total, self.low, self.high, strict=True):
            if len(wide) and wide.index[-1] == index // count:
                wide.merge(-1, n, total, low, high)
            else:
                wide.insert(len(wide), index // count, n, total, low, high)
        return wide


class History:
    """Readings of one point since `start_ns`. Late (backfilled) readings go to the bucket they belong to."""

    def __init__(self, point: str, start_ns: int, width_s: float = 1.0, max_buckets: int = MAX_BUCKETS) -> None:
        self.point, self.start_ns, self.width_s = point, start_ns, width_s
        self._max = max_buckets
        self._columns = _Columns()
        self._faults: dict[str, int] = {}  # why there was no reading -> last time, ns
        self.newest_ns = start_ns

    def add(self, t_ns: int, value: float) -> None:
        """A trusted reading; one before the start is not of this window."""
        self.add_all([t_ns], [value], True)

    def add_all(self, times: list[int], values: list[float], ordered: bool) -> None:
        """Trusted readings, each as if it were added alone. ordered: none is earlier than the one before it."""
        at, count = 0, len(times)
        while at < count:
            index = math.floor((times[at] - self.start_ns) / (NS_PER_S * self.width_s))
            end = at + 1
            if ordered and end < count:  # a run of one bucket
                end = bisect_left(times, self.start_ns + math.ceil((index + 1) * self.width_s * NS_PER_S), end)
            if index >= 0:
                if times[end - 1] > self.newest_ns:
                    self.newest_ns = times[end - 1]
                self._add_run(index, values[at:end])
            at = end

    def _add_run(self, index: int, run: list[float]) -> None:
        columns = self._columns
        places = columns.index
        at = len(places)
        known = at > 0 and places[-1] >= index
        if known:
            at = at - 1 if places[-1] == index else bisect_left(places, index)
            known = places[at] == index
        # Added one by one: `sum` adds floats otherwise in newer Pythons, and a replay must give the same anywhere.
        total = columns.total[at] if known else 0.0
        for value in run:
            total += value
        if known:
            columns.set(at, len(run), total, min(run), max(run))
            return
        (columns.append if at == len(places) else columns.insert)(at, index, len(run), total, min(run), max(run))
        while len(self._columns.index) > self._max:  # sparse readings may need it more than once
            self._columns = self._columns.joined(2)
            self.width_s *= 2

    def fault(self, t_ns: int, problem: str) -> None:
        """There was no trusted reading, for this reason."""
        if problem in self._faults or len(self._faults) < 16:
            self._faults[problem] = t_ns

    def carried_over(self, start_ns: int) -> "History":
        """A history from start_ns on, with what this one has since then."""
        new = History(self.point, start_ns, 1.0 if self.newest_ns < start_ns else self.width_s, self._max)
        for bucket in self.buckets((start_ns - self.start_ns) / NS_PER_S):
            new.add(self.start_ns + int((bucket.start_s + bucket.width_s / 2) * NS_PER_S), bucket.mean)
        return new

    def __len__(self) -> int:
        return len(self._columns)

    def buckets(self, since_s: float = -math.inf) -> list[Bucket]:
        """Those that end after since_s, oldest first."""
        c, width = self._columns, self.width_s
        first = 0 if since_s == -math.inf else bisect_right(c.index, since_s / width - 1)
        return [
            Bucket(c.index[k] * width, width, c.low[k], c.total[k] / c.n[k], c.high[k]) for k in range(first, len(c))
        ]

    def series(
        self,
        *,
        u: float = 0.0,
        u_scale: float = 0.0,
        low: float | None = None,
        high: float | None = None,
        since_s: float = 0.0,
        until_s: float = math.inf,
        expected_period_s: float = 1.0,
        gauge: GaugeFacts = NOTHING_STATED,
    ) -> Series:
        """Bucket means as a Series whose time zero is the history's start plus `since_s`.

        A gap is a stretch without a reading longer than three expected periods (at least three buckets).
        """
        width, columns = self.width_s, self._columns
        t: list[float] = []
        value: list[float] = []
        gaps: list[Gap] = []
        longest = max(3.0 * expected_period_s, 3.0 * width)
        for i, n, total in zip(columns.index, columns.n, columns.total, strict=True):
            at = (i + 0.5) * width
            if at < since_s or at > until_s:
                continue
            if t and at - since_s - t[-1] > longest:
                gaps.append(Gap(t[-1], at - since_s, self._reason()))
            t.append(at - since_s)
            value.append(total / n)
        end = min(until_s, (self.newest_ns - self.start_ns) / NS_PER_S) - since_s
        if math.isfinite(until_s) and t and until_s - since_s - t[-1] > longest:
            gaps.append(Gap(t[-1], until_s - since_s, self._reason()))
        elif t and end - t[-1] > longest:
            gaps.append(Gap(t[-1], end, self._reason()))
        return Series(self.point, t, value, u, u_scale, low, high, tuple(gaps), gauge)

    def _reason(self) -> str:
        if not self._faults:
            return "no reading"
        return max(self._faults, key=lambda k: self._faults[k])
