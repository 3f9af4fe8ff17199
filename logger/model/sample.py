"""A reading at one measuring point, those of one moment, and a window of them."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby, pairwise
from operator import attrgetter
from typing import NamedTuple


class PointSample(NamedTuple):
    """One reading. t_ns: UTC nanoseconds. value: SI, None exactly when `problem` says why.

    A named tuple because a night has millions of them: it is made in a third of a frozen dataclass's time.
    """

    t_ns: int
    point: str
    value: float | None
    problem: str | None = None


class Scan(NamedTuple):
    """Trusted readings of one moment, as columns. t_ns: UTC nanoseconds. values: SI, one for each of `points`."""

    t_ns: int
    points: tuple[str, ...]
    values: tuple[float, ...]


def scans(samples: Iterable[PointSample]) -> Iterator[Scan]:
    """The trusted among `samples`; those of one time that follow each other are one scan."""
    for t_ns, together in groupby(samples, key=attrgetter("t_ns")):
        trusted = [(point, value) for _, point, value, _ in together if value is not None]
        if trusted:
            yield Scan(t_ns, *zip(*trusted, strict=True))


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without trusted readings, seconds from the window's start."""

    start_s: float
    end_s: float
    reason: str


@dataclass(frozen=True, slots=True)
class GaugeFacts:
    """What a vacuum gauge does beside its accuracy, as its maker states it; None: not stated.

    water_factor, refrigerant_factor: what it shows over what is there in that vapor, where it is right in air.
    zero_drift: of its zero, up to so much either way, Pa/s. per_k: of its reading, a share a kelvin.
    """

    water_factor: float | None = None
    refrigerant_factor: float | None = None
    zero_drift: float | None = None
    per_k: float | None = None

    @property
    def factors(self) -> tuple[float, float]:
        """(least, most) that it shows over what is there, whatever the gas: 1 for air."""
        stated = [f for f in (self.water_factor, self.refrigerant_factor) if f is not None]
        return min(1.0, *stated) if stated else 1.0, max(1.0, *stated) if stated else 1.0


NOTHING_STATED = GaugeFacts()


@dataclass(frozen=True, slots=True)
class Series:
    """One measuring point over a window, only trusted readings.

    t_s: seconds since the window's start, strictly increasing, same length as `value`.
    value: SI. u: standard uncertainty of a single reading's noise + resolution (SI).
    u_scale: standard uncertainty common to all readings (accuracy: offset), SI.
    low, high: range of the sensor, SI; None when not stated. gauge: of a vacuum gauge.
    """

    point: str
    t_s: Sequence[float]
    value: Sequence[float]
    u: float = 0.0
    u_scale: float = 0.0
    low: float | None = None
    high: float | None = None
    gaps: tuple[Gap, ...] = field(default=())
    gauge: GaugeFacts = NOTHING_STATED

    def __len__(self) -> int:
        return len(self.t_s)

    @property
    def duration_s(self) -> float:
        return self.t_s[-1] - self.t_s[0] if len(self.t_s) > 1 else 0.0

    def gaps_within(self, start_s: float, end_s: float) -> "tuple[Gap, ...]":
        """Stated gaps, and stretches between readings much longer than usual, cut to the window."""
        t = [x for x in self.t_s if start_s <= x <= end_s]
        found = [Gap(max(g.start_s, start_s), min(g.end_s, end_s), g.reason) for g in self.gaps]
        found = [g for g in found if g.end_s > g.start_s]
        if len(t) < 2:
            return tuple(found) or (Gap(start_s, end_s, "no reading"),)
        steps = sorted(b - a for a, b in pairwise(t))
        long = max(5.0 * steps[len(steps) // 2], 10.0)
        edges = [start_s, *t, end_s]
        for a, b in pairwise(edges):
            if b - a > long and not any(g.start_s <= b and g.end_s >= a for g in found):
                found.append(Gap(a, b, "no reading"))
        return tuple(sorted(found, key=lambda g: g.start_s))
