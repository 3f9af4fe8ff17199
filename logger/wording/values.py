"""Numbers as a person reads them: in the user's units, digits by their uncertainty, times of the place."""

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

from logger.model.points import Quantity
from logger.model.units import (
    NS_PER_S,
    STANDARD_ATMOSPHERE_PA,
    Unit,
    digits_of,
    from_si,
    of_any_size,
    show,
    show_unit,
    unit_for,
    user_unit,
    with_unit,
)
from logger.model.value import Value, known
from logger.wording.numbers import in_one

_Q = Quantity
_DIFFERENCE = {_Q.PRESSURE: _Q.PRESSURE_DIFFERENCE, _Q.TEMPERATURE: _Q.TEMPERATURE_DIFFERENCE}
_BOUNDS = (_Q.MASS_PER_YEAR, _Q.VACUUM_RISE, _Q.PRESSURE_DIFFERENCE_RATE)
"""Without an uncertainty these are bounds of what a test could see."""
MAX_CONFIDENCE = 0.99
_WHOLE = 1e-9  # of a number that was entered as a whole one, and went to SI and back


@dataclass(frozen=True, slots=True)
class Shown:
    """system: "us" or "si". ambient_pa: what gauge pressures refer to. utc_offset_s: of the clock times shown."""

    system: str = "us"
    ambient_pa: float = STANDARD_ATMOSPHERE_PA
    utc_offset_s: int = 0

    @property
    def other(self) -> str:
        return "si" if self.system == "us" else "us"

    def one(self, value: Value, quantity: Quantity) -> str:
        """In the user's unit alone, or the reason why there is no number."""
        return self._why(value) if value.problem else show(value, quantity, self.system, self.ambient_pa)

    def both(self, value: Value, quantity: Quantity) -> str:
        """ "220.5 lb (100.00 kg)", or the reason why there is no number."""
        if value.number is None:
            return value.problem or "unknown"
        first, second = (show(value, quantity, s, self.ambient_pa) for s in (self.system, self.other))
        return first if first == second else f"{first} ({second})"

    def number(self, number: float | None, quantity: Quantity) -> str:
        return "not stated" if number is None else self.both(known(number, ""), quantity)

    def spread(self, si: float, quantity: Quantity) -> str:
        """A difference or uncertainty of that quantity with two figures, in the user's unit: "0.088 lb"."""
        if quantity is Quantity.COUNT:
            return f"{si:.2g}"
        unit = user_unit(_DIFFERENCE.get(quantity, quantity), self.system)
        number = si / unit.factor
        digits = 0 if number == 0 else min(6, max(0, 1 - math.floor(math.log10(abs(number)))))
        return f"{number:,.{digits}f} {show_unit(unit).removesuffix(' abs')}"

    def figure(self, value: Value, quantity: Quantity) -> str:
        """In the user's unit with the digits that its uncertainty leaves (GUM 7.2.6), the unit's usual ones where none
        is stated: "19.5 lb"; what was set as a whole number is one: "10 °F". The reason where there is no number."""
        if value.number is None:
            return self._why(value)
        if quantity is Quantity.TIME:
            return lasted(value.number)
        if quantity is Quantity.COUNT:
            return f"{value.number:,.{max(0, digits_of(2 * value.u))}f}" if value.u else f"{value.number:,.12g}"
        if quantity is Quantity.LEAK_RATE:
            return show(value, quantity, self.system, self.ambient_pa)
        if quantity in _BOUNDS and not value.u:
            return self.bound(value, quantity)
        unit = self._unit(value.number, quantity)
        digits = min(unit.digits, digits_of(2 * value.u / unit.factor)) if value.u else unit.digits
        if not value.u and self._is_whole(value.number, unit):
            digits = 0
        return with_unit(self._rounded(value.number, unit, digits), unit)

    def bound(self, value: Value, quantity: Quantity) -> str:
        """With two figures: "51 %", "45,000 microns/hour", "0.45 lb a year"."""
        if not value.number:
            return self.one(value, quantity)
        unit = self._unit(value.number, quantity)
        digits = 1 - math.floor(math.log10(abs(value.number / unit.factor)))
        if quantity is not Quantity.MASS_PER_YEAR:
            digits = min(unit.digits, digits)
        return with_unit(self._rounded(value.number, unit, digits), unit)

    def _is_whole(self, number: float, unit: Unit) -> bool:
        shown = from_si(number, unit, self.ambient_pa)
        return abs(shown - round(shown)) <= _WHOLE * max(1.0, abs(number / unit.factor))

    def whole(self, value: Value, quantity: Quantity) -> str:
        """Without decimals, for a number that is whole in the system it was written in: "131 °F", "55 °C"."""
        if value.number is None:
            return self._why(value)
        unit = self._unit(value.number, quantity)
        return with_unit(self._rounded(value.number, unit, 0), unit)

    def with_spread(self, value: Value, quantity: Quantity) -> str:
        """With the expanded uncertainty (k=2) in one unit: "19.5 ± 0.4 lb"; alone where none is stated."""
        if value.number is None or not value.u or quantity is Quantity.COUNT:
            return self.figure(value, quantity)
        unit = self._unit(value.number, quantity)
        spread = 2 * value.u / unit.factor
        if quantity is Quantity.LEAK_RATE:
            return f"{of_any_size(value.number / unit.factor, spread)} {show_unit(unit)}"
        digits = min(6, max(0, digits_of(spread)))
        return f"{self._rounded(value.number, unit, digits)} ± {spread:,.{digits}f} {show_unit(unit)}"

    def confidence(self, value: Value) -> str:
        """A share of the evidence, never as certainty: "95 %", "over 99 %"."""
        if value.number is not None and value.number > MAX_CONFIDENCE:
            return f"over {100 * MAX_CONFIDENCE:.0f} %"
        return self.figure(value, Quantity.RATIO)

    def in_si(self, value: Value) -> str:
        """A number of which only the unit is known, or the reason where there is none."""
        return f"{value.number:.4g} {value.unit}" if value.number is not None else value.problem or "unknown"

    def apart(self, value: Value, limit: Value, quantity: Quantity) -> str:
        """A number that differs from its limit, with the decimals that show it: "500.3 microns" where it is 500."""
        assert value.number is not None and limit.number is not None
        if quantity is Quantity.TIME:
            return exact(value.number)
        unit = self._unit(value.number, quantity)
        one, other = (from_si(v, unit, self.ambient_pa) for v in (value.number, limit.number))
        digits = next((n for n in range(unit.digits, 7) if f"{one:.{n}f}" != f"{other:.{n}f}"), 7)
        return f"{one:,.{digits}f} {show_unit(unit)}"

    def _why(self, value: Value) -> str:
        return in_one(value.problem or "unknown", self.system)

    def _unit(self, number: float, quantity: Quantity) -> Unit:
        return unit_for(number, quantity, self.system, self.ambient_pa)

    def _rounded(self, number: float, unit: Unit, digits: int) -> str:
        return f"{round(from_si(number, unit, self.ambient_pa), digits) + 0.0:,.{max(digits, 0)}f}"

    def instant(self, rfc3339: str) -> str:
        """A stored time as of the place: "18:10:05"."""
        return self.clock(round(datetime.fromisoformat(rfc3339.replace("Z", "+00:00")).timestamp() * NS_PER_S))

    def time(self, t_ns: int, seconds: bool = True) -> str:
        """ "2026-03-02 18:10:05" of the zone in `zone`."""
        return self._local(t_ns).strftime("%Y-%m-%d %H:%M:%S" if seconds else "%Y-%m-%d %H:%M")

    def clock(self, t_ns: int) -> str:
        return self._local(t_ns).strftime("%H:%M:%S")

    @property
    def zone(self) -> str:
        """ "UTC", "UTC-06:00"."""
        if self.utc_offset_s == 0:
            return "UTC"
        hours, minutes = divmod(abs(self.utc_offset_s) // 60, 60)
        return f"UTC{'-' if self.utc_offset_s < 0 else '+'}{hours:02d}:{minutes:02d}"

    def _local(self, t_ns: int) -> datetime:
        zone = timezone(timedelta(seconds=self.utc_offset_s))
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=t_ns // 1000)).astimezone(zone)


def duration(seconds: float) -> str:
    """ "45 s", "12 min 05 s", "2 h 05 min"."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def lasted(seconds: float) -> str:
    """`duration` of what is over, without zeros at its end: "45 s", "12 min 05 s", "15 min", "24 h"."""
    return duration(seconds).removesuffix(" 00 s").removesuffix(" 00 min")


def rough(seconds: float) -> str:
    """Whole minutes from a minute and a half on: "45 s", "12 min", "2 h 05 min", "24 h"."""
    if round(seconds) < 90:
        return f"{round(seconds)} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else lasted(60.0 * minutes)


def exact(seconds: float) -> str:
    """Rounded down to the second, so that a time below a limit never reads as the limit: "9 min 58 s"."""
    hours, rest = divmod(int(seconds), 3600)
    if hours:
        return f"{hours} h {rest // 60:02d} min {rest % 60:02d} s"
    return f"{rest // 60} min {rest % 60:02d} s" if rest >= 60 else f"{rest} s"
