"""How much refrigerant a cylinder may take: each rule as a mass per litre of water capacity.

Every rule is a pure function of the refrigerant, with its source beside it. None of them knows the cylinder's
material, age or markings beyond the water capacity: those, and local codes, come first.
"""

from collections.abc import Callable
from dataclasses import dataclass

from logger.model.cylinder import Cylinder
from logger.model.units import PSI_PA
from logger.refrigerant import OutOfRange, Refrigerant
from logger.wording.numbers import degrees

BAR_PA = 1e5
MARKING_ROUNDING = 1e-3  # a marking of 1800 psi entered as 12.4 MPa
WATER_DENSITY = 999.0  # kg/m3 at 60 °F (15.6 °C): what the stamped water capacity means
ROOM_K = 298.15  # 25 °C, 77 °F
P200_REFERENCE_K = 323.15  # 50 °C
P200_FULL_K = 333.15  # 60 °C
P200_LOW_PRESSURE_K = 338.15  # above this critical temperature a gas is a "low pressure liquefied gas" (65 °C)
CFR_FULL_K = 328.15  # 55 °C, 131 °F

# Filling ratio: mass of gas over the mass of water at 15 °C that fills the cylinder (UN Model Regulations / ADR 1.2.1),
# which is the stamped water capacity. UN Model Regulations / ADR 4.1.4.1, packing instruction P200, table 2.
P200_RATIO: dict[str, float] = {
    "R-22": 1.03, "R-12": 1.15, "R-134a": 1.05, "R-32": 0.78, "R-143a": 0.73, "R-152a": 0.79, "R-404A": 0.82,
    "R-407A": 0.94, "R-407C": 0.95, "R-502": 1.01, "R-500": 1.01, "R-227ea": 1.21, "R-124": 1.20, "R-142b": 0.99,
    "R-290": 0.43, "R-600a": 0.49, "R-717": 0.54, "R-115": 1.05,
}  # fmt: skip

# The same table where the ratio hangs on the test pressure: (bar, ratio), lowest first. From memory but for R-125's and
# R-744's ratios; a test holds each pair to the pressure that CoolProp gives a cylinder so filled at 65 °C.
P200_BY_TEST: dict[str, tuple[tuple[float, float], ...]] = {
    "R-125": ((35, 0.87), (49, 0.95)),
    "R-744": ((190, 0.68), (250, 0.76)),
    "R-13": ((100, 0.83), (120, 0.90), (190, 1.04), (250, 1.11)),
    "R-23": ((190, 0.88), (250, 0.96)),
    "R-170": ((95, 0.25), (120, 0.30), (300, 0.40)),
    "R-1150": ((225, 0.34), (300, 0.38)),
}

# Filling density, % of the mass of the water capacity, with the lowest service pressure (psi) it is for; of a gas with
# several the one that the marking allows. 49 CFR 173.304a(a)(2), table 1.
CFR_DENSITY: dict[str, tuple[tuple[float, float], ...]] = {
    "R-12": ((225, 119),), "R-13": ((1800, 100),), "R-22": ((240, 105),), "R-115": ((225, 110),),
    "R-142b": ((150, 100),), "R-152a": ((150, 79),), "R-717": ((480, 54),),
    "R-744": ((1800, 68), (2000, 70.3), (2265, 73.2), (2400, 74.5)),
}  # fmt: skip


class NoLimit(ValueError):
    """The rule gives no limit for this refrigerant; the message says why."""


@dataclass(frozen=True, slots=True)
class Ratio:
    """density: kg per m3 of inner volume. how: the arithmetic in words."""

    density: float
    how: str


@dataclass(frozen=True, slots=True)
class FillRule:
    """key: stable name. systems: the jurisdictions that apply it. ratio: raises NoLimit."""

    key: str
    label: str
    source: str
    systems: frozenset[str]
    ratio: Callable[[Refrigerant, Cylinder], Ratio]


def _of_water(density: float) -> str:
    """As the tables of the rules state it."""
    return f"{density / WATER_DENSITY:.3f} of the water capacity"


def eighty_percent(refrigerant: Refrigerant, _: Cylinder) -> Ratio:
    """0.80 of the volume as liquid at 25 °C. In kg/m3 of the water capacity. Raises NoLimit."""
    if refrigerant.critical_temperature_k <= CFR_FULL_K:
        raise NoLimit(_high_pressure(refrigerant))
    density = _liquid(refrigerant, ROOM_K)
    return Ratio(0.80 * density, f"0.80 of liquid at 25 °C (77 °F): {_of_water(0.80 * density)}")


def p200(refrigerant: Refrigerant, cylinder: Cylinder) -> Ratio:
    """The table's ratio where it is listed, else 0.95 of the density at 50 °C and not liquid-full up to 60 °C.

    Where the ratio hangs on the test pressure and none is entered, the lowest counts.
    Raises NoLimit.
    """
    by_test = P200_BY_TEST.get(refrigerant.name)
    if by_test is not None:
        bar, ratio = allowed_by_marking(by_test, cylinder.test_pressure_pa, BAR_PA)
        if bar is None:
            raise NoLimit(f"{refrigerant.name} needs a test pressure of {by_test[0][0]:.0f} bar or more")
        how = f"{ratio:.2f} of the water capacity listed for a test pressure of {bar:.0f} bar"
        return Ratio(ratio * WATER_DENSITY, how)
    listed = P200_RATIO.get(refrigerant.name)
    if listed is not None:
        return Ratio(listed * WATER_DENSITY, f"{listed:.2f} of the water capacity listed")
    if refrigerant.critical_temperature_k <= P200_LOW_PRESSURE_K:
        raise NoLimit(_high_pressure(refrigerant))
    at_50, at_60 = _liquid(refrigerant, P200_REFERENCE_K), _liquid(refrigerant, P200_FULL_K)
    if at_60 < 0.95 * at_50:
        return Ratio(at_60, f"not liquid-full up to 60 °C (140 °F): {_of_water(at_60)}")
    return Ratio(0.95 * at_50, f"0.95 of liquid at 50 °C (122 °F): {_of_water(0.95 * at_50)}")


def cfr(refrigerant: Refrigerant, cylinder: Cylinder) -> Ratio:
    """The listed filling density, else not liquid-full at 55 °C (131 °F). Raises NoLimit."""
    listed = CFR_DENSITY.get(refrigerant.name)
    if listed is not None:
        psi, percent = allowed_by_marking(listed, cylinder.service_pressure_pa, PSI_PA)
        if psi is None and refrigerant.critical_temperature_k <= CFR_FULL_K:
            raise NoLimit(f"{refrigerant.name} needs a service pressure of {listed[0][0]:.0f} psig or more")
        return Ratio(percent / 100 * WATER_DENSITY, f"{percent:g} % of the water capacity listed")
    if refrigerant.critical_temperature_k <= CFR_FULL_K:
        raise NoLimit(_high_pressure(refrigerant))
    density = _liquid(refrigerant, CFR_FULL_K)
    return Ratio(density, f"not liquid-full at 55 °C (131 °F): {_of_water(density)}")


def allowed_by_marking(
    listed: tuple[tuple[float, float], ...], marked_pa: float | None, unit_pa: float
) -> tuple[float | None, float]:
    """(pressure, ratio) of the highest pressure listed that the marking reaches; the lowest of the list where nothing
    is marked; (None, lowest ratio) where the marking is below the list."""
    if marked_pa is None:
        return listed[0]
    reached = [pair for pair in listed if pair[0] * unit_pa <= marked_pa * (1 + MARKING_ROUNDING)]
    return reached[-1] if reached else (None, listed[0][1])


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
