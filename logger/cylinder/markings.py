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
from logger.model.units import POUND_KG, PSI_PA

SMALL_KG: Final = 100.0  # of water
MIN_TARE_RATIO: Final = 0.35
MAX_TARE_RATIO: Final = {"small": 0.85, "large": 0.65}
SEAMLESS: Final = (0.9, 3.0)
MIN_PSI, WELDED_PSI, MAX_PSI = 150.0, 500.0, 3000.0
CONFIRM: Final = "as_stamped"


@dataclass(frozen=True, slots=True)
class Unlikely:
    """marking: the field of it, as in the cylinder's table. why: a sentence that names the probable slip."""

    marking: str
    why: str


def unlikely(cylinder: Cylinder) -> Unlikely | None:
    """What no cylinder is stamped with, None where all fits or a person has said that it is stamped so."""
    if cylinder.as_stamped:
        return None
    service_pa = cylinder.service_pressure_pa
    if service_pa is not None:
        if not MIN_PSI <= service_pa / PSI_PA * 1.001 <= MAX_PSI * 1.002:
            why = f"{_psi(service_pa)}: refrigerant cylinders have 150 to 3000 psig{_hint(service_pa)}"
            return Unlikely("service_pressure", why)
        if not _fits(cylinder) and _fits(replace(cylinder, service_pressure_pa=None)):
            why = f"{_psi(service_pa)}: more than the 500 psig of a welded cylinder; is it the test pressure?"
            return Unlikely("service_pressure", why)
    if _fits(cylinder):
        return None
    light = cylinder.tare_kg / cylinder.water_capacity_kg < MIN_TARE_RATIO
    marking, meant = _slip(cylinder, ("water_capacity_kg", "tare_kg") if light else ("tare_kg", "water_capacity_kg"))
    return Unlikely(
        marking,
        f"tare {_mass(cylinder.tare_kg)} is too {'little' if light else 'much'} "
        f"for {_mass(cylinder.water_capacity_kg)} of water{meant}",
    )


def _fits(cylinder: Cylinder) -> bool:
    share = cylinder.tare_kg / cylinder.water_capacity_kg
    service_psi = (cylinder.service_pressure_pa or 0.0) / PSI_PA
    seamless = service_psi > WELDED_PSI or (cylinder.test_pressure_pa or 0.0) / PSI_PA > 2 * WELDED_PSI
    if SEAMLESS[0] <= share <= SEAMLESS[1] and seamless:
        return True
    heaviest = MAX_TARE_RATIO["small" if cylinder.water_capacity_kg < SMALL_KG else "large"]
    return MIN_TARE_RATIO <= share <= heaviest and service_psi <= WELDED_PSI * 1.001


_SLIPS: Final = (
    ("the other unit of mass", POUND_KG), ("the other unit of mass", 1 / POUND_KG),
    ("a shifted point", 0.1), ("a shifted point", 10.0),
)  # fmt: skip


def _slip(cylinder: Cylinder, names: tuple[str, str]) -> tuple[str, str]:
    """The marking and what was probably meant."""
    for name in names:
        for slip, factor in _SLIPS:
            meant = replace(cylinder, **{name: getattr(cylinder, name) * factor})
            if _fits(meant):
                label = "water capacity" if name == "water_capacity_kg" else "tare"
                return name.removesuffix("_kg"), f"; {slip}? {label} {_mass(getattr(meant, name))} would fit"
    return names[0].removesuffix("_kg"), "; check both"


def _hint(service_pa: float) -> str:
    for said, factor in (
        ("bar for psi", PSI_PA / 1e5),  # words: names of units
        ("psi for bar", 1e5 / PSI_PA),  # words: names of units
        ("a shifted point", 0.1),
        ("a shifted point", 10.0),
    ):
        if MIN_PSI <= service_pa * factor / PSI_PA <= WELDED_PSI:
            return f"; {said}? {_psi(service_pa * factor)} would fit"
    return ""


def _psi(pressure_pa: float) -> str:
    return f"{pressure_pa / PSI_PA:.0f} psig ({pressure_pa / 1e5:.1f} bar)"


def _mass(mass_kg: float) -> str:
    return f"{mass_kg / POUND_KG:.1f} lb ({mass_kg:.1f} kg)"
