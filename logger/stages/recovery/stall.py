"""Why nothing flows any more while charge remains: what the readings support, best first.

Each cause compares the readings now with those when the rate was good. The figures are common practice, no source.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from logger.model.points import Quantity
from logger.model.units import STANDARD_ATMOSPHERE_PA
from logger.model.value import Argument, Value, known, number, unknown, word
from logger.refrigerant import OutOfRange, Refrigerant

HOT_SHELL_K = 8.0  # over ambient
AIR_ALLOWANCE_K = 4.0  # cylinder pressure may match a shell this much warmer before air is suspected
RISE = 1.10  # of the cylinder pressure
LOW_INLET_PA = 130e3
CUT_OUT = 1.4  # outlet pressure before the stop, against after it
SATURATED = 0.8  # of the dew pressure at the appliance: liquid is left; our own figure
OVER_LEVEL_PA = 50e3  # over the level and the atmosphere: worth recovering; our own figure
_FALL = 0.6
_HELD = 0.8


@dataclass(frozen=True, slots=True)
class StallCause:
    """code, check: of the words file: the cause, and what to look at next. weight: more is likelier. evidence: its
    numbers."""

    code: str
    check: str
    weight: float
    evidence: tuple[Argument, ...] = ()


Readings = Mapping[str, Value]


def refrigerant_left(
    pressure_pa: float | None, kelvin: float | None, refrigerant: Refrigerant | None, level_pa: float | None
) -> Value:
    """Whether the appliance holds refrigerant still to come, by its absolute pressure alone: 1, or unknown and why.

    kelvin: of the appliance, or around it. level_pa: the level to recover down to, which is not reached.
    """
    if pressure_pa is None:
        return unknown("1", "no pressure of the system is read")
    if refrigerant is not None and kelvin is not None:
        try:
            if pressure_pa >= SATURATED * refrigerant.dew_pressure(kelvin):
                return known(1.0, "1", note="near saturation")
        except OutOfRange:
            pass
    if pressure_pa > max(level_pa or 0.0, STANDARD_ATMOSPHERE_PA) + OVER_LEVEL_PA:
        return known(1.0, "1", note="pressure left")
    return unknown("1", "the pressure left in the system need not be liquid")


def stall_causes(
    now: Readings,
    good: Readings,
    refrigerant: Refrigerant | None,
    fill: Value | None = None,
    outlet_peak_pa: float | None = None,
) -> list[StallCause]:
    """now, good: readings by measuring point at the stall and when the rate was good. fill: liquid share now.

    outlet_peak_pa: highest outlet pressure of the minutes before.
    """
    found = [
        *_cylinder_full(fill),
        *_cylinder_pressure(now, good, refrigerant),
        *_inlet(now, good),
        *_restriction(now, good, outlet_peak_pa),
    ]
    return sorted(found, key=lambda c: -c.weight)


def inputs_of(causes: Iterable[StallCause]) -> tuple[Argument, ...]:
    """As a finding's, best first."""
    return tuple(
        one for cause in causes for one in (word("cause", cause.code), *cause.evidence, word("check", cause.check))
    )


def _number(readings: Readings, point: str) -> float | None:
    value = readings.get(point)
    return None if value is None else value.number


def _pressure(name: str, pressure_pa: float) -> tuple[Argument, ...]:
    return (number(name, Quantity.PRESSURE, known(pressure_pa, "Pa")),)


def _difference(name: str, pressure_pa: float) -> tuple[Argument, ...]:
    return (number(name, Quantity.PRESSURE_DIFFERENCE, known(pressure_pa, "Pa")),)


def _cylinder_full(fill: Value | None) -> list[StallCause]:
    if fill is None or fill.number is None or fill.number < 0.78:
        return []
    return [StallCause("cylinder_full", "swap_cylinder", 5.0, (number("fill", Quantity.RATIO, fill),))]


def _cylinder_pressure(now: Readings, good: Readings, refrigerant: Refrigerant | None) -> list[StallCause]:
    pressure, before = _number(now, "cylinder_pressure"), _number(good, "cylinder_pressure")
    if pressure is None:
        return []
    shell, ambient = _number(now, "cylinder_temperature"), _number(now, "ambient_temperature")
    if refrigerant is not None and shell is not None:
        try:
            if pressure > refrigerant.bubble_pressure(shell + AIR_ALLOWANCE_K):
                over = _difference("over_saturation", pressure - refrigerant.bubble_pressure(shell))
                return [StallCause("over_saturation", "let_settle", 4.0, over)]
        except OutOfRange:
            pass
    rose = before is not None and pressure > RISE * before
    if shell is not None and ambient is not None and shell > ambient + HOT_SHELL_K:
        hot = (
            number("shell", Quantity.TEMPERATURE, known(shell, "K")),
            number("over_ambient", Quantity.TEMPERATURE_DIFFERENCE, known(shell - ambient, "K")),
        )
        return [StallCause("hot_cylinder", "cool_cylinder", 3.5 if rose else 1.5, hot)]
    if rose and before is not None:
        return [StallCause("cylinder_rose", "feel_cylinder", 3.0, _difference("cylinder_rise", pressure - before))]
    return []


def _inlet(now: Readings, good: Readings) -> list[StallCause]:
    inlet, before = _number(now, "recovery_inlet_pressure"), _number(good, "recovery_inlet_pressure")
    system = _number(now, "system_pressure")
    if inlet is None:
        return []
    if system is not None and system > inlet + 1e5 and inlet < 0.7 * system:
        return [StallCause("inlet_restricted", "inlet_path", 4.5, _difference("below_system", system - inlet))]
    if inlet < LOW_INLET_PA or (before is not None and inlet < _FALL * before):
        return [StallCause("liquid_gone", "trapped_liquid", 3.0, _pressure("inlet", inlet))]
    return []


def _restriction(now: Readings, good: Readings, outlet_peak_pa: float | None) -> list[StallCause]:
    inlet, inlet_before = _number(now, "recovery_inlet_pressure"), _number(good, "recovery_inlet_pressure")
    outlet, cylinder = _number(now, "recovery_outlet_pressure"), _number(now, "cylinder_pressure")
    if outlet is not None and cylinder is not None and outlet > cylinder + 2e5:
        return [StallCause("outlet_restricted", "outlet_path", 4.8, _difference("over_cylinder", outlet - cylinder))]
    if outlet is not None and outlet_peak_pa is not None and outlet_peak_pa > max(CUT_OUT * outlet, outlet + 5e5):
        return [StallCause("tripped", "reset", 4.6, _pressure("outlet_peak", outlet_peak_pa))]
    if inlet is None or inlet_before is None or inlet < _HELD * inlet_before:
        return []
    if outlet is not None and (outlet <= inlet + 5e4 or (cylinder is not None and outlet <= cylinder + 2e4)):
        return [StallCause("not_pumping", "power", 3.2, _pressure("outlet", outlet))]
    return [StallCause("inlet_holds", "inlet_filter", 2.0)]
