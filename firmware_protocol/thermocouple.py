"""Thermocouples of types K, T and J: electromotive force against temperature (SPEC.md section 7.4, kind 9).

The reference functions of ITS-90: NIST Monograph 175 (1993), also IEC 60584-1. E(t) is in mV for a cold junction at
0 Cel, a polynomial in t in Cel; above 0 Cel type K has an exponential term besides.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from firmware_protocol.codes import Thermocouple

MIN_CELSIUS: Final = -200.0  # below, a kelvin gives so little that no instrument of this work means it

_MV = 1e3
_STEPS = 50
_CLOSE_KELVIN = 1e-9


@dataclass(frozen=True, slots=True)
class ReferenceFunction:
    """E(t) of one type. below, above: coefficients in mV / Cel^n below and above `seam_celsius`, lowest power first.

    bump: (a0, a1, a2), adding a0 exp(a1 (t - a2)^2) above 0 Cel.
    """

    highest_celsius: float
    seam_celsius: float
    below: tuple[float, ...]
    above: tuple[float, ...]
    bump: tuple[float, float, float] | None = None

    def volts(self, celsius: float) -> float:
        """E(t) in V, the other junction at 0 Cel; meant for MIN_CELSIUS to highest_celsius."""
        if celsius < self.seam_celsius:
            return _polynomial(self.below, celsius) / _MV
        return (_polynomial(self.above, celsius) + self._bump(celsius)) / _MV

    def volts_per_kelvin(self, celsius: float) -> float:
        """dE/dt, the Seebeck coefficient in V/K."""
        if celsius < self.seam_celsius:
            return _slope(self.below, celsius) / _MV
        slope = _slope(self.above, celsius)
        if self.bump is not None:
            slope += 2 * self.bump[1] * (celsius - self.bump[2]) * self._bump(celsius)
        return slope / _MV

    def celsius(self, volts: float) -> float | None:
        """The t at which E(t) is `volts`; None outside MIN_CELSIUS to highest_celsius."""
        low, high = MIN_CELSIUS, self.highest_celsius
        if not self.volts(low) <= volts <= self.volts(high):
            return None
        celsius = min(max(volts / 41e-6, low), high)
        for _ in range(_STEPS):  # Newton's steps, kept between two bounds that close in: E only rises
            error = self.volts(celsius) - volts
            if error > 0:
                high = celsius
            else:
                low = celsius
            step = error / self.volts_per_kelvin(celsius)
            celsius -= step
            if abs(step) < _CLOSE_KELVIN:
                break
            if not low <= celsius <= high:
                celsius = (low + high) / 2
        return celsius

    def _bump(self, celsius: float) -> float:
        if self.bump is None:
            return 0.0
        a0, a1, a2 = self.bump
        return a0 * math.exp(a1 * (celsius - a2) ** 2)


def _polynomial(coefficients: Sequence[float], t: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * t + coefficient
    return total


def _slope(coefficients: Sequence[float], t: float) -> float:
    return _polynomial([n * coefficient for n, coefficient in enumerate(coefficients)][1:], t)


REFERENCE_FUNCTIONS: Final[dict[int, ReferenceFunction]] = {
    Thermocouple.K: ReferenceFunction(
        highest_celsius=1372.0,
        seam_celsius=0.0,
        below=(
            0.0, 0.039450128025, 2.3622373598e-05, -3.2858906784e-07, -4.9904828777e-09, -6.7509059173e-11,
            -5.7410327428e-13, -3.1088872894e-15, -1.0451609365e-17, -1.9889266878e-20, -1.6322697486e-23,
        ),
        above=(
            -0.017600413686, 0.038921204975, 1.8558770032e-05, -9.9457592874e-08, 3.1840945719e-10,
            -5.6072844889e-13, 5.6075059059e-16, -3.2020720003e-19, 9.7151147152e-23, -1.2104721275e-26,
        ),
        bump=(0.1185976, -0.0001183432, 126.9686),
    ),
    Thermocouple.T: ReferenceFunction(
        highest_celsius=400.0,
        seam_celsius=0.0,
        below=(
            0.0, 0.038748106364, 4.4194434347e-05, 1.1844323105e-07, 2.0032973554e-08, 9.0138019559e-10,
            2.2651156593e-11, 3.6071154205e-13, 3.8493939883e-15, 2.8213521925e-17, 1.4251594779e-19,
            4.8768662286e-22, 1.079553927e-24, 1.3945027062e-27, 7.9795153927e-31,
        ),
        above=(
            0.0, 0.038748106364, 3.329222788e-05, 2.0618243404e-07, -2.1882256846e-09, 1.0996880928e-11,
            -3.0815758772e-14, 4.547913529e-17, -2.7512901673e-20,
        ),
    ),
    Thermocouple.J: ReferenceFunction(
        highest_celsius=1200.0,
        seam_celsius=760.0,
        below=(
            0.0, 0.050381187815, 3.047583693e-05, -8.568106572e-08, 1.3228195295e-10, -1.7052958337e-13,
            2.0948090697e-16, -1.2538395336e-19, 1.5631725697e-23,
        ),
        above=(
            296.45625681, -1.4976127786, 0.0031787103924, -3.1847686701e-06, 1.5720819004e-09, -3.0691369056e-13,
        ),
    ),
}  # fmt: skip
