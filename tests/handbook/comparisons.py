"""The table against each independent reference, as numbers: used by the tests and by the accuracy page."""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import cantera
import chemicals.vapor_pressure

from logger.refrigerant import OutOfRange, Refrigerant, find
from logger.refrigerant.primed import CP, PrimedState, component_key
from tests.handbook.teqp_reference import TeqpBlend

VAPOUR: Any = chemicals.vapor_pressure  # untyped
COLDEST_K = 213.15  # -60 °C: below it the correlations rest on few measurements


@dataclass(frozen=True)
class Worst:
    """Largest difference found, where (°C), and over how many points out of how many asked for."""

    error: float
    celsius: float
    points: int
    asked: int


def worst(found: Iterable[tuple[float, float] | None]) -> Worst:
    """Of (error, K) pairs; None where the reference gave nothing."""
    pairs = list(found)
    known = [pair for pair in pairs if pair is not None]
    if not known:
        return Worst(math.nan, math.nan, 0, len(pairs))
    error, kelvin = max(known)
    return Worst(error, kelvin - 273.15, len(known), len(pairs))


def pressures(r: Refrigerant, count: int, top: float = 1.0) -> list[float]:
    """Evenly spread in ln p, off the nodes, over all of the range, or up to `top` of the critical pressure."""
    high_pa = min(r.high_pa, top * r.critical_pressure_pa)
    return [r.low_pa * (high_pa / r.low_pa) ** ((i + 0.382) / count) for i in range(count)]


def against_coolprop(name: str, count: int) -> dict[str, Worst]:
    """Primed CoolProp between the nodes: "bubble" and "dew" in K, "liquid" and "vapour" relative."""
    r = find(name)
    state = PrimedState(r.composition)
    found: dict[str, Worst] = {}
    for quality, line, curve in ((0, "bubble", r.bubble_temperature), (1, "dew", r.dew_temperature)):

        def difference(
            pressure_pa: float, q: int = quality, of: Callable[[float], float] = curve
        ) -> tuple[float, float]:
            kelvin = of(pressure_pa)
            return abs(kelvin - state.temperature(pressure_pa, q)), kelvin

        found[line] = worst(_maybe(difference, p) for p in pressures(r, count))
    for quality, line, span, density in (
        (0, "liquid", r.bubble_range_k, r.liquid_density),
        (1, "vapour", r.dew_range_k, r.vapour_density),
    ):

        def relative(kelvin: float, q: int = quality, of: Callable[[float], float] = density) -> tuple[float, float]:
            return abs(of(kelvin) / state.density(kelvin, q) - 1), kelvin

        kelvins = (span[0] + (span[1] - span[0]) * (i + 0.382) / count for i in range(count))
        found[line] = worst(_maybe(relative, kelvin) for kelvin in kelvins)
    return found


def against_teqp(name: str, count: int, top: float = 1.0) -> dict[str, Worst]:
    """teqp's own flash: "bubble" and "dew", K, up to `top` of the critical pressure."""
    r, blend = find(name), TeqpBlend(name)
    asked = pressures(r, count, top)
    found = {}
    for quality, line, curve in ((0, "bubble", r.bubble_temperature), (1, "dew", r.dew_temperature)):
        theirs = zip(asked, blend.temperatures(asked, quality), strict=True)
        found[line] = worst(None if kelvin is None else (abs(curve(p) - kelvin), kelvin) for p, kelvin in theirs)
    return found


# cantera's own code: Tillner-Roth and Baehr for R-134a; Reynolds (1979) for carbon dioxide, another equation.
CANTERA: dict[str, Callable[[], Any]] = {"R-134a": cantera.Hfc134a, "R-744": cantera.CarbonDioxide}


def against_cantera(name: str, count: int) -> dict[str, Worst]:
    """cantera's own equations of state: "bubble" in K, "liquid" and "vapour" relative."""
    r, fluid = find(name), CANTERA[name]()
    low = max(r.bubble_range_k[0], fluid.min_temp + 0.5)
    kelvins = [low + (0.99 * r.critical_temperature_k - low) * (i + 0.382) / count for i in range(count)]
    rows: dict[str, list[tuple[float, float] | None]] = {"bubble": [], "liquid": [], "vapour": []}
    for kelvin in kelvins:
        fluid.TQ = kelvin, 0.0
        rows["bubble"].append((abs(r.bubble_temperature(float(fluid.P)) - kelvin), kelvin))
        rows["liquid"].append((abs(r.liquid_density(kelvin) / float(fluid.density) - 1), kelvin))
        fluid.TQ = kelvin, 1.0
        rows["vapour"].append((abs(r.vapour_density(kelvin) / float(fluid.density) - 1), kelvin))
    return {line: worst(found) for line, found in rows.items()}


def vapour_pressure_sources(name: str) -> dict[str, Callable[[float], float]]:
    """Vapour pressure correlations that chemicals has for a pure fluid: source -> Pa of K.

    VDI: VDI Heat Atlas, Wagner 2.5-5. McGarry: Wagner 3-6, McGarry 1983. Neither is CoolProp's equation of state.
    """
    r = find(name)
    if not r.pure:
        return {}
    cas = CP.get_fluid_param_string(component_key(name), "CAS")
    found: dict[str, Callable[[float], float]] = {}
    for label, table, form in (
        ("VDI", VAPOUR.Psat_data_VDI_PPDS_3, VAPOUR.Wagner),
        ("McGarry", VAPOUR.Psat_data_WagnerMcGarry, VAPOUR.Wagner_original),
    ):
        if cas in table.index:
            row = table.loc[cas]

            def pascal(kelvin: float, f: Any = form, c: Any = row) -> float:
                return float(f(kelvin, c["Tc"], c["Pc"], c["A"], c["B"], c["C"], c["D"]))

            found[label] = pascal
    return found


def against_vapour_pressure(name: str, source: str, count: int) -> Worst:
    """Saturation temperature at the correlation's pressure, K, from -60 °C (or the table's end) to 0.97 Tc."""
    r = find(name)
    pascal = vapour_pressure_sources(name)[source]
    low, high = max(COLDEST_K, r.bubble_range_k[0]), 0.97 * r.critical_temperature_k
    kelvins = (low + (high - low) * i / (count - 1) for i in range(count))
    return worst(
        _maybe(lambda kelvin: (abs(r.bubble_temperature(pascal(kelvin)) - kelvin), kelvin), k) for k in kelvins
    )


def _maybe(compute: Callable[[float], tuple[float, float]], at: float) -> tuple[float, float] | None:
    try:
        return compute(at)
    except (OutOfRange, ValueError):
        return None
