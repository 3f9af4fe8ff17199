"""A finding's inputs as text: only their SI unit is known, so size and neighbours tell what kind of number each is.

Pressures are absolute or differences, as their labels say; psi and kPa here are plain conversions of both.
Figures follow the uncertainty (two of it, GUM 7.2.6), or three where none is stated.
"""

import math
from collections.abc import Iterable

from logger.model.units import UNITS, Unit, show_unit
from logger.model.value import Value
from logger.wording.values import duration

VACUUM_BELOW_PA = 5000.0
_TEMPERATURE_ABOVE_K = 150.0  # no difference on these jobs is as large, no temperature as low
_MAX_DIGITS = 6
MAX_CONFIDENCE = 0.99

_PAIRS: dict[str, tuple[Unit, Unit]] = {
    unit: (UNITS[us], UNITS[si])
    for unit, us, si in (
        ("kg", "lb", "kg"),
        ("kg/s", "lb/min", "kg/min"),
        ("m3", "ft3", "L"),
        ("kg/m3", "lb/ft3", "kg/m3"),
        ("m", "ft", "m"),
        ("vacuum", "micron", "Pa"),
        ("vacuum rate", "micron/min", "Pa/min"),
        ("pressure", "psi", "kPa"),
        ("temperature", "F", "C"),
        ("temperature difference", "F_diff", "K_diff"),
    )
} | {
    "pressure rate": (
        UNITS["psi/h"],
        UNITS["kPa/h"],
    )
}
_PLAIN = {"1": (100.0, " %"), "h-1": (1.0, " /h")}  # one unit in both systems; the others as they are
_SPREAD_UNIT = {"F": UNITS["F_diff"], "C": UNITS["K_diff"]}


def about_vacuum(values: Iterable[Value]) -> bool:
    """Whether all pressures among a finding's inputs are so low that the trade would say micron."""
    return all(abs(v.number) < VACUUM_BELOW_PA for v in values if v.unit == "Pa" and v.number is not None)


def confidence_text(value: Value) -> str:
    """A share of the evidence never as certainty: nothing here is certain."""
    if value.number is not None and value.number > MAX_CONFIDENCE:
        return f"over {MAX_CONFIDENCE:.0%}".replace("%", " %")
    return input_text(value, "si", False)


def input_text(value: Value, system: str, vacuum: bool) -> str:
    """ "74.3 micron (9.91 Pa) ± 11 micron (k = 2); as marked", or "unknown: no gauge". system: whose unit is first."""
    number = value.number
    if number is None:
        return f"unknown: {value.problem}"
    u = 2 * value.u if value.u else None
    if value.unit == "s" and u is None:
        text = duration(number) if number >= 0 else f"{number:.3g} s"
    else:
        text = _text(number, u, value.unit, system, vacuum)
    return f"{text}; {value.note}" if value.note else text


def _text(number: float, u: float | None, unit: str, system: str, vacuum: bool) -> str:
    pair = _PAIRS.get(_kind(number, unit, vacuum))
    if pair is None:
        factor, name = _PLAIN.get(unit, (1.0, f" {unit}"))
        spread = "" if u is None else f" ± {u * factor:.2g}{name} (k = 2)"
        return f"{number * factor + 0.0:.4g}{name}{spread}"  # no "-0"
    first, second = pair if system == "us" else pair[::-1]
    text = f"{_figure(number, u, first)} ({_figure(number, u, second)})"
    return text if u is None else f"{text} ± {_spread(u, first)} (k = 2)"


def _kind(number: float, unit: str, vacuum: bool) -> str:
    if unit == "Pa":
        return "vacuum" if vacuum else "pressure"
    if unit == "Pa/s":
        return "vacuum rate" if vacuum else "pressure rate"
    if unit == "K":
        return "temperature" if abs(number) > _TEMPERATURE_ABOVE_K else "temperature difference"
    return unit


def _figure(si: float, u: float | None, unit: Unit) -> str:
    shown = (si - unit.offset) / unit.factor
    digits = max(unit.digits, _digits(shown, 3)) if u is None else _digits(u / unit.factor, 2)
    return f"{round(shown, digits) + 0.0:,.{digits}f} {show_unit(unit)}"


def _spread(si: float, unit: Unit) -> str:
    shown = si / unit.factor
    return f"{shown:,.{_digits(shown, 2)}f} {show_unit(_SPREAD_UNIT.get(unit.name, unit))}"


def _digits(number: float, figures: int) -> int:
    """Decimals that show so many figures."""
    if number == 0:
        return 0
    return min(_MAX_DIGITS, max(0, figures - 1 - math.floor(math.log10(abs(number)))))
