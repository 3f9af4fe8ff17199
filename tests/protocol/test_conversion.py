"""From raw numbers to readings, against published sensor tables."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import Quantity, SampleType, SensorKind, Thermocouple
from firmware_protocol.conversion import (
    from_input,
    measured,
    problem_among,
    problem_with,
    scaled,
    to_celsius,
    to_input,
    to_raw,
)
from firmware_protocol.errors import MessageError
from firmware_protocol.messages import Describe
from tests.protocol.strategies import describes

fast = settings(max_examples=150, deadline=None)


MEASURED = {
    "[psi]": Quantity.GAUGE_PRESSURE, "bar": Quantity.GAUGE_PRESSURE, "um[Hg]": Quantity.ABSOLUTE_PRESSURE,
    "kg": Quantity.MASS,
}  # fmt: skip


def make(kind: int, parameters: tuple[float, ...], unit: str = "Cel", exponent: int = -3) -> Describe:
    quantity = MEASURED.get(unit, Quantity.TEMPERATURE)
    return Describe(0, 0, quantity, unit, SampleType.I32, exponent, 100, sensor_kind=kind, parameters=parameters)


@pytest.mark.parametrize(
    ("celsius", "ohm"),
    # IEC 60751, table of resistances of a Pt100 (values as printed, 0.01 Ohm)
    [
        (-200, 18.52),
        (-100, 60.26),
        (-50, 80.31),
        (0, 100.00),
        (50, 119.40),
        (100, 138.51),
        (400, 247.09),
        (850, 390.48),
    ],
)
def test_platinum_by_iec_60751(celsius: float, ohm: float) -> None:
    pt100 = make(SensorKind.RTD_IEC60751, (100,))
    assert to_input(pt100, celsius) == pytest.approx(ohm, abs=0.005)
    reading = from_input(pt100, to_input(pt100, celsius))
    assert reading == pytest.approx(celsius, abs=1e-6)


def test_platinum_outside_its_curve_has_no_reading() -> None:
    pt100 = make(SensorKind.RTD_IEC60751, (100,))
    for ohm in (18.0, 391.0, 0.0, -5.0):
        assert from_input(pt100, ohm) is None


def test_own_coefficients_are_used() -> None:
    # the older American curve, alpha 0.003916 (from memory): 139.16 Ohm at 100 Cel
    assert to_input(make(SensorKind.RTD_IEC60751, (100, 3.9739e-3, -5.870e-7, -4.4e-12)), 100) == pytest.approx(
        139.15, abs=0.02
    )


def test_thermistor_by_beta() -> None:
    # by hand: 10 kOhm at 298.15 K, beta 3950; at 0 Cel R = 10000 exp(3950 (1/273.15 - 1/298.15)) = 33 620.6 Ohm
    ntc = make(SensorKind.NTC_BETA, (10_000, 298.15, 3950))
    assert from_input(ntc, 10_000) == pytest.approx(25, abs=1e-9)
    assert from_input(ntc, 33_620.6) == pytest.approx(0, abs=1e-4)
    assert from_input(replace(ntc, unit="[degF]"), 10_000) == pytest.approx(77, abs=1e-9)
    assert from_input(replace(ntc, unit="K"), 10_000) == pytest.approx(298.15, abs=1e-9)


def test_thermistor_by_steinhart_and_hart() -> None:
    # coefficients widely published for a common 10 kOhm, beta 3977 part (from memory): 25 Cel at 10 kOhm within 0.01 K
    ntc = make(SensorKind.NTC_STEINHART_HART, (1.129148e-3, 2.34125e-4, 8.76741e-8))
    assert from_input(ntc, 10_000) == pytest.approx(25, abs=0.01)
    assert from_input(ntc, 32_650) == pytest.approx(0, abs=0.1)


def test_transducers_are_lines() -> None:
    ratiometric = make(SensorKind.RATIOMETRIC, (0.1, 0, 0.9, 500), "[psi]", -4)
    assert measured(ratiometric, 1000) == pytest.approx(0)
    assert measured(ratiometric, 5000) == pytest.approx(250)
    loop = make(SensorKind.CURRENT_LOOP, (0.004, -1, 0.020, 24), "bar", -6)
    assert measured(loop, 12_000) == pytest.approx(11.5)
    bridge = make(SensorKind.BRIDGE, (0, 0, 0.002, 100), "kg", -9)
    assert measured(bridge, 1_000_000) == pytest.approx(50)


def test_a_logarithmic_output_gains_a_decade_a_volt() -> None:
    gauge = make(SensorKind.LOG_VOLTAGE, (1, 1, 7, 1_000_000), "um[Hg]", -4)
    for raw, microns in ((10_000, 1), (40_000, 1000), (42_500, 1778.279), (70_000, 1e6), (0, 0.1)):
        assert measured(gauge, raw) == pytest.approx(microns)
        assert to_raw(gauge, microns) == raw
    falling = replace(gauge, parameters=(10, 1, 0, 1000))
    assert from_input(falling, 5) == pytest.approx(1000**0.5)
    assert from_input(gauge, 1e9) is None  # far from any real gauge: no number, never infinity
    with pytest.raises(MessageError, match="no input gives"):
        to_input(gauge, 0)


def test_a_thermocouple_counts_from_its_cold_junction() -> None:
    # NIST's table for type T: 0.992 mV at 25 Cel, 4.279 mV at 100 Cel
    probe = make(SensorKind.THERMOCOUPLE, (Thermocouple.T, 0), "Cel", -8)
    assert measured(probe, 328_700, 25.0) == pytest.approx(100, abs=0.02)
    assert measured(probe, 328_700) is None
    assert to_raw(probe, measured(probe, 328_700, 25.0) or 0.0, 25.0) == 328_700
    assert measured(replace(probe, parameters=(Thermocouple.T,)), 427_900) == pytest.approx(100, abs=0.02)
    terminals = replace(make(SensorKind.DIRECT, (), "[degF]"), index=0)
    probe = replace(probe, index=1)
    assert problem_among(probe, [terminals, probe]) is None
    assert problem_among(terminals, [terminals]) is None
    assert "does not exist" in (problem_among(probe, [probe]) or "")
    assert to_celsius(terminals, 77.0) == pytest.approx(25.0)
    with pytest.raises(MessageError, match="no input gives"):
        to_input(probe, 401)


def test_scaling_is_exact_in_decimal_units() -> None:
    channel = make(SensorKind.DIRECT, (), "kg", -3)
    assert scaled(channel, 31_815) == 31.815
    assert scaled(replace(channel, exponent=3), 2) == 2000.0
    assert scaled(replace(channel, offset=32_768, exponent=0), -32_752) == 16.0


@fast
@given(st.integers(-(2**31) + 16, 2**31 - 1), st.integers(-18, 18), st.integers(-(2**31), 2**31 - 1))
def test_direct_raw_numbers_come_back(raw: int, exponent: int, offset: int) -> None:
    channel = replace(make(SensorKind.DIRECT, (), "kg", exponent), offset=offset)
    value = measured(channel, raw)
    assert value is not None
    assert to_raw(channel, value) == raw


@fast
@given(st.floats(-40, 150), st.sampled_from(["K", "Cel", "[degF]"]), st.integers(0, 2))
def test_temperature_sensors_come_back(celsius: float, unit: str, which: int) -> None:
    channel = [
        make(SensorKind.NTC_BETA, (10_000, 298.15, 3950), unit, -4),
        make(SensorKind.NTC_STEINHART_HART, (1.129148e-3, 2.34125e-4, 8.76741e-8), unit, -4),
        make(SensorKind.RTD_IEC60751, (1000,), unit, -5),
    ][which]
    value = {"K": celsius + 273.15, "Cel": celsius, "[degF]": celsius * 1.8 + 32}[unit]
    assert from_input(channel, to_input(channel, value)) == pytest.approx(value, abs=1e-6)
    raw = to_raw(channel, value)
    assert measured(channel, raw) == pytest.approx(value, abs=1e-3)
    step = measured(channel, raw + 1)
    assert step is not None


@fast
@given(describes(), st.integers(-(2**31) + 16, 2**31 - 1))
def test_any_description_gives_a_finite_number_none_or_a_clear_problem(channel: Describe, raw: int) -> None:
    problem = problem_with(channel)
    if problem is None:
        value = measured(channel, raw)
        assert value is None or math.isfinite(value)
    else:
        with pytest.raises(MessageError, match="channel"):
            measured(channel, raw)


@fast
@given(describes(), st.floats(-1e6, 1e6))
def test_any_description_gives_a_finite_input_or_a_clear_problem(channel: Describe, value: float) -> None:
    try:
        assert math.isfinite(to_input(channel, value))
    except MessageError as exc:
        assert str(exc).startswith("channel ")


def test_a_unit_or_quantity_of_a_later_version_is_no_problem() -> None:
    direct = make(SensorKind.DIRECT, ())
    assert problem_with(replace(direct, unit="kat")) is None
    assert problem_with(replace(direct, quantity=99, unit="kg")) is None


@pytest.mark.parametrize(
    ("channel", "why"),
    [
        (make(99, ()), "sensor kind 99 is not known"),
        (make(SensorKind.RATIOMETRIC, (1, 2)), "needs 4 parameters, not 2"),
        (make(SensorKind.RATIOMETRIC, (1, 0, 1, 5)), "same input"),
        (make(SensorKind.LOG_VOLTAGE, (1, 5, 1, 50), "um[Hg]"), "same input"),
        (make(SensorKind.LOG_VOLTAGE, (1, 0, 2, 50), "um[Hg]"), "above zero"),
        (make(SensorKind.LOG_VOLTAGE, (1, 5, 2)), "needs 4 parameters, not 3"),
        (make(SensorKind.RATIOMETRIC, (0.5, 0, 4.5, 500), "[psi]"), "shares of its supply"),
        (make(SensorKind.RATIOMETRIC, (-0.1, 0, 0.9, 500), "[psi]"), "shares of its supply"),
        (
            replace(make(SensorKind.DIRECT, (), "kg"), quantity=Quantity.GAUGE_PRESSURE),
            "kg is no unit of gauge pressure",
        ),
        (make(SensorKind.NTC_BETA, (0, 298, 3950)), "above zero"),
        (make(SensorKind.NTC_BETA, (1, 298, 3950), "Pa"), "K, Cel or"),
        (make(SensorKind.RTD_IEC60751, (100, 1)), "1 or 4 parameters, not 2"),
        (make(SensorKind.RTD_IEC60751, (-100,)), "above zero"),
        (make(SensorKind.THERMOCOUPLE, (7,)), "type 7 is not known"),
        (make(SensorKind.THERMOCOUPLE, ()), "needs 1 or 2 parameters, not 0"),
        (make(SensorKind.THERMOCOUPLE, (1,), "Pa"), "K, Cel or"),
    ],
)
def test_problems_are_named(channel: Describe, why: str) -> None:
    assert why in (problem_with(channel) or "")
    with pytest.raises(MessageError, match="channel 0"):
        to_input(channel, 20)
