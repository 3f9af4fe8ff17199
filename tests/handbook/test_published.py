"""Published and recorded values by name, each with its source beside it (tests/handbook/published.py)."""

import pytest

from logger.model.units import PSI_PA, STANDARD_ATMOSPHERE_PA
from logger.refrigerant import find, names
from logger.refrigerant.primed import CP, component_key
from tests.handbook.published import BOILING_TOLERANCE_K, CRITICAL, NORMAL_BOILING_C, SATURATION


def kelvin(fahrenheit: float) -> float:
    return (fahrenheit + 459.67) / 1.8


def psig(number: float, barometer_pa: float = STANDARD_ATMOSPHERE_PA) -> float:
    return number * PSI_PA + barometer_pa


@pytest.mark.parametrize("name", sorted(NORMAL_BOILING_C))
def test_normal_boiling_point(name: str) -> None:
    """ASHRAE 34, from memory; the tolerance is the tier's."""
    r, (bubble, dew) = find(name), NORMAL_BOILING_C[name]
    allowed = BOILING_TOLERANCE_K[r.tier]
    assert r.bubble_temperature(101325.0) - 273.15 == pytest.approx(bubble, abs=allowed)
    assert r.dew_temperature(101325.0) - 273.15 == pytest.approx(dew, abs=allowed)


def test_nearly_every_refrigerant_has_a_published_boiling_point() -> None:
    assert set(names()) - set(NORMAL_BOILING_C) == {"R-744", "R-471A", "R-115"}


@pytest.mark.parametrize("row", SATURATION, ids=[f"{r[0]} {r[1]:g} C, {r[5][:20]}" for r in SATURATION])
def test_saturation_point(row: tuple[str, float, float, float, float | None, str, float]) -> None:
    name, celsius, bubble, dew, liquid, _, tolerance = row
    r = find(name)
    assert r.bubble_pressure(celsius + 273.15) / 1e3 == pytest.approx(bubble, rel=tolerance)
    assert r.dew_pressure(celsius + 273.15) / 1e3 == pytest.approx(dew, rel=tolerance)
    if liquid is not None:
        assert r.liquid_density(celsius + 273.15) == pytest.approx(liquid, rel=1e-3)


@pytest.mark.parametrize(("name", "celsius", "megapascal"), CRITICAL)
def test_critical_point(name: str, celsius: float, megapascal: float) -> None:
    """ASHRAE Fundamentals, from memory."""
    r = find(name)
    assert r.critical_temperature_k - 273.15 == pytest.approx(celsius, abs=0.02)
    assert r.critical_pressure_pa / 1e6 == pytest.approx(megapascal, rel=1e-3)


def test_r407c_superheat_from_the_dew_point() -> None:
    """70 psig, line 55 °F: 10.46 °F; the bubble point would give 21.45 °F, which is wrong (C)."""
    r, pressure = find("R-407C"), psig(70)
    assert (kelvin(55) - r.dew_temperature(pressure)) * 1.8 == pytest.approx(10.46, abs=0.02)
    assert (kelvin(55) - r.bubble_temperature(pressure)) * 1.8 == pytest.approx(21.45, abs=0.02)


def test_r407c_subcooling_from_the_bubble_point() -> None:
    """250 psig, line 95 °F: 12.16 °F; the dew point would give 20.84 °F, which is wrong (C)."""
    r, pressure = find("R-407C"), psig(250)
    assert (r.bubble_temperature(pressure) - kelvin(95)) * 1.8 == pytest.approx(12.16, abs=0.02)
    assert (r.dew_temperature(pressure) - kelvin(95)) * 1.8 == pytest.approx(20.84, abs=0.02)


@pytest.mark.parametrize(
    ("name", "gauge", "dew_f"), [("R-410A", 118.0, 39.84), ("R-22", 68.5, 39.96), ("R-134a", 35.0, 39.95)]
)
def test_dew_point_at_gauge_pressure(name: str, gauge: float, dew_f: float) -> None:
    """(C)."""
    assert find(name).dew_temperature(psig(gauge)) == pytest.approx(kelvin(dew_f), abs=0.01)


def test_altitude_moves_the_dew_point() -> None:
    """R-410A, 118 psig where the barometer is 83.4 kPa: 38.69 °F (C). 3.5 psi is about 1.5 °F."""
    r = find("R-410A")
    assert r.dew_temperature(psig(118, 83400.0)) == pytest.approx(kelvin(38.69), abs=0.01)
    moved = r.dew_temperature(psig(118)) - r.dew_temperature(psig(118 - 3.5))
    assert moved * 1.8 == pytest.approx(1.5, abs=0.1)


@pytest.mark.parametrize(
    ("name", "celsius", "psi_per_f"), [("R-22", 60.0, 32.0), ("R-134a", 60.0, 32.0), ("R-410A", 57.0, 22.0)]
)
def test_once_liquid_full_pressure_climbs_by_tens_of_psi_a_degree(name: str, celsius: float, psi_per_f: float) -> None:
    """In a rigid shell, R-22 and R-134a about 32 psi per °F, R-410A 22 (C): why the liquid-full alarm has 10 K."""
    state = CP.AbstractState("HEOS", "&".join(component_key(part) for part in find(name).composition))
    if not find(name).pure:
        state.set_mass_fractions(list(find(name).composition.values()))
    state.specify_phase(CP.iphase_liquid)
    molar = find(name).liquid_density(celsius + 273.15) / find(name).molar_mass
    state.update(CP.DmolarT_INPUTS, molar, celsius + 273.15)
    assert state.first_partial_deriv(CP.iP, CP.iT, CP.iDmolar) / PSI_PA / 1.8 == pytest.approx(psi_per_f, abs=1.0)
