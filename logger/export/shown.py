"""Numbers as the report shows them: the user's unit first, SI beside it."""

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

from logger.model.points import Quantity
from logger.model.units import STANDARD_ATMOSPHERE_PA, show, show_unit, user_unit
from logger.model.value import Value, known

_Q = Quantity
_BY_UNIT: dict[str, Quantity] = {
    "kg": _Q.MASS,
    "kg/s": _Q.MASS_RATE,
    "s": _Q.TIME,
    "m3": _Q.VOLUME,
    "kg/m3": _Q.DENSITY,
    "Pa.m3/s": _Q.LEAK_RATE,
    "m": _Q.LENGTH,
}
_DIFFERENCE = {
    _Q.PRESSURE: _Q.PRESSURE_DIFFERENCE,
    _Q.TEMPERATURE: _Q.TEMPERATURE_DIFFERENCE,
}
_VACUUM_BELOW_PA = 5000.0
_TEMPERATURE_ABOVE_K = 150.0  # no difference on these jobs is as large, no temperature as low


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
        return value.problem or show(value, quantity, self.system, self.ambient_pa)

    def both(self, value: Value, quantity: Quantity) -> str:
        """ "220.5 lb (100.00 kg)", or the reason why there is no number."""
        if value.number is None:
            return value.problem or "unknown"
        first, second = (show(value, quantity, s, self.ambient_pa) for s in (self.system, self.other))
        return first if first == second else f"{first} ({second})"

    def number(self, number: float | None, quantity: Quantity) -> str:
        return "not stated" if number is None else self.both(known(number, ""), quantity)

    def input(self, value: Value) -> str:
        """A finding's input, of which only the unit is known: absolute pressures in psi and kPa, not gauge."""
        number, unit = value.number, value.unit
        if number is None:
            return f"unknown: {value.problem}"
        quantity = _quantity_of(number, unit)
        if quantity is None:
            text = f"{number:.4g}" if unit == "1" else f"{number:.4g} {unit}"
            spread = f"{2 * value.u:.2g}" if value.u else ""
        else:
            text = self.both(value, quantity)
            spread = self.spread(2 * value.u, quantity) if value.u else ""
        if spread:
            text += f" ± {spread} (k = 2)"
        return f"{text}; {value.note}" if value.note else text

    def spread(self, si: float, quantity: Quantity) -> str:
        """A difference or uncertainty of that quantity with two figures, in the user's unit: "0.088 lb"."""
        unit = user_unit(_DIFFERENCE.get(quantity, quantity), self.system)
        number = si / unit.factor
        digits = 0 if number == 0 else max(0, 1 - math.floor(math.log10(abs(number))))
        return f"{number:,.{digits}f} {show_unit(unit)}" if digits < 7 else f"{number:.1e} {show_unit(unit)}"

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


def _quantity_of(number: float, unit: str) -> Quantity | None:
    """What a finding's input is, told by its unit and size."""
    if unit == "K":
        return _Q.TEMPERATURE if abs(number) > _TEMPERATURE_ABOVE_K else _Q.TEMPERATURE_DIFFERENCE
    if unit == "Pa":
        return _Q.VACUUM if abs(number) < _VACUUM_BELOW_PA else _Q.PRESSURE_DIFFERENCE
    if unit == "Pa/s":
        return _Q.PRESSURE_RATE
    return _BY_UNIT.get(unit)


def duration(seconds: float) -> str:
    """ "45 s", "12 min 05 s", "2 h 05 min"."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"
