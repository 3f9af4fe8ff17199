"""The plain-Python splines against scipy's, and as exact inverses of themselves."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline

from logger.refrigerant.errors import OutOfRange
from logger.refrigerant.spline import (
    DensityCurve,
    SaturationCurve,
    log_nodes,
    shape,
    shape_nodes,
    uniform_cubics,
)

LOW_PA, HIGH_PA, COUNT = 3000.0, 4.0e6, 60


def temperature(pressure_pa: float) -> float:
    """A made-up saturation line, close to a real one."""
    return 2500.0 / (21.5 - math.log(pressure_pa) + 2e-8 * pressure_pa)


CURVE = SaturationCurve("X", "bubble point", LOW_PA, HIGH_PA, [temperature(p) for p in log_nodes(LOW_PA, HIGH_PA, 60)])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-100, 100), min_size=5, max_size=40))
def test_the_spline_is_scipys_not_a_knot_spline(values: list[float]) -> None:
    ours = uniform_cubics(values)
    theirs = CubicSpline(np.arange(len(values)), values, bc_type="not-a-knot")
    for i in range(len(values) - 1):
        for t in (0.0, 0.3, 0.5, 0.9, 1.0):
            a, b, c, d = ours[i]
            scale = 1 + max(abs(v) for v in values)
            assert ((a * t + b) * t + c) * t + d == pytest.approx(float(theirs(i + t)), abs=1e-9 * scale)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(-100, 100), min_size=6, max_size=40))
def test_value_slope_and_bend_are_continuous_at_every_node(values: list[float]) -> None:
    scale = 1e-9 * (1 + max(abs(v) for v in values))
    for (a, b, c, d), (_, b2, c2, d2) in pairwise(uniform_cubics(values)):
        assert a + b + c + d == pytest.approx(d2, abs=scale)
        assert 3 * a + 2 * b + c == pytest.approx(c2, abs=10 * scale)
        assert 6 * a + 2 * b == pytest.approx(2 * b2, abs=100 * scale)


@settings(max_examples=200, deadline=None)
@given(st.floats(LOW_PA, HIGH_PA))
def test_pressure_is_the_exact_inverse(pressure_pa: float) -> None:
    assert CURVE.pressure(CURVE.temperature(pressure_pa)) == pytest.approx(pressure_pa, rel=1e-11)


def test_the_ends_belong_to_the_range_and_nothing_beyond_does() -> None:
    assert CURVE.temperature(LOW_PA) == pytest.approx(CURVE.low_k, rel=1e-14)
    assert CURVE.temperature(HIGH_PA) == pytest.approx(CURVE.high_k, rel=1e-14)
    assert CURVE.pressure(CURVE.low_k) == pytest.approx(LOW_PA, rel=1e-12)
    assert CURVE.pressure(CURVE.high_k) == pytest.approx(HIGH_PA, rel=1e-12)
    for pressure_pa in (math.nextafter(LOW_PA, 0), math.nextafter(HIGH_PA, 1e9), -1.0, 0.0, math.nan, math.inf):
        with pytest.raises(OutOfRange):
            CURVE.temperature(pressure_pa)
    for kelvin in (CURVE.low_k * (1 - 1e-11), CURVE.high_k * (1 + 1e-11), 0.0, -5.0, math.nan, math.inf):
        with pytest.raises(OutOfRange):
            CURVE.pressure(kelvin)


def test_the_error_says_what_was_asked_and_what_is_there_in_both_systems() -> None:
    with pytest.raises(OutOfRange) as caught:
        CURVE.temperature(5e6)
    assert (caught.value.low, caught.value.high, caught.value.value) == (LOW_PA, HIGH_PA, 5e6)
    text = str(caught.value)
    assert "above the range" in text and "4000 kPa abs" in text and "580.2 psia" in text


def test_density_nodes_follow_a_critical_shape_closely() -> None:
    """ln rho of a made-up liquid with the critical exponent built in, between the nodes."""
    anchor, low, high = 370.0, 200.0, 369.0

    def density(kelvin: float) -> float:
        x = shape(kelvin, anchor)
        return math.exp(6.2 + 1.1 * x + 0.2 * x**2)

    curve = DensityCurve(
        "X", "liquid density", low, high, anchor, [density(t) for t in shape_nodes(low, high, anchor, 60)]
    )
    for i in range(500):
        kelvin = low + (high - low) * i / 499
        assert curve.density(kelvin) == pytest.approx(density(kelvin), rel=1e-8)
        assert curve.temperature_of_liquid(curve.density(kelvin)) == pytest.approx(kelvin, abs=1e-8)
    for kelvin in (199.99, 369.01, math.nan):
        with pytest.raises(OutOfRange):
            curve.density(kelvin)
    for wrong in (density(high) * 0.999, density(low) * 1.001, math.nan):
        with pytest.raises(OutOfRange):
            curve.temperature_of_liquid(wrong)
