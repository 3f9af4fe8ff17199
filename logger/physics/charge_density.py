"""Can this charge be in that volume? A slip in either (m3 for L, a shifted point) spoils every leak rate."""

from typing import Final

from logger.model.points import Quantity
from logger.model.value import Statement, known, number
from logger.refrigerant import OutOfRange, Refrigerant

WARM_K: Final = 298.15
MAX_DENSITY: Final = 1600.0  # kg/m3: where the refrigerant's liquid is not known at 25 °C
MIN_DENSITY: Final = 5.0  # kg/m3, Rimelog default: a system with so little in so much runs on no liquid


def unlikely_charge(charge_kg: float, volume_m3: float, refrigerant: Refrigerant | None) -> Statement | None:
    """Why not, which says what to look at; None where it may be. Its words: logger/pipeline/words.py."""
    density = charge_kg / volume_m3
    try:
        densest = MAX_DENSITY if refrigerant is None else refrigerant.liquid_density(WARM_K)
    except OutOfRange:
        densest = MAX_DENSITY
    if MIN_DENSITY <= density <= densest:
        return None
    given = (
        number("charge", Quantity.MASS, known(charge_kg, "kg")),
        number("volume", Quantity.VOLUME, known(volume_m3, "m3")),
    )
    return Statement("charge.too_much" if density > densest else "charge.too_little", given)
