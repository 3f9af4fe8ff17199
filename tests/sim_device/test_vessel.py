"""A vessel keeps mass and energy, and its pressure is that of its contents."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim_device.physics.fluid import GAS_CONSTANT, fluid
from sim_device.physics.vessel import Vessel

PSI = 6894.757293168
ATM = 101325.0


@settings(max_examples=60, deadline=None)
@given(
    mass_kg=st.floats(0.001, 22.0),
    t_k=st.floats(240.0, 325.0),
    gas_mol=st.floats(0.0, 20.0),
    added_kg=st.floats(-0.3, 0.3),
    heat_j=st.floats(-2e4, 2e4),
)
def test_temperature_is_the_one_that_holds_the_energy(
    mass_kg: float, t_k: float, gas_mol: float, added_kg: float, heat_j: float
) -> None:
    vessel = Vessel(fluid("R-407C"), 0.0216, mass_kg, t_k, 5000.0, gas_mol)
    added_kg = max(added_kg, -0.5 * mass_kg)
    before = vessel.energy_j
    enthalpy = vessel.saturation.vapour_enthalpy
    vessel.add(added_kg, enthalpy)
    vessel.heat(heat_j)
    vessel.settle()
    # what is stored is what came in, and the state found holds exactly that
    assert vessel.energy_j == pytest.approx(before + added_kg * enthalpy + heat_j, rel=1e-12)
    again = Vessel(fluid("R-407C"), 0.0216, vessel.mass_kg, vessel.temp_k, 5000.0, gas_mol)
    assert again.energy_j == pytest.approx(vessel.energy_j, abs=0.1)
    assert vessel.liquid_kg + vessel.vapour_kg == pytest.approx(mass_kg + added_kg, abs=1e-12)
    assert vessel.pressure_pa > 0


@settings(max_examples=40, deadline=None)
@given(t_k=st.floats(245.0, 330.0), mass_kg=st.floats(0.01, 22.0))
def test_pressure_rises_with_mass_and_temperature(t_k: float, mass_kg: float) -> None:
    def pressure(m: float, t: float) -> float:
        return Vessel(fluid("R-410A"), 0.0216, m, t, 5000.0).pressure_pa

    assert pressure(mass_kg * 1.01, t_k) > pressure(mass_kg, t_k)
    assert pressure(mass_kg, t_k + 0.5) > pressure(mass_kg, t_k)


def test_two_phase_pressure_is_saturation() -> None:
    """R-134a at 24.9 C: 83 psig, the pressure a quiet cylinder shows on such a morning (common practice, no source)."""
    vessel = Vessel(fluid("R-134a"), 0.125, 8.0, 273.15 + 24.9, 3e4)
    assert (vessel.pressure_pa - ATM) / PSI == pytest.approx(83.0, abs=2.0)


@pytest.mark.parametrize(
    ("name", "full_c", "psi_per_f"), [("R-134a", 74.8, 24.3), ("R-22", 72.5, 25.7), ("R-410A", 57.0, 22.2)]
)
def test_liquid_full_pressure_climbs_steeply(name: str, full_c: float, psi_per_f: float) -> None:
    """Filled to 80 % at 25 C it is liquid-full at full_c; from there CoolProp's isochore, computed once."""
    f = fluid(name)
    vessel = Vessel(f, 0.0216, 0.8 * 0.0216 * f.at(298.15).liquid_density, 273.15 + full_c - 1.0, 1e4)
    assert vessel.liquid_fraction > 0.98
    vessel.set_temperature(273.15 + full_c + 1.0)
    start = vessel.pressure_pa
    assert vessel.liquid_fraction == 1.0
    vessel.set_temperature(273.15 + full_c + 5.0)
    slope = (vessel.pressure_pa - start) / PSI / (4.0 * 9 / 5)
    assert slope == pytest.approx(psi_per_f, rel=0.10)


@pytest.mark.parametrize(
    ("psig", "from_f", "to_f", "real_psig"),
    [(150.0, 80.0, 60.0, 143.74), (300.0, 80.0, 60.0, 287.75), (600.0, 75.0, 60.0, 581.04)],
)
def test_nitrogen_cools_as_real_nitrogen_does(psig: float, from_f: float, to_f: float, real_psig: float) -> None:
    """Sealed nitrogen, real-gas values computed once with CoolProp; the ideal gas law is within 2 psi."""
    hot, cold = ((f + 459.67) * 5 / 9 for f in (from_f, to_f))
    vessel = Vessel(fluid("R-134a"), 0.1, 0.0, hot, 1e4, gas_mol=1.0)
    wanted = psig * PSI + 14.7 * PSI
    low, high = 1.0, 1e4
    for _ in range(60):
        vessel.gas_mol = 0.5 * (low + high)
        vessel.set_temperature(hot)
        low, high = (vessel.gas_mol, high) if vessel.pressure_pa < wanted else (low, vessel.gas_mol)
    vessel.set_temperature(cold)
    assert vessel.pressure_pa / PSI - 14.7 == pytest.approx(real_psig, abs=0.08)
    ideal = wanted / PSI * cold / hot - 14.7
    assert vessel.pressure_pa / PSI - 14.7 == pytest.approx(ideal, abs=2.0)


def test_air_over_liquid_adds_its_own_pressure_and_more_as_the_cylinder_fills() -> None:
    f = fluid("R-407C")
    vessel = Vessel(f, 0.0216, 2.0, 298.15, 1e4, gas_mol=0.5)
    space = 0.0216 - vessel.liquid_kg / vessel.saturation.liquid_density
    assert vessel.gas_pa == pytest.approx(0.5 * GAS_CONSTANT * 298.15 / space, rel=0.01)
    fuller = Vessel(f, 0.0216, 18.0, 298.15, 1e4, gas_mol=0.5)
    assert fuller.gas_pa > 3 * vessel.gas_pa
