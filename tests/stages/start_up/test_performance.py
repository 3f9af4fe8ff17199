"""Capacity, COP and efficiencies against a textbook's example and against CoolProp asked directly."""

import math
import random

import pytest
from CoolProp.CoolProp import PropsSI

import logger
from logger.model.finding import Finding, Verdict
from logger.model.job import Job
from logger.model.sample import Series
from logger.model.units import POUND_KG
from logger.model.value import known
from logger.refrigerant import SHIPPED
from logger.stages.settings import SettingError
from logger.stages.start_up.performance import Machine, isentropic_enthalpy, performance_finding, properties_of
from logger.stages.start_up.rated_map import FLOW, POWER, read_map

R134A = SHIPPED.find("R-134a")
NOTHING = " 0" * 9


def test_a_textbook_cycle() -> None:
    """R-134a, saturated vapor at 0 °C compressed to saturation at 26 °C: h1 = 247.23, h2s = 264.7, h4 = 85.75 kJ/kg;
    COP 9.24. Moran and Shapiro, Fundamentals of Engineering Thermodynamics, example 10.1, from memory; its tables are
    of an older equation of state: 1 %."""
    properties = properties_of(R134A)
    low, high = R134A.dew_pressure(273.15), R134A.dew_pressure(299.15)
    h1, s1, _ = properties(low, 273.16, False)
    h3, _, _ = properties(high, 299.14, True)
    h2s = isentropic_enthalpy(properties, high, s1, 310.0)
    assert (h2s - h1) / 1e3 == pytest.approx(17.5, abs=0.15)
    assert (h1 - h3) / 1e3 == pytest.approx(161.5, rel=0.01)
    assert (h1 - h3) / (h2s - h1) == pytest.approx(9.24, rel=0.015)


@pytest.mark.parametrize("name", ["R-410A", "R-407C", "R-744"])
def test_the_isentropic_state_has_the_entropy(name: str) -> None:
    """And along it the enthalpy rises by the integral of dp / density."""
    medium = SHIPPED.find(name)
    properties = properties_of(medium)
    low, high = medium.dew_pressure(268.15), medium.dew_pressure(298.15) * (1.0 if name != "R-744" else 1.5)
    h1, entropy, density = properties(low, 280.0, False)
    work, pressure, steps, kelvin = 0.0, low, 12, 280.0
    for i in range(1, steps + 1):
        after = low * (high / low) ** (i / steps)
        h = isentropic_enthalpy(properties, after, entropy, kelvin + 5.0)
        kelvin += 1.0
        while properties(after, kelvin, False)[0] < h:
            kelvin += 0.5
        rho = properties(after, kelvin, False)[2]
        work += (after - pressure) * 2.0 / (density + rho)
        pressure, density = after, rho
    assert h - h1 == pytest.approx(work, rel=0.01)


def test_a_map_is_read_in_its_units() -> None:
    """By hand: 100 + 2 S + 0.5 D + 0.01 S D at 40 and 105 °F is 274.5 lb/h."""
    numbers = [100, 2, 0.5, 0, 0.01, 0, 0, 0, 0, 0]
    sheet = read_map(" ".join(map(str, numbers)) + " lb/h", FLOW)
    assert sheet is not None
    evaporating, condensing = ((f + 459.67) / 1.8 for f in (40.0, 105.0))
    assert sheet.at(evaporating, condensing) == pytest.approx(274.5 * POUND_KG / 3600)
    power = read_map(", ".join(map(str, numbers)) + ", W@C", POWER)
    assert power is not None
    assert power.at(275.15, 313.15) == pytest.approx(100 + 4 + 20 + 0.8)
    for wrong in ("1 2 3 lb/h", "1 2 3 4 5 6 7 8 9 10", "1 2 3 4 5 6 7 8 9 x lb/h", "1 2 3 4 5 6 7 8 9 nan lb/h"):
        assert read_map(wrong, FLOW) is None


COLD, HOT = 275.15, 316.15
LOW, HIGH = R134A.dew_pressure(COLD), R134A.dew_pressure(HOT)
KELVIN = {"suction_temperature": 281.0, "compressor_suction_temperature": 285.0, "liquid_temperature": 310.0,
          "discharge_temperature": 345.0}  # fmt: skip


def readings(**other: float) -> dict[str, Series]:
    rng, t = random.Random(1), [5.0 * i for i in range(241)]
    level = {**KELVIN, "suction_pressure": LOW, "discharge_pressure": HIGH, **other}
    made = {}
    for name, value in level.items():
        pressure = name.endswith("pressure")
        noise, u_scale = (200.0, 3e3) if pressure else (0.03, 0.2)
        made[name] = Series(name, t, [value + rng.gauss(0, noise) for _ in t], noise, u_scale)
    return made


def found(settings: dict[str, object], **other: float) -> Finding | None:
    result = logger.analyse("start-up", readings(**other), settings, job=Job("", "R-134a"))
    return next((one for one in result.findings if one.key == "start_up.performance"), None)


def figure(finding: Finding | None, name: str) -> float:
    value = finding.value(name) if finding is not None else None
    assert value is not None and value.number is not None and value.u is not None and value.u > 0
    return value.number


def enthalpy(pressure: float, kelvin: float) -> float:
    return float(PropsSI("H", "P", pressure, "T", kelvin, "R134a"))


def test_power_alone_gives_flow_by_the_energy_balance() -> None:
    one = found({"power": 2500.0})
    flow = 2500.0 * 0.95 / (enthalpy(HIGH, 345.0) - enthalpy(LOW, 285.0))
    assert figure(one, "flow") == pytest.approx(flow, rel=0.01)
    capacity = flow * (enthalpy(LOW, 281.0) - enthalpy(HIGH, 310.0))
    assert figure(one, "capacity") == pytest.approx(capacity, rel=0.01)
    assert figure(one, "cop") == pytest.approx(capacity / 2500.0, rel=0.01)


def test_current_voltage_and_power_factor_are_a_power() -> None:
    one = found({"current": 5.0, "voltage": 460.0, "power_factor": 0.85})
    assert figure(one, "power") == pytest.approx(math.sqrt(3) * 5 * 460 * 0.85)
    single = found({"current": 10.0, "voltage": 230.0, "power_factor": 0.9, "phases": "1"})
    assert figure(single, "power") == pytest.approx(10 * 230 * 0.9)
    assert found({"current": 5.0}) is None


def test_a_map_and_a_swept_volume_give_the_efficiencies() -> None:
    density = float(PropsSI("D", "P", LOW, "T", 285.0, "R134a"))
    rated_density = float(PropsSI("D", "P", LOW, "T", COLD + 100 / 9, "R134a"))
    entropy = PropsSI("S", "P", LOW, "T", 285.0, "R134a")
    flow = 0.05 * (1 + 0.75 * (density / rated_density - 1))
    one = found({"power": 2500.0, "rated_flow": f"0.05{NOTHING} kg/s", "displacement": 0.004,
                 "rated_power": f"2400{NOTHING} W@F"})  # fmt: skip
    assert figure(one, "flow") == pytest.approx(flow, rel=0.002)
    isentropic = float(PropsSI("H", "P", HIGH, "S", entropy, "R134a")) - enthalpy(LOW, 285.0)
    assert figure(one, "isentropic_efficiency") == pytest.approx(flow * isentropic / 2500.0, rel=0.01)
    assert figure(one, "volumetric_efficiency") == pytest.approx(flow / (density * 0.004), rel=0.002)
    assert figure(one, "power_of_rated") == pytest.approx(2500 / 2400)
    of_map = found({"rated_flow": f"0.05{NOTHING} kg/s", "rated_power": f"2400{NOTHING} W@F"})
    assert figure(of_map, "cop") == pytest.approx(figure(of_map, "capacity") / 2400)


@pytest.mark.parametrize(
    ("other", "judged"),
    [
        ({"compressor_suction_temperature": COLD + 0.2}, "wet"),
        ({"discharge_temperature": 318.0}, "not_possible"),
    ],
)
def test_what_cannot_be_is_not_computed(other: dict[str, float], judged: str) -> None:
    one = found({"power": 2500.0}, **other)
    assert one is not None and one.verdict is Verdict.CANNOT_TELL and one.codes("judged") == (judged,)


def test_nothing_is_said_unasked_or_while_it_is_not_steady() -> None:
    assert found({}) is None
    means = {"suction_pressure": known(LOW, "Pa", 1e3)}
    (one,) = performance_finding(means, known(2500.0, "W", 50.0), Machine(), R134A, None)
    assert one.codes("judged") == ("missing",) and "discharge_temperature" in one.codes("needs")
    (one,) = performance_finding(means, known(2500.0, "W", 50.0), Machine(), R134A, "still rising")
    assert one.codes("judged") == ("unsteady",)


def test_a_map_that_is_none_is_refused_when_it_is_entered() -> None:
    with pytest.raises(SettingError):
        found({"rated_flow": "1 2 3 lb/h"})
