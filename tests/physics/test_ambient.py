"""What the air around presses with, the standard atmosphere, and what it is worth in a gauge reading."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.errors import ComputeError
from logger.model.points import Quantity
from logger.model.units import INHG_PA, parse_quantity
from logger.model.value import known, unknown
from logger.physics.ambient import (
    SEA_LEVEL,
    AmbientSource,
    altitude_pressure,
    ambient,
)
from logger.refrigerant import find


@pytest.mark.parametrize(
    "metres, pascal",
    [
        (-500, 107478),
        (0, 101325),
        (500, 95461),
        (1000, 89876),
        (2000, 79501),
        (3000, 70121),
        (5000, 54048),
        (11000, 22700),
    ],
)
def test_standard_atmosphere_at_geometric_altitude(metres: float, pascal: float) -> None:
    """ISO 2533:1975 / US Standard Atmosphere 1976 tables, geometric altitude (from memory, to their 5 digits)."""
    assert altitude_pressure(metres) == pytest.approx(pascal, abs=1)


def test_denver() -> None:
    """5280 ft: 83.43 kPa, 24.64 inHg (C)."""
    assert altitude_pressure(5280 * 0.3048) == pytest.approx(83430, abs=10)


@settings(max_examples=100, deadline=None)
@given(st.floats(-1000, 10999), st.floats(1, 1000))
def test_it_falls_with_altitude(metres: float, more: float) -> None:
    assert altitude_pressure(min(metres + more, 11000)) < altitude_pressure(metres)


@pytest.mark.parametrize("metres", [-1000.1, 11000.1, float("nan"), float("inf")])
def test_no_place_on_earth(metres: float) -> None:
    with pytest.raises(ComputeError, match="altitude"):
        altitude_pressure(metres)


def test_the_best_source_wins_and_is_named() -> None:
    measured = known(98000.0, "Pa", 50.0)
    best = ambient(measured, 99000.0, 500.0)
    assert (best.source, best.pressure_pa, best.u_pa) == (AmbientSource.MEASURED, 98000.0, 50.0)
    assert "measured" in best.note
    lost = ambient(unknown("Pa", "stale"), 99000.0, 500.0)
    assert lost.source is AmbientSource.ENTERED and "entered" in lost.note
    for nowhere in (0.0, 1013.25, 15000.0, 1.2e5):  # a broken barometer, or one in the wrong unit
        assert ambient(known(nowhere, "Pa", 50.0), 99000.0) == lost
    high = ambient(altitude_m=500.0)
    assert high.source is AmbientSource.ALTITUDE and "500 m (1640 ft), ISO 2533 standard atmosphere" in high.note
    assert ambient() is SEA_LEVEL and "assumed: sea level" in SEA_LEVEL.note
    uncertainties = [best.u_pa, lost.u_pa, high.u_pa, SEA_LEVEL.u_pa]
    assert uncertainties == sorted(uncertainties, key=lambda u: u or 0.0)


@pytest.mark.parametrize("entered", [1013.25, 29.92, 14.7, 150000.0, 0.0, -5.0])
def test_an_entered_barometer_in_wrong_units_is_refused(entered: float) -> None:
    with pytest.raises(ComputeError, match="absolute station pressure"):
        ambient(entered_pa=entered)


@pytest.mark.parametrize("in_hg, kilopascal", [(4, 87.71), (10, 67.39), (15, 50.46)])
def test_recovery_vacuum_in_absolute(in_hg: float, kilopascal: float) -> None:
    """4 / 10 / 15 in.Hg below 29.9 in.Hg (C)."""
    around = ambient(entered_pa=29.9 * INHG_PA)
    absolute = parse_quantity(f"{in_hg} inHg", Quantity.PRESSURE, around.pressure_pa)
    assert absolute / 1e3 == pytest.approx(kilopascal, abs=0.005)


def test_r410a_at_118_psig_where_the_barometer_is_83_4_kpa() -> None:
    """38.69 °F (C): the barometer is worth more than 1 °F."""
    high = parse_quantity("118psig", Quantity.PRESSURE, ambient(entered_pa=83400.0).pressure_pa)
    low = parse_quantity("118psig", Quantity.PRESSURE, SEA_LEVEL.pressure_pa)
    r = find("R-410A")
    assert r.dew_temperature(high) * 1.8 - 459.67 == pytest.approx(38.69, abs=0.01)
    assert r.dew_temperature(low) * 1.8 - 459.67 == pytest.approx(39.84, abs=0.01)
