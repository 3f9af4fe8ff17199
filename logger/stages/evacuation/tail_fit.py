"""The tail of a pull-down: what it comes down to, and when it passes a target.

With gas load Q the pressure under a pump of speed S goes exponentially to its base p_ultimate + Q/S. Through a hose the
speed falls with the pressure while the flow is viscous, S = S0 (1 + b p), which solves in closed form too. Surfaces and
oil give off gas about as a power of time. Fitted to the recent part of the curve, relative to the reading, with a base
to come to rest at and without, are

    pumped    p = base + A exp(-s) / (1 + q (1 - exp(-s)))     s = (t - t0)/tau; q = 0: no hose
    power     p = base + A (t/t0)^-n                           t since the pump was opened

and every fit that the readings do not clearly refuse is kept: their crossings of the target are the band. A hose and a
base look alike for long, so often some of them come to rest above the target: while most of the evidence is on those
that pass it the band is theirs, and it is said that it may come to rest before.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from logger.statistics.block_means import Blocks
from logger.statistics.least_squares import LinearFit, correlation_time, fit_columns, residuals

CLEAR = 6.0
MIN_BLOCKS = 10
MIN_EVIDENCE_SHARE = 2.0 / 3.0  # bands held in 50 of 54 simulated pull-downs from here, in 2 of 12 below
MIN_PA = 1e-3  # no service gauge reads less
HORIZON_S = 4.0 * 3600.0  # farther ahead no fit of a tail has held
POLISH = 0.05  # of the logarithm of a time constant: about what the search leaves
_TAUS = 9
_BENDS = (0.0, 1.0, 4.0, 15.0, 50.0)
_POWERS = (0.5, 0.75, 1.0, 1.5, 2.0)


@dataclass(frozen=True, slots=True)
class TailFit:
    """family: "pumped" or "power". shape: tau in s, or n. bend: q. t0_s: start of the fit, on the stretch's own time.

    base_pa, u_base: where it ends, the shape as free as the rest. size_pa: A, at t0_s. trade, trade_shape: change of A
    and of the logarithm of the shape for a Pa more of base, at the same readings. criterion: BIC, lower is better.
    """

    family: str
    shape: float
    bend: float
    t0_s: float
    base_pa: float
    u_base: float
    size_pa: float
    trade: float
    trade_shape: float
    criterion: float

    def at(self, t_s: float) -> float:
        """Pa at a time since the stretch began."""
        return self.base_pa + self.size_pa * self._fall(t_s)

    def _fall(self, t_s: float) -> float:
        if self.family == "pumped":
            gone = math.exp(-(t_s - self.t0_s) / self.shape)
            return gone / (1.0 + self.bend * (1.0 - gone))
        return float((t_s / self.t0_s) ** -self.shape)

    def crossing(self, target_pa: float, shift_pa: float = 0.0) -> float | None:
        """Time since the stretch began when the curve, with its base moved by `shift_pa`, passes the target."""
        over = target_pa - self.base_pa - shift_pa
        size = self.size_pa + shift_pa * self.trade
        shape = self.shape * math.exp(max(-2.0, min(2.0, shift_pa * self.trade_shape)))
        if over <= 0.0 or size <= 0.0:
            return None
        share = over / size
        if share >= 1.0:
            return self.t0_s
        if self.family == "pumped":
            return self.t0_s + shape * math.log((1.0 + self.bend * share) / (share * (1.0 + self.bend)))
        exponent = -math.log(share) / shape
        return self.t0_s * math.exp(exponent) if exponent < 50.0 else None


@dataclass(frozen=True, slots=True)
class PossibleTails:
    """best, and every fit in play. rms: relative scatter about the best. n_eff: independent readings."""

    best: TailFit
    in_play: tuple[TailFit, ...]
    rms: float
    n_eff: float

    @property
    def base_low_pa(self) -> float:
        """Lowest base that the readings allow (k = 2)."""
        return max(min(f.base_pa - 2.0 * f.u_base for f in self.in_play), 0.0)

    @property
    def base_high_pa(self) -> float:
        return max(f.base_pa + 2.0 * f.u_base for f in self.in_play)

    @property
    def only_pumped(self) -> bool:
        """Nothing but the approach to a base, or a steady reading, is left in play."""
        return all(f.family == "pumped" for f in self.in_play)


@dataclass(frozen=True, slots=True)
class Crossing:
    """Seconds from now to the target. likely None: not by the best fit; latest None: perhaps never.

    share: of the evidence, by the fits' criterion, on curves that pass the target at all.
    """

    soonest_s: float | None
    likely_s: float | None
    latest_s: float | None
    share: float


def fit_tail(data: Blocks, begun_s: float) -> PossibleTails | None:
    """Fit both families to block means of the recent part. begun_s: when the pump was opened. None: too few."""
    n = len(data)
    if n < MIN_BLOCKS or min(data.value) < MIN_PA:
        return None
    t = [x - begun_s for x in data.t_s]
    first, last = t[0], t[-1]
    span = last - first
    if span <= 0.0:
        return None
    root = [1.0 / v for v in data.value]
    ones = [1.0] * n  # the reading over itself
    floor = (data.u / min(data.value)) ** 2
    rows = _Rows(t, root, ones, span)
    usable = [r for q in _BENDS for based in (True, False) for r in rows.pumped(q, based)]
    if first > 0.0:
        for power in _POWERS:
            fall = [(x / first) ** -power for x in t]
            usable += [r for based in (True, False) if (r := rows.relative("power", power, 0.0, fall, based))]
    steady = rows.relative("pumped", 0.02 * span, 0.0, None, True)
    if steady is not None:
        usable.append(steady)
    if not usable:
        return None
    closest = min(usable, key=lambda r: r.fit.rss)
    left = residuals(closest.columns, closest.fit.coefficients, ones)
    n_eff = max(n / correlation_time(left, 3), 6.0)
    fits = []
    for r in usable:
        rss, inverse = r.fit.rss, r.fit.inverse
        variance = max(rss / max(n - 3.0 * n / n_eff, 1.0), floor) * n / n_eff
        base = r.fit.coefficients[0] if r.based else 0.0
        size = r.fit.coefficients[-1] if r.falls else 0.0
        shape, u_base, trade, trade_shape = r.shape, 0.0, 0.0, 0.0
        if r.based and r.falls:
            whole = fit_columns([*r.columns, rows.bend_of(r)], ones)
            if whole is not None:
                inverse = whole.inverse
                trade_shape = inverse[0][2] / inverse[0][0]
                if abs(whole.coefficients[2]) < POLISH:
                    base, size, step = whole.coefficients
                    shape *= math.exp(step)
            trade = inverse[0][1] / inverse[0][0]
        if r.based:
            u_base = math.sqrt(inverse[0][0] * variance)
        if base + 2.0 * u_base < 0.0:
            continue  # no pump goes below nothing
        parameters = 1 + r.based + (3 if r.bend else 2) * r.falls  # the variance, the base, size, shape and bend
        criterion = n_eff * math.log(max(rss / n, floor, 1e-30)) + parameters * math.log(n_eff)
        fits.append(TailFit(r.family, shape, r.bend, first, base, u_base, size, trade, trade_shape, criterion))
    if not fits:
        return None
    best = min(fits, key=lambda f: f.criterion)
    in_play = tuple(f for f in fits if f.criterion - best.criterion < CLEAR)
    return PossibleTails(best, in_play, math.sqrt(closest.fit.rss / n), n_eff)


@dataclass(frozen=True, slots=True)
class _Tried:
    family: str
    shape: float
    bend: float
    based: bool
    falls: bool
    fit: LinearFit  # columns: [base], [size]
    columns: list[list[float]]


class _Rows:
    """The readings over themselves, for every curve to be held against."""

    def __init__(self, t: list[float], root: list[float], ones: list[float], span: float) -> None:
        self.t, self.root, self.ones, self.span = t, root, ones, span

    def pumped(self, bend: float, based: bool) -> list[_Tried]:
        """All time constants of the grid, from 2 % of the span to twice it, and the best of them refined."""
        step = math.log(100.0) / (_TAUS - 1)
        logs = [math.log(0.02 * self.span) + step * k for k in range(_TAUS)]
        tried = [r for x in logs if (r := self._one(math.exp(x), bend, based)) is not None]
        if not tried:
            return []
        best = min(tried, key=lambda r: r.fit.rss)
        middle, width = math.log(best.shape), step
        for _ in range(5):  # three points a turn, each turn half as wide
            width *= 0.5
            near = [r for x in (middle - width, middle + width) if (r := self._one(math.exp(x), bend, based))]
            best = min([best, *near], key=lambda r: r.fit.rss)
            middle = math.log(best.shape)
        return [*tried, best]

    def _one(self, tau: float, bend: float, based: bool) -> _Tried | None:
        first = self.t[0]
        gone = [math.exp(-(x - first) / tau) for x in self.t]
        fall = [g / (1.0 + bend * (1.0 - g)) for g in gone] if bend else gone
        return self.relative("pumped", tau, bend, fall, based)

    def relative(self, family: str, shape: float, bend: float, fall: list[float] | None, based: bool) -> _Tried | None:
        """Against base and fall over the readings; fall None: a steady reading."""
        columns = [self.root] if based else []
        if fall is not None:
            columns.append([f * w for f, w in zip(fall, self.root, strict=True)])
        fit = fit_columns(columns, self.ones)
        if fit is None:
            return None
        return _Tried(family, shape, bend, based, fall is not None, fit, columns)

    def bend_of(self, r: _Tried) -> list[float]:
        """Derivative of a falling curve by the logarithm of its shape, over the readings."""
        size, first = r.fit.coefficients[-1], self.t[0]
        if r.family == "power":
            each = [-r.shape * math.log(x / first) * f for x, f in zip(self.t, r.columns[-1], strict=True)]
        else:
            each = [
                (1.0 + r.bend) / (1.0 + r.bend * -math.expm1(-s)) * s * f
                for f, s in zip(r.columns[-1], ((x - first) / r.shape for x in self.t), strict=True)
            ]
        return [size * v for v in each]


def predict(tail: PossibleTails, now_s: float, target_pa: float) -> Crossing:
    """When the target is passed, from now (`now_s` since the stretch began); a past crossing counts as now."""

    def ahead(t: float | None) -> float | None:
        if t is None or t - now_s > HORIZON_S:
            return None
        return max(t - now_s, 0.0)

    times: list[float | None] = []
    weights: list[float] = []
    for fit in tail.in_play:
        times += [ahead(fit.crossing(target_pa, shift)) for shift in _shifts(fit)]
        weights += [math.exp(-0.5 * (fit.criterion - tail.best.criterion))] * (len(times) - len(weights))
    reached = [t for t in times if t is not None]
    share = sum(w for w, t in zip(weights, times, strict=True) if t is not None) / sum(weights)
    likely = ahead(tail.best.crossing(target_pa))
    if likely is None and share >= MIN_EVIDENCE_SHARE:
        passing = [(f.criterion, t) for f in tail.in_play if (t := ahead(f.crossing(target_pa))) is not None]
        likely = min(passing)[1] if passing else None
    latest = max(reached) if reached and share >= MIN_EVIDENCE_SHARE else None
    return Crossing(min(reached, default=None), likely, latest, share)


def _shifts(fit: TailFit) -> Sequence[float]:
    return (0.0, max(-2.0 * fit.u_base, -fit.base_pa) if fit.base_pa > 0.0 else 0.0, 2.0 * fit.u_base)
