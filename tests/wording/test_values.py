"""Numbers as people read them."""

import math
import re

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from logger.model.points import Quantity
from logger.model.units import MICRON_PA, of_any_size
from logger.model.value import Value, known, unknown
from logger.physics.ambient import ambient
from logger.wording.numbers import degrees, in_one, mass, vacuum_in_one
from logger.wording.values import Shown, duration, lasted, rough

QUANTITIES = [q for q in Quantity if q not in (Quantity.TIME, Quantity.LEAK_RATE)]


def test_a_number_of_which_only_the_unit_is_known() -> None:
    assert Shown("us").in_si(known(1234.5, "Pa", 2.0)) == "1234 Pa"
    assert Shown("us").in_si(unknown("Pa", "no gauge")) == "no gauge"


@given(st.floats(-1e7, 1e7), st.none() | st.floats(1e-9, 1e5), st.sampled_from(QUANTITIES))
@example(-0.0, None, Quantity.MASS)
@settings(max_examples=150, deadline=None)
def test_every_number_can_be_told(number: float, u: float | None, quantity: Quantity) -> None:
    text = Shown("us").with_spread(known(number, "", u), quantity)
    assert "e+" not in text
    assert not re.search(r"-0(\.0+)?(?![\d.])", text)


@pytest.mark.parametrize(
    ("value", "quantity", "us", "si"),
    [
        (known(62_500.0, "Pa"), Quantity.PRESSURE, "11.5 in. Hg vac", "-0.39 barg"),
        (known(62_500.0, "Pa", 900.0), Quantity.PRESSURE, "11.5 ± 0.5 in. Hg vac", "-0.388 ± 0.018 barg"),
        (known(101_200.0, "Pa"), Quantity.PRESSURE, "0.0 psig", "0.00 barg"),
        (known(2.41e6, "Pa"), Quantity.GAUGE_PRESSURE, "350 psig", "24.10 barg"),
        (known(3.0, "1"), Quantity.COUNT, "3", "3"),
        (known(2.5, "1"), Quantity.COUNT, "2.5", "2.5"),
    ],
)
def test_one_system_alone(value: Value, quantity: Quantity, us: str, si: str) -> None:
    assert (Shown("us").with_spread(value, quantity), Shown("si").with_spread(value, quantity)) == (us, si)


def test_a_vacuum_is_that_below_the_place_s_own_atmosphere() -> None:
    assert Shown("us", 83_000.0).figure(known(62_500.0, "Pa"), Quantity.PRESSURE) == "6.1 in. Hg vac"
    assert Shown("us", 83_000.0).figure(known(90_000.0, "Pa"), Quantity.PRESSURE) == "1.0 psig"


@pytest.mark.parametrize(
    ("seconds", "long", "short"),
    [(45.0, "45 s", "45 s"), (725.0, "12 min 05 s", "12 min"), (900.0, "15 min", "15 min"), (3599.6, "1 h", "60 min"),
     (5400.0, "1 h 30 min", "90 min"), (7500.0, "2 h 05 min", "2 h 05 min"), (86_400.0, "24 h", "24 h")],
)  # fmt: skip
def test_what_is_over_has_no_zeros_at_its_end(seconds: float, long: str, short: str) -> None:
    assert (lasted(seconds), rough(seconds)) == (long, short)


@given(st.floats(0, 1e6), st.floats(0.001, 0.999))
def test_a_time_below_its_limit_never_reads_as_it(limit_s: float, short_by_s: float) -> None:
    limit_s = math.floor(limit_s) + 1.0
    limit, less = known(limit_s, "s"), known(limit_s - short_by_s, "s")
    assert Shown().apart(less, limit, Quantity.TIME) != Shown().figure(limit, Quantity.TIME)


def test_an_isolated_vacuum_rises_by_the_hour_and_a_leak_has_its_powers_of_ten() -> None:
    rise, leak = known(0.00741, "Pa/s", 0.0002), known(1.48e-6, "Pa.m3/s", 3e-8)
    assert Shown("us").with_spread(rise, Quantity.VACUUM_RISE) == "200 ± 11 microns/hour"
    assert Shown("si").with_spread(rise, Quantity.VACUUM_RISE) == "26.7 ± 1.4 Pa/h"
    assert Shown("us").with_spread(leak, Quantity.LEAK_RATE) == "(1.46 ± 0.06) x 10^-5 atm cc/s"
    assert Shown("si").figure(leak, Quantity.LEAK_RATE) == "1.5 x 10^-6 Pa m³/s"


@pytest.mark.parametrize(
    ("number", "spread", "text"),
    [(4.27, 0.0, "4.3"), (0.058, 0.0, "0.058"), (0.0021, 0.0, "2.1 x 10^-3"), (9_640.0, 0.0, "9,600"),
     (12_600.0, 0.0, "1.3 x 10^4"), (4.27, 0.4, "4.3 ± 0.4"), (2.14e-5, 5e-7, "(2.14 ± 0.05) x 10^-5")],
)  # fmt: skip
def test_what_spans_powers_of_ten_has_two_figures(number: float, spread: float, text: str) -> None:
    assert of_any_size(number, spread) == text


@pytest.mark.parametrize(
    ("value", "quantity", "text"),
    [
        (known(50 * 5 / 9, "K"), Quantity.TEMPERATURE_DIFFERENCE, "50 °F"),  # set as a whole number
        (known(27.0, "K"), Quantity.TEMPERATURE_DIFFERENCE, "48.6 °F"),
        (known(50 * 5 / 9, "K", 0.05), Quantity.TEMPERATURE_DIFFERENCE, "50.0 °F"),  # measured
        (known(MICRON_PA, "Pa"), Quantity.VACUUM, "1 micron"),
        (known(44_963 * MICRON_PA / 3600, "Pa/s"), Quantity.VACUUM_RISE, "45,000 microns/hour"),
        (known(5.32 * MICRON_PA / 3600, "Pa/s"), Quantity.VACUUM_RISE, "5 microns/hour"),
    ],
)
def test_digits_where_no_uncertainty_is_stated(value: Value, quantity: Quantity, text: str) -> None:
    assert Shown("us").figure(value, quantity) == text


def test_a_bound_has_two_figures() -> None:
    assert Shown("us").bound(known(0.5132, "1"), Quantity.RATIO) == "51 %"
    assert Shown("us").bound(known(0.0512, "1"), Quantity.RATIO) == "5.1 %"


def test_whole_degrees() -> None:
    assert Shown("us").whole(known(328.15, "K"), Quantity.TEMPERATURE) == "131 °F"
    assert Shown("si").whole(known(328.15, "K"), Quantity.TEMPERATURE) == "55 °C"


def test_gauge_pressures_refer_to_the_jobs_ambient() -> None:
    assert Shown("us", 80_000.0).one(known(80_000.0, "Pa"), Quantity.PRESSURE) == "0.0 psig"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.4, "0 s"), (59.6, "1 min 00 s"), (3599.4, "59 min 59 s"), (3600, "1 h 00 min"), (45_000, "12 h 30 min")],
)
def test_duration(seconds: float, text: str) -> None:
    assert duration(seconds) == text


@pytest.mark.parametrize(("offset", "zone"), [(0, "UTC"), (-6 * 3600, "UTC-06:00"), (20_700, "UTC+05:45")])
def test_zone(offset: int, zone: str) -> None:
    assert Shown(utc_offset_s=offset).zone == zone


def test_no_confidence_is_told_as_certainty() -> None:
    assert Shown().confidence(known(1.0, "1")) == "over 99 %"
    assert Shown().confidence(known(0.9999, "1")) == "over 99 %"
    assert Shown().confidence(known(0.953, "1")) == "95.3 %"
    assert Shown().confidence(unknown("1", "no gauge")) == "no gauge"


@pytest.mark.parametrize(
    "text, us, si",
    [
        (f"full above {degrees(356.15)}", "full above 181.4 °F", "full above 83.0 °C"),
        (f"about {mass(1000.0)} more", "about 2,204.6 lb more", "about 1,000.00 kg more"),
        (ambient(altitude_m=500.0).note, "barometer 28.19 in. Hg abs from 1640 ft, ISO 2533 standard atmosphere",
         "barometer 95.5 kPa from 500 m, ISO 2533 standard atmosphere"),
        ("120 kPa abs (17.4 psia) is below", "17.4 psia is below", "120 kPa abs is below"),
        ("hold 1 (of 2), 5 m (long)", "hold 1 (of 2), 5 m (long)", "hold 1 (of 2), 5 m (long)"),
    ],
)  # fmt: skip
def test_a_sentence_in_both_systems_is_read_in_one(text: str, us: str, si: str) -> None:
    assert (in_one(text, "us"), in_one(text, "si")) == (us, si)
    assert Shown("si").one(unknown("K", text), Quantity.TEMPERATURE) == si


def test_vacuums_in_a_sentence_are_in_the_readers_unit() -> None:
    text = "300 microns, then not above 1,500 microns in 10 min; below 270 Pa for 6 h"
    assert vacuum_in_one(text, "si") == "40 Pa, then not above 200 Pa in 10 min; below 270 Pa for 6 h"
    assert (
        vacuum_in_one(text, "us") == "300 microns, then not above 1,500 microns in 10 min; below 2,025 microns for 6 h"
    )
