"""Least squares against numpy, and its uncertainties against what noise with a memory really does."""

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.statistics.least_squares import correlation_time, fit_columns, line


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
