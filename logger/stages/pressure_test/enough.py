"""Is a test pressure high enough to say anything of the system in service?

A tight joint must be tight at what it will carry. So the test pressure is judged against what was entered (the
nameplate's, or the job's) and against the refrigerant's vapor pressure at a design temperature: the one entered; else,
where a test pressure was entered, the least that a low side is designed for; else a high side's.
"""

from dataclasses import dataclass

from logger.model.points import Quantity
from logger.model.value import Argument, known, name_of, number, word
from logger.refrigerant import OutOfRange, Refrigerant
from logger.refrigerant.pressure_class import REFERENCE_TEMPERATURE_K, pressure_class

# ANSI/ASHRAE 15 and the model codes' tables of field test pressures are the vapor pressures at 80 °F (low side), 104 °F
# (water-cooled high side) and 122 °F (air-cooled), 105 and 125 °F in older ones (from memory): here Rimelog defaults.
LOW_SIDE_K, HIGH_SIDE_K = (80.0 + 459.67) / 1.8, (122.0 + 459.67) / 1.8


@dataclass(frozen=True, slots=True)
class Enough:
    """entered_pa: the test pressure asked for. vapor_pa: of `refrigerant` at design_k; each None where not known or not
    judged. Absolute Pa. basis of design_k: "entered", "low_side" or "high_side"."""

    entered_pa: float | None
    vapor_pa: float | None = None
    design_k: float | None = None
    refrigerant: str = ""
    basis: str = ""

    def inputs(self) -> tuple[Argument, ...]:
        """What it is judged against, as a finding's inputs."""
        found: tuple[Argument, ...] = ()
        if self.entered_pa is not None:
            found += (number("test_pressure", Quantity.PRESSURE, known(self.entered_pa, "Pa")),)
        if self.vapor_pa is not None and self.design_k is not None:
            found += (
                number("vapor_pressure", Quantity.PRESSURE, known(self.vapor_pa, "Pa")),
                number("design_temperature", Quantity.TEMPERATURE, known(self.design_k, "K")),
                name_of("refrigerant", self.refrigerant),
                word("design_basis", self.basis),
            )
        return found

    def short(self, reached_pa: float, share: float, ambient_pa: float) -> tuple[Argument, ...]:
        """What speaks against the pressure reached, as doubts. share: of the gauge pressure that may be missing."""
        if self.entered_pa is None and self.vapor_pa is None:
            return (word("doubt", "no_test_pressure"),)
        doubts = (("below_test", self.entered_pa), ("below_vapor", self.vapor_pa))
        return tuple(
            word("doubt", code)
            for code, asked_pa in doubts
            if asked_pa is not None and reached_pa < asked_pa - share * (asked_pa - ambient_pa)
        )


def enough(entered_pa: float | None, design_k: float | None, medium: Refrigerant | None, ambient_pa: float) -> Enough:
    """What a test pressure must reach. A vapor pressure that is none (above the critical point) or not above the air is
    not asked for: that side is limited by other means, and the nameplate decides."""
    if medium is None:
        return Enough(entered_pa)
    if design_k is not None:
        basis, kelvin = "entered", design_k
    elif entered_pa is not None:
        basis, kelvin = "low_side", LOW_SIDE_K
    else:
        basis, kelvin = "high_side", REFERENCE_TEMPERATURE_K if _low_pressure(medium) else HIGH_SIDE_K
    vapor_pa, at_high_side = _vapor(medium, kelvin), _vapor(medium, HIGH_SIDE_K)
    if vapor_pa is None or (at_high_side is None and basis != "entered"):
        return Enough(entered_pa)
    if entered_pa is not None and vapor_pa <= ambient_pa:
        return Enough(entered_pa)
    return Enough(entered_pa, vapor_pa, kelvin, medium.name, basis)


def _vapor(medium: Refrigerant, kelvin: float) -> float | None:
    try:
        return medium.bubble_pressure(kelvin)
    except OutOfRange:
        return None


def _low_pressure(medium: Refrigerant) -> bool:
    """As 40 CFR 82.152 has it: such systems are water-cooled, and a burst disk keeps the test low."""
    at_104_f = _vapor(medium, REFERENCE_TEMPERATURE_K)
    return at_104_f is not None and pressure_class(at_104_f, REFERENCE_TEMPERATURE_K + 1.0) == "low"
