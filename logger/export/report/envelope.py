"""Thinning a long run of readings for drawing: first, lowest, highest, last of each bucket, so no spike is hidden."""

from collections import Counter
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from logger.alarms.rules import OUT_OF_RANGE
from logger.model.value import code_of

Point = tuple[int, float]  # UTC ns, SI

BUCKETS = 400
_MAX_REASONS = 20
_BREAK = 4.0  # a line is not drawn across more than this many usual steps


@dataclass(slots=True)
class _Bucket:
    first: Point
    low: Point
    high: Point
    last: Point


@dataclass(slots=True)
class Envelope:
    """Readings of one point from begin_ns to end_ns, in any order."""

    begin_ns: int
    end_ns: int
    buckets: int = BUCKETS
    count: int = 0
    missing: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    _held: dict[int, _Bucket] = field(default_factory=dict)
    _out: dict[int, list[tuple[int, str]]] = field(default_factory=dict)  # first and last out of range, by bucket

    @property
    def width_ns(self) -> int:
        return max(1, (self.end_ns - self.begin_ns) // self.buckets + 1)

    def add(self, t_ns: int, value: float | None, problem: str | None = None) -> None:
        """A reading; None is one that cannot be trusted, for the reason `problem`."""
        if value is None:
            self.missing += 1
            if problem and (problem in self.reasons or len(self.reasons) < _MAX_REASONS):
                self.reasons[problem] += 1
            if problem and code_of(problem) in OUT_OF_RANGE:
                self._note(t_ns, problem)
            return
        self.count += 1
        point = (t_ns, value)
        index = (t_ns - self.begin_ns) // self.width_ns
        held = self._held.get(index)
        if held is None:
            self._held[index] = _Bucket(point, point, point, point)
            return
        if t_ns < held.first[0]:
            held.first = point
        if t_ns >= held.last[0]:
            held.last = point
        if value < held.low[1]:
            held.low = point
        if value > held.high[1]:
            held.high = point

    def _note(self, t_ns: int, problem: str) -> None:
        one = (t_ns, problem)
        first, last = self._out.get((t_ns - self.begin_ns) // self.width_ns, (one, one))
        self._out[(t_ns - self.begin_ns) // self.width_ns] = [min(first, one), max(last, one)]

    def out_of_range(self) -> tuple[tuple[int, int, str], ...]:
        """From when to when nothing but readings out of the sensor's range came, and on which side."""
        spans: list[tuple[int, int, str]] = []
        longest = self._longest([one[0] for index in self._out for one in self._out[index]])
        before: int | None = None
        for index in sorted(self._out.keys() | self._held.keys()):
            if index in self._held:
                before = None
                continue
            (begin, problem), (end, _) = self._out[index]
            if before is not None and begin - before <= longest and spans[-1][2] == problem:
                begin = spans.pop()[0]
            spans.append((begin, end, problem))
            before = end
        return tuple(spans)

    @property
    def reason(self) -> str:
        """The most frequent one why readings are missing, "" when none is."""
        return max(self.reasons, key=lambda r: (self.reasons[r], r), default="")

    def points(self) -> list[Point]:
        """In order of time, at most four a bucket."""
        found: set[Point] = set()
        for held in self._held.values():
            found.update((held.first, held.low, held.high, held.last))
        return sorted(found)

    def pieces(self) -> tuple[tuple[Point, ...], ...]:
        """`points` as polylines, broken where readings stayed out for several usual steps."""
        points = self.points()
        if len(points) < 2:
            return (tuple(points),) if points else ()
        steps = [b[0] - a[0] for a, b in pairwise(points)]
        longest = self._longest([t_ns for t_ns, _ in points])
        pieces: list[list[Point]] = [[points[0]]]
        for step, point in zip(steps, points[1:], strict=True):
            if step > longest:
                pieces.append([])
            pieces[-1].append(point)
        return tuple(tuple(piece) for piece in pieces)

    def _longest(self, t_ns: list[int]) -> float:
        """The longest time between two that is no gap."""
        steps = [later - one for one, later in pairwise(sorted(t_ns))]
        return _BREAK * max(median(steps or [0]), self.width_ns)

    @property
    def first(self) -> Point | None:
        return min((h.first for h in self._held.values()), default=None)

    @property
    def last(self) -> Point | None:
        return max((h.last for h in self._held.values()), default=None)

    @property
    def low(self) -> Point | None:
        """The earliest of the lowest."""
        return min((h.low for h in self._held.values()), key=lambda p: (p[1], p[0]), default=None)

    @property
    def high(self) -> Point | None:
        """The earliest of the highest."""
        return max((h.high for h in self._held.values()), key=lambda p: (p[1], -p[0]), default=None)
