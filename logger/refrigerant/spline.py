"""Cubic splines on uniform nodes, in plain Python: loads without numpy, a call costs well under a microsecond.

Not-a-knot end conditions. `SaturationCurve` is a spline of 1/T over ln p and its exact inverse (the same cubic
solved the other way), so T -> p -> T returns to where it began.
"""

import math
from bisect import bisect_right
from collections.abc import Sequence

from logger.refrigerant.errors import OutOfRange

ROUNDING = 1e-12  # so that the ends of one curve, computed from another, still belong to the range
Cubic = tuple[float, float, float, float]


def uniform_cubics(values: Sequence[float]) -> list[Cubic]:
    """Coefficients (a, b, c, d) of a t^3 + b t^2 + c t + d, t in [0, 1], one for each interval of uniform nodes.

    The second derivatives (times step squared) solve the usual tridiagonal system, by elimination; not-a-knot ends
    make the second and the last but one known at once. Needs at least 5 values.
    """
    n = len(values)
    bend = [0.0] * n
    bend[1] = values[0] - 2 * values[1] + values[2]
    bend[n - 2] = values[n - 3] - 2 * values[n - 2] + values[n - 1]
    right = [6 * (values[i - 1] - 2 * values[i] + values[i + 1]) for i in range(2, n - 2)]
    right[0] -= bend[1]
    right[-1] -= bend[n - 2]
    diagonal = [4.0] * len(right)
    for i in range(1, len(right)):
        factor = 1 / diagonal[i - 1]
        diagonal[i] -= factor
        right[i] -= factor * right[i - 1]
    after = 0.0
    for i in range(len(right) - 1, -1, -1):
        after = (right[i] - after) / diagonal[i]
        bend[i + 2] = after
    bend[0] = 2 * bend[1] - bend[2]
    bend[-1] = 2 * bend[-2] - bend[-3]
    return [
        (
            (bend[i + 1] - bend[i]) / 6,
            bend[i] / 2,
            values[i + 1] - values[i] - (2 * bend[i] + bend[i + 1]) / 6,
            values[i],
        )
        for i in range(n - 1)
    ]


def _solve(cubic: Cubic, end: float, y: float) -> float:
    """t at which the piece equals y; `end` is its value at t = 1.

    Each piece is nearly straight: three Newton steps from the chord reach the last bit (tests/refrigerant).
    """
    a, b, c, d = cubic
    t = (y - d) / (end - d)
    t -= (((a * t + b) * t + c) * t + d - y) / ((3 * a * t + 2 * b) * t + c)
    t -= (((a * t + b) * t + c) * t + d - y) / ((3 * a * t + 2 * b) * t + c)
    return t - (((a * t + b) * t + c) * t + d - y) / ((3 * a * t + 2 * b) * t + c)


class SaturationCurve:
    """Bubble or dew line: temperature (K) of pressure (absolute Pa) and back.

    temperatures_k: at pressures evenly spaced in ln p from low_pa to high_pa, strictly rising.
    """

    __slots__ = ("_cubics", "_falling", "_high_k", "_last", "_low_k", "_refrigerant", "_scale", "_what", "_x0",
                 "high_k", "high_pa", "low_k", "low_pa")  # fmt: skip

    def __init__(
        self, refrigerant: str, what: str, low_pa: float, high_pa: float, temperatures_k: Sequence[float]
    ) -> None:
        self._refrigerant = refrigerant
        self._what = what
        self.low_pa = low_pa
        self.high_pa = high_pa
        self.low_k = temperatures_k[0]
        self.high_k = temperatures_k[-1]
        self._low_k, self._high_k = self.low_k * (1 - ROUNDING), self.high_k * (1 + ROUNDING)
        self._x0 = math.log(low_pa)
        self._scale = (len(temperatures_k) - 1) / (math.log(high_pa) - self._x0)
        self._last = len(temperatures_k) - 2
        inverse = [1 / kelvin for kelvin in temperatures_k]
        self._cubics = uniform_cubics(inverse)
        self._falling = [-y for y in inverse]  # rising, as bisect wants it

    def temperature(self, pressure_pa: float) -> float:
        """K. Raises OutOfRange."""
        if not self.low_pa <= pressure_pa <= self.high_pa:
            raise OutOfRange(self._refrigerant, self._what, pressure_pa, self.low_pa, self.high_pa, "Pa")
        u = (math.log(pressure_pa) - self._x0) * self._scale
        i = int(u)
        if i > self._last:
            i = self._last
        t = u - i
        a, b, c, d = self._cubics[i]
        return 1 / (((a * t + b) * t + c) * t + d)

    def pressure(self, temperature_k: float) -> float:
        """Absolute Pa. Raises OutOfRange."""
        if not self._low_k <= temperature_k <= self._high_k:
            raise OutOfRange(self._refrigerant, self._what, temperature_k, self.low_k, self.high_k, "K")
        y = 1 / temperature_k
        i = bisect_right(self._falling, -y) - 1
        if i > self._last:
            i = self._last
        t = _solve(self._cubics[i], -self._falling[i + 1], y)
        return math.exp((i + t) / self._scale + self._x0)


class DensityCurve:
    """Density (kg/m3) of saturated liquid or vapour over temperature (K).

    Nodes are evenly spaced in (1 - T/anchor_k)^(1/3), the variable in which both densities run almost straight
    into the critical point, from low_k down to high_k; anchor_k is at or just above high_k.
    """

    __slots__ = (
        "_anchor",
        "_cubics",
        "_high_k",
        "_last",
        "_logs",
        "_low_k",
        "_refrigerant",
        "_scale",
        "_what",
        "_x0",
        "high_k",
        "low_k",
    )  # fmt: skip

    def __init__(
        self, refrigerant: str, what: str, low_k: float, high_k: float, anchor_k: float, densities: Sequence[float]
    ) -> None:
        self._refrigerant = refrigerant
        self._what = what
        self.low_k = low_k
        self.high_k = high_k
        self._low_k, self._high_k = low_k * (1 - ROUNDING), high_k * (1 + ROUNDING)
        self._anchor = anchor_k
        self._x0 = shape(low_k, anchor_k)
        self._scale = (len(densities) - 1) / (shape(high_k, anchor_k) - self._x0)
        self._last = len(densities) - 2
        self._logs = [math.log(density) for density in densities]
        self._cubics = uniform_cubics(self._logs)

    def density(self, temperature_k: float) -> float:
        """kg/m3. Raises OutOfRange."""
        if not self._low_k <= temperature_k <= self._high_k:
            raise OutOfRange(self._refrigerant, self._what, temperature_k, self.low_k, self.high_k, "K")
        u = ((1 - temperature_k / self._anchor) ** (1 / 3) - self._x0) * self._scale
        i = int(u)
        if i > self._last:
            i = self._last
        t = u - i
        a, b, c, d = self._cubics[i]
        return math.exp(((a * t + b) * t + c) * t + d)

    def temperature_of_liquid(self, density: float) -> float:
        """K at which the liquid has this density (kg/m3): the exact inverse, for a curve that falls. OutOfRange."""
        logs = self._logs
        high, low = math.exp(logs[0]), math.exp(logs[-1])
        if not low <= density <= high:
            raise OutOfRange(self._refrigerant, self._what, density, low, high, "kg/m3")
        y = math.log(density)
        i = min(max(bisect_right(logs, -y, key=float.__neg__) - 1, 0), self._last)
        t = _solve(self._cubics[i], logs[i + 1], y)
        return float(self._anchor * (1 - ((i + t) / self._scale + self._x0) ** 3))


def shape(temperature_k: float, anchor_k: float) -> float:
    """The variable in which density nodes are evenly spaced."""
    return float((1 - temperature_k / anchor_k) ** (1 / 3))


def shape_nodes(low_k: float, high_k: float, anchor_k: float, count: int) -> list[float]:
    """Temperatures (K) of `count` density nodes; the ends are exactly low_k and high_k."""
    first, last = shape(low_k, anchor_k), shape(high_k, anchor_k)
    inner = [anchor_k * (1 - (first + (last - first) * i / (count - 1)) ** 3) for i in range(1, count - 1)]
    return [low_k, *inner, high_k]


def log_nodes(low: float, high: float, count: int) -> list[float]:
    """Pressures (Pa) of `count` saturation nodes, evenly spaced in ln p; the ends are exactly low and high."""
    first, last = math.log(low), math.log(high)
    inner = [math.exp(first + (last - first) * i / (count - 1)) for i in range(1, count - 1)]
    return [low, *inner, high]
