"""A recovery or charging cylinder as its markings state it."""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Cylinder:
    """name: the mechanic's name or serial. Masses in kg.

    water_capacity_kg: mass of water that fills it (the stamped WC). service_pressure_pa: gauge, from the
    marking (e.g. DOT 4BA400: 400 psi); None when unknown. refrigerant: name, or None when the contents are an
    unknown mixture of `candidates`. contents_kg: what was in it when it came to the job, None when unknown.
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
