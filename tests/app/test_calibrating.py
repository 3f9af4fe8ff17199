"""When readings beside a reference are steady."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.app.calibrating import _moving

STEP = 0.005


def noise(seed: int, count: int = 50, sigma: float = 0.02) -> list[float]:
    rng = random.Random(seed)
    return [rng.gauss(0.0, sigma) for _ in range(count)]


@pytest.mark.parametrize("at", [2, 10, 24, 25, 40, 48])
def test_a_load_put_on_while_it_is_averaged_is_movement(at: int) -> None:
    """Wherever in the averaged time: within a half it looks like scatter."""
    window = [value + (4.5 if number >= at else 0.0) for number, value in enumerate(noise(1))]
    assert abs(_moving(window, STEP)) > 1.0


@given(st.integers(0, 10**6))
def test_a_steady_load_is_not(seed: int) -> None:
    """But for the one in some hundred by chance, which costs a few seconds more."""
    assert sum(_moving(noise(seed + k), STEP) != 0.0 for k in range(40)) <= 4


def test_a_last_digit_that_changes_is_not() -> None:
    assert _moving([0.0, 0.0, 0.0, STEP] * 12, STEP) == 0.0


def test_a_slow_drift_is() -> None:
    assert _moving([value + 0.01 * number for number, value in enumerate(noise(3))], STEP) != 0.0
