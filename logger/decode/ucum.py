"""UCUM unit codes as devices state them, to SI.

Codes and factors: The Unified Code for Units of Measure (https://ucum.org); the pressure factors are those of
logger/model/units.py (NIST SP 811). A code is an atom with an optional metric prefix, or one such over another
("mV/V", "kg/min"). Mercury columns are `m[Hg]`: a micron of mercury is `um[Hg]`; `um` alone is a length.
"""

from dataclasses import dataclass

from logger.model.errors import ComputeError
from logger.model.units import INHG_PA, MICRON_PA, POUND_KG, PSI_PA


class UcumError(ComputeError):
    """A unit code that is not known here. The message names it."""


@dataclass(frozen=True, slots=True)
class UcumUnit:
    """SI value = number * factor + offset; `si` is the UCUM code of the SI unit."""

    code: str
    si: str
    factor: float
    offset: float = 0.0


_PREFIX = {"": 1.0, "G": 1e9, "M": 1e6, "k": 1e3, "h": 1e2, "d": 1e-1, "c": 1e-2, "m": 1e-3, "u": 1e-6, "n": 1e-9}
_METRIC = {  # atoms that take a prefix
    "Pa": ("Pa", 1.0), "bar": ("Pa", 1e5), "m[Hg]": ("Pa", 1e6 * MICRON_PA), "m[H2O]": ("Pa", 9806.65),
    "K": ("K", 1.0), "g": ("kg", 1e-3), "s": ("s", 1.0), "m": ("m", 1.0), "L": ("m3", 1e-3), "l": ("m3", 1e-3),
    "V": ("V", 1.0), "A": ("A", 1.0), "Ohm": ("Ohm", 1.0), "Hz": ("Hz", 1.0),
}  # fmt: skip
_PLAIN = {
    "1": ("1", 1.0), "": ("1", 1.0), "%": ("1", 1e-2), "[ppth]": ("1", 1e-3), "[ppm]": ("1", 1e-6),
    "[psi]": ("Pa", PSI_PA), "[in_i'Hg]": ("Pa", INHG_PA), "[in_i'H2O]": ("Pa", 249.08891), "atm": ("Pa", 101325.0),
    "[lb_av]": ("kg", POUND_KG), "[oz_av]": ("kg", POUND_KG / 16), "t": ("kg", 1e3), "min": ("s", 60.0),
    "h": ("s", 3600.0), "m3": ("m3", 1.0), "[cft_i]": ("m3", 0.3048**3), "[ft_i]": ("m", 0.3048),
    "[in_i]": ("m", 0.0254),
}  # fmt: skip
_WITH_OFFSET = {"Cel": ("K", 1.0, 273.15), "[degF]": ("K", 5 / 9, 459.67 * 5 / 9)}


def unit_problem(code: str) -> str | None:
    """Why values in that unit cannot be used; None when they can."""
    try:
        ucum(code)
    except UcumError as exc:
        return str(exc)
    return None


def ucum(code: str) -> UcumUnit:
    """The unit of a code, case-sensitive as UCUM is. Raises UcumError for codes outside this trade."""
    if code in _WITH_OFFSET:
        si, factor, offset = _WITH_OFFSET[code]
        return UcumUnit(code, si, factor, offset)
    top, slash, bottom = code.partition("/")
    si, factor = _term(code, top)
    if not slash:
        return UcumUnit(code, si, factor)
    below_si, below = _term(code, bottom)
    return UcumUnit(code, "1" if si == below_si else f"{si}/{below_si}", factor / below)


def _term(code: str, term: str) -> tuple[str, float]:
    if term in _PLAIN:
        return _PLAIN[term]
    for prefix, scale in _PREFIX.items():
        if term.startswith(prefix) and term[len(prefix) :] in _METRIC:
            si, factor = _METRIC[term[len(prefix) :]]
            return si, scale * factor
    raise UcumError(
        f"unit code {code!r} is not one of the UCUM codes known, such as kPa, [psi], Cel, kg, um[Hg]"  # words: UCUM
    )
