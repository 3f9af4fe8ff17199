"""Sensor curves against the tables and formulas they are defined by."""

import math

import pytest
import thermocouple_its90
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import Thermocouple
from firmware_protocol.thermocouple import REFERENCE_FUNCTIONS
from logger.decode import sensor_curves
from logger.decode.sensor_curves import SensorError
from tests.handbook.accuracy import PAGE
from tests.handbook.sensors import IEC_60751, NIST_TABLES, THERMISTOR_TABLE, section, steinhart_hart_through


@pytest.mark.parametrize(("celsius", "ohm"), IEC_60751)
def test_rtd_agrees_with_the_table_of_iec_60751(celsius: float, ohm: float) -> None:
    # The table is rounded to 0.01 ohm, 0.035 K at the hot end.
    assert sensor_curves.rtd(100.0).value_at(ohm) - 273.15 == pytest.approx(celsius, abs=0.02)


@given(st.floats(-199.9, 849.9), st.sampled_from([100.0, 500.0, 1000.0]))
@settings(max_examples=300, deadline=None)
def test_rtd_inverts_the_callendar_van_dusen_equation(t: float, r0: float) -> None:
    below = sensor_curves.RTD_C * (t - 100) * t**3 if t < 0 else 0.0
    ohm = r0 * (1 + sensor_curves.RTD_A * t + sensor_curves.RTD_B * t * t + below)
    assert sensor_curves.rtd(r0).value_at(ohm) - 273.15 == pytest.approx(t, abs=1e-6)


def test_ntc_beta_at_its_own_points() -> None:
    # B(25/85) is defined by R at 25 C and 85 C.
    r0, r85, t25, t85 = 10_000.0, 1_070.0, 298.15, 358.15
    beta = math.log(r0 / r85) / (1 / t25 - 1 / t85)
    curve = sensor_curves.ntc_beta(r0, t25, beta)
    assert curve.value_at(r0) == pytest.approx(t25)
    assert curve.value_at(r85) == pytest.approx(t85)


@given(st.floats(-40, 150), st.floats(1e3, 1e5), st.floats(3000, 4500))
@settings(max_examples=200, deadline=None)
def test_steinhart_hart_with_c_zero_is_the_beta_equation(t_c: float, r0: float, beta: float) -> None:
    t0, t = 298.15, t_c + 273.15
    ohm = r0 * math.exp(beta * (1 / t - 1 / t0))
    sh = sensor_curves.steinhart_hart(1 / t0 - math.log(r0) / beta, 1 / beta, 0.0)
    nb = sensor_curves.ntc_beta(r0, t0, beta)
    assert sh.value_at(ohm) == pytest.approx(t, abs=1e-6)
    assert nb.value_at(ohm) == pytest.approx(t, abs=1e-6)
    assert sh.fault_high == pytest.approx(nb.fault_high, rel=1e-6)


def test_steinhart_hart_reproduces_three_points_of_a_thermistor() -> None:
    # Coefficients solved from three points as the 1968 paper does; they must then give those points back.
    points = [(32650.0, 273.15), (10000.0, 298.15), (3603.0, 323.15)]
    ln = [math.log(r) for r, _ in points]
    y = [1 / t for _, t in points]
    g2, g3 = (y[1] - y[0]) / (ln[1] - ln[0]), (y[2] - y[0]) / (ln[2] - ln[0])
    c = (g3 - g2) / (ln[2] - ln[1]) / sum(ln)
    b = g2 - c * (ln[0] ** 2 + ln[0] * ln[1] + ln[1] ** 2)
    a = y[0] - ln[0] * (b + c * ln[0] ** 2)
    curve = sensor_curves.steinhart_hart(a, b, c)
    for ohm, kelvin in points:
        assert curve.value_at(ohm) == pytest.approx(kelvin, abs=1e-6)


def test_current_loop_ends_and_namur_limits() -> None:
    # NAMUR NE 43 (from memory): 3.8-20.5 mA is measurement, below 3.6 and above 21 mA is a failure.
    loop = sensor_curves.current_loop(4e-3, 20e-3, 0.0, 1e6)
    assert loop.value_at(4e-3) == pytest.approx(0.0, abs=1e-6)
    assert loop.value_at(12e-3) == pytest.approx(5e5)
    assert loop.value_at(20e-3) == pytest.approx(1e6)
    assert (loop.fault_low, loop.valid_low, loop.valid_high, loop.fault_high) == (3.6e-3, 3.8e-3, 20.5e-3, 21e-3)


def test_logarithmic_gauge_gains_a_decade_a_volt() -> None:
    gauge = sensor_curves.logarithmic(1.0, 7.0, 0.1, 1e5, "V")
    assert gauge.value_at(4.0) == pytest.approx(100.0)
    assert gauge.value_at(4.25) == pytest.approx(100.0 * 10**0.25)
    assert (gauge.fault_low, gauge.fault_high) == (-5.0, 13.0)
    for x in (gauge.fault_low, gauge.fault_high):
        assert math.isfinite(gauge.value_at(x))
    falling = sensor_curves.logarithmic(10.0, 0.0, 1.0, 1000.0, "V")
    assert falling.value_at(5.0) == pytest.approx(1000.0**0.5)


def test_ratiometric_transducer_half_to_four_and_a_half_of_five_volts() -> None:
    # 0.5-4.5 V of a 5 V supply, 0-500 psi: the usual transducer of the trade (common practice, no source).
    curve = sensor_curves.ratiometric(0.1, 0.9, 0.0, 500.0)
    assert curve.value_at(0.5) == pytest.approx(250.0)
    assert curve.fault_low == pytest.approx(0.05)
    assert curve.fault_high == pytest.approx(0.95)


def test_a_loop_without_live_zero_claims_no_wire_break() -> None:
    assert sensor_curves.current_loop(0.0, 20e-3, 0.0, 1e6).fault_low == -math.inf


def test_bridge_of_two_millivolt_per_volt() -> None:
    curve = sensor_curves.bridge(0.0, 0.002, 0.0, 150.0)
    assert curve.value_at(0.001) == pytest.approx(75.0)
    assert curve.fault_high == pytest.approx(0.003)


@pytest.mark.parametrize(
    "make",
    [
        lambda: sensor_curves.linear(1, 1, 0, 5, "V"),
        lambda: sensor_curves.logarithmic(1, 1, 1, 5, "V"),
        lambda: sensor_curves.logarithmic(1, 2, 0, 5, "V"),
        lambda: sensor_curves.logarithmic(1, 2, 1e-200, 1e200, "V"),
        lambda: sensor_curves.linear(0, 1, 5, 5, "V"),
        lambda: sensor_curves.linear(0, math.nan, 0, 5, "V"),
        lambda: sensor_curves.ratiometric(0.5, 4.5, 0, 100),
        lambda: sensor_curves.ntc_beta(0, 298.15, 3950),
        lambda: sensor_curves.ntc_beta(10_000, 298.15, -1),
        lambda: sensor_curves.steinhart_hart(1e-3, -2e-4, 1e-7),
        lambda: sensor_curves.rtd(-100),
        lambda: sensor_curves.rtd(100, b=1e-7),
        lambda: sensor_curves.bridge(0, 0, 0, 10),
        lambda: sensor_curves.thermocouple(4),
    ],
)
def test_parameters_that_make_no_sensor_are_refused(make: object) -> None:
    with pytest.raises(SensorError):
        make()  # type: ignore[operator]


def test_steinhart_hart_between_its_points_is_within_what_is_published_of_it() -> None:
    a, b, c = steinhart_hart_through((THERMISTOR_TABLE[0], THERMISTOR_TABLE[1], THERMISTOR_TABLE[4]))
    curve = sensor_curves.steinhart_hart(a, b, c)
    for ohm, celsius in THERMISTOR_TABLE:
        assert curve.value_at(ohm) - 273.15 == pytest.approx(celsius, abs=0.01)


@pytest.mark.parametrize(("pair", "celsius", "mv"), [(k, *row) for k, rows in NIST_TABLES.items() for row in rows])
def test_thermocouples_agree_with_the_tables_of_nist(pair: Thermocouple, celsius: float, mv: float) -> None:
    function = REFERENCE_FUNCTIONS[pair]
    assert function.volts(celsius) * 1e3 == pytest.approx(mv, abs=0.000_51)  # the table is rounded to 1 uV
    assert sensor_curves.thermocouple(pair).value_at(function.volts(celsius)) - 273.15 == pytest.approx(
        celsius, abs=1e-6
    )


@pytest.mark.parametrize("pair", list(Thermocouple))
def test_thermocouples_agree_with_an_independent_implementation(pair: Thermocouple) -> None:
    """Every degree from -200 C on, against the package that is checked by NIST's whole tables."""
    function, other = REFERENCE_FUNCTIONS[pair], thermocouple_its90.get(pair.name)
    curve = sensor_curves.thermocouple(pair)
    for celsius in range(-200, int(function.highest_celsius) + 1):
        volts = other.emf(celsius) / 1e3
        assert function.volts(celsius) == pytest.approx(volts, abs=1e-10)  # the pieces miss each other by 75 pV
        assert function.volts_per_kelvin(celsius) == pytest.approx(other.seebeck(celsius) / 1e3, rel=1e-9)
        assert curve.value_at(volts) - 273.15 == pytest.approx(celsius, abs=1e-6)


@given(st.sampled_from(Thermocouple), st.floats(0, 1))
@settings(max_examples=300, deadline=None)
def test_a_thermocouples_temperature_comes_back(pair: Thermocouple, share: float) -> None:
    function = REFERENCE_FUNCTIONS[pair]
    celsius = -200 + share * (function.highest_celsius + 200)
    assert function.celsius(function.volts(celsius)) == pytest.approx(celsius, abs=1e-6)
    assert function.celsius(function.volts(-200) - 1e-6) is None
    assert function.celsius(function.volts(function.highest_celsius) + 1e-6) is None


def test_load_cell_of_two_millivolt_per_volt_and_its_zero() -> None:
    """Rated output: the definition (OIML R 60), 2 mV/V at the rated load; a zero of 0.02 mV/V is 1 % of it."""
    curve = sensor_curves.bridge(0.00002, 0.00202, 0.0, 150.0)
    assert curve.value_at(0.00102) == pytest.approx(75.0)
    assert curve.value_at(0.0) == pytest.approx(-1.5)


def test_the_page_on_accuracy_says_what_is_found_today() -> None:
    assert "\n".join(section()) in PAGE.read_text(encoding="utf-8"), "python -m tests.handbook.accuracy"
