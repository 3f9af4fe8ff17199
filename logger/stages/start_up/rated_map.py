"""A compressor's rated map: ten coefficients of evaporating and condensing dew temperature, as AHRI 540 has them.

    X = C1 + C2 S + C3 D + C4 S^2 + C5 S D + C6 D^2 + C7 S^3 + C8 D S^2 + C9 S D^2 + C10 D^3

S: suction, D: discharge dew temperature. The order is that of AHRI 540, from memory: a map that gives the sheet's own
rating points when they are put in is read right. Written with its unit, which says that of the temperatures too.
"""

import math
import re
from dataclasses import dataclass

from logger.model.units import POUND_KG

COEFFICIENTS = 10
# unit -> (SI factor, whether its temperatures are Fahrenheit)
UNITS = {"lb/h": (POUND_KG / 3600.0, True), "kg/h": (1 / 3600.0, False), "kg/s": (1.0, False)}
POWER_UNITS = {"W@F": (1.0, True), "W@C": (1.0, False), "kW@F": (1e3, True), "kW@C": (1e3, False)}
FLOW, POWER = "flow", "power"


@dataclass(frozen=True, slots=True)
class RatedMap:
    """value: of the sheet's unit, by `factor` SI."""

    coefficients: tuple[float, ...]
    factor: float
    fahrenheit: bool

    def at(self, evaporating_k: float, condensing_k: float) -> float:
        """kg/s or W."""
        s, d = (k * 1.8 - 459.67 if self.fahrenheit else k - 273.15 for k in (evaporating_k, condensing_k))
        c = self.coefficients
        return self.factor * (
            c[0] + c[1] * s + c[2] * d + c[3] * s * s + c[4] * s * d + c[5] * d * d
            + c[6] * s**3 + c[7] * d * s * s + c[8] * s * d * d + c[9] * d**3
        )  # fmt: skip


def read_map(text: str, what: str) -> RatedMap | None:
    """ "C1, C2, ..., C10 lb/h"; what: FLOW or POWER. None where it is not ten numbers and a unit of that."""
    units = UNITS if what == FLOW else POWER_UNITS
    *numbers, unit = re.split(r"[\s,;]+", text.strip())
    known = next((u for u in units if u.lower() == unit.lower()), None)
    if known is None or len(numbers) != COEFFICIENTS:
        return None
    try:
        coefficients = tuple(float(one) for one in numbers)
    except ValueError:
        return None
    return RatedMap(coefficients, *units[known]) if all(map(math.isfinite, coefficients)) else None
