"""A recovery or charging cylinder as its markings state it."""

import re
from dataclasses import dataclass, field
from datetime import date


class MonthOnly(date):
    """A month that is all a marking states: reckoned with as its first day, the strict side, and shown as a month.

    From memory: 49 CFR 180.213 has month and year marked, and 180.209 counts years without a word on the day. While
    no text is at hand that lets a test run on to the end of its month, it does not.
    """

    def isoformat(self) -> str:
        return f"{self.year:04d}-{self.month:02d}"

    __str__ = isoformat


def marked_date(text: str) -> date:
    """ "2024-02-01", or "2024-02" as a MonthOnly. Raises ValueError."""
    if re.fullmatch(r"[0-9]{4}-[0-9]{2}", text):
        return MonthOnly(int(text[:4]), int(text[5:]), 1)
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        raise ValueError(f"{text!r} is no date")
    return date.fromisoformat(text)


@dataclass(frozen=True, slots=True)
class Cylinder:
    """name: the mechanic's name for it. serial: as stamped. Masses in kg.

    water_capacity_kg: mass of water that fills it (the stamped WC). service_pressure_pa: gauge, from the
    marking (e.g. DOT 4BA400: 400 psi); None when unknown. test_pressure_pa: gauge, as a UN cylinder's stamp states it
    (PH 42 BAR); None when unknown. tested: a MonthOnly where no day is stated. refrigerant:
    name, or None when the contents are an unknown mixture of `candidates`. contents_kg: what was in it when it came
    to the job, None when unknown. as_stamped: a person says that the markings are so, unlikely as they are
    (logger.cylinder.markings).
    """

    name: str
    tare_kg: float
    water_capacity_kg: float
    service_pressure_pa: float | None = None
    tested: date | None = None
    refrigerant: str | None = None
    candidates: tuple[str, ...] = ()
    contents_kg: float | None = None
    requalify_years: float = 5.0
    as_stamped: bool = field(default=False, metadata={"later": True})
    test_pressure_pa: float | None = field(default=None, metadata={"later": True})
    serial: str = field(default="", metadata={"later": True})
