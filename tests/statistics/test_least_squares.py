"""Least squares against numpy, and its uncertainties against what noise with a memory really does."""

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import nnls

from logger.statistics.least_squares import correlation_time, dot, fit_columns, line, nonnegative


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 5))
def test_fit_columns_against_numpy(seed: int, k: int) -> None:
    rng = random.Random(seed)
    columns = [[rng.gauss(0, 1) for _ in range(40)] for _ in range(k)]
    y = [rng.gauss(0, 3) for _ in range(40)]
    fit = fit_columns(columns, y)
    assert fit is not None
    x = np.array(columns).T
    wanted, rss, *_ = np.linalg.lstsq(x, np.array(y), rcond=None)
    assert fit.coefficients == pytest.approx(list(wanted), rel=1e-8, abs=1e-9)
    assert fit.rss == pytest.approx(float(rss[0]), rel=1e-9)
    assert np.allclose(np.array(fit.inverse), np.linalg.inv(x.T @ x), rtol=1e-8)


def test_columns_that_depend_on_each_other_are_refused() -> None:
    a = [float(i) for i in range(10)]
    assert fit_columns([a, [2.0 * v for v in a]], a) is None
    assert fit_columns([[0.0] * 10], a) is None


def _memory(rho: float, n: int, rng: random.Random) -> list[float]:
    out, x = [], rng.gauss(0, 1)
    for _ in range(n):
        x = rho * x + math.sqrt(1 - rho * rho) * rng.gauss(0, 1)
        out.append(x)
    return out


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.8])
def test_correlation_time_of_noise_with_a_memory(rho: float) -> None:
    """For AR(1) noise the sum of autocorrelations is (1 + rho)/(1 - rho)."""
    rng = random.Random(7)
    found = [correlation_time(_memory(rho, 400, rng), 1) for _ in range(40)]
    assert sum(found) / len(found) == pytest.approx((1 + rho) / (1 - rho), rel=0.25)


@pytest.mark.parametrize("rho", [0.0, 0.7])
def test_slope_uncertainty_covers(rho: float) -> None:
    """Two standard uncertainties hold about 95 % of the slopes, whether or not the noise has a memory."""
    rng = random.Random(3)
    inside = 0
    for _ in range(300):
        y = [0.01 * i + v for i, v in enumerate(_memory(rho, 150, rng))]
        fit = line([float(i) for i in range(150)], y)
        assert fit is not None
        inside += abs(fit.slope - 0.01) < 2.0 * fit.u_slope
    assert 0.90 * 300 <= inside <= 0.985 * 300


def test_line_needs_three_distinct_points() -> None:
    assert line([0.0, 1.0], [1.0, 2.0]) is None
    assert line([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]) is None


@pytest.mark.parametrize("seed", range(12))
def test_nonnegative_against_scipy(seed: int) -> None:
    """Lawson and Hanson's own algorithm in scipy: the same sum of squares, no coefficient under zero."""
    rng = np.random.default_rng(seed)
    t = np.linspace(0.0, 1.0, 60)
    columns = [-np.expm1(-t / tau) for tau in (0.02, 0.05, 0.1, 0.3, 0.9, 2.7)] + [rng.normal(size=60)]
    y = rng.normal(size=7) @ np.array(columns) + 0.3 * rng.normal(size=60)
    rows = [list(map(float, c)) for c in columns]
    gram = [[dot(a, b) for b in rows] for a in rows]
    right = [dot(a, list(map(float, y))) for a in rows]
    theirs, norm = nnls(np.array(columns).T, y)
    for begin in ((), (0, 3, 5)):
        found, gain = nonnegative(gram, right, begin)
        assert all(v > 0.0 for v in found.values())
        assert float(y @ y) - gain == pytest.approx(norm**2, rel=1e-6)
        assert sum(theirs * right) == pytest.approx(gain, rel=1e-6, abs=1e-9)


def test_nonnegative_of_columns_that_only_take_away() -> None:
    assert nonnegative([[1.0, 0.5], [0.5, 1.0]], [-1.0, -2.0]) == ({}, 0.0)
