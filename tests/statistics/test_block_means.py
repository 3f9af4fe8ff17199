"""Block means keep the mean, the order and the shape, and say what averaging gains."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.sample import Series
from logger.statistics.block_means import blocks, interpolate, smallest_step

_values = st.lists(st.floats(-1e4, 1e4), min_size=2, max_size=400)


@settings(max_examples=80, deadline=None)
@given(_values, st.integers(1, 50))
def test_blocks_keep_mean_and_order(values: list[float], count: int) -> None:
    series = Series("vacuum", [float(i) for i in range(len(values))], values)
    data = blocks(series, -1.0, 1e9, count)
    assert sum(data.n) == len(values)
    assert len(data) <= max(count, 1) or len(values) <= count
    total = sum(n * v for n, v in zip(data.n, data.value, strict=True))
    assert total == pytest.approx(sum(values), rel=1e-9, abs=1e-6)
    assert all(a < b for a, b in zip(data.t_s, data.t_s[1:], strict=False))
    assert min(values) - 1e-9 <= min(data.value) <= max(data.value) <= max(values) + 1e-9


def test_a_window_outside_is_empty() -> None:
    series = Series("vacuum", [0.0, 1.0, 2.0], [1.0, 1.0, 1.0])
    assert len(blocks(series, 10.0, 20.0)) == 0


def test_averaging_gains_nothing_over_a_digit_that_does_not_flicker() -> None:
    t = [float(i) for i in range(1000)]
    still = Series("vacuum", t, [10.0 * round(0.001 * i) for i in range(1000)])
    assert blocks(still, 0.0, 999.0, 50).u == pytest.approx(10.0 / math.sqrt(12.0))
    flicker = Series("vacuum", t, [10.0 + (i * 7919 % 13 - 6) for i in range(1000)])
    assert blocks(flicker, 0.0, 999.0, 50).u < 1.2


def test_smallest_step() -> None:
    assert smallest_step([5.0, 5.0, 7.0, 7.0, 8.5]) == 1.5
    assert smallest_step([5.0, 5.0]) == 0.0


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-10, 10), min_size=1, max_size=30), st.lists(st.floats(-5, 40), min_size=1, max_size=30))
def test_interpolation_against_numpy(values: list[float], at: list[float]) -> None:
    t = [float(i) for i in range(len(values))]
    at = sorted(at)
    assert interpolate(t, values, at) == pytest.approx(list(np.interp(at, t, values)), abs=1e-9)
