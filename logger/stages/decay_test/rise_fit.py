"""How much of a rise in a closed, evacuated system may be a leak, whatever else gives off gas in it.

A leak from atmosphere into vacuum brings gas at a constant rate: a straight line. Everything else brings it ever more
slowly. Fitted to block means of the (temperature-corrected) readings is

    p = a + b t + sum c_j g_j(t),   every c_j >= 0

with any number of sources g from one dictionary:

    store    1 - exp(-t/tau)                    a store that is used up; water or oil that comes to balance
    root     2 age (sqrt(1 + t/age) - 1)        rate as (time since the pump was opened)^-1/2: elastomers, thick oil
    log      age ln(1 + t/age)                  rate as 1/(that time): metal
    layer    a plane layer that diffuses out    as root at first, as store at last (J. Crank, The Mathematics of
                                                Diffusion)

Sums of these come close to any rate that only falls, ever more gently, so no single law has to be right. What is
wanted is the rate b: its interval holds every b for which some sum of sources still fits (profile likelihood, k = 2).
A slow source is a straight line for as long as the test lasts: what is slower than MAX_TAU, or older than MAX_AGE and
than the pumping that is known of, is not told from a leak.

Upward of the best fit the other way round: a drier that takes gas up ever more slowly hides a part of a leak. Beside a
line one such sink is allowed, b t - c (1 - exp(-t/tau)), of up to the test's length.

Where the readings follow the temperature beyond the gas law (vapor over water or oil does, and so do gauges), a term
d (T - T0) is added. Neighbouring residuals that move together count as one, and the variance never falls under what
the display's digits and the noise within a block allow.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from copy import copy
from dataclasses import dataclass
from enum import StrEnum

from logger.statistics.block_means import Blocks
from logger.statistics.least_squares import correlation_time, dot, fit_columns, nonnegative, residuals

MIN_BLOCKS = 12
MIN_EFFECTIVE = 8.0
K = 2.0  # coverage factor, about 95 %
HOUR_S = 3600.0
TEMPERATURE_SWING_K = 0.5  # under this the readings cannot show what temperature does
MAX_SLOPE_PER_K = 0.12  # ice at -30 C gains 11 % a kelvin: nothing in a circuit follows temperature more
MIN_APART = 0.02  # share of a steady rise that the temperature must leave
CLEAR = 6.0  # by which a temperature term must better the criterion: odds of 20 to 1
MAX_TAU_S, MAX_TAU_SPANS = 6.0 * HOUR_S, 3.0  # longest time constant: the longer of the two
MAX_AGE_S, MAX_AGE_SPANS = 4.0 * HOUR_S, 1.5  # longest time since the pump was opened
STORES, AGES, LAYERS = 16, 7, 5
MAX_SINK_SPANS = 1.0
CONVEX = 9.0  # of the profile's unit: three standard deviations


class Shape(StrEnum):
    STORE = "store"
    ROOT = "root"
    LOG = "log"
    LAYER = "layer"


def _layer(s: float) -> float:
    if s < 0.4:  # the root law, to 1e-4
        return 4.0 / math.pi / math.sqrt(math.pi) * math.sqrt(s)
    return 1.0 - 8.0 / math.pi**2 * (math.exp(-s) + math.exp(-9.0 * s) / 9.0 + math.exp(-25.0 * s) / 25.0)


_RISE: dict[Shape, Callable[[float, float], float]] = {
    Shape.STORE: lambda t, tau: -math.expm1(-t / tau),
    Shape.ROOT: lambda t, age: 2.0 * age * (math.sqrt(1.0 + t / age) - 1.0),
    Shape.LOG: lambda t, age: age * math.log1p(t / age),
    Shape.LAYER: lambda t, tau: _layer(t / tau),
}


@dataclass(frozen=True, slots=True)
class GasSource:
    """amount: c, Pa (store, layer) or Pa/s (root, log); negative for a sink. time_s: tau or age."""

    kind: Shape
    time_s: float
    amount: float

    def at(self, t_s: float) -> float:
        return self.amount * _RISE[self.kind](t_s, self.time_s)


@dataclass(frozen=True, slots=True)
class RiseFit:
    """The best fit, and what is known of its straight part. Pa, Pa/s, s from `t0_s` on the series' axis.

    rate_pa_s: b; low_pa_s, high_pa_s: its interval (k = 2), all sources and one sink allowed. line_pa_s, u_line_pa_s:
    of a line alone, k = 1. plain_pa_s, u_plain_pa_s: of a line beside one store that ends within the test, where that
    fits as well as any, else the middle of the interval. sources: of the best fit. per_k: d, Pa/K, 0 when not fitted.
    z_leak: standard deviations by which the readings refuse no leak at all; z_bend: those by which they refuse a line
    alone. taken_up_pa: what a sink beside a line took up in the test, where that fits better than any source, else 0.
    n_eff: readings that count as independent. u_block_pa: of a block mean.
    """

    t0_s: float
    span_s: float
    start_pa: float
    rate_pa_s: float
    low_pa_s: float
    high_pa_s: float
    line_pa_s: float
    u_line_pa_s: float
    plain_pa_s: float
    u_plain_pa_s: float
    sources: tuple[GasSource, ...]
    per_k: float
    z_leak: float
    z_bend: float
    taken_up_pa: float
    n_eff: float
    u_block_pa: float

    def at(self, t_s: float) -> float:
        """Pressure of the curve at the first temperature, Pa, at a time on the series' axis."""
        t = t_s - self.t0_s
        return self.start_pa + self.rate_pa_s * t + sum(one.at(t) for one in self.sources)

    @property
    def given_off_pa(self) -> float:
        """What the sources brought in the test."""
        return sum(one.at(self.span_s) for one in self.sources)

    @property
    def levels_off_at_pa(self) -> float | None:
        """Where the sources end, the line left out; None where those that end within the test are not most of it."""
        whole = [s for s in self.sources if s.kind in (Shape.STORE, Shape.LAYER) and s.time_s <= self.span_s]
        size = sum(s.amount for s in whole)
        return self.start_pa + size if size > 0.0 and size >= 0.7 * self.given_off_pa else None

    @property
    def slowest_s(self) -> float:
        """Slowest time constant of a source that matters: the mean of the grid's neighbours on both sides of it."""
        slow = max((s.time_s for s in self.sources if s.at(self.span_s) > 0.1 * self.given_off_pa), default=0.0)
        near = [s for s in self.sources if s.time_s > 0.5 * slow]
        size = sum(s.at(self.span_s) for s in near)
        return math.exp(sum(s.at(self.span_s) * math.log(s.time_s) for s in near) / size) if size > 0.0 else 0.0

    def slope(self, t_s: float) -> float:
        """Pa/s, t_s from the start."""
        step = 1e-3 * self.span_s
        return (self.at(self.t0_s + t_s + step) - self.at(self.t0_s + t_s)) / step


def max_tau_s(span_s: float) -> float:
    """Longest time constant of a source that a test of this length allows for, s."""
    return max(MAX_TAU_S, MAX_TAU_SPANS * span_s)


def fit_rise(
    data: Blocks,
    value: Sequence[float] | None = None,
    temperature_k: Sequence[float] | None = None,
    pumped_s: float = 0.0,
) -> RiseFit | None:
    """Fit block means. None under 12 blocks.

    value: corrected means in place of data.value. temperature_k: at the blocks' times. pumped_s: how long it was pumped
    before, as far as known.
    """
    y = data.value if value is None else value
    if len(data) < MIN_BLOCKS or data.t_s[-1] <= data.t_s[0]:
        return None
    rows = _RiseRows(data, y, pumped_s)
    if temperature_k is not None and max(temperature_k) - min(temperature_k) > TEMPERATURE_SWING_K:
        # a steady drift of the temperature and a steady rise are one and the same: then there is no such term
        warmed = rows.warmed([k - temperature_k[0] for k in temperature_k])
        if warmed is not None and abs(warmed.per_k) <= MAX_SLOPE_PER_K * max(y) and warmed.betters(rows):
            rows = warmed
    return rows.fit()


def _grid(low: float, high: float, count: int) -> list[float]:
    return [low * (high / low) ** (i / (count - 1)) for i in range(count)]


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


class _RiseRows:
    """One data set: weighted columns with what the free ones explain taken out, their inner products, the best fit.

    Time runs from 0 to 1 over the test.
    """

    def __init__(self, data: Blocks, y: Sequence[float], pumped_s: float) -> None:
        self.t0, self.span = data.t_s[0], data.t_s[-1] - data.t_s[0]
        self.x = [(t - self.t0) / self.span for t in data.t_s]
        self.root = _weights(y)
        self.n = len(self.x)
        # data.u is that of the quieter quarter of the blocks: in weighted rows it counts as little as they do
        self.u = data.u * sorted(self.root)[-(self.n // 4) - 1]
        self.y, self.ramp = self._weighted(y), self._weighted(self.x)
        longest = max_tau_s(self.span) / self.span
        oldest = max(MAX_AGE_S / self.span, MAX_AGE_SPANS, pumped_s / self.span)
        self.terms = [
            *((Shape.STORE, tau) for tau in _grid(max(2.0 / self.n, 0.01), longest, STORES)),
            *((kind, age) for kind in (Shape.ROOT, Shape.LOG) for age in _grid(0.02, oldest, AGES)),
            *((Shape.LAYER, tau) for tau in _grid(0.1, longest, LAYERS)),
        ]
        self.columns = []
        for kind, time in self.terms:
            rise = _RISE[kind]
            self.columns.append([rise(v, time) * w for v, w in zip(self.x, self.root, strict=True)])
        self.free: list[list[float]] = []
        self.left_y, self.left_x, self.left = self.y, self.ramp, self.columns
        self.gram = [[0.0] * len(self.columns) for _ in self.columns]
        self._free(self.root)
        for i, a in enumerate(self.left):
            for j in range(i + 1):
                self.gram[i][j] = self.gram[j][i] = dot(a, self.left[j])
        self.per_k, self.near, self.least = 0.0, [0], 0.0
        self._solve()

    def _free(self, column: Sequence[float]) -> list[float]:
        """A column whose size is free: what it explains is taken out of all others. Their inner products with it."""
        self.free = [*self.free, list(column)]
        size = math.sqrt(dot(column, column))
        unit = [v / size for v in column]

        def without(other: Sequence[float], share: float) -> list[float]:
            return [v - share * u for v, u in zip(other, unit, strict=True)]

        self.left_y, self.left_x = (without(v, dot(unit, v)) for v in (self.left_y, self.left_x))
        shares = [dot(unit, v) for v in self.left]
        self.left = [without(v, share) for v, share in zip(self.left, shares, strict=True)]
        self.yy, self.xx = dot(self.left_y, self.left_y), dot(self.left_x, self.left_x)
        self.xy = dot(self.left_x, self.left_y)
        self.gy, self.gx = [dot(v, self.left_y) for v in self.left], [dot(v, self.left_x) for v in self.left]
        return shares

    def warmed(self, kelvin: Sequence[float]) -> "_RiseRows | None":
        """With a temperature term; None where that leaves too little of a steady rise."""
        rows = copy(self)
        warm = self._weighted(kelvin)
        share = dot(warm, self.root) / dot(self.root, self.root)
        shares = rows._free([v - share * w for v, w in zip(warm, self.root, strict=True)])
        if rows.xx < MIN_APART * self.xx:
            return None
        rows.gram = [
            [g - a * b for g, b in zip(row, shares, strict=True)] for row, a in zip(self.gram, shares, strict=True)
        ]
        rows._solve()
        return rows

    def _weighted(self, column: Sequence[float]) -> list[float]:
        return [v * w for v, w in zip(column, self.root, strict=True)]

    def _solve(self) -> None:
        """The best fit, rate free: the line is taken out of the sources' inner products too."""
        g, xx = self.gx, self.xx
        gram = [[self.gram[i][j] - g[i] * g[j] / xx for j in range(len(g))] for i in range(len(g))]
        right = [gy - gx * self.xy / xx for gy, gx in zip(self.gy, g, strict=True)]
        found, _ = nonnegative(gram, right)
        self.active = list(found)
        whole = [*self.free, self.ramp, *(self.columns[i] for i in self.active)]
        fit = fit_columns(whole, self.y)
        if fit is None or any(c < 0.0 for c in fit.coefficients[len(self.free) + 1 :]):
            self.active = []
            fit = fit_columns([*self.free, self.ramp], self.y)
        assert fit is not None  # apart by what the caller looks at
        first = len(self.free)
        self.start, self.rate = fit.coefficients[0], fit.coefficients[first]
        self.per_k = fit.coefficients[1] if first > 1 else 0.0
        self.amounts = fit.coefficients[first + 1 :]
        self.rss = fit.rss
        columns = [*self.free, self.ramp, *(self.columns[i] for i in self.active)]
        left = residuals(columns, fit.coefficients, self.y)
        self.stretch, self.n_eff = self._independent(left, len(fit.coefficients))
        self.unit = self._unit(left, len(fit.coefficients))

    def _independent(self, left: Sequence[float], parameters: int) -> tuple[float, float]:
        """How many neighbouring residuals count as one, and how many readings that leaves."""
        stretch = min(correlation_time(left, parameters), self.n / MIN_EFFECTIVE)
        return stretch, self.n / stretch

    def _unit(self, left: Sequence[float], parameters: int) -> float:
        """Of rss: one standard deviation of a fit with these residuals."""
        stretch, n_eff = self._independent(left, parameters)
        free = max(n_eff - parameters, 1.5)
        variance = max(dot(left, left) / self.n * n_eff / free, self.u * self.u)
        return variance * stretch * _student(free) ** 2

    def betters(self, other: "_RiseRows") -> bool:
        floor = max(self.u * self.u, 1e-30)
        gain = self.n_eff * math.log(max(other.rss / self.n, floor) / max(self.rss / self.n, floor))
        return gain - math.log(self.n_eff) > CLEAR

    def _over(self, rate: float) -> float:
        """rss at this rate less that of the best fit, for the sources as they fit best beside it."""
        right = [gy - rate * gx for gy, gx in zip(self.gy, self.gx, strict=True)]
        found, gain = nonnegative(self.gram, right, self.near)
        self.near = list(found)
        return self.yy - 2.0 * rate * self.xy + rate * rate * self.xx - gain - self.least

    def _edge(self, way: float, unit: float) -> float:
        """The rate below or above the best fit at which the readings refuse it: where _over reaches K^2 units."""
        limit = K * K * unit
        step = way * K * math.sqrt(unit / self.xx)
        near, far = self.rate, self.rate + step
        over = self._over(far)
        for _ in range(40):
            if over >= limit:
                break
            step *= 2.0
            near, far = far, far + step
            over = self._over(far)
        for _ in range(12):
            if abs(far - near) < 0.02 * abs(far - self.rate):
                break
            middle = 0.5 * (near + far)
            if self._over(middle) < limit:
                near = middle
            else:
                far = middle
        return far

    def _sinks(self) -> Iterator[tuple[int, float, float, float]]:
        """(column, rate, amount, rss) of a line with each store of up to the test's length; one below zero takes up."""
        for i, (kind, time) in enumerate(self.terms):
            if kind is Shape.STORE and time <= MAX_SINK_SPANS:
                apart = self.xx * self.gram[i][i] - self.gx[i] ** 2
                rate = (self.xy * self.gram[i][i] - self.gx[i] * self.gy[i]) / apart
                amount = (self.xx * self.gy[i] - self.gx[i] * self.xy) / apart
                yield i, rate, amount, self.yy - rate * self.xy - amount * self.gy[i]

    def _plain(self, low: float, high: float, unit: float) -> tuple[float, float]:
        """The rate of the plainest curve that fits, and its standard uncertainty."""
        i, rate, _, rss = min(
            (s for s in self._sinks() if s[2] > 0.0), key=lambda s: s[3], default=(0, 0.0, 0.0, math.inf)
        )
        if rss > self.least + K * K * unit:
            return 0.5 * (low + high), (high - low) / (2.0 * K)
        apart = self.xx * self.gram[i][i] - self.gx[i] ** 2
        return rate, math.sqrt(unit * self.gram[i][i] / apart)

    def _sink(self) -> tuple[int, float, float, float] | None:
        """The one that fits best, where it takes gas up."""
        return min((s for s in self._sinks() if s[2] < 0.0), key=lambda s: s[3], default=None)

    def _beside_sink(self, limit: float) -> float:
        """The largest rate at which a line with one sink still fits to within `limit`."""
        top = -math.inf
        for i, rate, _, rss in self._sinks():
            if rss <= limit:
                apart = self.xx * self.gram[i][i] - self.gx[i] ** 2
                largest = rate + math.sqrt((limit - rss) * self.gram[i][i] / apart)
                if self.gy[i] < largest * self.gx[i]:  # it takes up there
                    top = max(top, largest)
        return top

    def fit(self) -> RiseFit:
        sink = self._sink()
        if sink is not None:
            i, rate, amount, _ = sink
            columns = [self.left_x, self.left[i]]
            left = residuals(columns, (rate, amount), self.left_y)
            self.unit = min(self.unit, self._unit(left, 3))
        unit = self.unit
        self.near, self.least = list(self.active), 0.0
        self.least = self._over(self.rate)
        low, high = self._edge(-1.0, unit), self._edge(1.0, unit)
        slope = self.xy / self.xx
        line = self.yy - self.xy * slope
        no_leak = self._over(0.0) if self.rate > 0.0 else 0.0
        left = residuals([self.left_x], (slope,), self.left_y)
        u_line = math.sqrt(self._unit(left, 2) / self.xx)
        plain, u_plain = self._plain(low, high, unit)
        taken_up = 0.0
        if sink is not None:
            i, _, amount, rss = sink
            high = max(high, self._beside_sink(min(self.least, rss) + K * K * unit))
            if self.least - rss > CONVEX * unit:
                taken_up = -amount * _RISE[Shape.STORE](1.0, self.terms[i][1])
        t = self.span
        sources = tuple(
            GasSource(kind, time * t, c / (t if kind in (Shape.ROOT, Shape.LOG) else 1.0))
            for (kind, time), c in zip((self.terms[i] for i in self.active), self.amounts, strict=True)
        )
        return RiseFit(
            self.t0, t, self.start, self.rate / t, low / t, high / t, self.xy / self.xx / t,
            u_line / t, plain / t, u_plain / t, sources, self.per_k,
            math.sqrt(max(no_leak, 0.0) / unit), math.sqrt(max(line - self.least, 0.0) / unit), taken_up, self.n_eff,
            max(self.u, math.sqrt(self.rss / self.n)),
        )  # fmt: skip


def _student(freedom: float) -> float:
    """By how much two standard deviations must be widened to hold 95 % with so few degrees of freedom.

    Expansion of Student's quantile in 1/freedom (Abramowitz and Stegun 26.7.5, two terms).
    """
    return (1.96 + 2.372 / freedom + 2.823 / freedom**2) / 1.96
