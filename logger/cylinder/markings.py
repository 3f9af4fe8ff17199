"""Could a cylinder be stamped like this? A slip in its data (lb for kg, a shifted point) would permit too much.

Tare against water capacity, both in the same unit, of refillable steel cylinders:
  0.38 (1000 lb) and 0.58 (47.6 lb), worked examples of the trade's cylinder guideline;
  0.75, 0.71, 0.49, 0.47, 0.42 and 0.58 (12, 6.2, 26.5, 61, 88 and 860 L) and 2.39 (6.7 L, seamless, R-13 and R-503),
  a supplier's published table of containers for refrigerants.
The bands around them are Rimelog defaults, set so that a mass taken in the other unit (2.2 times) falls outside.

Service pressure: 225 to 500 psig for the welded steel cylinders of 49 CFR 178.51(a) (4BA), 480 psig of 178.56(a), at
least 150 psig for seamless ones, 178.36(a). Above 500 only seamless ones, heavy for their size; 3000 psig at most is a
Rimelog default.
"""

from dataclasses import dataclass, replace
from typing import Final

from logger.model.cylinder import Cylinder
from logger.model.points import Quantity
from logger.model.units import POUND_KG, PSI_PA
from logger.model.value import Argument, Statement, known, number, word

SMALL_KG: Final = 100.0  # of water
MIN_TARE_RATIO: Final = 0.35
MAX_TARE_RATIO: Final = {"small": 0.85, "large": 0.65}
SEAMLESS: Final = (0.9, 3.0)
MIN_PSI, WELDED_PSI, MAX_PSI = 150.0, 500.0, 3000.0
CONFIRM: Final = "as_stamped"


@dataclass(frozen=True, slots=True)
class Unlikely:
    """marking: the field of it, as in the cylinder's table. why: with the probable slip; words: cylinder/words.py."""

    marking: str
    why: Statement


def unlikely(cylinder: Cylinder) -> Unlikely | None:
    """What no cylinder is stamped with, None where all fits or a person has said that it is stamped so."""
    if cylinder.as_stamped:
        return None
    service_pa = cylinder.service_pressure_pa
    if service_pa is not None:
        stamped = _pressure("service_pressure", service_pa)
        if not MIN_PSI <= service_pa / PSI_PA * 1.001 <= MAX_PSI * 1.002:
            usual = (_pressure("lowest", MIN_PSI * PSI_PA), _pressure("highest", MAX_PSI * PSI_PA))
            why = Statement("marking.service_pressure", (stamped, *usual, *_pressure_slip(service_pa)))
            return Unlikely("service_pressure", why)
        if not _fits(cylinder) and _fits(replace(cylinder, service_pressure_pa=None)):
            why = Statement("marking.welded", (stamped, _pressure("highest", WELDED_PSI * PSI_PA)))
            return Unlikely("service_pressure", why)
    if _fits(cylinder):
        return None
    light = cylinder.tare_kg / cylinder.water_capacity_kg < MIN_TARE_RATIO
    names = ("water_capacity_kg", "tare_kg") if light else ("tare_kg", "water_capacity_kg")
    masses = (_mass("tare", cylinder.tare_kg), _mass("water_capacity", cylinder.water_capacity_kg))
    marking, slip = _mass_slip(cylinder, names)
    return Unlikely(marking, Statement("marking.tare", (*masses, word("judged", "light" if light else "heavy"), *slip)))


def _fits(cylinder: Cylinder) -> bool:
    share = cylinder.tare_kg / cylinder.water_capacity_kg
    service_psi = (cylinder.service_pressure_pa or 0.0) / PSI_PA
    seamless = service_psi > WELDED_PSI or (cylinder.test_pressure_pa or 0.0) / PSI_PA > 2 * WELDED_PSI
    if SEAMLESS[0] <= share <= SEAMLESS[1] and seamless:
        return True
    heaviest = MAX_TARE_RATIO["small" if cylinder.water_capacity_kg < SMALL_KG else "large"]
    return MIN_TARE_RATIO <= share <= heaviest and service_psi <= WELDED_PSI * 1.001


_SLIPS: Final = (("other_unit", POUND_KG), ("other_unit", 1 / POUND_KG), ("shifted", 0.1), ("shifted", 10.0))
_PRESSURE_SLIPS: Final = (("other_unit", PSI_PA / 1e5), ("other_unit", 1e5 / PSI_PA), *_SLIPS[2:])


def _mass_slip(cylinder: Cylinder, names: tuple[str, str]) -> tuple[str, tuple[Argument, ...]]:
    """The marking that is probably wrong, and what was meant where that would fit."""
    for name in names:
        for slip, factor in _SLIPS:
            meant = replace(cylinder, **{name: getattr(cylinder, name) * factor})
            if _fits(meant):
                marking = name.removesuffix("_kg")
                return marking, (word("slip", slip), word("of", marking), _mass("meant", getattr(meant, name)))
    return names[0].removesuffix("_kg"), ()


def _pressure_slip(service_pa: float) -> tuple[Argument, ...]:
    for slip, factor in _PRESSURE_SLIPS:
        if MIN_PSI <= service_pa * factor / PSI_PA <= WELDED_PSI:
            return word("slip", slip), _pressure("meant", service_pa * factor)
    return ()


def _pressure(name: str, pressure_pa: float) -> Argument:
    return number(name, Quantity.GAUGE_PRESSURE, known(pressure_pa, "Pa"))


def _mass(name: str, mass_kg: float) -> Argument:
    return number(name, Quantity.MASS, known(mass_kg, "kg"))
