"""Numbers as people read them."""

import math
import re

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from logger.export.input_text import about_vacuum, confidence_text, input_text
from logger.model.points import Quantity
from logger.model.units import MICRON_PA
from logger.model.value import Value, known, unknown
from logger.wording.values import Shown, duration, lasted, rough


@pytest.mark.parametrize(
    ("value", "us", "si"),
    [
        (known(45.359237, "kg", 0.05), "100.00 lb (45.36 kg) ± 0.22 lb (k = 2)",
         "45.36 kg (100.00 lb) ± 0.10 kg (k = 2)"),
        (known(500 * MICRON_PA, "Pa", 10 * MICRON_PA), "500 microns (66.7 Pa) ± 20 microns (k = 2)",
         "66.7 Pa (500 microns) ± 2.7 Pa (k = 2)"),
        (known(300.0, "K", 0.25), "80.33 °F (26.85 °C) ± 0.90 °F (k = 2)", "26.85 °C (80.33 °F) ± 0.50 K (k = 2)"),
        (known(5.0, "K"), "9.00 °F (5.00 K)", "5.00 K (9.00 °F)"),
        (known(0.25, "1", 0.01), "25 % ± 2 % (k = 2)", "25 % ± 2 % (k = 2)"),
        (known(-2.0, "h-1"), "-2 /h", "-2 /h"),
        (known(1e-9, "Pa.m3/s", 2e-10), "1e-09 Pa.m3/s ± 4e-10 Pa.m3/s (k = 2)",
         "1e-09 Pa.m3/s ± 4e-10 Pa.m3/s (k = 2)"),
        (known(0.0002 * MICRON_PA, "Pa/s"), "0.0120 microns/min (0.00160 Pa/min)",
         "0.00160 Pa/min (0.0120 microns/min)"),
        (known(5400.0, "s"), "1 h 30 min", "1 h 30 min"),
        (unknown("Pa", "no gauge"), "unknown: no gauge", "unknown: no gauge"),
        (known(1.0, "kg", None, "as entered"), "2.20 lb (1.00 kg); as entered", "1.00 kg (2.20 lb); as entered"),
    ],
)  # fmt: skip
def test_inputs_of_findings(value: Value, us: str, si: str) -> None:
    assert input_text(value, "us", vacuum=True) == us
    assert input_text(value, "si", vacuum=True) == si


def test_a_small_drop_of_a_high_pressure_is_told_in_psi() -> None:
    start, drop = known(1.8e6, "Pa"), known(14_010.0, "Pa", 50.0)
    assert not about_vacuum([start, drop]) and about_vacuum([known(40.0, "Pa"), unknown("Pa", "none")])
    assert input_text(drop, "us", vacuum=False) == "2.032 psi (14.01 kPa) ± 0.015 psi (k = 2)"
    assert input_text(known(100.0, "Pa"), "us", vacuum=False) == "0.0145 psi (0.100 kPa)"
    assert input_text(known(-3.0, "Pa/s"), "si", vacuum=False) == "-10.80 kPa/h (-1.57 psi/h)"


@given(st.floats(-1e7, 1e7), st.none() | st.floats(1e-9, 1e5), st.sampled_from(["Pa", "K", "kg", "Pa/s", "m3", "1"]))
@example(-0.0, None, "1")
@settings(max_examples=150, deadline=None)
def test_every_number_can_be_told(number: float, u: float | None, unit: str) -> None:
    text = input_text(known(number, unit, u), "us", vacuum=False)
    assert "e+" not in text or unit == "1"
    assert not re.search(r"-0(\.0+)?(?![\d.])", text)


@pytest.mark.parametrize(
    ("value", "quantity", "us", "si"),
    [
        (known(62_500.0, "Pa"), Quantity.PRESSURE, "11.5 in. Hg vac", "-0.39 barg"),
        (known(62_500.0, "Pa", 900.0), Quantity.PRESSURE, "11.5 ± 0.5 in. Hg vac", "-0.388 ± 0.018 barg"),
        (known(101_200.0, "Pa"), Quantity.PRESSURE, "0.0 psig", "0.00 barg"),
        (known(2.41e6, "Pa"), Quantity.GAUGE_PRESSURE, "349.5 psig", "24.10 barg"),
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
    assert Shown("us").with_spread(leak, Quantity.LEAK_RATE) == "1.46e-05 ± 5.9e-07 atm cc/s"
    assert Shown("si").figure(leak, Quantity.LEAK_RATE) == "1.48e-06 Pa.m3/s"


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
    assert confidence_text(known(1.0, "1")) == "over 99 %"
    assert confidence_text(known(0.9999, "1")) == "over 99 %"
    assert confidence_text(known(0.953, "1")) == "95.3 %"
    assert confidence_text(unknown("1", "no gauge")) == "unknown: no gauge"
