"""A long series as a few hundred block means, with what the averaging says about the noise.

Analyses work on at most a few hundred points whatever the stage's length: a mean over equal stretches of time keeps
slow shapes whole, shrinks noise, and turns a display's digits into finer steps wherever the reading moves or flickers.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul

from logger.model.sample import Series

BLOCKS = 128


@dataclass(frozen=True, slots=True)
class Blocks:
    """Means over equal stretches of time; empty stretches are left out.

    t_s, value: mean time and mean reading. n: readings in each. width_s: of a stretch.
    quantum: smallest step between unlike readings, 0 for a single value. u: standard uncertainty of a block mean
    from noise and digits alone, in the reading's unit, at the lowest readings.
    """

    t_s: list[float]
    value: list[float]
    n: list[int]
    width_s: float
    quantum: float
    u: float

    def __len__(self) -> int:
        return len(self.t_s)


def blocks(series: Series, start_s: float, end_s: float, count: int = BLOCKS) -> Blocks:
    """Block means of the readings from `start_s` to `end_s` (both included), at most `count`."""
    first, last = _span(series.t_s, start_s, end_s)
    t, v = series.t_s[first:last], series.value[first:last]
    if len(t) < 2:
        return Blocks(list(t), list(v), [1] * len(t), 0.0, 0.0, series.u)
    quantum = smallest_step(v)
    if len(t) <= count:
        return Blocks(list(t), list(v), [1] * len(t), (t[-1] - t[0]) / (len(t) - 1), quantum, _floor(quantum, 1, 0.0))
    width = (t[-1] - t[0]) / count
    times: list[float] = []
    means: list[float] = []
    counts: list[int] = []
    spreads: list[float] = []
    i, n = 0, len(t)
    for k in range(count):
        j = i
        edge = t[0] + (k + 1) * width
        while j < n and t[j] < edge:
            j += 1
        if k == count - 1:
            j = n
        if j > i:
            part_t, part_v = t[i:j], v[i:j]
            m = j - i
            mean_t, mean_v = sum(part_t) / m, sum(part_v) / m
            times.append(mean_t)
            means.append(mean_v)
            counts.append(m)
            if m >= 4:
                spreads.append(_spread(part_t, part_v, mean_t, mean_v))
            i = j
    typical = sorted(counts)[len(counts) // 2]
    spread = sorted(spreads)[len(spreads) // 4] if spreads else 0.0
    return Blocks(times, means, counts, width, quantum, _floor(quantum, typical, spread))


def _span(t: Sequence[float], start_s: float, end_s: float) -> tuple[int, int]:
    return bisect_left(t, start_s), bisect_right(t, end_s)


def smallest_step(values: Sequence[float]) -> float:
    """Smallest step between neighbours that differ, over at most some 4000 of them; 0 when none differs."""
    stride = max(1, len(values) // 4000)
    tiny = 1e-9 * max(abs(values[0]), abs(values[-1]), 1e-30)
    steps = [d for a, b in zip(values[::stride], values[1::stride], strict=False) if (d := abs(b - a)) > tiny]
    return min(steps, default=0.0)


def _spread(t: Sequence[float], v: Sequence[float], mean_t: float, mean_v: float) -> float:
    """Standard deviation about the straight line through one block."""
    dt = [x - mean_t for x in t]
    dv = [x - mean_v for x in v]
    stt = sum(map(mul, dt, dt))
    stv = sum(map(mul, dt, dv))
    left = sum(map(mul, dv, dv)) - (stv * stv / stt if stt > 0.0 else 0.0)
    return math.sqrt(max(left, 0.0) / max(len(v) - 2, 1))


def _floor(quantum: float, n: int, spread: float) -> float:
    """Uncertainty of a mean of n readings from digits and white noise.

    A reading that does not flicker by half a digit gains nothing from averaging: its error is the digit's.
    """
    digit = quantum / math.sqrt(12.0)
    if spread < 0.5 * quantum:
        return digit
    return max(spread, digit) / math.sqrt(n)


def interpolate(t: Sequence[float], v: Sequence[float], at: Sequence[float]) -> list[float]:
    """Straight-line interpolation at ascending times, held at the ends. t is not empty."""
    out: list[float] = []
    i, last = 0, len(t) - 1
    for x in at:
        while i < last and t[i + 1] <= x:
            i += 1
        if x <= t[0]:
            out.append(v[0])
        elif i >= last:
            out.append(v[last])
        else:
            w = (x - t[i]) / (t[i + 1] - t[i])
            out.append(v[i] * (1.0 - w) + v[i + 1] * w)
    return out
