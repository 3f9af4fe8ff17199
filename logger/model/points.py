"""Measuring points: what a channel means on this job.

To add one: a line in POINTS. Its quantity decides the SI unit and which user units fit.
"""

from dataclasses import dataclass
from enum import StrEnum


class Quantity(StrEnum):
    """What is measured. The value is the name used in files and messages."""

    PRESSURE = "pressure"  # absolute, Pa
    BAROMETER = "barometric pressure"  # absolute, Pa
    TEMPERATURE = "temperature"  # K
    TEMPERATURE_DIFFERENCE = "temperature difference"  # K
    MASS = "mass"  # kg
    MASS_RATE = "mass rate"  # kg/s
    VACUUM = "vacuum"  # absolute pressure shown in micron, Pa
    RATIO = "ratio"  # 1
    TIME = "time"  # s
    VOLUME = "volume"  # m3
    DENSITY = "density"  # kg/m3
    GAUGE_PRESSURE = "gauge pressure"  # above the atmosphere, Pa: a cylinder's marking
    PRESSURE_DIFFERENCE = "pressure difference"  # Pa
    PRESSURE_RATE = "pressure rate"  # Pa/s
    VACUUM_RISE = "vacuum rise"  # Pa/s, of a vacuum that is shut off: shown by the hour
    LEAK_RATE = "leak rate"  # Pa m3/s
    LENGTH = "length"  # m
    COUNT = "count"  # 1
    MASS_PER_YEAR = "mass per year"  # kg/s, shown by the year
    DECADE_RATE = "decade rate"  # decades of pressure an hour
    PRESSURE_DIFFERENCE_RATE = "pressure difference rate"  # Pa/s, of a pressure test, not of a vacuum
    POWER = "power"  # electric, W
    CAPACITY = "cooling capacity"  # W
    CURRENT = "current"  # A
    VOLTAGE = "voltage"  # V
    VOLUME_RATE = "volume rate"  # m3/s

    @property
    def difference(self) -> "Quantity":
        """What two of it lie apart by: its zeros, steps and accuracies are that."""
        return _DIFFERENCE.get(self, self)


_DIFFERENCE = {
    Quantity.PRESSURE: Quantity.PRESSURE_DIFFERENCE,
    Quantity.VACUUM: Quantity.PRESSURE_DIFFERENCE,
    Quantity.BAROMETER: Quantity.PRESSURE_DIFFERENCE,
    Quantity.TEMPERATURE: Quantity.TEMPERATURE_DIFFERENCE,
}


SI_UNIT: dict[Quantity, str] = {
    Quantity.PRESSURE: "Pa",
    Quantity.BAROMETER: "Pa",
    Quantity.TEMPERATURE: "K",
    Quantity.TEMPERATURE_DIFFERENCE: "K",
    Quantity.MASS: "kg",
    Quantity.MASS_RATE: "kg/s",
    Quantity.VACUUM: "Pa",
    Quantity.RATIO: "1",
    Quantity.TIME: "s",
    Quantity.VOLUME: "m3",
    Quantity.DENSITY: "kg/m3",
    Quantity.GAUGE_PRESSURE: "Pa",
    Quantity.PRESSURE_DIFFERENCE: "Pa",
    Quantity.PRESSURE_RATE: "Pa/s",
    Quantity.VACUUM_RISE: "Pa/s",
    Quantity.LEAK_RATE: "Pa.m3/s",
    Quantity.LENGTH: "m",
    Quantity.COUNT: "1",
    Quantity.MASS_PER_YEAR: "kg/s",
    Quantity.DECADE_RATE: "h-1",
    Quantity.PRESSURE_DIFFERENCE_RATE: "Pa/s",
    Quantity.POWER: "W",
    Quantity.CAPACITY: "W",
    Quantity.CURRENT: "A",
    Quantity.VOLTAGE: "V",
    Quantity.VOLUME_RATE: "m3/s",
}


@dataclass(frozen=True, slots=True)
class MeasuringPoint:
    """name: key in rig files and exports. label: what the mechanic reads."""

    name: str
    quantity: Quantity
    label: str

    @property
    def unit(self) -> str:
        """SI unit as a UCUM code."""
        return SI_UNIT[self.quantity]


def _table(*rows: tuple[str, Quantity, str]) -> dict[str, MeasuringPoint]:
    return {name: MeasuringPoint(name, quantity, label) for name, quantity, label in rows}


_P, _T, _M = Quantity.PRESSURE, Quantity.TEMPERATURE, Quantity.MASS

POINTS: dict[str, MeasuringPoint] = _table(
    ("cylinder_mass", _M, "Scale (gross)"),
    ("cylinder_pressure", _P, "Cylinder pressure"),
    ("cylinder_temperature", _T, "Cylinder temp"),
    ("recovery_inlet_pressure", _P, "Recovery inlet"),
    ("recovery_inlet_temperature", _T, "Recovery inlet temp"),
    ("recovery_outlet_pressure", _P, "Recovery outlet"),
    ("system_pressure", _P, "System pressure"),
    ("system_temperature", _T, "System temperature"),
    ("second_system_temperature", _T, "System temperature, second place"),
    ("suction_pressure", _P, "Suction pressure"),
    ("suction_temperature", _T, "Suction line temp"),
    ("compressor_suction_temperature", _T, "Suction temp at compressor"),
    ("liquid_pressure", _P, "Liquid line pressure"),
    ("liquid_temperature", _T, "Liquid line temp"),
    ("valve_inlet_temperature", _T, "Liquid temp at valve"),
    ("discharge_pressure", _P, "Discharge pressure"),
    ("discharge_temperature", _T, "Discharge line temp"),
    ("vacuum", Quantity.VACUUM, "Vacuum"),
    ("ambient_temperature", _T, "Ambient"),
    ("barometer", Quantity.BAROMETER, "Barometer"),
    ("valve_position", Quantity.RATIO, "Expansion valve position"),
    ("liquid_level", Quantity.RATIO, "Refrigerant level"),
    ("entering_fluid_temperature", _T, "Entering fluid temp"),
    ("leaving_fluid_temperature", _T, "Leaving fluid temp"),
    ("condenser_entering_temperature", _T, "Condenser entering temp"),
    ("condenser_leaving_temperature", _T, "Condenser leaving temp"),
)
