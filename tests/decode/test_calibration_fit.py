"""Zero, span and uncertainty from points beside a reference."""

import math
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decode.calibration_fit import (
    CalibrationError,
    CalibrationPoint,
    Standing,
    fit_calibration,
    standing,
    zero_drift,
)
from logger.model.rig import Calibration

FINITE = st.floats(-1e6, 1e6)


def test_one_point_keeps_the_span_that_more_points_gave() -> None:
    """A sensor that shows true / 1.02 + 5: put right at 0 and at 300 alike."""
    for true in (0.0, 300.0):
        fit = fit_calibration([CalibrationPoint(true / 1.02 + 5.0, 0.1, true, 0.1)], 1.02)
        assert fit.zero == pytest.approx(5.0)
        assert (fit.span, fit.u) == (1.02, None)


def test_one_point_moves_the_zero_only_and_leaves_the_stated_accuracy() -> None:
    fit = fit_calibration([CalibrationPoint(700.0, 20.0, 0.0, 0.0)])
    assert (fit.zero, fit.span, fit.u, fit.residuals) == (700.0, 1.0, None, (0.0,))


@given(
    zero=st.floats(-5e3, 5e3),
    span=st.floats(0.9, 1.1),
    references=st.lists(FINITE, min_size=2, max_size=6, unique=True),
)
def test_a_sensor_with_a_zero_and_span_error_is_put_right(zero: float, span: float, references: list[float]) -> None:
    low, high = min(references), max(references)
    if high - low < 1.0:
        return
    points = [CalibrationPoint(true / span + zero, 1.0, true, 1.0) for true in references]
    fit = fit_calibration(points)
    assert fit.span == pytest.approx(span, rel=1e-4)
    assert max(map(abs, fit.residuals)) < 1e-4 * max(1.0, abs(low), abs(high))


def test_uncertainty_carries_reference_reading_and_scatter() -> None:
    """Worked by hand: residuals of (0, 10, 20) read as (0, 10.3, 20) are -0.1, 0.2, -0.1 at span 1."""
    points = [CalibrationPoint(x, 0.05, y, 0.1) for x, y in ((0.0, 0.0), (10.3, 10.0), (20.0, 20.0))]
    fit = fit_calibration(points)
    assert fit.u is not None
    scatter = sum(r * r for r in fit.residuals) / 1
    assert fit.u == pytest.approx(math.sqrt(0.1**2 + (fit.span * 0.05) ** 2 + scatter))
    assert scatter == pytest.approx(0.06, rel=0.1)


def test_a_reference_without_uncertainty_gives_none() -> None:
    assert fit_calibration([CalibrationPoint(0.0, 0.1, 0.0, 0.1), CalibrationPoint(10.0, 0.1, 10.0)]).u is None


@pytest.mark.parametrize(
    ("pairs", "says"),
    [([], "no point"), ([(1.0, 5.0), (2.0, 5.0)], "same value"), ([(5.0, 1.0), (1.0, 5.0)], "falls")],
)
def test_what_makes_no_calibration_is_refused(pairs: list[tuple[float, float]], says: str) -> None:
    with pytest.raises(CalibrationError, match=says):
        fit_calibration([CalibrationPoint(x, 0.1, y, 0.1) for x, y in pairs])


def test_how_it_stands_on_a_day() -> None:
    done = date(2026, 3, 2)
    made = Calibration(done=done, due_days=180)
    assert standing(Calibration(zero=3.0), done) is Standing.NONE
    assert standing(made, done + timedelta(180)) is Standing.CURRENT
    assert standing(made, done + timedelta(181)) is Standing.OVERDUE


def test_drift_is_between_the_last_two() -> None:
    assert zero_drift(Calibration(zero=3.0)) is None
    assert zero_drift(Calibration(zero=3.0, earlier_zero=1.0)) == 2.0
