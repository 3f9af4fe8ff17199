"""Numbers inside sentences: both unit systems at once, so that a sentence can be stored once and read by anyone."""

import re

from logger.model.units import MICRON_PA, POUND_KG


def degrees(temperature_k: float) -> str:
    """The same to a tenth in both: "96.1 °C (205.0 °F)"."""
    return f"{temperature_k - 273.15:.1f} °C ({temperature_k * 1.8 - 459.67:.1f} °F)"


def mass(mass_kg: float) -> str:
    """ "27.1 lb (12.30 kg)"."""
    return f"{mass_kg / POUND_KG:,.1f} lb ({mass_kg:,.2f} kg)"


_NUMBER = r"-?\d[\d,.e+-]*"
_PAIRS = (  # what is written first, and in parentheses after it; "si" or "us" is first
    ("si", "°C", "°F"), ("us", "lb", "kg"), ("si", "kPa", "in. Hg abs"), ("si", "kPa abs", "psia"), ("si", "m", "ft"),
)  # fmt: skip
_BOTH = tuple(
    (first, re.compile(rf"({_NUMBER} {re.escape(one)}) \(({_NUMBER} {re.escape(other)})\)"))
    for first, one, other in _PAIRS
)


def in_one(text: str, system: str) -> str:
    """A sentence with numbers in both as the reader of one has it. system: "us" or "si"."""
    for first, pair in _BOTH:
        text = pair.sub(r"\1" if system == first else r"\2", text)
    return text


_VACUUM = re.compile(r"(\d[\d,]*) (microns|Pa)\b")


def vacuum_in_one(text: str, system: str) -> str:
    """A sentence with vacuums in microns or pascals, such as a profile's, as the reader of one has them."""

    def shown(found: re.Match[str]) -> str:
        number, unit = int(found[1].replace(",", "")), found[2]
        if system == "si" and unit == "microns":
            return f"{number * MICRON_PA:,.0f} Pa"
        if system == "us" and unit == "Pa":
            return f"{number / MICRON_PA:,.0f} microns"
        return found[0]

    return _VACUUM.sub(shown, text)
