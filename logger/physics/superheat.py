"""Superheat, subcooling and what else is a temperature against a saturation temperature.

Superheat from the dew point, subcooling from the bubble point, always: with a glide refrigerant the other one is
wrong by the glide. Every answer is a Value in K with the uncertainty of pressure and temperature carried through
(GUM 5.1.2, the two taken as independent), or unknown with the reason.
"""

import math
from collections.abc import Callable

from logger.model.value import Value, known, unknown
from logger.refrigerant import OutOfRange, Refrigerant

K = "K"
ESTIMATED = "estimated blend: its saturation temperatures may be 1 to 3 K off"


def dew_saturation(refrigerant: Refrigerant, pressure: Value, what: str = "pressure") -> Value:
    """Dew temperature at an absolute pressure."""
    return _saturation(refrigerant, refrigerant.dew_temperature, pressure, what)


def bubble_saturation(refrigerant: Refrigerant, pressure: Value, what: str = "pressure") -> Value:
    """Bubble temperature at an absolute pressure."""
    return _saturation(refrigerant, refrigerant.bubble_temperature, pressure, what)


def suction_superheat(refrigerant: Refrigerant, pressure: Value, line: Value) -> Value:
    """Suction line temperature over the dew point at suction pressure."""
    return difference(line, dew_saturation(refrigerant, pressure, "suction pressure"), "suction line")


def discharge_superheat(refrigerant: Refrigerant, pressure: Value, line: Value) -> Value:
    """Discharge line temperature over the dew point at discharge pressure."""
    return difference(line, dew_saturation(refrigerant, pressure, "discharge pressure"), "discharge line")


def subcooling(refrigerant: Refrigerant, pressure: Value, line: Value) -> Value:
    """Bubble point at liquid line pressure over the liquid line temperature."""
    return difference(bubble_saturation(refrigerant, pressure, "liquid pressure"), line, "liquid line")


def condensing_over_ambient(refrigerant: Refrigerant, pressure: Value, ambient: Value) -> Value:
    """Dew point at the high side's (or a recovery machine's outlet) pressure over the ambient air."""
    return difference(dew_saturation(refrigerant, pressure, "high-side pressure"), ambient, "ambient")


def approach(refrigerant: Refrigerant, suction_pressure: Value, leaving_fluid: Value) -> Value:
    """Fluid leaving the evaporator over the dew point in it: small when its surface is clean and wetted."""
    return difference(leaving_fluid, dew_saturation(refrigerant, suction_pressure, "suction pressure"), "fluid leaving")


def high_side_margin(pressure: Value, limit_pa: float | None) -> Value:
    """How far a pressure (absolute Pa) is below its limit (absolute Pa)."""
    if limit_pa is None:
        return unknown("Pa", "no pressure limit entered for the high side")
    if pressure.number is None:
        return unknown("Pa", f"high-side pressure: {pressure.problem}")
    return known(limit_pa - pressure.number, "Pa", pressure.u, pressure.note)


def difference(warm: Value, cold: Value, what: str) -> Value:
    """warm - cold in K; unknown when either is. what: names a side that gives no reason of its own."""
    for side in (warm, cold):
        if side.number is None:
            reason = side.problem or "no reading"
            return unknown(K, reason if ": " in reason else f"{what}: {reason}")
    assert warm.number is not None and cold.number is not None
    u = None if warm.u is None or cold.u is None else math.hypot(warm.u, cold.u)
    return known(warm.number - cold.number, K, u, warm.note or cold.note)


def _saturation(
    refrigerant: Refrigerant, temperature_at: Callable[[float], float], pressure: Value, what: str
) -> Value:
    if pressure.number is None:
        return unknown(K, f"{what}: {pressure.problem}")
    try:
        number = temperature_at(pressure.number)
        u = None if pressure.u is None else abs(_slope(temperature_at, pressure.number)) * pressure.u
    except OutOfRange as exc:
        return unknown(K, f"{what}: {exc}")
    notes = [note for note in (ESTIMATED if refrigerant.estimated else None, pressure.note) if note]
    return known(number, K, u, "; ".join(notes) or None)


def _slope(temperature_at: Callable[[float], float], pressure_pa: float) -> float:
    """dT/dp; one-sided at the end of the table."""
    step = 1e-3 * pressure_pa
    try:
        return (temperature_at(pressure_pa + step) - temperature_at(pressure_pa)) / step
    except OutOfRange:
        return (temperature_at(pressure_pa) - temperature_at(pressure_pa - step)) / step
