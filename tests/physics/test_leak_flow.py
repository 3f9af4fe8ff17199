"""Leak flow against 40 CFR 1065.644, Q = V dp/dt, and the honesty figures of a small rise."""

import math

import CoolProp.CoolProp as CP
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.units import MICRON_PA
from logger.model.value import known, unknown
from logger.physics.leak_flow import (
    VISCOSITY_PA_S,
    ServiceGas,
    mass_flow,
    refrigerant_loss,
    service_gas,
)
from logger.stages.decay_test.analysis import air_flow
from logger.stages.decay_test.cause import RiseCause

R134A = ServiceGas("R-134a", 0.102032, 5.717e5, 11.5e-6)
DAY_S = 86400.0
GRAMS_PER_YEAR = 1e3 * 365.25 * DAY_S  # of kg/s


def test_pressure_rise_of_40_cfr_1065_644() -> None:
    """(S): V 0.002 m3, 25.3 -> 50.6 kPa, 293.15 K, 70 s -> 2.966e-4 mol/s."""
    flow = air_flow(known(25.3e3 / 70.0, "Pa/s"), RiseCause.LEAK, 0.002, None)
    one_kg_a_mol = 1.0  # so that kg/s are mol/s
    assert mass_flow(flow.number or 0.0, one_kg_a_mol, 293.15) == pytest.approx(2.966e-4, rel=1e-3)


def test_q_is_v_dp_dt() -> None:
    """(S, prints 1.5e-4): 1e5 Pa in 4 L over 30 d."""
    flow = air_flow(known(1e5 / (30 * DAY_S), "Pa/s"), RiseCause.LEAK, 0.004, None)
    assert flow.number == pytest.approx(1.543e-4, rel=1e-3)


@pytest.mark.parametrize(
    ("name", "molar_mass", "flow"),
    [("R-134a", 0.102032, 7.57e-7), ("R-410A", 0.0725854, 1.06e-6), ("R-32", 0.052024, 1.48e-6)],
)
def test_one_gram_a_year(name: str, molar_mass: float, flow: float) -> None:
    """(C): 1 g/yr at 20 C in Pa m3/s."""
    assert mass_flow(flow, molar_mass) * GRAMS_PER_YEAR == pytest.approx(1.0, rel=5e-3), name


def test_honesty_of_a_small_rise() -> None:
    """(C): 20 L, 300 -> 500 micron in 1 h: 1.48e-4 Pa m3/s; as R-134a 484 g/yr molecular, 9.5 kg/yr viscous."""
    flow = air_flow(known(200 * MICRON_PA / 3600.0, "Pa/s"), RiseCause.LEAK, 0.020, None)
    assert flow.number == pytest.approx(1.48e-4, rel=5e-3)
    loss = refrigerant_loss(flow, R134A)
    grams = [(v.number or 0.0) * GRAMS_PER_YEAR for v in (loss.low, loss.high)]
    assert grams == [pytest.approx(484, abs=2), pytest.approx(9500, rel=0.01)]
    assert "5.7 bar" in loss.assumption


@pytest.mark.parametrize("name", sorted(VISCOSITY_PA_S))
def test_viscosities_against_coolprop(name: str) -> None:
    """CoolProp, saturated vapour at 20 C."""
    fluid = name.replace("-", "")
    assert service_gas(name, 0.1, 5e5).viscosity_pa_s == pytest.approx(
        CP.PropsSI("V", "T", 293.15, "Q", 1, fluid), rel=0.01
    )


def test_below_atmosphere_nothing_is_driven_out() -> None:
    """R-123 at 20 C stands at 0.76 bar."""
    loss = refrigerant_loss(known(1e-4, "Pa.m3/s"), ServiceGas("R-123", 0.1529, 0.756e5))
    assert loss.low.number is None
    assert "not above ambient" in (loss.low.problem or "")
    assert loss.low == loss.high


def test_unknown_flow_stays_unknown() -> None:
    loss = refrigerant_loss(unknown("Pa.m3/s", "no volume"), R134A)
    assert {v.problem for v in (loss.low, loss.high)} == {"no volume"}


@settings(max_examples=50, deadline=None)
@given(st.floats(1e-7, 1e-2), st.floats(1.2e5, 3e6), st.floats(0.02, 0.2))
def test_the_range_goes_from_the_one_flow_to_the_other(flow: float, pressure_pa: float, molar_mass: float) -> None:
    loss = refrigerant_loss(known(flow, "Pa.m3/s", 0.1 * flow), ServiceGas("X", molar_mass, pressure_pa))
    assert loss.low.number is not None
    assert loss.high.number is not None
    equal, over = mass_flow(flow, molar_mass), pressure_pa / 101325.0
    molecular = equal * math.sqrt(0.0289655 / molar_mass) * (over - 1.0)
    viscous = equal * (over**2 - 1.0) * 18.2 / 12.0
    assert [loss.low.number, loss.high.number] == [pytest.approx(one) for one in sorted((molecular, viscous))]
    assert loss.high.u == pytest.approx(0.1 * loss.high.number)


@pytest.mark.parametrize("volume", [0.0, -1.0, float("nan")])
def test_a_senseless_volume_gives_no_flow(volume: float) -> None:
    flow = air_flow(known(1.0, "Pa/s"), RiseCause.LEAK, volume, None)
    assert flow.number is None and "makes no sense" in (flow.problem or "")
