"""Device ticks to UTC: when was a sample measured, although it arrived late or by another way?

A frame's arrival is the instant of its measurement plus a delay that is never negative and often near its least. So
the line of UTC over tick lies under all arrivals and touches the promptest: their lower convex hull, the edge across
the middle (the line that is nearest to all of them, as in one-way delay measurement). What that cannot see is the
least delay itself. A time mark can: the device took it after we sent it and answered before the answer came, so the
truth lies between two lines; we take the middle, and half their distance is the error (Cristian 1989, as in NTP).

Pure. One object serves one start of one device: a changed boot count needs a new one.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from logger.model.units import NS_PER_S

BIN_S = 10.0
BINS = 128  # 21 min: long against delays, short against a crystal's change with temperature
_FEW_BINS = 16
_REFIT_BINS = 4
_WRAP = 1 << 32
_HALF = 1 << 31
_MAX_DRIFT = 0.05  # of a ceramic resonator or RC clock; beyond, the numbers are not a clock's

Point = tuple[int, int]  # unwrapped tick, UTC ns


@dataclass(frozen=True, slots=True)
class TickLine:
    """UTC = t0_ns + (tick - tick0) * ns_per_tick.

    drift: how much slower the device's clock runs than its stated rate (1e-6 = 1 ppm).
    error_ns: how far the line may be off inside its span: 1.5 times the distance within which nine of ten bins'
    promptest arrivals lie above it (a stalled computer does not spoil it, a curve of the clock shows in it); None
    while too little was seen.
    delay_ns: least delay that was taken off; None without time marks: then every instant is late by an unknown,
    constant least delay, which is not part of error_ns.
    """

    tick0: int
    t0_ns: int
    ns_per_tick: float
    drift: float
    error_ns: int | None
    delay_ns: int | None
    span_s: float
    bins: int

    def at(self, tick: int) -> int:
        """UTC ns of an unwrapped tick."""
        return self.t0_ns + round((tick - self.tick0) * self.ns_per_tick)

    def error_at(self, tick: int) -> int | None:
        """Error at a tick, larger outside the span it was fitted to."""
        if self.error_ns is None or self.span_s <= 0:
            return None
        span = self.span_s * NS_PER_S / self.ns_per_tick
        outside = max(0.0, self.tick0 - tick, tick - self.tick0 - span)
        return round(self.error_ns * (1 + 2 * outside / span))


class TickFit:
    """Feed it live frames in the order they came; ask for the time of any tick of the same start."""

    def __init__(self, tick_hz: int) -> None:
        if tick_hz <= 0:
            raise ValueError(f"a tick rate is above zero, not {tick_hz}")
        self._nominal_ns = NS_PER_S / tick_hz
        self._newest: Point | None = None
        self._prompt: dict[int, Point] = {}  # per bin, the arrival with the least delay
        self._sent: dict[int, Point] = {}  # per bin, the time mark sent latest for its tick
        self._line: TickLine | None = None
        self._stamped = -(1 << 63)
        self.runs_ahead_ns = 0.0  # within the bins, of ticks faster than any clock's; 0: they are not

    @property
    def line(self) -> TickLine | None:
        """The present fit, None before the first arrival."""
        return self._line

    def stamp(self, tick: int, arrival_ns: int) -> int:
        """UTC ns of a live frame's tick (u32): never after its arrival, never before an earlier frame's stamp."""
        if self.is_late(tick):
            assert self._line is not None
            return min(self._line.at(self._unwrap(tick, None)), arrival_ns)
        return self.stamp_new(tick, arrival_ns)[0]

    def stamp_new(self, tick: int, arrival_ns: int) -> tuple[int, int]:
        """`stamp` of a tick that is not late, and UTC ns of the tick by the line alone."""
        unwrapped = self._arrived(tick, arrival_ns)
        line = self._line
        assert line is not None
        on_line_ns = line.at(unwrapped)
        t_ns = on_line_ns if on_line_ns < arrival_ns else arrival_ns
        if t_ns > self._stamped:
            self._stamped = t_ns
        return self._stamped, on_line_ns

    def mark(self, sent_ns: int, tick_at_receipt: int, tick_at_reply: int, answered_ns: int) -> None:
        """A time mark's round trip: host times of sending and answer, device ticks between."""
        if answered_ns < sent_ns:
            return
        self._take(tick_at_reply, answered_ns)
        receipt = self._unwrap(tick_at_receipt, None)
        key = self._bin(receipt)
        held = self._sent.get(key)
        if held is None or self._delay((receipt, sent_ns)) > self._delay(held):
            self._sent[key] = (receipt, sent_ns)
            self._trim(self._sent)
            self._fit()

    def utc_ns(self, tick: int) -> int | None:
        """UTC ns of any tick within half a wrap of the newest, such as a resent frame's; None before any arrival."""
        if self._line is None:
            return None
        return self._line.at(self._unwrap(tick, None))

    def error_ns(self, tick: int) -> int | None:
        """How far `utc_ns` of it may be off; None while unknown."""
        return None if self._line is None else self._line.error_at(self._unwrap(tick, None))

    def is_late(self, tick: int) -> bool:
        """Whether the tick is not after the newest: resent, repeated, or of another start of the device."""
        return self._newest is not None and (tick - self._newest[0]) % _WRAP - 1 >= _HALF - 1

    def _take(self, tick: int, arrival_ns: int) -> int:
        return self._unwrap(tick, None) if self.is_late(tick) else self._arrived(tick, arrival_ns)

    def _arrived(self, tick: int, arrival_ns: int) -> int:
        """One that is not late."""
        unwrapped = self._unwrap(tick, arrival_ns)
        self._newest = (unwrapped, arrival_ns)
        key, point = self._bin(unwrapped), (unwrapped, arrival_ns)
        held, per_tick_ns = self._prompt.get(key), self._nominal_ns
        if held is None or arrival_ns - unwrapped * per_tick_ns < held[1] - held[0] * per_tick_ns:
            self._prompt[key] = point
            self._trim(self._prompt)
            # A new bin shows the line's course; a better point in an old one moves a line of many bins by nothing.
            few = len(self._prompt) < _FEW_BINS
            if few or (held is None and key % _REFIT_BINS == 0):
                self._fit()
        return unwrapped

    def _unwrap(self, tick: int, arrival_ns: int | None) -> int:
        """The nearest to the newest; for a new arrival also as many whole wraps on as the silence was long."""
        if self._newest is None:
            return tick
        base, base_ns = self._newest
        ahead = (tick - base + _HALF) % _WRAP - _HALF
        if arrival_ns is None:
            return base + ahead
        wraps = round(((arrival_ns - base_ns) / self._nominal_ns - ahead) / _WRAP)
        return base + ahead + _WRAP * wraps if wraps > 0 else base + ahead

    def _bin(self, tick: int) -> int:
        return int(tick * self._nominal_ns / (BIN_S * NS_PER_S))

    def _delay(self, point: Point) -> float:
        """Relative to the stated rate, ns."""
        return point[1] - point[0] * self._nominal_ns

    @staticmethod
    def _trim(bins: dict[int, Point]) -> None:
        while len(bins) > BINS:
            del bins[min(bins)]

    def _fit(self) -> None:
        points = [self._prompt[key] for key in sorted(self._prompt)]
        tick0, t0 = points[0]
        xs = [(tick - tick0) * self._nominal_ns for tick, _ in points]
        ys = [t - t0 - x for (_, t), x in zip(points, xs, strict=True)]
        offset, drift = _line_under(xs, ys)
        self.runs_ahead_ns = max(0.0, -drift * xs[-1]) if drift < -_MAX_DRIFT else 0.0
        if abs(drift) > _MAX_DRIFT:
            offset, drift = min(ys), 0.0
        delay = self._least_delay(tick0, t0, offset, drift)
        error: float | None = None
        if len(points) > 3:
            above = sorted(y - offset - drift * x for x, y in zip(xs[:-1], ys[:-1], strict=True))
            error = 1.5 * above[math.ceil(0.9 * len(above)) - 1] + (delay or 0.0)
        self._line = TickLine(
            tick0=tick0,
            t0_ns=t0 + round(offset - (delay or 0.0)),
            ns_per_tick=self._nominal_ns * (1 + drift),
            drift=drift,
            error_ns=None if error is None else round(error),
            delay_ns=None if delay is None else round(delay),
            span_s=xs[-1] / NS_PER_S,
            bins=len(points),
        )

    def _least_delay(self, tick0: int, t0: int, offset: float, drift: float) -> float | None:
        """Half the way from the latest sendings up to the line, ns; None without time marks inside the span."""
        room = [
            offset + (tick - tick0) * self._nominal_ns * (1 + drift) - (t - t0)
            for tick, t in self._sent.values()
            if tick >= tick0
        ]
        return max(0.0, min(room) / 2) if room else None


def _line_under(xs: Sequence[float], ys: Sequence[float]) -> tuple[float, float]:
    """(offset, slope) of the line under all points that is nearest to them on average: the lower hull's edge across
    the mean of x. xs strictly increasing."""
    hull: list[int] = []
    for i in range(len(xs)):
        while len(hull) > 1 and _not_convex(xs, ys, hull[-2], hull[-1], i):
            hull.pop()
        hull.append(i)
    if len(hull) == 1:
        return ys[hull[0]], 0.0
    middle = sum(xs) / len(xs)
    right = next((k for k in range(1, len(hull)) if xs[hull[k]] >= middle), len(hull) - 1)
    a, b = hull[right - 1], hull[right]
    slope = (ys[b] - ys[a]) / (xs[b] - xs[a])
    return ys[a] - slope * xs[a], slope


def _not_convex(xs: Sequence[float], ys: Sequence[float], a: int, b: int, c: int) -> bool:
    return (ys[b] - ys[a]) * (xs[c] - xs[a]) >= (ys[c] - ys[a]) * (xs[b] - xs[a])
