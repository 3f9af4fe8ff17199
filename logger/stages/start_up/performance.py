"""What the machine does with its power: refrigerant flow, capacity, COP and the compressor's efficiencies.

Enthalpies come from CoolProp, in the analysis of a stage that ended alone. The flow is that of the rated map at the
measured pressures, corrected to the measured suction gas; without a map it is what the power, less the heat that the
compressor's shell loses, does to the gas. Each uncertainty is that of what went in, one after the other moved by its
own (GUM 5.1.3, numerically), with the map's and the shell's.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.value import Argument, Value, known, name_of, number, word
from logger.refrigerant import OutOfRange, Refrigerant
from logger.stages.start_up.rated_map import RatedMap

KEY = "start_up.performance"
MAP_U = 0.025  # of the flow and the power of a map: within 5 % (AHRI 540, from memory), as k=2
POWER_U, CURRENT_U = (
    0.02,
    0.05,
)  # of a power as read, and of one from current, voltage and power factor; our own figures
SHELL_LOSS, SHELL_LOSS_U = 0.05, 0.03  # of the power, to the air around: our own figures
GAS_CORRECTION = 0.75  # of the change of density: Dabiri and Rice, ASHRAE Trans. 87 (1981), from memory
RATED_SUPERHEAT_K = 20 * 5 / 9  # common practice of rating sheets, where none is entered
_STEP = 1e-6


@dataclass(frozen=True, slots=True)
class States:
    """Means of the judged window: absolute Pa and K. suction_k: at the compressor. evaporator_k: where the evaporator
    is left. power_w: None when not entered. Each with its u by the same name in `u`."""

    suction_pa: float
    discharge_pa: float
    suction_k: float
    evaporator_k: float
    discharge_k: float
    liquid_k: float
    power_w: float


@dataclass(frozen=True, slots=True)
class Machine:
    """As rated and entered. displacement: m3/s swept."""

    flow: RatedMap | None = None
    power: RatedMap | None = None
    displacement: float | None = None
    rated_superheat_k: float = RATED_SUPERHEAT_K

    @property
    def known(self) -> bool:
        return self.flow is not None or self.power is not None or self.displacement is not None


TAKES = (
    "suction_pressure", "discharge_pressure", "liquid_pressure", "suction_temperature",
    "compressor_suction_temperature", "discharge_temperature", "liquid_temperature",
)  # fmt: skip
Properties = Callable[[float, float, bool], tuple[float, float, float]]
"""(Pa, K, liquid) -> J/kg, J/(kg K), kg/m3."""


def properties_of(refrigerant: Refrigerant) -> Properties:
    """Imports CoolProp, which takes seconds: for the end of a stage only."""
    from logger.refrigerant.primed import PrimedState

    return PrimedState(refrigerant.composition).single_phase


def isentropic_enthalpy(properties: Properties, pressure_pa: float, entropy: float, near_k: float) -> float:
    """J/kg of the gas of that entropy at that pressure, by secants from a temperature near it. Raises ValueError."""
    kelvin, before = near_k, near_k + 5.0
    (_, s, _), (_, s_before, _) = properties(pressure_pa, kelvin, False), properties(pressure_pa, before, False)
    for _ in range(40):
        if abs(s - entropy) < _STEP or s == s_before:
            break
        step = (entropy - s) * (kelvin - before) / (s - s_before)
        before, s_before = kelvin, s
        kelvin += max(-20.0, min(20.0, step))
        _, s, _ = properties(pressure_pa, kelvin, False)
    return properties(pressure_pa, kelvin, False)[0]


def computed(at: States, machine: Machine, refrigerant: Refrigerant, properties: Properties, share: Mapping[str, float]
             ) -> dict[str, float]:  # fmt: skip
    """Figures by name, SI. share: what the map and the shell's loss are moved by, for their uncertainty.

    Raises ValueError where CoolProp finds no state, OutOfRange where the table ends.
    """
    evaporating, condensing = refrigerant.dew_temperature(at.suction_pa), _condensing(refrigerant, at.discharge_pa)
    h1, s1, rho1 = properties(at.suction_pa, at.suction_k, False)
    h2, _, _ = properties(at.discharge_pa, at.discharge_k, False)
    h2s = isentropic_enthalpy(properties, at.discharge_pa, s1, max(at.discharge_k, at.suction_k + 5.0))
    h3, _, _ = properties(at.discharge_pa, at.liquid_k, True)
    h_out, _, _ = properties(at.suction_pa, at.evaporator_k, False)
    found = {"adiabatic_efficiency": (h2s - h1) / (h2 - h1)}
    power, flow = at.power_w or None, None
    if machine.power is not None and condensing is not None:
        found["rated_power"] = machine.power.at(evaporating, condensing) * (1 + share.get("map_power", 0.0))
        if power is None:
            power = found["rated_power"]
        else:
            found["power_of_rated"] = power / found["rated_power"]
    if machine.flow is not None and condensing is not None:
        rated_rho = properties(at.suction_pa, evaporating + machine.rated_superheat_k, False)[2]
        corrected = 1 + GAS_CORRECTION * (rho1 / rated_rho - 1)
        flow = machine.flow.at(evaporating, condensing) * corrected * (1 + share.get("map_flow", 0.0))
    elif power is not None:
        flow = power * (1 - SHELL_LOSS - share.get("shell", 0.0)) / (h2 - h1)
    if flow is None:
        return found
    found["flow"], found["capacity"] = flow, flow * (h_out - h3)
    if power is not None:
        found["cop"] = found["capacity"] / power
        found["isentropic_efficiency"] = flow * (h2s - h1) / power
    if machine.displacement is not None:
        found["volumetric_efficiency"] = flow / (rho1 * machine.displacement)
    return found


def _condensing(refrigerant: Refrigerant, pressure_pa: float) -> float | None:
    """None above the critical pressure: a map of ten coefficients has no such point."""
    return None if pressure_pa >= refrigerant.critical_pressure_pa else refrigerant.dew_temperature(pressure_pa)


QUANTITIES = {
    "flow": (Quantity.MASS_RATE, "kg/s"),
    "capacity": (Quantity.CAPACITY, "W"),
    "power": (Quantity.POWER, "W"),
    "cop": (Quantity.COUNT, "1"),
    "isentropic_efficiency": (Quantity.RATIO, "1"),
    "adiabatic_efficiency": (Quantity.RATIO, "1"),
    "volumetric_efficiency": (Quantity.RATIO, "1"),
    "rated_power": (Quantity.POWER, "W"),
    "power_of_rated": (Quantity.RATIO, "1"),
}


def performance(
    at: States, u: States, machine: Machine, refrigerant: Refrigerant, properties: Properties
) -> dict[str, Value]:
    """`computed` with the standard uncertainty of each. u: of each field of `at`. Raises ValueError, OutOfRange."""
    base = computed(at, machine, refrigerant, properties, {})
    squares = dict.fromkeys(base, 0.0)
    fields = States.__dataclass_fields__
    moved = [
        computed(replace(at, **{name: getattr(at, name) + getattr(u, name)}), machine, refrigerant, properties, {})
        for name in fields
        if getattr(u, name) > 0.0
    ]
    shares = {"map_flow": MAP_U, "map_power": MAP_U, "shell": SHELL_LOSS_U}
    moved += [computed(at, machine, refrigerant, properties, {name: by}) for name, by in shares.items()]
    for other in moved:
        for name in base:
            squares[name] += (other[name] - base[name]) ** 2
    return {name: known(value, QUANTITIES[name][1], math.sqrt(squares[name])) for name, value in base.items()}


def performance_finding(
    readings: Mapping[str, Value], power: Value | None, machine: Machine, refrigerant: Refrigerant,
    unsteady: str | None, properties: Callable[[Refrigerant], Properties] = properties_of,
) -> list[Finding]:  # fmt: skip
    """readings: means of the judged window by measuring point. Nothing where neither power nor a map was entered."""
    if power is None and not machine.known:
        return []

    def cannot(why: str, *more: Argument) -> list[Finding]:
        return [Finding(KEY, Verdict.CANNOT_TELL, (word("judged", why), *more))]

    if unsteady is not None:
        return cannot("unsteady", name_of("reason", unsteady))
    compressor = "compressor_suction_temperature"
    suction = compressor if _has(readings, compressor) else "suction_temperature"
    evaporator = "suction_temperature" if _has(readings, "suction_temperature") else suction
    high = "discharge_pressure" if _has(readings, "discharge_pressure") else "liquid_pressure"
    wanted = ("suction_pressure", high, suction, evaporator, "discharge_temperature", "liquid_temperature")
    missing = [name for name in wanted if not _has(readings, name)]
    if missing:
        return cannot("missing", *(word("needs", name) for name in dict.fromkeys(missing)))
    means = [readings[name] for name in wanted] + [power or known(0.0, "W", 0.0)]
    at, u = States(*(v.number or 0.0 for v in means)), States(*(v.u or 0.0 for v in means))
    try:
        if at.suction_k - 2 * u.suction_k <= refrigerant.dew_temperature(at.suction_pa):
            return cannot("wet")
        found = performance(at, u, machine, refrigerant, properties(refrigerant))
    except (ValueError, OutOfRange):
        return cannot("no_state")
    if not 0.0 < (found["adiabatic_efficiency"].number or 0.0) < 1.5:
        return cannot("not_possible", number("adiabatic_efficiency", Quantity.RATIO, found["adiabatic_efficiency"]))
    inputs = [number(name, QUANTITIES[name][0], value) for name, value in found.items()]
    if power is not None:
        inputs.append(number("power", Quantity.POWER, power))
    return [Finding(KEY, Verdict.INFO, (word("judged", "by_map" if machine.flow else "by_power"), *inputs))]


def _has(readings: Mapping[str, Value], name: str) -> bool:
    return name in readings and readings[name].number is not None
