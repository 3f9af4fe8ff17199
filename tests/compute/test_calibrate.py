"""Calibration: the points given come back true."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.compute.calibrate import CalibrationError, calibrated, two_point, zero_at


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
@settings(max_examples=100, deadline=None)
def test_zero_makes_its_reading_true_and_moves_all_alike(reading: float, true: float) -> None:
    calibration = zero_at(reading, true)
    assert calibrated(calibration, reading) == pytest.approx(true, abs=1e-6)
    assert calibrated(calibration, reading + 10) - calibrated(calibration, reading) == pytest.approx(10, abs=1e-6)


@given(st.floats(-100, 100), st.floats(1, 1000), st.floats(-5, 5), st.floats(0.7, 1.4))
@settings(max_examples=100, deadline=None)
def test_two_points_come_back_true(low: float, apart: float, shift: float, gain: float) -> None:
    points = (low, gain * low + shift), (low + apart, gain * (low + apart) + shift)
    calibration = two_point(*points)
    for reading, true in points:
        assert calibrated(calibration, reading) == pytest.approx(true, abs=1e-6)


def test_ice_and_boiling_water() -> None:
    # A sensor that shows 0.4 C in ice and 99.0 C in steam at 100.0 C, in K.
    calibration = two_point((273.55, 273.15), (372.15, 373.15))
    assert calibrated(calibration, 273.55) == pytest.approx(273.15)
    assert calibrated(calibration, (273.55 + 372.15) / 2) == pytest.approx(323.15)


@pytest.mark.parametrize(
    ("low", "high", "says"),
    [
        ((1.0, 0.0), (1.0, 5.0), "must differ"),
        ((1.0, 5.0), (2.0, 5.0), "must differ"),
        ((0.0, 0.0), (1.0, 6.894), "wrong sensor range or unit"),
        ((0.0, 0.0), (1.0, -1.0), "wrong sensor range or unit"),
        ((0.0, math.nan), (1.0, 1.0), "not a number"),
    ],
)
def test_points_that_cannot_be_meant_are_refused(
    low: tuple[float, float], high: tuple[float, float], says: str
) -> None:
    with pytest.raises(CalibrationError, match=says):
        two_point(low, high)
