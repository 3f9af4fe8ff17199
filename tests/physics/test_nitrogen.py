"""Real nitrogen against CoolProp (reference equation of Span et al. 2000, another formulation than ours)."""

import CoolProp.CoolProp as CP
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.units import PSI_PA, STANDARD_ATMOSPHERE_PA
from logger.physics.nitrogen import NitrogenRangeError, density, pressure, sealed_pressure
from logger.stages.pressure_test.analysis import ideal_pressure


def fahrenheit(f: float) -> float:
    return (f + 459.67) * 5 / 9


# mark C: computed once with CoolProp; ideal column: UFGS 15217N 3.2.6.4 formula
CASES = [(150, 80, 60, 143.90, 143.74), (300, 80, 60, 288.34, 287.75), (600, 75, 60, 582.75, 581.04)]


@pytest.mark.parametrize(("psig", "from_f", "to_f", "ideal", "real"), CASES)
def test_sealed_charge_of_sources(psig: float, from_f: float, to_f: float, ideal: float, real: float) -> None:
    start = psig * PSI_PA + STANDARD_ATMOSPHERE_PA
    t1, t2 = fahrenheit(from_f), fahrenheit(to_f)
    assert (ideal_pressure(start, t1, t2) - STANDARD_ATMOSPHERE_PA) / PSI_PA == pytest.approx(ideal, abs=0.01)
    assert (sealed_pressure(start, t1, t2) - STANDARD_ATMOSPHERE_PA) / PSI_PA == pytest.approx(real, abs=0.05)


@pytest.mark.parametrize("psig", [150, 300, 600])
def test_ideal_formula_as_printed(psig: float) -> None:
    """UFGS 15217N 3.2.6.4 (S): PF + 14.7 = (P1 + 14.7)(T2 + 460)/(T1 + 460), with its rounded constants."""
    printed = (psig + 14.7) * (60 + 460) / (80 + 460) - 14.7
    ours = (
        ideal_pressure(psig * PSI_PA + STANDARD_ATMOSPHERE_PA, fahrenheit(80), fahrenheit(60)) - STANDARD_ATMOSPHERE_PA
    )
    assert ours / PSI_PA == pytest.approx(printed, abs=0.03)


def test_500_psig_moves_about_1_psi_a_degree() -> None:
    """ASHRAE Journal, January 2021 (S)."""
    start = 500 * PSI_PA + STANDARD_ATMOSPHERE_PA
    for law in (sealed_pressure, ideal_pressure):
        moved = (law(start, fahrenheit(70), fahrenheit(71)) - start) / PSI_PA
        assert moved == pytest.approx(1.0, abs=0.1)


@settings(max_examples=60, deadline=None)
@given(st.floats(250, 335), st.floats(-15, 15), st.floats(2e5, 6.5e6))
def test_change_against_coolprop(t_k: float, step_k: float, p_pa: float) -> None:
    d = CP.PropsSI("Dmolar", "P", p_pa, "T", t_k, "Nitrogen")
    assert density(p_pa, t_k) == pytest.approx(d, rel=2.5e-3)
    truth = CP.PropsSI("P", "T", t_k + step_k, "Dmolar", d, "Nitrogen")
    close = 1.2e-4 if p_pa < 3e6 else 3e-4
    assert sealed_pressure(p_pa, t_k, t_k + step_k) == pytest.approx(truth, rel=close)


@settings(max_examples=60, deadline=None)
@given(st.floats(231, 359), st.floats(1e3, 6.9e6))
def test_density_and_pressure_are_inverse(t_k: float, p_pa: float) -> None:
    assert pressure(density(p_pa, t_k), t_k) == pytest.approx(p_pa, rel=1e-9)


@pytest.mark.parametrize(("p", "t"), [(8e6, 300.0), (1e6, 200.0), (1e6, 400.0), (float("nan"), 300.0)])
def test_outside_the_range_is_refused(p: float, t: float) -> None:
    with pytest.raises(NitrogenRangeError, match="outside"):
        density(p, t)
