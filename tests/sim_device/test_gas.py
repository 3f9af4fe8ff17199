"""Pump, leak, water and oil on one volume: closed forms and balances."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim_device.physics.fluid import GAS_CONSTANT
from sim_device.physics.gas import Gases, Hose, Leak, Ledger, Outdoors, Sorbed, VacuumPump, exchange
from sim_device.physics.water import LATENT_FREEZE, LATENT_VAPORISE, WATER_MOLAR_MASS, WaterPatch, vapour_pressure_pa

RT = GAS_CONSTANT * 293.15


@settings(max_examples=60, deadline=None)
@given(
    volume=st.floats(0.005, 0.5),
    speed=st.floats(5e-4, 1e-2),
    base=st.floats(0.5, 200.0),
    leak=st.floats(0.0, 0.1),
    start=st.floats(10.0, 1e5),
    dt=st.floats(0.1, 20.0),
    steps=st.integers(1, 60),
)
def test_pump_down_follows_the_closed_form(
    volume: float, speed: float, base: float, leak: float, start: float, dt: float, steps: int
) -> None:
    """p = (p0 - pu - Q/S) exp(-S t / V) + pu + Q/S, with a leak held constant."""
    gases = Gases(air=start * volume / RT)
    pump = VacuumPump(speed, base, running=True)
    outdoors = Outdoors(1e5, 293.15, humidity_ratio=0.0)
    for _ in range(steps):
        # a constant leak: its driving difference is held by setting it anew each step
        inside = gases.air * RT / volume
        steady = Leak(leak * 1e5 / (1e5 - inside), "molecular") if inside < 9e4 else Leak(0.0)
        if inside >= 9e4 and leak > 0:
            return
        exchange(dt, gases, volume, 293.15, 293.15, outdoors=outdoors, ledger=Ledger(), pump=pump, leak=steady)
    end = base + leak / speed
    closed = (start - end) * math.exp(-speed * dt * steps / volume) + end
    assert gases.air * RT / volume == pytest.approx(closed, rel=1e-9)


def test_a_sealed_leak_rises_linearly_and_the_pump_settles_at_its_balance() -> None:
    """Q = V dp/dt: 1e-4 Pa m3/s into 20 L is 18 Pa (135 micron) in an hour."""
    gases, volume = Gases(), 0.02
    outdoors = Outdoors(1e5, 293.15, humidity_ratio=0.0)
    for _ in range(360):
        exchange(10.0, gases, volume, 293.15, 293.15, outdoors=outdoors, ledger=Ledger(), leak=Leak(1e-4))
    assert gases.air * RT / volume == pytest.approx(18.0, rel=1e-3)
    pump = VacuumPump(2e-3, 1.0, running=True)
    for _ in range(360):
        exchange(10.0, gases, volume, 293.15, 293.15, outdoors=outdoors, ledger=Ledger(), pump=pump, leak=Leak(1e-4))
    assert gases.air * RT / volume == pytest.approx(1.0 + 1e-4 / 2e-3, rel=1e-3)


def test_leak_goes_outward_over_ambient_and_follows_the_square_when_viscous() -> None:
    leak = Leak(1e-4)
    assert leak.flow_pa_m3_s(0.0, 1e5) == pytest.approx(1e-4)
    assert leak.flow_pa_m3_s(1e5, 1e5) == 0.0
    assert leak.flow_pa_m3_s(2e5, 1e5) == pytest.approx(-3e-4)
    assert Leak(1e-7, "molecular").flow_pa_m3_s(2e5, 1e5) == pytest.approx(-1e-7)


@settings(max_examples=60, deadline=None)
@given(
    gases=st.tuples(*[st.floats(0.0, 2.0)] * 4),
    water_g=st.floats(0.0, 200.0),
    pumping=st.booleans(),
    leak=st.floats(0.0, 1e-2),
    t_k=st.floats(270.0, 310.0),
    dt=st.floats(0.1, 10.0),
    steps=st.integers(1, 80),
)
def test_every_mole_is_accounted_for(
    gases: tuple[float, float, float, float],
    water_g: float,
    pumping: bool,
    leak: float,
    t_k: float,
    dt: float,
    steps: int,
) -> None:
    inside = Gases(*gases)
    pump = VacuumPump(3e-3, 5.0, running=pumping)
    water = WaterPatch(water_g / 1000, 8e-4)
    water.start_at(t_k)
    oil = Sorbed(0.5, 1e-5, 1e-4)
    walls = Sorbed(0.02, 1e-3, 1e-6)
    ledger = Ledger()

    def balance() -> tuple[float, ...]:
        out, leaked = ledger.pumped, ledger.leaked_out
        return (
            inside.air + walls.held_mol + out.air + leaked.air - ledger.leaked_in_air,
            inside.nitrogen + out.nitrogen + leaked.nitrogen,
            inside.water + water.mass_kg / WATER_MOLAR_MASS + out.water + leaked.water - ledger.leaked_in_water,
            inside.refrigerant + oil.held_mol + out.refrigerant + leaked.refrigerant,
        )

    before = balance()
    for _ in range(steps):
        exchange(
            dt, inside, 0.05, t_k, t_k, outdoors=Outdoors(temp_k=t_k), ledger=ledger, pump=pump, leak=Leak(leak),
            water=water, oil=oil, walls=walls, hose=Hose(0.01, 1.5),
        )  # fmt: skip
    assert balance() == pytest.approx(before, abs=1e-9)
    assert min(inside.air, inside.nitrogen, inside.water, inside.refrigerant, water.mass_kg, oil.held_mol) >= 0.0


@pytest.mark.parametrize("conductance", [1e-4, 1e-3, 5e-3])
@pytest.mark.parametrize("heat_w_k", [0.3, 3.0])
def test_boiling_off_takes_its_heat(conductance: float, heat_w_k: float) -> None:
    """Heat from the metal and heat stored pay for the vapour, of water or ice."""
    water = WaterPatch(0.1, conductance, heat_w_k)
    water.start_at(285.15)
    gases, pump, ledger = Gases(), VacuumPump(5e-3, 2.0, running=True), Ledger()
    stored, from_metal, carried = water.heat_j, 0.0, 0.0
    coldest, frozen = 300.0, 0.0
    for _ in range(7200):
        mass, before_k = water.mass_kg, water.temp_k
        from_metal += exchange(
            0.5, gases, 0.05, 285.15, 285.15, outdoors=Outdoors(), ledger=ledger, pump=pump, water=water
        )
        carried += (mass - water.mass_kg) * (LATENT_VAPORISE + 1880.0 * (before_k - 273.16))
        coldest, frozen = min(coldest, water.temp_k), max(frozen, water.ice_fraction)
        assert gases.water * RT / 0.05 <= vapour_pressure_pa(285.15)
    assert water.heat_j - stored == pytest.approx(from_metal - carried, rel=1e-3, abs=20.0)
    if frozen > 0:
        assert coldest <= 273.16
    if heat_w_k == 0.3 and conductance == 5e-3:
        assert frozen == pytest.approx(1.0, abs=0.35)  # a big pump on badly heated water makes ice


def test_water_plateau_is_its_vapour_pressure_and_ice_lies_below_the_triple_point() -> None:
    """IAPWS: 2339 Pa (17 546 micron) at 20 C, 611.66 Pa at the triple point, 270 Pa at -9.6 C."""
    assert vapour_pressure_pa(293.15) == pytest.approx(2339.2, rel=1e-4)
    assert vapour_pressure_pa(273.16) == pytest.approx(611.66, rel=1e-4)
    assert vapour_pressure_pa(263.55) == pytest.approx(270.0, rel=5e-3)
    water = WaterPatch(0.2, 1e-3)
    water.start_at(293.15)
    gases = Gases()
    for _ in range(3000):
        exchange(1.0, gases, 0.05, 293.15, 293.15, outdoors=Outdoors(), ledger=Ledger(), water=water)
    assert gases.water * RT / 0.05 == pytest.approx(vapour_pressure_pa(293.15), rel=1e-3)


def test_ice_holds_the_heat_of_fusion() -> None:
    water = WaterPatch(0.1)
    water.start_at(263.15)
    assert water.ice_fraction == 1.0
    assert water.temp_k == pytest.approx(263.15)
    water.heat_j += 10.01 * (0.1 * 2100.0 + water.local_metal_j_k) + 0.5 * 0.1 * LATENT_FREEZE
    assert water.temp_k == pytest.approx(273.16)
    assert water.ice_fraction == pytest.approx(0.5, abs=0.01)


def test_wet_pump_oil_raises_the_base_until_it_is_changed() -> None:
    pump = VacuumPump(3e-3, 4.0, oil_catches=0.3, running=True)
    water = WaterPatch(0.05, 2e-3)
    water.start_at(293.15)
    gases = Gases()
    for _ in range(3600):
        exchange(1.0, gases, 0.05, 293.15, 293.15, outdoors=Outdoors(), ledger=Ledger(), pump=pump, water=water)
    assert pump.base_pa > 20.0
    pump.oil_water_kg = 0.0
    assert pump.base_pa == 4.0


def test_a_hose_costs_more_the_better_the_vacuum() -> None:
    hose = Hose(0.006, 1.8)
    assert hose.conductance_m3_s(1000.0) > 5 * hose.conductance_m3_s(10.0) > 0
