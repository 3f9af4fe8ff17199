"""Saturation of water: over ice below the triple point, over liquid above it. For reading a vacuum gauge.

Ice: IAPWS R14-08(2011), equation 6 (50 K to the triple point). Liquid: IAPWS SR1-86(1992), equation 1 (Wagner and
Pruss 1993; triple point to the critical point). A vacuum gauge's micron is 1 micron of mercury = 0.133322387 Pa.
A frozen drop holds the ice value. Water that has not frozen yet stands at a higher pressure than ice of the same
temperature: there the liquid equation is carried on below the triple point, which it was not fitted to; within 0.5 %
of the WMO's formula (Magnus form, Sonntag 1990) down to MIN_SUPERCOOLED_K.
"""

import math

from logger.refrigerant.errors import OutOfRange

TRIPLE_TEMPERATURE_K = 273.16
TRIPLE_PRESSURE_PA = 611.657
CRITICAL_TEMPERATURE_K = 647.096
CRITICAL_PRESSURE_PA = 22.064e6
MIN_SUPERCOOLED_K = 238.0  # water freezes by itself a few kelvin below
MIN_TEMPERATURE_K = 150.0  # the equation reaches 50 K; below this no vacuum gauge reads anything

_ICE = ((-0.212144006e2, 0.333333333e-2), (0.273203819e2, 0.120666667e1), (-0.610598130e1, 0.170333333e1))
_LIQUID = (
    (-7.85951783, 1.0), (1.84408259, 1.5), (-11.7866497, 3.0), (22.6807411, 3.5), (-15.9618719, 4.0),
    (1.80122502, 7.5),
)  # fmt: skip


def ice_pressure(temperature_k: float) -> float:
    """Sublimation pressure of ice, Pa. Raises OutOfRange."""
    if not MIN_TEMPERATURE_K <= temperature_k <= TRIPLE_TEMPERATURE_K:
        raise OutOfRange("water", "ice", temperature_k, MIN_TEMPERATURE_K, TRIPLE_TEMPERATURE_K, "K")
    theta = temperature_k / TRIPLE_TEMPERATURE_K
    return TRIPLE_PRESSURE_PA * math.exp(sum(a * theta**b for a, b in _ICE) / theta)


def liquid_pressure(temperature_k: float) -> float:
    """Vapour pressure of liquid water, Pa. Raises OutOfRange."""
    if not TRIPLE_TEMPERATURE_K <= temperature_k <= CRITICAL_TEMPERATURE_K:
        raise OutOfRange("water", "liquid", temperature_k, TRIPLE_TEMPERATURE_K, CRITICAL_TEMPERATURE_K, "K")
    return _liquid(temperature_k)


def _liquid(temperature_k: float) -> float:
    tau = 1 - temperature_k / CRITICAL_TEMPERATURE_K
    series = sum(a * tau**b for a, b in _LIQUID)
    return CRITICAL_PRESSURE_PA * math.exp(CRITICAL_TEMPERATURE_K / temperature_k * series)


def supercooled_temperature(pressure_pa: float) -> float | None:
    """K of liquid water at this vapor pressure in Pa, where ice would be warmer; None where there is no such water."""
    low, high = MIN_SUPERCOOLED_K, TRIPLE_TEMPERATURE_K
    if not _liquid(low) <= pressure_pa < TRIPLE_PRESSURE_PA:
        return None
    while high - low > 1e-4:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _liquid(middle) < pressure_pa else (low, middle)
    return 0.5 * (low + high)


def saturation_pressure(temperature_k: float) -> float:
    """Pa, over ice below 273.16 K and over liquid from there on. Raises OutOfRange."""
    if temperature_k < TRIPLE_TEMPERATURE_K:
        return ice_pressure(temperature_k)
    return liquid_pressure(temperature_k)


def saturation_temperature(pressure_pa: float) -> float:
    """K at which water boils (or ice sublimes) at this absolute pressure in Pa. Raises OutOfRange.

    By secant in ln p against 1/T, in which both lines are almost straight.
    """
    low_pa = ice_pressure(MIN_TEMPERATURE_K)
    high_pa = liquid_pressure(CRITICAL_TEMPERATURE_K)
    if not low_pa <= pressure_pa <= high_pa:
        raise OutOfRange("water", "saturation", pressure_pa, low_pa, high_pa, "Pa")
    if pressure_pa <= TRIPLE_PRESSURE_PA:
        line, low_k, high_k = ice_pressure, MIN_TEMPERATURE_K, TRIPLE_TEMPERATURE_K
    elif pressure_pa <= liquid_pressure(TRIPLE_TEMPERATURE_K):
        return TRIPLE_TEMPERATURE_K  # the two equations meet within 1 mPa: the gap is the triple point itself
    else:
        line, low_k, high_k = liquid_pressure, TRIPLE_TEMPERATURE_K, CRITICAL_TEMPERATURE_K
    target = math.log(pressure_pa)
    x_low, x_high = 1 / low_k, 1 / high_k
    f_low, f_high = math.log(line(low_k)) - target, math.log(line(high_k)) - target
    if f_high <= 0:
        return high_k
    if f_low >= 0:
        return low_k
    x = x_low
    for _ in range(60):  # regula falsi, Illinois variant: cannot leave the bracket
        x = (x_low * f_high - x_high * f_low) / (f_high - f_low)
        f = math.log(line(min(max(1 / x, low_k), high_k))) - target
        if abs(f) < 1e-13:
            break
        if f * f_high < 0:
            x_low, f_low = x_high, f_high
        else:
            f_low /= 2
        x_high, f_high = x, f
    return min(max(1 / x, low_k), high_k)


def phase_at(pressure_pa: float) -> str:
    """What is left of water here: "ice" below the triple pressure, "liquid" above."""
    return "ice" if pressure_pa < TRIPLE_PRESSURE_PA else "liquid"
