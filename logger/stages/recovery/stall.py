"""Why nothing comes any more while charge remains: what the readings support, best first.

Each cause compares the readings now with those when the rate was good. The figures are common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from logger.model.units import STANDARD_ATMOSPHERE_PA
from logger.model.value import Value, known, unknown
from logger.refrigerant import OutOfRange, Refrigerant
from logger.wording.numbers import absolute, difference, kelvin, temperature

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
class Cause:
    """text: the cause with its evidence. check: what to look at next. weight: more is likelier."""

    text: str
    check: str
    weight: float


Readings = Mapping[str, Value]


def refrigerant_left(
    pressure_pa: float | None, kelvin: float | None, refrigerant: Refrigerant | None, level_pa: float | None
) -> Value:
    """Whether the appliance holds refrigerant still to come, by its absolute pressure alone: 1, or unknown and why.

    kelvin: of the appliance, or around it. level_pa: the level to recover down to, which is not reached.
    """
    if pressure_pa is None:
        return unknown("1", "no pressure of the appliance is read")
    if refrigerant is not None and kelvin is not None:
        try:
            if pressure_pa >= SATURATED * refrigerant.dew_pressure(kelvin):
                return known(1.0, "1", note="near saturation")
        except OutOfRange:
            pass
    if pressure_pa > max(level_pa or 0.0, STANDARD_ATMOSPHERE_PA) + OVER_LEVEL_PA:
        return known(1.0, "1", note="pressure left")
    return unknown("1", f"{absolute(pressure_pa)} in the appliance need not be liquid")


def stall_causes(
    now: Readings,
    good: Readings,
    refrigerant: Refrigerant | None,
    fill: Value | None = None,
    outlet_peak_pa: float | None = None,
) -> list[Cause]:
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


def _number(readings: Readings, point: str) -> float | None:
    value = readings.get(point)
    return None if value is None else value.number


def _cylinder_full(fill: Value | None) -> list[Cause]:
    if fill is None or fill.number is None or fill.number < 0.78:
        return []
    text = f"the cylinder is {100 * fill.number:.0f} % full of liquid: its limit switch may have stopped the machine"
    return [Cause(text, "swap the cylinder", 5.0)]


def _cylinder_pressure(now: Readings, good: Readings, refrigerant: Refrigerant | None) -> list[Cause]:
    pressure, before = _number(now, "cylinder_pressure"), _number(good, "cylinder_pressure")
    if pressure is None:
        return []
    shell, ambient = _number(now, "cylinder_temperature"), _number(now, "ambient_temperature")
    if refrigerant is not None and shell is not None:
        try:
            if pressure > refrigerant.bubble_pressure(shell + AIR_ALLOWANCE_K):
                over = pressure - refrigerant.bubble_pressure(shell)
                text = f"cylinder {difference(over)} over saturation at its shell: non-condensables, or liquid-full"
                return [Cause(text, "its mass and limit; let it settle, then compare pressure and temperature", 4.0)]
        except OutOfRange:
            pass
    rose = before is not None and pressure > RISE * before
    if shell is not None and ambient is not None and shell > ambient + HOT_SHELL_K:
        text = f"the cylinder is hot: shell {temperature(shell)}, {kelvin(shell - ambient)} over ambient"
        return [Cause(text, "cool the cylinder (shade, water, subcooler)", 3.5 if rose else 1.5)]
    if rose and before is not None:
        text = f"cylinder pressure up by {difference(pressure - before)}: hot, or non-condensables in it"
        return [Cause(text, "feel the cylinder; cool it; check for air once it has settled", 3.0)]
    return []


def _inlet(now: Readings, good: Readings) -> list[Cause]:
    inlet, before = _number(now, "recovery_inlet_pressure"), _number(good, "recovery_inlet_pressure")
    system = _number(now, "system_pressure")
    if inlet is None:
        return []
    if system is not None and system > inlet + 1e5 and inlet < 0.7 * system:
        text = f"the inlet stands {difference(system - inlet)} below the system: restriction or closed valve between"
        return [Cause(text, "valves, core, filter and hose between appliance and machine", 4.5)]
    if inlet < LOW_INLET_PA or (before is not None and inlet < _FALL * before):
        text = f"the liquid is gone: inlet down to {absolute(inlet)}; the rest is vapour or trapped"
        return [Cause(text, "inlet hose and valves; other circuits, closed solenoids, oil; warm cold parts", 3.0)]
    return []


def _restriction(now: Readings, good: Readings, outlet_peak_pa: float | None) -> list[Cause]:
    inlet, inlet_before = _number(now, "recovery_inlet_pressure"), _number(good, "recovery_inlet_pressure")
    outlet, cylinder = _number(now, "recovery_outlet_pressure"), _number(now, "cylinder_pressure")
    if outlet is not None and cylinder is not None and outlet > cylinder + 2e5:
        text = f"the outlet stands {difference(outlet - cylinder)} over the cylinder: its way in is restricted"
        return [Cause(text, "STOP the machine; cylinder valve, discharge hose and its valve", 4.8)]
    if outlet is not None and outlet_peak_pa is not None and outlet_peak_pa > max(CUT_OUT * outlet, outlet + 5e5):
        text = f"the machine tripped on its outlet pressure: it had risen to {absolute(outlet_peak_pa)}"
        return [Cause(text, "discharge hose, cylinder valve, condenser air; then reset the machine", 4.6)]
    if inlet is None or inlet_before is None or inlet < _HELD * inlet_before:
        return []
    if outlet is not None and (outlet <= inlet + 5e4 or (cylinder is not None and outlet <= cylinder + 2e4)):
        text = f"the machine does not pump: outlet {absolute(outlet)} as without it"
        return [Cause(text, "power, pressure switch, inlet valve and setting of the machine", 3.2)]
    return [Cause("the inlet holds without flow: restriction or closed valve", "inlet filter, valves, hose", 2.0)]
