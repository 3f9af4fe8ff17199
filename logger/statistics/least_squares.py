"""Least squares for a handful of columns, plain Python.

Normal equations with columns scaled to unit length and Cholesky's factor: for up to six smooth columns in double
precision that is enough, and 160 rows take tens of microseconds.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul


@dataclass(frozen=True, slots=True)
class LinearFit:
    """y = sum of coefficient * column. inverse: inverse of the normal matrix, so the covariance for unit variance.

    rss: weighted sum of squared residuals.
    """

    coefficients: tuple[float, ...]
    inverse: tuple[tuple[float, ...], ...]
    rss: float


def dot(a: Sequence[float], b: Sequence[float]) -> float:
    return float(sum(map(mul, a, b)))


def solve_normal(
    gram: Sequence[Sequence[float]], right: Sequence[float], yy: float
) -> tuple[tuple[float, ...], float] | None:
    """(coefficients, rss) from inner products: gram[i][j] of columns, right[i] of column and y, yy of y with itself.

    For searching; the rss loses digits where the fit is very good. None when the columns are not independent.
    """
    factor = _cholesky(gram)
    if factor is None:
        return None
    lower, scale = factor
    k = len(right)
    z = [0.0] * k
    for i in range(k):
        row = lower[i]
        z[i] = (right[i] / scale[i] - sum(row[m] * z[m] for m in range(i))) / row[i]
    rss = max(yy - dot(z, z), 0.0)
    b = z[:]
    for i in range(k - 1, -1, -1):
        b[i] = (b[i] - sum(lower[m][i] * b[m] for m in range(i + 1, k))) / lower[i][i]
    return tuple(v / s for v, s in zip(b, scale, strict=True)), rss


def nonnegative(
    gram: Sequence[Sequence[float]], right: Sequence[float], begin: Sequence[int] = ()
) -> tuple[dict[int, float], float]:
    """({column: coefficient > 0}, by how much rss falls): least squares with no coefficient under zero.

    gram, right: inner products of the columns, and of each with y. begin: columns to begin with, such as those of a
    neighbouring problem. Active sets as in C. L. Lawson and R. J. Hanson, Solving Least Squares Problems (1974),
    chapter 23; columns that hang on those already in are passed over.
    """
    k = len(right)
    scale = [math.sqrt(gram[i][i]) if gram[i][i] > 0.0 else math.inf for i in range(k)]
    largest = max((abs(r) / s for r, s in zip(right, scale, strict=True)), default=0.0)
    chosen: list[int] = []
    values: list[float] = []
    barred: set[int] = set()
    waiting = list(begin)
    for _ in range(4 * k + len(waiting)):
        if waiting:
            best = waiting.pop()
            if best in chosen:
                continue
        else:
            best, steepest = -1, 1e-9 * largest
            for i in range(k):
                row = gram[i]
                slope = right[i] - sum(row[j] * v for j, v in zip(chosen, values, strict=True))
                if slope > steepest * scale[i] and i not in barred and i not in chosen:
                    best, steepest = i, slope / scale[i]
            if best < 0:
                break
        trial, before = [*chosen, best], [*values, 0.0]
        while True:
            solved = solve_normal([[gram[i][j] for j in trial] for i in trial], [right[i] for i in trial], 0.0)
            if solved is None or (best in trial and solved[0][trial.index(best)] <= 0.0 and not waiting):
                barred.add(best)  # not independent of the rest, or of no use beside them
                break
            found = solved[0]
            if min(found) > 0.0:
                chosen, values = trial, list(found)
                break
            share = min(b / (b - f) for b, f in zip(before, found, strict=True) if f <= 0.0)
            before = [b + share * (f - b) for b, f in zip(before, found, strict=True)]
            remaining = [
                i for i, (b, f) in enumerate(zip(before, found, strict=True)) if f > 0.0 or b > 1e-12 * max(before)
            ]
            trial, before = [trial[i] for i in remaining], [before[i] for i in remaining]
            if not trial:
                break
    return dict(zip(chosen, values, strict=True)), sum(right[i] * v for i, v in zip(chosen, values, strict=True))


def _cholesky(gram: Sequence[Sequence[float]]) -> tuple[list[list[float]], list[float]] | None:
    """Lower factor of the matrix scaled to a unit diagonal, and the scale. None when it is singular."""
    k = len(gram)
    scale = [math.sqrt(gram[i][i]) for i in range(k)]
    if min(scale, default=0.0) <= 0.0:
        return None
    lower = [[0.0] * k for _ in range(k)]
    for i in range(k):
        row = lower[i]
        for j in range(i):
            other = lower[j]
            row[j] = (gram[i][j] / (scale[i] * scale[j]) - sum(row[m] * other[m] for m in range(j))) / other[j]
        left = 1.0 - sum(v * v for v in row[:i])
        if left < 1e-12:
            return None
        row[i] = math.sqrt(left)
    return lower, scale


def fit_columns(columns: Sequence[Sequence[float]], y: Sequence[float]) -> LinearFit | None:
    """Least squares of y on columns (weights already multiplied in). None when it cannot be solved.

    The residuals are summed directly: yy - b'X'y loses digits where the fit is good.
    """
    k = len(columns)
    gram = [[0.0] * k for _ in range(k)]
    for i in range(k):
        for j in range(i + 1):
            gram[i][j] = gram[j][i] = dot(columns[i], columns[j])
    factor = _cholesky(gram)
    if factor is None:
        return None
    lower, scale = factor
    inv = _inverse_lower(lower)  # of L: the inverse of L L^T is inv^T inv
    inverse = [
        [sum(inv[m][i] * inv[m][j] for m in range(max(i, j), k)) / (scale[i] * scale[j]) for j in range(k)]
        for i in range(k)
    ]
    right = [dot(c, y) for c in columns]
    coefficients = tuple(dot(row, right) for row in inverse)
    left = residuals(columns, coefficients, y)
    return LinearFit(coefficients, tuple(tuple(row) for row in inverse), dot(left, left))


def residuals(columns: Sequence[Sequence[float]], coefficients: Sequence[float], y: Sequence[float]) -> Sequence[float]:
    """What the columns leave of y; columns beyond the coefficients are not used."""
    left = y
    for coefficient, column in zip(coefficients, columns, strict=False):
        left = [r - coefficient * c for r, c in zip(left, column, strict=True)]
    return left


def _inverse_lower(lower: list[list[float]]) -> list[list[float]]:
    k = len(lower)
    inv = [[0.0] * k for _ in range(k)]
    for i in range(k):
        inv[i][i] = 1.0 / lower[i][i]
        for j in range(i):
            inv[i][j] = -inv[i][i] * sum(lower[i][m] * inv[m][j] for m in range(j, i))
    return inv


@dataclass(frozen=True, slots=True)
class FittedLine:
    """y = level + slope (t - centre): u_level and u_slope with the autocorrelation of the residuals allowed for."""

    centre: float
    level: float
    slope: float
    u_level: float
    u_slope: float
    n: int


def line(t: Sequence[float], y: Sequence[float], floor: float = 0.0) -> FittedLine | None:
    """Straight line with standard uncertainties; `floor`: least standard deviation of a value. None under 3 points."""
    n = len(t)
    if n < 3:
        return None
    centre, mean = sum(t) / n, sum(y) / n
    dt = [x - centre for x in t]
    stt = dot(dt, dt)
    if stt <= 0.0:
        return None
    slope = dot(dt, y) / stt
    left = [v - mean - slope * d for v, d in zip(y, dt, strict=True)]
    stretch = correlation_time(left, 2)
    variance = max(dot(left, left) / max(n / stretch - 2.0, 1.0) / stretch, floor * floor)
    return FittedLine(centre, mean, slope, math.sqrt(variance * stretch / n), math.sqrt(variance * stretch / stt), n)


def correlation_time(residuals: Sequence[float], parameters: int) -> float:
    """How many neighbouring residuals count as one: 1 + 2 * sum of autocorrelations, at least 1.

    The sum stops at the first lag under 0.05 or a quarter of the series. A fit with p terms takes p * time / n of the
    slow noise's power into its curve, so that the rest looks less correlated than the noise was: put back, in two
    rounds, since the share depends on the answer.
    """
    n = len(residuals)
    if n < 8:
        return 1.0
    mean = sum(residuals) / n
    centred = [r - mean for r in residuals]
    power = dot(centred, centred)
    if power <= 0.0:
        return 1.0
    lags: list[float] = []
    for lag in range(1, n // 4):
        rho = dot(centred[lag:], centred[:-lag]) / power
        if rho < 0.05:
            break
        lags.append(rho)
    total = 1.0
    for _ in range(3):
        taken = min(parameters * total / n, 0.6)
        total = min(1.0 + 2.0 * sum(rho * (1.0 - taken) + taken for rho in lags), n / 4.0)
    return total
