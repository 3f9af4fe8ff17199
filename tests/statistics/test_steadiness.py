"""Steady, not steady, hunting, or not to be told."""

import math
import random
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.sample import Series
from logger.statistics.steadiness import SETTLING_S, hunting, steadiness


def series(value: Callable[[float], float], until_s: float = 1200.0, dt: float = 2.0, noise: float = 0.0) -> Series:
    rng = random.Random(3)
    t = [dt * i for i in range(int(until_s / dt) + 1)]
    return Series("suction_superheat", t, [value(x) + rng.gauss(0, noise) for x in t], noise)


def judge(s: Series) -> tuple[bool | None, str]:
    found = steadiness(s, most_change=1.4, most_spread=1.4)
    return found.steady, found.reason


def test_settling_is_15_minutes() -> None:
    # California Reference Appendix RA3.2.
    assert SETTLING_S == 15 * 60
    assert judge(series(lambda t: 6.0, until_s=600))[0] is None
    assert "of settling left" in judge(series(lambda t: 6.0, until_s=600))[1]


@pytest.mark.parametrize("noise", [0.0, 0.2, 0.5])
def test_still_rising_swinging_and_steady(noise: float) -> None:
    assert judge(series(lambda t: 6.0, noise=noise)) == (True, "steady for 15 min")
    assert judge(series(lambda t: 6.0 + 0.003 * t, noise=noise)) == (False, "still rising")
    assert judge(series(lambda t: 6.0 - 0.003 * t, noise=noise)) == (False, "still falling")
    assert judge(series(lambda t: 6.0 + 3 * math.sin(t / 20), noise=noise))[0] is False


def test_settling_after_a_start_counts_only_the_window() -> None:
    found = steadiness(series(lambda t: 6 + 20 * math.exp(-t / 100), until_s=2400), most_change=1.4, most_spread=1.4)
    assert found.steady is True
    assert found.mean == pytest.approx(6.0, abs=0.01)


def test_holes_and_too_few_readings_cannot_be_told() -> None:
    full = series(lambda t: 6.0)
    kept = [i for i, t in enumerate(full.t_s) if not 500 < t < 800]
    holed = Series("x", [full.t_s[i] for i in kept], [full.value[i] for i in kept])
    assert judge(holed) == (None, "5 min of the window without readings")
    assert judge(Series("x", (), ())) == (None, "no readings")
    assert judge(Series("x", (0.0, 500.0, 1000.0), (6.0, 6.0, 6.0)))[0] is None


@given(st.floats(30, 200), st.floats(2.5, 8), st.floats(-2e-3, 2e-3), st.floats(0, 0.5))
@settings(max_examples=40, deadline=None)
def test_a_regular_swing_is_hunting_with_its_period_and_amplitude(
    period: float, amplitude: float, trend: float, noise: float
) -> None:
    wave = series(lambda t: 6 + trend * t + amplitude * math.sin(2 * math.pi * t / period), noise=noise)
    found = hunting(wave, least_amplitude=2.0)
    assert found.hunting is True
    assert found.period_s == pytest.approx(period, rel=0.06)
    assert found.amplitude == pytest.approx(amplitude, rel=0.1, abs=2 * noise)


@pytest.mark.parametrize(
    "value",
    [
        pytest.param(lambda t: 6.0, id="constant"),
        pytest.param(lambda t: 6 + 20 * math.exp(-t / 200), id="settling"),
        pytest.param(lambda t: 6 + 5 * (t > 600), id="one step"),
        pytest.param(lambda t: 6 + 0.5 * math.sin(t / 15), id="small swing"),
        pytest.param(lambda t: 6 + 4 * math.sin(t / 200), id="one slow swing"),
    ],
)
@pytest.mark.parametrize("noise", [0.05, 1.0])
def test_what_is_not_hunting(value: Callable[[float], float], noise: float) -> None:
    assert hunting(series(value, noise=noise), least_amplitude=2.0).hunting is False


def test_hunting_needs_readings() -> None:
    assert hunting(Series("x", (0.0, 1.0), (1.0, 2.0)), least_amplitude=2.0).hunting is None
