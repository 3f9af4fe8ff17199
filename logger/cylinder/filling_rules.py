"""How much refrigerant a cylinder may take: each rule as a mass per litre of water capacity.

Every rule is a pure function of the refrigerant, with its source beside it. None of them knows the cylinder's
material, age or markings beyond the water capacity: those, and local codes, come first.
"""

from collections.abc import Callable
from dataclasses import dataclass

from logger.refrigerant import OutOfRange, Refrigerant
from logger.wording.numbers import degrees

WATER_DENSITY = 999.0  # kg/m3 at 60 °F (15.6 °C): what the stamped water capacity means
ROOM_K = 298.15  # 25 °C, 77 °F
P200_REFERENCE_K = 323.15  # 50 °C
P200_FULL_K = 333.15  # 60 °C
P200_LOW_PRESSURE_K = 338.15  # above this critical temperature a gas is a "low pressure liquefied gas" (65 °C)
CFR_FULL_K = 328.15  # 55 °C, 131 °F

# Filling ratio, kg per litre of water capacity: UN Model Regulations / ADR 4.1.4.1, packing instruction P200, table 2.
P200_RATIO: dict[str, float] = {
    "R-22": 1.03, "R-12": 1.15, "R-134a": 1.05, "R-32": 0.78, "R-125": 0.95, "R-143a": 0.73, "R-152a": 0.79,
    "R-404A": 0.82, "R-407A": 0.94, "R-407C": 0.95, "R-502": 1.01, "R-500": 1.01, "R-227ea": 1.21, "R-124": 1.20,
    "R-142b": 0.99, "R-744": 0.68, "R-290": 0.43, "R-600a": 0.49, "R-717": 0.54,
}  # fmt: skip

# Filling density, mass as a share of the water capacity's: 49 CFR 173.304a(a)(2).
CFR_DENSITY: dict[str, float] = {"R-12": 1.19, "R-22": 1.05, "R-152a": 0.79, "R-717": 0.54, "R-744": 0.68}
CFR_FROM_MEMORY = ("R-744",)


class NoLimit(ValueError):
    """The rule gives no limit for this refrigerant; the message says why."""


@dataclass(frozen=True, slots=True)
class Ratio:
    """density: kg per m3 of water capacity. how: the arithmetic in words."""

    density: float
    how: str


@dataclass(frozen=True, slots=True)
class FillRule:
    """key: stable name. systems: the jurisdictions that apply it. ratio: raises NoLimit."""

    key: str
    label: str
    source: str
    systems: frozenset[str]
    ratio: Callable[[Refrigerant], Ratio]


def eighty_percent(refrigerant: Refrigerant) -> Ratio:
    """0.80 of the volume as liquid at 25 °C."""
    if refrigerant.critical_temperature_k <= CFR_FULL_K:
        raise NoLimit(_high_pressure(refrigerant))
    density = _liquid(refrigerant, ROOM_K)
    return Ratio(0.80 * density, f"0.80 x {density:.1f} kg/m3 (liquid at 25 °C, 77 °F)")


def p200(refrigerant: Refrigerant) -> Ratio:
    """The table's ratio where it is listed, else 0.95 of the density at 50 °C and not liquid-full up to 60 °C."""
    listed = P200_RATIO.get(refrigerant.name)
    if listed is not None:
        return Ratio(listed * 1e3, f"{listed:.2f} kg/L listed")
    if refrigerant.critical_temperature_k <= P200_LOW_PRESSURE_K:
        raise NoLimit(_high_pressure(refrigerant))
    at_50, at_60 = _liquid(refrigerant, P200_REFERENCE_K), _liquid(refrigerant, P200_FULL_K)
    if at_60 < 0.95 * at_50:
        return Ratio(at_60, f"not liquid-full up to 60 °C (140 °F): {at_60:.1f} kg/m3")
    return Ratio(0.95 * at_50, f"0.95 x {at_50:.1f} kg/m3 (liquid at 50 °C, 122 °F)")


def cfr(refrigerant: Refrigerant) -> Ratio:
    """The listed filling density, else not liquid-full at 55 °C (131 °F)."""
    listed = CFR_DENSITY.get(refrigerant.name)
    if listed is not None:
        memory = " (from memory)" if refrigerant.name in CFR_FROM_MEMORY else ""
        return Ratio(listed * WATER_DENSITY, f"{listed * 100:.0f} % of the water capacity listed{memory}")
    if refrigerant.critical_temperature_k <= CFR_FULL_K:
        raise NoLimit(_high_pressure(refrigerant))
    density = _liquid(refrigerant, CFR_FULL_K)
    return Ratio(density, f"not liquid-full at 55 °C (131 °F): {density:.1f} kg/m3")


RULES: tuple[FillRule, ...] = (
    FillRule(
        "80-percent", "80 % liquid at 25 °C (77 °F)", "cylinder guideline of the trade",
        frozenset({"us", "strictest"}), eighty_percent,
    ),
    FillRule(
        "un-p200", "UN P200", "UN Model Regulations / ADR 4.1.4.1, packing instruction P200",
        frozenset({"un", "strictest"}), p200,
    ),
    FillRule(
        "49-cfr-173.304a", "49 CFR 173.304a", "49 CFR 173.304a: filling density, or not liquid-full at 131 °F",
        frozenset({"us", "strictest"}), cfr,
    ),
)  # fmt: skip


def _liquid(refrigerant: Refrigerant, temperature_k: float) -> float:
    try:
        return refrigerant.liquid_density(temperature_k)
    except OutOfRange as exc:
        raise NoLimit(str(exc)) from exc


def _high_pressure(refrigerant: Refrigerant) -> str:
    critical = degrees(refrigerant.critical_temperature_k)
    return (
        f"{refrigerant.name} has its critical temperature at {critical}: a high-pressure liquefied gas, "
        "filled only by its own entry in the rules, for the test pressure of the cylinder"
    )
