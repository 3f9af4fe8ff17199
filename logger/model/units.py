"""User's units at the edge: parsing "118psig" or "47.6lb", and showing SI values.

SI inside. Gauge and vacuum units need the ambient pressure, which the caller gives.
Factors: NIST SP 811 (2008) appendix B; conventional inch of mercury 3386.389 Pa; 1 micron of mercury = 0.133322387 Pa.
UCUM codes: https://ucum.org (mercury column `m[Hg]`; a micron of mercury is `um[Hg]`, never `um`).
"""

import math
import re
from dataclasses import dataclass

from logger.model.points import SI_UNIT, Quantity
from logger.model.value import Value

NS_PER_S = 1_000_000_000
YEAR_S = 365.25 * 86400.0
STANDARD_ATMOSPHERE_PA = 101325.0
POUND_KG = 0.45359237
PSI_PA = 6894.757293168
INHG_PA = 3386.389
MICRON_PA = 0.133322387415
NO_VACUUM_PA = 0.1 * PSI_PA  # a gauge's own noise about zero is no vacuum
MAX_TYPED = 1e15  # nothing that a person types is as large, in any unit


class UnitError(ValueError):
    """A quantity as typed cannot be read. The message says what is wrong and what would fit."""


@dataclass(frozen=True, slots=True)
class Unit:
    """SI = (number * factor + offset), for `gauge` units + ambient, for `vacuum` units ambient - number * factor."""

    name: str
    quantity: Quantity
    factor: float
    ucum: str
    offset: float = 0.0
    reference: str = "absolute"  # "absolute", "gauge" or "vacuum"
    digits: int = 1  # decimals to show


_Q = Quantity
UNITS: dict[str, Unit] = {
    u.name: u
    for u in (
        Unit("psig", _Q.PRESSURE, PSI_PA, "[psi]", reference="gauge"),
        Unit("psia", _Q.PRESSURE, PSI_PA, "[psi]"),
        Unit("inHg", _Q.PRESSURE, INHG_PA, "[in_i'Hg]", reference="vacuum"),
        Unit("kPa", _Q.PRESSURE, 1e3, "kPa"),
        Unit("kPag", _Q.PRESSURE, 1e3, "kPa", reference="gauge"),
        Unit("bar", _Q.PRESSURE, 1e5, "bar", digits=2),
        Unit("barg", _Q.PRESSURE, 1e5, "bar", reference="gauge", digits=2),
        Unit("MPa", _Q.PRESSURE, 1e6, "MPa", digits=3),
        Unit("Pa", _Q.PRESSURE, 1.0, "Pa"),
        Unit("hPa", _Q.PRESSURE, 100.0, "hPa"),
        Unit("mbar", _Q.PRESSURE, 100.0, "mbar"),
        Unit("inHgabs", _Q.PRESSURE, INHG_PA, "[in_i'Hg]", digits=2),
        Unit("micron", _Q.VACUUM, MICRON_PA, "um[Hg]", digits=0),
        Unit("Torr", _Q.VACUUM, 1e3 * MICRON_PA, "mm[Hg]", digits=3),
        Unit("psi", _Q.PRESSURE_DIFFERENCE, PSI_PA, "[psi]"),
        Unit("psi_gauge", _Q.GAUGE_PRESSURE, PSI_PA, "[psi]", digits=0),
        Unit("bar_gauge", _Q.GAUGE_PRESSURE, 1e5, "bar", digits=2),
        Unit("F", _Q.TEMPERATURE, 5 / 9, "[degF]", offset=459.67 * 5 / 9),
        Unit("C", _Q.TEMPERATURE, 1.0, "Cel", offset=273.15),
        Unit("K", _Q.TEMPERATURE, 1.0, "K", digits=2),
        Unit("F_diff", _Q.TEMPERATURE_DIFFERENCE, 5 / 9, "[degF]"),
        Unit("K_diff", _Q.TEMPERATURE_DIFFERENCE, 1.0, "K"),
        Unit("lb", _Q.MASS, POUND_KG, "[lb_av]"),
        Unit("oz", _Q.MASS, POUND_KG / 16, "[oz_av]"),
        Unit("kg", _Q.MASS, 1.0, "kg", digits=2),
        Unit("g", _Q.MASS, 1e-3, "g", digits=0),
        Unit("lb/min", _Q.MASS_RATE, POUND_KG / 60, "[lb_av]/min", digits=2),
        Unit("kg/min", _Q.MASS_RATE, 1 / 60, "kg/min", digits=3),
        Unit("kg/s", _Q.MASS_RATE, 1.0, "kg/s", digits=5),
        Unit("%", _Q.RATIO, 0.01, "%"),
        Unit("1", _Q.RATIO, 1.0, "1", digits=3),
        Unit("s", _Q.TIME, 1.0, "s", digits=0),
        Unit("min", _Q.TIME, 60.0, "min"),
        Unit("h", _Q.TIME, 3600.0, "h", digits=2),
        Unit("m3", _Q.VOLUME, 1.0, "m3", digits=4),
        Unit("L", _Q.VOLUME, 1e-3, "L"),
        Unit("ft3", _Q.VOLUME, 0.3048**3, "[cft_i]", digits=2),
        Unit("m", _Q.LENGTH, 1.0, "m", digits=0),
        Unit("ft", _Q.LENGTH, 0.3048, "[ft_i]", digits=0),
        Unit("kg/m3", _Q.DENSITY, 1.0, "kg/m3"),
        Unit("lb/ft3", _Q.DENSITY, POUND_KG / 0.3048**3, "[lb_av]/[cft_i]", digits=2),
        Unit("micron/min", _Q.PRESSURE_RATE, MICRON_PA / 60, "um[Hg]/min"),
        Unit("Pa/min", _Q.PRESSURE_RATE, 1 / 60, "Pa/min", digits=2),
        Unit("micron/h", _Q.VACUUM_RISE, MICRON_PA / 3600, "um[Hg]/h", digits=0),
        Unit("Pa/h", _Q.VACUUM_RISE, 1 / 3600, "Pa/h"),
        Unit("psi/h", _Q.PRESSURE_DIFFERENCE_RATE, PSI_PA / 3600, "[psi]/h", digits=2),
        Unit("kPa/h", _Q.PRESSURE_DIFFERENCE_RATE, 1e3 / 3600, "kPa/h", digits=2),
        Unit("decades/h", _Q.DECADE_RATE, 1.0, "h-1", digits=2),
        Unit("lb/yr", _Q.MASS_PER_YEAR, POUND_KG / YEAR_S, "[lb_av]/a", digits=2),
        Unit("kg/yr", _Q.MASS_PER_YEAR, 1 / YEAR_S, "kg/a", digits=2),
        Unit("kW", _Q.POWER, 1e3, "kW", digits=2),
        Unit("W", _Q.POWER, 1.0, "W", digits=0),
        Unit("Btu/h", _Q.CAPACITY, 0.2930710702, "[Btu_IT]/h", digits=0),
        Unit("kW_cooling", _Q.CAPACITY, 1e3, "kW", digits=2),
        Unit("A", _Q.CURRENT, 1.0, "A"),
        Unit("V", _Q.VOLTAGE, 1.0, "V", digits=0),
        Unit("cfm", _Q.VOLUME_RATE, 0.3048**3 / 60, "[cft_i]/min", digits=2),
        Unit("m3/h", _Q.VOLUME_RATE, 1 / 3600, "m3/h", digits=2),
        Unit("Pa.m3/s", _Q.LEAK_RATE, 1.0, "Pa.m3/s", digits=9),
        Unit("atm.cc/s", _Q.LEAK_RATE, STANDARD_ATMOSPHERE_PA * 1e-6, "atm.cm3/s", digits=8),
    )
}

_ALIASES = {
    "lbs": "lb", "pound": "lb", "pounds": "lb", "°f": "F", "degf": "F", "°c": "C", "degc": "C", "celsius": "C",
    "in.hg": "inHg", "in hg": "inHg", "in. hg": "inHg", "in. hg vac": "inHg", "inhgvac": "inHg",
    "in. hg abs": "inHgabs", "microns": "micron", "um[hg]": "micron", "mtorr": "micron",
    "percent": "%", "litre": "L", "liter": "L", "litres": "L", "liters": "L", "feet": "ft", "foot": "ft", "sec": "s",
    "hours": "h", "hour": "h", "minutes": "min", "°k": "K", "mmhg": "Torr",
}  # fmt: skip
_LOWER = {name.lower(): name for name in UNITS} | _ALIASES
# "psi" alone is a difference (a service pressure marking); a pressure reading says psig or psia.

_NUMBER = re.compile(r"^\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*$")


def find_unit(name: str) -> Unit:
    """Unit by name or alias, any case ("MPa" and "mPa" are not confused: there is no milli-pascal here). Raises
    UnitError."""
    found = UNITS.get(name) or UNITS.get(_LOWER.get(name.strip().lower(), ""))
    if found is None:
        raise UnitError(f"unit {name!r} is not known; known: {', '.join(sorted(UNITS))}")
    return found


def parse_quantity(text: str, quantity: Quantity | None, ambient_pa: float = STANDARD_ATMOSPHERE_PA) -> float:
    """The SI number that "118psig" is of that quantity (absolute Pa for pressures). Raises UnitError.

    quantity None: of whatever its unit is of, where it is not known what it should be.

    VACUUM and PRESSURE units fit each other: both are absolute pressures. TEMPERATURE_DIFFERENCE takes "10F" or
    "5K"; PRESSURE_DIFFERENCE takes "400psi" or "28bar".
    """
    match = _NUMBER.match(text)
    if match is None:
        raise UnitError(f"{text!r} is not a number with a unit, such as {example(quantity)}")
    number, unit_name = float(match[1]), match[2]
    if abs(number) >= MAX_TYPED:
        raise UnitError(f"{text!r} is too large a number")
    if unit_name.startswith(","):
        raise UnitError(f"{text!r} has a comma in it; write a decimal point, and nothing between thousands")
    if not unit_name:
        raise UnitError(f"{text!r} has no unit; write it with one, such as {example(quantity)}")
    unit = find_unit(unit_name)
    if quantity is None:
        return number * unit.factor
    if quantity is Quantity.TEMPERATURE_DIFFERENCE and unit.quantity is Quantity.TEMPERATURE:
        return number * unit.factor
    if quantity is Quantity.PRESSURE_DIFFERENCE and unit.quantity in (Quantity.PRESSURE, Quantity.VACUUM):
        return number * unit.factor
    pressures = (Quantity.PRESSURE, Quantity.VACUUM, Quantity.BAROMETER)
    if unit.quantity is not quantity and not (quantity in pressures and unit.quantity in pressures):
        hint = " (say psig or psia)" if unit.name == "psi" and quantity in pressures else ""
        wrong = f"{text!r} is a {unit.quantity.value}, not a {quantity.value}{hint}"
        raise UnitError(f"{wrong}; such as {example(quantity)}")
    if quantity is Quantity.BAROMETER and unit.reference == "vacuum":
        return number * unit.factor  # a barometer's inches of mercury are absolute
    return to_si(number, unit, ambient_pa)


def example(quantity: Quantity | None) -> str:
    """An example of the quantity as typed, for messages."""
    if quantity is None:
        return "0.4psi or 0.5kg"
    return _EXAMPLES.get(quantity, "12 " + SI_UNIT[quantity])


_EXAMPLES = {
    Quantity.PRESSURE: "118psig or 9.1bar", Quantity.TEMPERATURE: "40F or 5C", Quantity.MASS: "47.6lb or 21.6kg",
    Quantity.BAROMETER: "29.92inHg or 1013hPa", Quantity.VACUUM: "500micron or 67Pa",
    Quantity.PRESSURE_DIFFERENCE: "400psi or 28bar",
    Quantity.TEMPERATURE_DIFFERENCE: "10F or 6K", Quantity.VOLUME: "20L or 0.02m3", Quantity.TIME: "30min",
    Quantity.LENGTH: "5280ft or 1600m", Quantity.RATIO: "80%", Quantity.POWER: "12.4kW",
    Quantity.VOLUME_RATE: "22cfm or 38m3/h",
}  # fmt: skip


def to_si(number: float, unit: Unit, ambient_pa: float = STANDARD_ATMOSPHERE_PA) -> float:
    """The number in the SI unit of its quantity; a gauge or vacuum reading becomes absolute pressure, in Pa."""
    scaled = number * unit.factor + unit.offset
    if unit.reference == "gauge":
        return scaled + ambient_pa
    if unit.reference == "vacuum":
        return ambient_pa - scaled
    return scaled


def from_si(number: float, unit: Unit, ambient_pa: float = STANDARD_ATMOSPHERE_PA) -> float:
    """An SI number in `unit`; an absolute pressure in Pa becomes a reading against ambient_pa where the unit is one."""
    if unit.reference == "gauge":
        number -= ambient_pa
    elif unit.reference == "vacuum":
        number = ambient_pa - number
    return (number - unit.offset) / unit.factor


SYSTEMS: dict[str, dict[Quantity, str]] = {
    "us": {
        _Q.PRESSURE: "psig", _Q.GAUGE_PRESSURE: "psi_gauge", _Q.BAROMETER: "inHgabs",
        _Q.TEMPERATURE: "F", _Q.TEMPERATURE_DIFFERENCE: "F_diff", _Q.MASS: "lb",
        _Q.MASS_RATE: "lb/min", _Q.VACUUM: "micron", _Q.RATIO: "%", _Q.TIME: "min", _Q.VOLUME: "ft3",
        _Q.DENSITY: "lb/ft3", _Q.PRESSURE_DIFFERENCE: "psi", _Q.PRESSURE_RATE: "micron/min",
        _Q.VACUUM_RISE: "micron/h", _Q.LEAK_RATE: "atm.cc/s", _Q.LENGTH: "ft",
        _Q.PRESSURE_DIFFERENCE_RATE: "psi/h", _Q.MASS_PER_YEAR: "lb/yr", _Q.DECADE_RATE: "decades/h",
        _Q.POWER: "kW", _Q.CAPACITY: "Btu/h", _Q.CURRENT: "A", _Q.VOLTAGE: "V", _Q.VOLUME_RATE: "cfm",
    },
    "si": {
        _Q.PRESSURE: "barg", _Q.GAUGE_PRESSURE: "bar_gauge", _Q.BAROMETER: "hPa",
        _Q.TEMPERATURE: "C", _Q.TEMPERATURE_DIFFERENCE: "K_diff", _Q.MASS: "kg",
        _Q.MASS_RATE: "kg/min", _Q.VACUUM: "Pa", _Q.RATIO: "%", _Q.TIME: "min", _Q.VOLUME: "L",
        _Q.DENSITY: "kg/m3", _Q.PRESSURE_DIFFERENCE: "bar", _Q.PRESSURE_RATE: "Pa/min",
        _Q.VACUUM_RISE: "Pa/h", _Q.LEAK_RATE: "Pa.m3/s", _Q.LENGTH: "m",
        _Q.PRESSURE_DIFFERENCE_RATE: "kPa/h", _Q.MASS_PER_YEAR: "kg/yr", _Q.DECADE_RATE: "decades/h",
        _Q.POWER: "kW", _Q.CAPACITY: "kW_cooling", _Q.CURRENT: "A", _Q.VOLTAGE: "V", _Q.VOLUME_RATE: "m3/h",
    },
}  # fmt: skip

_SHOWN = {
    "psi_gauge": "psig",
    "bar_gauge": "barg",
    "F": "°F",
    "C": "°C",
    "F_diff": "°F",
    "K_diff": "K",
    "inHg": "in. Hg vac",
    "inHgabs": "in. Hg abs",
    "L": "L",
    "micron": "microns",
    "micron/min": "microns/min",
    "micron/h": "microns/hour",
    "atm.cc/s": "atm cc/s",
    "Pa.m3/s": "Pa m³/s",
    "ft3": "ft³",
    "m3": "m³",
    "lb/ft3": "lb/ft³",
    "kg/m3": "kg/m³",
    "lb/yr": "lb a year",
    "kg/yr": "kg a year",
    "kW_cooling": "kW",
}


def show_unit(unit: Unit) -> str:
    """The unit as a person reads it."""
    return _SHOWN.get(unit.name, unit.name)


def user_unit(quantity: Quantity, system: str) -> Unit:
    """The unit of `system` ("us" or "si") for a quantity."""
    return UNITS[SYSTEMS[system][quantity]]


def unit_for(number: float, quantity: Quantity, system: str, ambient_pa: float = STANDARD_ATMOSPHERE_PA) -> Unit:
    """`user_unit`; for a US pressure below the atmosphere inches of mercury of vacuum, as a gauge shows it."""
    unit = user_unit(quantity, system)
    return UNITS["inHg"] if unit.name == "psig" and number < ambient_pa - NO_VACUUM_PA else unit


_NOTHING = 0.003


def show(value: Value, quantity: Quantity, system: str, ambient_pa: float = STANDARD_ATMOSPHERE_PA) -> str:
    """As "118.0 psig", or "unknown" when there is no number (the reason is the caller's to show)."""
    if value.number is None:
        return "unknown"
    unit = unit_for(value.number, quantity, system, ambient_pa)
    number = from_si(value.number, unit, ambient_pa)
    if quantity is Quantity.RATIO and -_NOTHING < value.number < 0.0:
        number = 0.0  # the scale's last division, not less than nothing in a cylinder
    if quantity is Quantity.LEAK_RATE:
        return f"{of_any_size(number)} {show_unit(unit)}"
    few = quantity is Quantity.PRESSURE_RATE and abs(number) >= 100  # no gauge knows a third figure of such a rate
    text = f"{float(f'{number:.1e}'):,.0f}" if few else f"{number:,.{unit.digits}f}"
    return with_unit("0" + text[2:] if text.startswith("-0") and not text.strip("-0.") else text, unit)


def with_unit(number: str, unit: Unit) -> str:
    """ "1 micron", "2 microns": a number as it is shown, with its unit."""
    return f"{number} {unit.name if unit.name == 'micron' and number in ('1', '-1') else show_unit(unit)}"


def of_any_size(number: float, spread: float = 0.0) -> str:
    """For what spans many powers of ten: "4.3", "2.1 x 10^-5"; two figures, or by its spread: "4.3 ± 0.4",
    "(2.14 ± 0.05) x 10^-5"."""
    exponent = math.floor(math.log10(abs(number))) if number else 0
    plain = -2 <= exponent <= 3
    unit = 1.0 if plain else 10.0**exponent
    digits = digits_of(spread / unit) if spread else 1 - exponent if plain else 1
    text = f"{round(number / unit, digits) + 0.0:,.{max(digits, 0)}f}"
    if spread:
        text += f" ± {spread / unit:,.{max(digits, 0)}f}"
    return text if plain else f"{f'({text})' if spread else text} x 10^{exponent}"


def digits_of(spread: float) -> int:
    """Decimals that show two figures of an uncertainty that begins with 1 or 2, else one; negative for tens."""
    exponent = math.floor(math.log10(spread))
    return -exponent + (1 if spread / 10**exponent < 3 else 0)
