"""Calibrations from what was shown and what was true: zero, span, two points (all in the channel's SI unit).

The result is the rig's `Calibration`: true = (reading - zero) * span. Gauge pressures are calibrated as gauge.
"""

import math
from datetime import date

from logger.compute.errors import ComputeError
from logger.model.rig import Calibration

LARGEST_SPAN = 1.5  # a sensor 50 % off is a wrong range or unit in the rig file, not a calibration


class CalibrationError(ComputeError):
    """Calibration points that cannot be meant. The message says why and what to do."""


def calibrated(calibration: Calibration, reading: float) -> float:
    return (reading - calibration.zero) * calibration.span


def zero_at(
    reading: float, true: float = 0.0, *, u: float | None = None, done: date | None = None, certificate: str = ""
) -> Calibration:
    """One reading at a known value, usually nothing: moves the whole line."""
    _finite(reading, true)
    return Calibration(reading - true, 1.0, u, done, certificate)


def two_point(
    low: tuple[float, float],
    high: tuple[float, float],
    *,
    u: float | None = None,
    done: date | None = None,
    certificate: str = "",
) -> Calibration:
    """Two (reading, true) pairs; ((0, 0), (reading, true)) is a plain span. Raises CalibrationError."""
    _finite(*low, *high)
    if low[0] == high[0] or low[1] == high[1]:
        raise CalibrationError(f"two-point calibration: {low} and {high} must differ in both reading and true value")
    span = (high[1] - low[1]) / (high[0] - low[0])
    check_span(span)
    return Calibration(low[0] - low[1] / span, span, u, done, certificate)


def check_span(span: float) -> None:
    """Raises CalibrationError for a span no calibration can ask for."""
    if not 1 / LARGEST_SPAN <= span <= LARGEST_SPAN:
        raise CalibrationError(f"a span of {span:.3g} is a wrong sensor range or unit, not a calibration: check both")


def _finite(*numbers: float) -> None:
    for number in numbers:
        if not math.isfinite(number):
            raise CalibrationError(f"calibration point {number} is not a number")
