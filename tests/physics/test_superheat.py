"""Superheat from dew, subcooling from bubble, against the values of sources.md (computed with CoolProp)."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.units import PSI_PA
from logger.model.value import Value, known, unknown
from logger.physics import superheat
from logger.refrigerant import find

SEA_LEVEL = 101_325.0


def psig(number: float, barometer: float = SEA_LEVEL, u: float | None = None) -> Value:
    return known(number * PSI_PA + barometer, "Pa", u)


def fahrenheit(number: float, u: float | None = None) -> Value:
    return known((number + 459.67) * 5 / 9, "K", u)


def in_f(value: Value) -> float:
    assert value.number is not None
    return value.number * 9 / 5


def at_f(value: Value) -> float:
    assert value.number is not None
    return value.number * 9 / 5 - 459.67


def test_r407c_superheat_is_from_the_dew_point() -> None:
    # R-407C, 70 psig, line 55 F: 10.46 F; the bubble point would give 21.45, which is wrong (CoolProp).
    value = superheat.suction_superheat(find("R-407C"), psig(70), fahrenheit(55))
    assert in_f(value) == pytest.approx(10.46, abs=0.02)
    wrong = superheat.difference(fahrenheit(55), superheat.bubble_saturation(find("R-407C"), psig(70)), "line")
    assert in_f(wrong) == pytest.approx(21.45, abs=0.02)


def test_r407c_subcooling_is_from_the_bubble_point() -> None:
    # R-407C, 250 psig, line 95 F: 12.16 F; the dew point would give 20.84, which is wrong (CoolProp).
    value = superheat.subcooling(find("R-407C"), psig(250), fahrenheit(95))
    assert in_f(value) == pytest.approx(12.16, abs=0.02)
    wrong = superheat.difference(superheat.dew_saturation(find("R-407C"), psig(250)), fahrenheit(95), "line")
    assert in_f(wrong) == pytest.approx(20.84, abs=0.02)


@pytest.mark.parametrize(
    ("name", "gauge_psi", "barometer", "dew_f"),
    [
        ("R-410A", 118.0, SEA_LEVEL, 39.84),
        ("R-22", 68.5, SEA_LEVEL, 39.96),
        ("R-134a", 35.0, SEA_LEVEL, 39.95),
        ("R-410A", 118.0, 83_400.0, 38.69),  # where the barometer is 83.4 kPa
    ],
)
def test_dew_points_of_sources_md(name: str, gauge_psi: float, barometer: float, dew_f: float) -> None:
    assert at_f(superheat.dew_saturation(find(name), psig(gauge_psi, barometer))) == pytest.approx(dew_f, abs=0.02)


def test_three_and_a_half_psi_is_about_one_and_a_half_fahrenheit() -> None:
    # sources.md: the difference a forgotten altitude makes with R-410A at suction.
    low, high = (superheat.dew_saturation(find("R-410A"), psig(p)) for p in (114.5, 118.0))
    assert at_f(high) - at_f(low) == pytest.approx(1.5, abs=0.2)


def test_uncertainty_of_pressure_and_temperature_is_carried_through() -> None:
    refrigerant, u_p, u_t = find("R-410A"), 5_000.0, 0.3
    pressure = psig(118, u=u_p)
    value = superheat.suction_superheat(refrigerant, pressure, fahrenheit(50, u_t))
    assert pressure.number is not None
    below, above = (refrigerant.dew_temperature(pressure.number + step) for step in (-500, 500))
    slope = (above - below) / 1e3
    assert value.u == pytest.approx(((slope * u_p) ** 2 + u_t**2) ** 0.5, rel=1e-3)
    assert superheat.suction_superheat(refrigerant, psig(118), fahrenheit(50, u_t)).u is None


@pytest.mark.parametrize(
    ("pressure", "line", "says"),
    [
        (unknown("Pa", "open circuit"), fahrenheit(50), "suction pressure: open circuit"),
        (psig(100), unknown("K", "short circuit"), "suction line: short circuit"),
        (known(100.0, "Pa"), fahrenheit(50), "below the range of the table"),
        (known(9e6, "Pa"), fahrenheit(50), "above the range of the table"),
    ],
)
def test_unknown_because(pressure: Value, line: Value, says: str) -> None:
    value = superheat.suction_superheat(find("R-410A"), pressure, line)
    assert value.number is None
    assert says in str(value.problem)


def test_the_barometers_assumption_travels_along() -> None:
    pressure = psig(118).with_note("barometer 101.3 kPa assumed")
    assert "assumed" in str(superheat.suction_superheat(find("R-410A"), pressure, fahrenheit(50)).note)


@given(st.floats(3e5, 2.5e6), st.floats(240, 340))
@settings(max_examples=100, deadline=None)
def test_laws_between_the_quantities(pressure: float, line: float) -> None:
    refrigerant, p, t = find("R-407C"), known(pressure, "Pa"), known(line, "K")
    sh, sc = superheat.suction_superheat(refrigerant, p, t), superheat.subcooling(refrigerant, p, t)
    assert sh.number is not None
    assert sc.number is not None
    assert sh.number + sc.number == pytest.approx(-refrigerant.glide(pressure), abs=1e-9)
    warmer = superheat.suction_superheat(refrigerant, p, known(line + 1, "K"))
    assert warmer.number == pytest.approx(sh.number + 1)


def test_recovery_outlet_against_ambient() -> None:
    # Common practice, no source: R-134a with 85-90 F outside, cylinder below 125 psig, outlet about 200 psig with a
    # subcooler: 125 psig is about 13 F over ambient, 200 psig about 43 F.
    r134a, outside = find("R-134a"), fahrenheit(87.5)
    cylinder = superheat.condensing_over_ambient(r134a, psig(125), outside)
    outlet = superheat.condensing_over_ambient(r134a, psig(200), outside)
    assert 8 < in_f(cylinder) < 18
    assert 35 < in_f(outlet) < 50


def test_a_cylinder_near_90_psig_on_a_cooler_morning() -> None:
    """Common practice, no source: R-134a condensing some 11 F over a morning of 70 F, as on the hot day over 87 F."""
    over = superheat.condensing_over_ambient(find("R-134a"), psig(90), fahrenheit(70.0))
    assert in_f(over) == pytest.approx(11, abs=2)


def test_high_side_margin() -> None:
    assert superheat.high_side_margin(known(2.0e6, "Pa", 1e4), 3.0e6).number == pytest.approx(1.0e6)
    assert "no pressure limit" in str(superheat.high_side_margin(known(2.0e6, "Pa"), None).problem)
    assert "open circuit" in str(superheat.high_side_margin(unknown("Pa", "open circuit"), 3e6).problem)
