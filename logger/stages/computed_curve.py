"""Computed lines over the readings, for plots."""

import math
from collections.abc import Callable

from logger.model.drawing import Curve
from logger.model.units import NS_PER_S

_POINTS = 120


def curve_of(label: str, point: str, begin_s: float, end_s: float, at: Callable[[float], float], zero_ns: int) -> Curve:
    """`at` over begin_s to end_s, seconds after zero_ns (UTC)."""
    times = [begin_s + (end_s - begin_s) * i / (_POINTS - 1) for i in range(_POINTS)]
    pairs = [(zero_ns + int(t * NS_PER_S), v) for t in times if math.isfinite(v := at(t))]
    return Curve(label, point, [t for t, _ in pairs], [v for _, v in pairs])
