"""A cylinder as it is entered."""

from dataclasses import replace
from typing import Any

from logger.cylinder.markings import unlikely
from logger.model.cylinder import Cylinder
from logger.model.plain import from_plain
from logger.model.text import clean
from logger.pipeline.errors import NotNow
from logger.refrigerant import Catalogue, RefrigerantError


def checked_cylinder(data: Any, catalogue: Catalogue) -> Cylinder:
    """A cylinder as its markings can state it. Raises NotNow: a wrong tare or capacity would be a wrong limit."""
    try:
        cylinder = from_plain(Cylinder, data)
        names = [cylinder.refrigerant, *cylinder.candidates]
        inside = [catalogue.find(name).name for name in names if name is not None]
    except (TypeError, ValueError, KeyError, AttributeError, RefrigerantError) as exc:
        raise NotNow(f"the cylinder's data cannot be read: {clean(str(exc))}") from exc
    numbers = (cylinder.tare_kg, cylinder.water_capacity_kg, cylinder.requalify_years)
    optional = (cylinder.service_pressure_pa, cylinder.test_pressure_pa, cylinder.contents_kg)
    for number in (*numbers, *(n for n in optional if n is not None)):
        if isinstance(number, bool) or not isinstance(number, int | float) or not 0 <= number < 1e9:
            raise NotNow(f"the cylinder's data cannot be read: {clean(repr(number), 40)} is no number it can have")
    if not (isinstance(cylinder.name, str) and clean(cylinder.name) == cylinder.name and cylinder.name):
        raise NotNow("the cylinder's data cannot be read: its name is one line of text")
    if not (cylinder.tare_kg > 0 and cylinder.water_capacity_kg > 0):
        raise NotNow("the cylinder's data cannot be read: tare and water capacity are above zero")
    if (slip := unlikely(cylinder)) is not None:
        raise NotNow(f"the cylinder's {slip.marking.replace('_', ' ')}: {slip.why}")
    own = inside[0] if cylinder.refrigerant is not None else None
    return replace(cylinder, refrigerant=own, candidates=tuple(inside[1:] if own else inside))
