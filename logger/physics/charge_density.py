"""Can this charge be in that volume? A slip in either (m3 for L, a shifted point) spoils every leak rate."""

from typing import Final

from logger.model.units import POUND_KG
from logger.refrigerant import OutOfRange, Refrigerant

WARM_K: Final = 298.15
MAX_DENSITY: Final = 1600.0  # kg/m3: where the refrigerant's liquid is not known at 25 °C
MIN_DENSITY: Final = 5.0  # kg/m3, Rimelog default: a system with so little in so much runs on no liquid


def unlikely_charge(charge_kg: float, volume_m3: float, refrigerant: Refrigerant | None) -> str | None:
    """Why not, naming what to look at; None where it may be."""
    density = charge_kg / volume_m3
    try:
        densest = MAX_DENSITY if refrigerant is None else refrigerant.liquid_density(WARM_K)
    except OutOfRange:
        densest = MAX_DENSITY
    if MIN_DENSITY <= density <= densest:
        return None
    filling = (
        f"a charge of {charge_kg / POUND_KG:.1f} lb ({charge_kg:.1f} kg) "
        f"in {volume_m3 / 0.3048**3:.2f} ft3 ({volume_m3 * 1000:.1f} L)"
    )
    if density > densest:
        return f"{filling} is more than the system holds full of liquid; is the volume in liters, is a point shifted?"
    return f"{filling} is less than any system runs on; is the volume in liters and not m3, is a point shifted?"
