"""One measuring point over time in bounded memory: buckets that double in width when there are too many."""

import math
from dataclasses import dataclass

from logger.model.sample import Gap, Series

NS = 1_000_000_000
MAX_BUCKETS = 4096


@dataclass(slots=True)
class _Bucket:
    total: float
    n: int
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Bucket:
    """start_s and width_s in seconds from the history's start; low, mean, high in SI."""

    start_s: float
    width_s: float
    low: float
    mean: float
    high: float


class History:
    """Readings of one point since `start_ns`. Late (backfilled) readings go to the bucket they belong to."""

    def __init__(self, point: str, start_ns: int, width_s: float = 1.0, max_buckets: int = MAX_BUCKETS) -> None:
        self.point, self.start_ns, self.width_s = point, start_ns, width_s
        self._max = max_buckets
        self._buckets: dict[int, _Bucket] = {}
        self._last = -1
        self._sorted = True
        self._faults: dict[str, int] = {}  # why there was no reading -> last time, ns
        self.newest_ns = start_ns

    def add(self, t_ns: int, value: float) -> None:
        """A trusted reading; one before the start is not of this window."""
        index = math.floor((t_ns - self.start_ns) / (NS * self.width_s))
        if index < 0:
            return
        self.newest_ns = max(self.newest_ns, t_ns)
        bucket = self._buckets.get(index)
        if bucket is not None:
            bucket.total += value
            bucket.n += 1
            bucket.low = min(bucket.low, value)
            bucket.high = max(bucket.high, value)
            return
        self._buckets[index] = _Bucket(value, 1, value, value)
        if index < self._last:
            self._sorted = False
        else:
            self._last = index
        while len(self._buckets) > self._max:  # sparse readings may need it more than once
            self._double()

    def fault(self, t_ns: int, problem: str) -> None:
        """There was no trusted reading, for this reason."""
        if problem in self._faults or len(self._faults) < 16:
            self._faults[problem] = t_ns

    def __len__(self) -> int:
        return len(self._buckets)

    def buckets(self, since_s: float = -math.inf) -> list[Bucket]:
        """Oldest first."""
        width = self.width_s
        return [
            Bucket(i * width, width, b.low, b.total / b.n, b.high)
            for i, b in self._items()
            if (i + 1) * width > since_s
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
        most: int | None = None,
    ) -> Series:
        """Bucket means as a Series whose time zero is the history's start plus `since_s`.

        A gap is a stretch without a reading longer than three expected periods (at least three buckets).
        most: neighbours are joined until there are no more readings than that, about.
        """
        width = self.width_s
        items = self._items()
        if most is not None and items:
            span = (min(until_s, (items[-1][0] + 1) * width) - max(since_s, items[0][0] * width)) / width
            join = math.ceil(span / most)
            if join > 1:
                items, width = _joined(items, join), width * join
        t: list[float] = []
        value: list[float] = []
        gaps: list[Gap] = []
        longest = max(3.0 * expected_period_s, 3.0 * width)
        for i, b in items:
            at = (i + 0.5) * width
            if at < since_s or at > until_s:
                continue
            if t and at - since_s - t[-1] > longest:
                gaps.append(Gap(t[-1], at - since_s, self._reason()))
            t.append(at - since_s)
            value.append(b.total / b.n)
        end = min(until_s, (self.newest_ns - self.start_ns) / NS) - since_s
        if math.isfinite(until_s) and t and until_s - since_s - t[-1] > longest:
            gaps.append(Gap(t[-1], until_s - since_s, self._reason()))
        elif t and end - t[-1] > longest:
            gaps.append(Gap(t[-1], end, self._reason()))
        return Series(self.point, t, value, u, u_scale, low, high, tuple(gaps))

    def _reason(self) -> str:
        if not self._faults:
            return "no reading"
        return max(self._faults, key=lambda k: self._faults[k])

    def _items(self) -> list[tuple[int, _Bucket]]:
        if not self._sorted:
            self._buckets = dict(sorted(self._buckets.items()))
            self._sorted = True
        return list(self._buckets.items())

    def _double(self) -> None:
        merged = self._buckets = dict(_joined(self._items(), 2))
        self.width_s *= 2
        self._last = max(merged, default=-1)


def _joined(items: list[tuple[int, _Bucket]], count: int) -> list[tuple[int, _Bucket]]:
    """`count` neighbouring buckets made one."""
    merged: dict[int, _Bucket] = {}
    for i, b in items:
        into = merged.get(i // count)
        if into is None:
            merged[i // count] = _Bucket(b.total, b.n, b.low, b.high)
        else:
            into.total += b.total
            into.n += b.n
            into.low = min(into.low, b.low)
            into.high = max(into.high, b.high)
    return list(merged.items())
