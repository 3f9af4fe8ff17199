"""Water and ice against the IAPWS check values and against the chemicals package."""

import math
from typing import Any

import chemicals.iapws
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.units import MICRON_PA
from logger.refrigerant.errors import OutOfRange
from logger.refrigerant.water import (
    CRITICAL_TEMPERATURE_K,
    MIN_TEMPERATURE_K,
    TRIPLE_PRESSURE_PA,
    TRIPLE_TEMPERATURE_K,
    ice_pressure,
    liquid_pressure,
    phase_at,
    saturation_pressure,
    saturation_temperature,
    supercooled_temperature,
)

CHEMICALS: Any = chemicals.iapws  # untyped


def test_iapws_check_values() -> None:
    assert ice_pressure(230.0) == pytest.approx(8.94735, abs=5e-6)  # IAPWS R14-08(2011), table 4
    assert liquid_pressure(373.1243) == pytest.approx(0.101325e6, rel=1e-5)  # IAPWS SR1-86(1992), table 1
    assert liquid_pressure(273.16) == pytest.approx(611.657, rel=1e-5)  # the same
    assert liquid_pressure(647.096) == pytest.approx(22.064e6, rel=1e-9)


@pytest.mark.parametrize(
    "micron, celsius",
    [(300, -29.5), (500, -24.5), (1000, -17.3), (1500, -12.9), (2025, -9.6), (4588, 0.01), (17546, 20.0)],
)
def test_micron_to_saturation_across_the_triple_point(micron: float, celsius: float) -> None:
    """IAPWS, computed once; 270 Pa is 2025 micron; the triple point is at 4588 micron."""
    kelvin = saturation_temperature(micron * MICRON_PA)
    assert kelvin - 273.15 == pytest.approx(celsius, abs=0.05)
    assert saturation_pressure(kelvin) / MICRON_PA == pytest.approx(micron, rel=1e-9)
    assert phase_at(micron * MICRON_PA) == ("ice" if micron < 4587 else "liquid")


def test_270_pa_is_2025_micron() -> None:
    assert pytest.approx(2025, abs=0.5) == 270 / MICRON_PA


@settings(max_examples=200, deadline=None)
@given(st.floats(MIN_TEMPERATURE_K, CRITICAL_TEMPERATURE_K))
def test_temperature_and_pressure_return_to_each_other(kelvin: float) -> None:
    assert saturation_temperature(saturation_pressure(kelvin)) == pytest.approx(kelvin, abs=1e-7)


@settings(max_examples=100, deadline=None)
@given(st.floats(MIN_TEMPERATURE_K, TRIPLE_TEMPERATURE_K))
def test_ice_agrees_with_chemicals(kelvin: float) -> None:
    assert ice_pressure(kelvin) == pytest.approx(float(CHEMICALS.iapws11_Psub(kelvin)), rel=1e-9)


@settings(max_examples=100, deadline=None)
@given(st.floats(TRIPLE_TEMPERATURE_K, 640.0))
def test_liquid_agrees_with_chemicals(kelvin: float) -> None:
    """The same equation by another author, and IAPWS-95, which is another equation."""
    assert liquid_pressure(kelvin) == pytest.approx(float(CHEMICALS.iapws92_Psat(kelvin)), rel=1e-9)
    assert liquid_pressure(kelvin) == pytest.approx(float(CHEMICALS.iapws95_Psat(kelvin)), rel=2e-4)


@settings(max_examples=100, deadline=None)
@given(st.floats(250.0, 290.0), st.floats(1e-4, 5.0))
def test_it_rises_through_the_triple_point(kelvin: float, step: float) -> None:
    assert saturation_pressure(kelvin + step) > saturation_pressure(kelvin)
    pressure = saturation_pressure(kelvin)
    assert saturation_temperature(pressure * 1.001) > saturation_temperature(pressure * 0.999)


def test_ice_and_liquid_meet_at_the_triple_point() -> None:
    assert ice_pressure(TRIPLE_TEMPERATURE_K) == pytest.approx(TRIPLE_PRESSURE_PA, rel=1e-6)
    assert liquid_pressure(TRIPLE_TEMPERATURE_K) == pytest.approx(TRIPLE_PRESSURE_PA, rel=1e-6)


@pytest.mark.parametrize("wrong", [0.0, -1.0, 1e9, float("nan"), float("inf")])
def test_outside_is_an_error(wrong: float) -> None:
    with pytest.raises(OutOfRange, match="water"):
        saturation_temperature(wrong)
    with pytest.raises(OutOfRange, match="water"):
        saturation_pressure(wrong)


def test_a_sealed_vessel_at_300_micron_warmed_10_k_rises_10_micron() -> None:
    """A gas without water gains 10 micron (ideal gas, 293 to 303 K); water would double: the two are told apart."""
    assert pytest.approx(10, abs=0.5) == 300 * 10 / 293
    frost = saturation_temperature(300 * MICRON_PA)
    assert saturation_pressure(frost + 10) > 2.5 * 300 * MICRON_PA


@pytest.mark.parametrize("celsius", [-1.0, -10.0, -18.0, -30.0])
def test_supercooled_water_against_the_wmo_formula(celsius: float) -> None:
    """Magnus form of Sonntag 1990, as in WMO-No. 8 (from memory): the formula's own accuracy is 0.3 % at -18 C."""
    pressure_pa = 611.2 * math.exp(17.62 * celsius / (243.12 + celsius))
    found = supercooled_temperature(pressure_pa)
    assert found is not None and found - 273.15 == pytest.approx(celsius, abs=0.12)
    assert found < saturation_temperature(pressure_pa)  # ice of the same pressure is warmer


def test_ice_and_supercooled_water_at_1089_microns() -> None:
    pressure_pa = 1089 * MICRON_PA
    supercooled = supercooled_temperature(pressure_pa)
    assert saturation_temperature(pressure_pa) - 273.15 == pytest.approx(-16.4, abs=0.1)
    assert supercooled is not None and supercooled - 273.15 == pytest.approx(-18.2, abs=0.15)
    assert supercooled_temperature(TRIPLE_PRESSURE_PA) is None
    assert supercooled_temperature(100 * MICRON_PA) is None
