"""Kinds of pressure, and the standard atmosphere."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.compute.errors import ComputeError
from logger.compute.pressure import (
    SEA_LEVEL,
    Ambient,
    AmbientSource,
    PressureKind,
    altitude_pressure,
    ambient,
    from_absolute,
    to_absolute,
)
from logger.model.units import INHG_PA, PSI_PA
from logger.model.value import known, unknown
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


def test_kinds() -> None:
    around = Ambient(100000.0, AmbientSource.MEASURED, 30.0)
    gauge = to_absolute(known(200000.0, "Pa", 40.0), PressureKind.GAUGE, around)
    assert gauge.number == 300000.0 and gauge.u == pytest.approx(50.0) and gauge.note == around.note
    vacuum = to_absolute(known(20 * INHG_PA, "Pa", 40.0), PressureKind.VACUUM, around)
    assert vacuum.number == pytest.approx(100000 - 67727.78) and vacuum.u == pytest.approx(50.0)
    absolute = known(5.0, "Pa", 1.0)
    assert to_absolute(absolute, PressureKind.ABSOLUTE, around) is absolute
    below = to_absolute(known(30 * INHG_PA, "Pa"), PressureKind.VACUUM, around)
    assert below.number is None and "below a perfect vacuum" in (below.problem or "")
    lost = unknown("Pa", "open circuit")
    assert to_absolute(lost, PressureKind.GAUGE, around) is lost
    assert to_absolute(known(1.0, "Pa"), PressureKind.GAUGE, around).u is None


@settings(max_examples=100, deadline=None)
@given(st.floats(1, 5e6), st.floats(50000, 110000), st.sampled_from(list(PressureKind)))
def test_there_and_back(absolute_pa: float, around_pa: float, kind: PressureKind) -> None:
    around = Ambient(around_pa, AmbientSource.ENTERED, 300.0)
    shown = from_absolute(known(absolute_pa, "Pa", 10.0), kind, around)
    assert to_absolute(shown, kind, around).number == pytest.approx(absolute_pa, abs=1e-6)


@pytest.mark.parametrize("in_hg, kilopascal", [(4, 87.71), (10, 67.39), (15, 50.46)])
def test_recovery_vacuum_in_absolute(in_hg: float, kilopascal: float) -> None:
    """4 / 10 / 15 in.Hg below 29.9 in.Hg (C)."""
    around = Ambient(29.9 * INHG_PA, AmbientSource.ENTERED)
    absolute = to_absolute(known(in_hg * INHG_PA, "Pa"), PressureKind.VACUUM, around)
    assert absolute.number is not None
    assert absolute.number / 1e3 == pytest.approx(kilopascal, abs=0.005)


def test_r410a_at_118_psig_where_the_barometer_is_83_4_kpa() -> None:
    """38.69 °F (C): the barometer is worth more than 1 °F."""
    reading = known(118 * PSI_PA, "Pa")
    high = to_absolute(reading, PressureKind.GAUGE, ambient(entered_pa=83400.0))
    low = to_absolute(reading, PressureKind.GAUGE, SEA_LEVEL)
    assert high.number is not None and low.number is not None
    r = find("R-410A")
    assert r.dew_temperature(high.number) * 1.8 - 459.67 == pytest.approx(38.69, abs=0.01)
    assert r.dew_temperature(low.number) * 1.8 - 459.67 == pytest.approx(39.84, abs=0.01)
