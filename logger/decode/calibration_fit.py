"""From readings beside a reference to a calibration: zero, span, and what uncertainty is left.

true = (reading - zero) * span. One point moves the zero only; the span stays. Two or more: the straight line of least
squares of the reference on the reading; what it leaves are the residuals. Gauge channels are compared as gauge.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from logger.model.errors import ComputeError
from logger.model.rig import Calibration


class CalibrationError(ComputeError):
    """Points that make no calibration. The message says why."""


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """One point: the mean of the uncorrected readings, their standard uncertainty, and what the reference says, SI.

    u_reference: standard uncertainty of the reference, None when nobody stated it.
    """

    reading: float
    u_reading: float
    reference: float
    u_reference: float | None = None


@dataclass(frozen=True, slots=True)
class CalibrationFit:
    """residuals: corrected reading minus reference, of each point, SI. u: standard uncertainty of a corrected reading
    within the points, None where a reference has none or a single point leaves the span as it was.
    """

    zero: float
    span: float
    u: float | None
    residuals: tuple[float, ...]


def fit_calibration(points: Sequence[CalibrationPoint], span_before: float = 1.0) -> CalibrationFit:
    """span_before: of the calibration in force. Raises CalibrationError.

    u combines (GUM, JCGM 100:2008, 5.1) the largest of the references', the largest of the readings', and the scatter
    about the line, which has n - 2 degrees of freedom.
    """
    if not points:
        raise CalibrationError("no point was compared")
    if len(points) == 1:
        (point,) = points
        return CalibrationFit(point.reading - point.reference / span_before, span_before, None, (0.0,))
    count = len(points)
    mean_x = math.fsum(p.reading for p in points) / count
    mean_y = math.fsum(p.reference for p in points) / count
    spread = math.fsum((p.reading - mean_x) ** 2 for p in points)
    apart = max(p.reference for p in points) - min(p.reference for p in points)
    if apart <= 0 or spread <= 0:
        raise CalibrationError("all points have the same value; a span needs two that lie apart")
    span = math.fsum((p.reading - mean_x) * (p.reference - mean_y) for p in points) / spread
    if span <= 0:
        raise CalibrationError("the reading falls while the reference rises: were two points mixed up?")
    zero = mean_x - mean_y / span
    residuals = tuple((p.reading - zero) * span - p.reference for p in points)
    scatter = math.fsum(r * r for r in residuals) / (count - 2) if count > 2 else 0.0
    stated = [p.u_reference for p in points if p.u_reference is not None]
    u = None
    if len(stated) == count:
        u = math.sqrt(max(stated) ** 2 + (span * max(p.u_reading for p in points)) ** 2 + scatter)
    return CalibrationFit(zero, span, u or None, residuals)


class Standing(StrEnum):
    """How a channel's calibration stands on a day."""

    NONE = "none"
    OVERDUE = "overdue"
    CURRENT = "current"


def standing(calibration: Calibration, on: date) -> Standing:
    if calibration.done is None:
        return Standing.NONE
    return Standing.OVERDUE if (on - calibration.done).days > calibration.due_days else Standing.CURRENT


def zero_drift(calibration: Calibration) -> float | None:
    """How far the zero moved from the calibration before to the newest, SI; None where there was none before."""
    return None if calibration.earlier_zero is None else calibration.zero - calibration.earlier_zero
