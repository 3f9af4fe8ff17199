"""Shapes of the pressure rise in a closed, evacuated system, and which of them the readings support.

A leak from atmosphere into vacuum brings gas at a constant rate: a straight line. Moisture, oil and outgassing bring
gas until it balances: a rise that levels off. Both together add (C. Zapfe, CERN Accelerator School 2006, leak
detection). Fitted are

    flat        p = a
    linear      p = a + b t
    saturating  p = a + sum c (1 - exp(-t/tau))          one or two time constants
    both        p = a + b t + sum c (1 - exp(-t/tau))

on block means of the (temperature-corrected) readings. For given time constants the rest is linear least squares;
the time constants are searched on a logarithmic grid and refined by Gauss-Newton. Where the readings follow the
temperature beyond the gas law (vapour over water or oil does, and so do gauges), a term d (T - T0) is added to every
shape alike.

Shapes are ranked by the Bayesian information criterion over the *effective* number of readings: neighbouring
residuals that move together count as one, and the residual variance never falls under what the display's digits and
the noise within a block allow. A difference of 6 is odds of 20 to 1.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from logger.statistics.block_means import Blocks
from logger.statistics.least_squares import LinearFit, correlation_time, dot, fit_columns, residuals, solve_normal

GRID = 12
MIN_BLOCKS = 12
MIN_EFFECTIVE = 6.0
TEMPERATURE_SWING_K = 0.5  # under this the readings cannot show what temperature does
MAX_SLOPE_PER_K = 0.12  # ice at -30 C gains 11 % a kelvin: nothing in a circuit follows temperature more
CLEAR = 6.0  # of the criterion: odds of 20 to 1
MAX_TAU = 6.0  # longest time constant sought, in test lengths: a slower one cannot be told from a line


class Shape(StrEnum):
    FLAT = "flat"
    LINEAR = "linear"
    SATURATING = "saturating"
    BOTH = "both"


@dataclass(frozen=True, slots=True)
class ShapeFit:
    """One fitted shape. Times in s from `t0_s`, pressures in Pa.

    start_pa: a. rate_pa_s: b, 0 where the shape has none. terms: (c, tau). per_k: d, Pa/K, 0 when not fitted.
    criterion: BIC, lower is better. u_rate: standard uncertainty of b, residual correlation and the time constants'
    own uncertainty included.
    """

    shape: Shape
    t0_s: float
    start_pa: float
    rate_pa_s: float
    terms: tuple[tuple[float, float], ...]
    per_k: float
    criterion: float
    u_rate: float = 0.0

    def at(self, t_s: float) -> float:
        """Pressure of the curve at the first temperature, Pa, at a time on the series' axis."""
        t = t_s - self.t0_s
        rise = sum(c * -math.expm1(-t / tau) for c, tau in self.terms)
        return self.start_pa + self.rate_pa_s * t + rise

    @property
    def levels_off_at_pa(self) -> float:
        """Where the saturating part ends, the line left out."""
        return self.start_pa + sum(c for c, _ in self.terms)

    @property
    def slowest_s(self) -> float:
        return max((tau for _, tau in self.terms), default=0.0)


@dataclass(frozen=True, slots=True)
class Shapes:
    """All fits, best of each shape. n_eff: readings that count as independent, of n blocks."""

    best: ShapeFit
    by_shape: dict[Shape, ShapeFit]
    n: int
    n_eff: float
    u_block_pa: float

    def lead(self, over: Sequence[Shape]) -> float:
        """By how much the best fit's criterion beats the best of these shapes; 0 if it is one of them."""
        return min((self.by_shape[s].criterion for s in over if s in self.by_shape), default=math.inf) - (
            self.best.criterion
        )


def fit_shapes(
    data: Blocks,
    value: Sequence[float] | None = None,
    temperature_k: Sequence[float] | None = None,
    ceiling_pa: float = math.inf,
) -> Shapes | None:
    """Fit all shapes to block means. None under 12 blocks.

    value: corrected means in place of data.value. temperature_k: at the blocks' times. ceiling_pa: no part much
    slower than the test is believed to level off above this.
    """
    y_raw = data.value if value is None else value
    n = len(data)
    if n < MIN_BLOCKS or data.t_s[-1] <= data.t_s[0]:
        return None
    t0, span = data.t_s[0], data.t_s[-1] - data.t_s[0]
    x = [(t - t0) / span for t in data.t_s]  # 0..1, so that columns are alike in size
    search = _Search(x, y_raw, _weights(y_raw), ceiling=ceiling_pa)
    # data.u is that of the quieter quarter of the blocks: in weighted rows it counts as little as they do
    u = data.u * sorted(search.root)[-(n // 4) - 1]
    if temperature_k is not None and max(temperature_k) - min(temperature_k) > TEMPERATURE_SWING_K:
        search = _with_temperature(search, [k - temperature_k[0] for k in temperature_k], u)
    found: list[_Candidate] = [search.plain(False), search.plain(True)]
    found += [c for c in (search.one(False), search.two(False), search.one(True)) if c is not None]
    closest = min(found, key=lambda c: c.rss)
    if correlation_time(search.residuals(closest), closest.parameters) > 1.5:  # something is left to explain
        fullest = search.two(True)
        found += [] if fullest is None else [fullest]
    # neighbours that move together: first as the fullest shape leaves them, then as the chosen one does, for a full
    # shape swallows slow wander and makes the rest look independent
    closest = min(found, key=lambda c: c.rss)
    stretch = 1.0
    fits: list[tuple[ShapeFit, _Candidate]] = []
    for _ in range(2):
        stretch = max(stretch, correlation_time(search.residuals(closest), closest.parameters))
        n_eff = max(n / stretch, MIN_EFFECTIVE)
        fits = [(_finish(c, t0, span, n, n_eff, u**2), c) for c in found]
        fits.sort(key=lambda row: row[0].criterion)
        closest = fits[0][1]
    by_shape: dict[Shape, ShapeFit] = {}
    for fit, _ in fits:
        by_shape.setdefault(fit.shape, fit)
    return Shapes(fits[0][0], by_shape, n, n_eff, max(u, math.sqrt(closest.rss / n)))


def _with_temperature(search: "_Search", deviation_k: list[float], u: float) -> "_Search":
    """The search with a temperature term, if that clearly betters the fullest simple shape and is physical."""
    wider = _Search(search.x, search.y_raw, search.root, deviation_k, search.ceiling)

    def closest(of: _Search) -> _Candidate:
        return min((c for c in (of.plain(True), of.one(True)) if c is not None), key=lambda c: c.rss)

    without, with_it = closest(search), closest(wider)
    n = len(search.x)
    n_eff = max(n / correlation_time(wider.residuals(with_it), with_it.parameters), MIN_EFFECTIVE)
    floor = max(u * u, 1e-30)
    gain = n_eff * math.log(max(without.rss / n, floor) / max(with_it.rss / n, floor)) - math.log(n_eff)
    return wider if gain > CLEAR else search


def _weights(y: Sequence[float]) -> list[float]:
    """Square roots of the rows' weights: even, or as 1/p where the scatter clearly grows with the pressure.

    Scatter is read from second differences of neighbours, which a smooth rise hardly enters. A weight is 1 at the
    lowest pressure, so a weighted residual is in Pa there.
    """
    n = len(y)
    rough = [abs(a - 2.0 * b + c) for a, b, c in zip(y, y[1:], y[2:], strict=False)]
    order = sorted(range(1, n - 1), key=lambda i: y[i])
    third = max(len(order) // 3, 1)
    low = sorted(rough[i - 1] for i in order[:third])[third // 2]
    high = sorted(rough[i - 1] for i in order[-third:])[third // 2]
    least = min(y)
    y_low, y_high = y[order[third // 2]], y[order[-(third // 2) - 1]]
    if least <= 0.0 or y_high < 1.5 * y_low or high < 2.0 * low or low <= 0.0:
        return [1.0] * n
    return [max(least / p, 0.01) for p in y]


@dataclass(frozen=True, slots=True)
class _Candidate:
    shape: Shape
    fit: LinearFit  # columns: 1, [t], exponentials, [temperature]
    taus: tuple[float, ...]  # in units of the span
    per_k: float
    u_rate_unit: float  # sqrt of the unit-variance covariance of b, time constants included

    @property
    def rss(self) -> float:
        return self.fit.rss

    @property
    def parameters(self) -> int:
        return len(self.fit.coefficients) + len(self.taus)


class _Search:
    """Rows and columns of one data set; columns are weighted."""

    def __init__(
        self,
        x: list[float],
        y: Sequence[float],
        root: list[float],
        deviation_k: list[float] | None = None,
        ceiling: float = math.inf,
    ) -> None:
        self.x, self.root, self.y_raw, self.ceiling = x, root, y, ceiling
        self.y = [v * w for v, w in zip(y, root, strict=True)]
        self.warm = [] if deviation_k is None else [[k * w for k, w in zip(deviation_k, root, strict=True)]]
        self.steepest = MAX_SLOPE_PER_K * max(y)
        self._one: dict[bool, _Candidate | None] = {}
        self.ones = list(root)
        self.ramp = [v * w for v, w in zip(x, root, strict=True)]
        shortest = max(2.0 / len(x), 0.005)
        self.taus = [shortest * (MAX_TAU / shortest) ** (i / (GRID - 1)) for i in range(GRID)]
        self.columns = [self._rise(tau) for tau in self.taus]
        basis = [self.ones, self.ramp, *self.columns, *self.warm]
        self.gram = [[0.0] * len(basis) for _ in basis]
        for i in range(len(basis)):
            for j in range(i + 1):
                self.gram[i][j] = self.gram[j][i] = dot(basis[i], basis[j])
        self.right = [dot(b, self.y) for b in basis]
        self.yy = dot(self.y, self.y)

    def _rise(self, tau: float) -> list[float]:
        return [-math.expm1(-v / tau) * w for v, w in zip(self.x, self.root, strict=True)]

    def _base(self, linear: bool) -> list[list[float]]:
        return [self.ones, self.ramp] if linear else [self.ones]

    def plain(self, linear: bool) -> _Candidate:
        shape = Shape.LINEAR if linear else Shape.FLAT
        for extra in (self.warm, []):
            fit = fit_columns([*self._base(linear), *extra], self.y)
            if fit is not None and (not extra or abs(fit.coefficients[-1]) <= self.steepest):
                per_k = fit.coefficients[-1] if extra else 0.0
                return _Candidate(shape, fit, (), per_k, math.sqrt(fit.inverse[1][1]) if linear else 0.0)
        raise AssertionError("a constant and a ramp over distinct times are independent")

    def _grid_rss(self, linear: bool, picks: tuple[int, ...]) -> float | None:
        """rss with these time constants of the grid; None when the curve is not physical."""
        rows = [*((0, 1) if linear else (0,)), *(2 + p for p in picks), *((2 + GRID,) if self.warm else ())]
        gram = [[self.gram[i][j] for j in rows] for i in rows]
        solved = solve_normal(gram, [self.right[i] for i in rows], self.yy)
        if solved is None or not self._physical(solved[0], [self.taus[p] for p in picks], linear):
            return None
        return solved[1]

    def _allowed(self, linear: bool, tau: float) -> bool:
        """Beside a line, a time constant longer than the test is a line itself."""
        return tau <= (1.0 if linear else MAX_TAU)

    def one(self, linear: bool) -> _Candidate | None:
        if linear not in self._one:
            self._one[linear] = self._best(linear, [(i,) for i in range(GRID)])
        return self._one[linear]

    def two(self, linear: bool) -> _Candidate | None:
        """Neighbours on the grid are one time constant."""
        return self._best(linear, [(i, j) for i in range(GRID) for j in range(i + 2, GRID)])

    def _best(self, linear: bool, choices: Sequence[tuple[int, ...]]) -> _Candidate | None:
        scored = []
        for picks in choices:
            if self._allowed(linear, self.taus[picks[-1]]):
                rss = self._grid_rss(linear, picks)
                if rss is not None:
                    scored.append((rss, picks))
        if not scored:
            return None
        return self._refined(linear, tuple(self.taus[p] for p in min(scored)[1]))

    def _refined(self, linear: bool, taus: tuple[float, ...]) -> _Candidate | None:
        """Gauss-Newton on the logarithms of the time constants, each step halved until it helps.

        Only as far as the curve stays physical; the grid's own choice is.
        """
        longest = 1.0 if linear else MAX_TAU
        shortest = 0.5 * self.taus[0]
        fit = fit_columns(self._whole(linear, taus), self.y)
        for _ in range(6):
            if fit is None:
                return None
            whole = fit_columns([*self._whole(linear, taus), *self._bends(fit, linear, taus)], self.y)
            if whole is None:
                break
            step = whole.coefficients[-len(taus) :]
            better = None
            for share in (1.0, 0.5, 0.25, 0.1):
                tried = tuple(
                    min(max(tau * math.exp(max(-1.0, min(1.0, share * d))), shortest), longest)
                    for tau, d in zip(taus, step, strict=True)
                )
                trial = fit_columns(self._whole(linear, tried), self.y)
                if trial is not None and trial.rss < fit.rss and self._physical(trial.coefficients, tried, linear):
                    better = (tried, trial)
                    break
            if better is None:
                break
            gained = 1.0 - better[1].rss / fit.rss
            taus, fit = better
            if gained < 1e-3:
                break
        if fit is None or not self._physical(fit.coefficients, taus, linear):
            return None
        shape = Shape.BOTH if linear else Shape.SATURATING
        per_k = fit.coefficients[-1] if self.warm else 0.0
        return _Candidate(shape, fit, taus, per_k, self._u_rate_unit(fit, taus) if linear else 0.0)

    def _whole(self, linear: bool, taus: Sequence[float]) -> list[list[float]]:
        return [*self._base(linear), *(self._rise(tau) for tau in taus), *self.warm]

    def _bends(self, fit: LinearFit, linear: bool, taus: Sequence[float]) -> list[list[float]]:
        """Derivatives of the fitted curve by the logarithm of each time constant."""
        first = 2 if linear else 1
        return [
            [-c * v / tau * math.exp(-v / tau) * w for v, w in zip(self.x, self.root, strict=True)]
            for c, tau in zip(fit.coefficients[first : first + len(taus)], taus, strict=True)
        ]

    def _u_rate_unit(self, fit: LinearFit, taus: Sequence[float]) -> float:
        """Standard uncertainty of b for unit variance, with the time constants as free as the rest."""
        whole = fit_columns([*self._whole(True, taus), *self._bends(fit, True, taus)], self.y)
        return math.inf if whole is None else math.sqrt(whole.inverse[1][1])

    def residuals(self, candidate: _Candidate) -> Sequence[float]:
        columns = self._whole(candidate.shape in (Shape.LINEAR, Shape.BOTH), candidate.taus)
        return residuals(columns, candidate.fit.coefficients, self.y)

    def _physical(self, coefficients: Sequence[float], taus: Sequence[float], linear: bool) -> bool:
        """A slow saturating part rises, and not above the ceiling; only a short settling at the start may fall."""
        if self.warm and abs(coefficients[-1]) > self.steepest:
            return False
        first = 2 if linear else 1
        rises = coefficients[first : first + len(taus)]
        if max(taus) > 2.0 and coefficients[0] + sum(rises) > self.ceiling:
            return False
        return all(c >= 0.0 or tau <= 0.05 for c, tau in zip(rises, taus, strict=True))


def _finish(c: _Candidate, t0: float, span: float, n: int, n_eff: float, floor: float) -> ShapeFit:
    k = c.parameters + 1  # the variance is fitted too
    criterion = n_eff * math.log(max(c.rss / n, floor, 1e-30)) + k * math.log(n_eff)
    linear = c.shape in (Shape.LINEAR, Shape.BOTH)
    rate = c.fit.coefficients[1] / span if linear else 0.0
    amplitudes = c.fit.coefficients[2 if linear else 1 :]
    free = max(n_eff - c.parameters, 1.5)
    spread = math.sqrt(max(c.rss / n * n_eff / free, floor) * n / n_eff) * _student(free)
    return ShapeFit(
        c.shape,
        t0,
        c.fit.coefficients[0],
        rate,
        tuple((a, tau * span) for a, tau in zip(amplitudes, c.taus, strict=False)),
        c.per_k,
        criterion,
        c.u_rate_unit * spread / span,
    )


def _student(freedom: float) -> float:
    """By how much two standard deviations must be widened to hold 95 % with so few degrees of freedom.

    Expansion of Student's quantile in 1/freedom (Abramowitz and Stegun 26.7.5, two terms).
    """
    return (1.96 + 2.372 / freedom + 2.823 / freedom**2) / 1.96
