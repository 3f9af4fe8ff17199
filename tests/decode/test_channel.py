"""Raw integers to readings: every sensor kind, its faults, ranges, calibration and uncertainty."""

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import NoReading, Quantity, SampleType, SensorKind, Thermocouple
from firmware_protocol.conversion import measured, to_raw
from firmware_protocol.messages import Describe
from logger.decode import cold_junction as terminals
from logger.decode.channel import NO_READING_TEXT, ChannelDecoder, DecodeError, DeviceDecoder
from logger.model.rig import Calibration, RigChannel
from logger.model.units import NS_PER_S

PSI = 6894.757293168


def describe(quantity: int, unit: str, exponent: int = 0, index: int = 0, **more: Any) -> Describe:
    return Describe(
        request_id=1, index=index, quantity=quantity, unit=unit, sample_type=SampleType.I32, exponent=exponent,
        period_ms=100, **more,
    )  # fmt: skip


TRANSDUCER = describe(
    Quantity.GAUGE_PRESSURE, "[psi]", -6, sensor_kind=SensorKind.RATIOMETRIC,
    parameters=(0.1, 0.0, 0.9, 500.0), range_low=0.0, range_high=500.0, accuracy=2.5,
)  # fmt: skip
LOOP = describe(
    Quantity.ABSOLUTE_PRESSURE, "bar", -7, sensor_kind=SensorKind.CURRENT_LOOP, parameters=(4e-3, 0.0, 20e-3, 40.0),
)  # fmt: skip
NTC = describe(
    Quantity.TEMPERATURE, "Cel", -1, sensor_kind=SensorKind.NTC_BETA, parameters=(10e3, 298.15, 3950.0),
    range_low=-40.0, range_high=125.0, accuracy=0.5,
)  # fmt: skip
STEINHART = describe(
    Quantity.TEMPERATURE, "Cel", -1, sensor_kind=SensorKind.NTC_STEINHART_HART,
    parameters=(1.1292e-3, 2.3411e-4, 8.7755e-8), range_low=-40.0, range_high=125.0,
)  # fmt: skip
PT1000 = describe(
    Quantity.TEMPERATURE, "[degF]", -3, sensor_kind=SensorKind.RTD_IEC60751, parameters=(1000.0,),
    range_low=-58.0, range_high=392.0,
)  # fmt: skip
CELL = describe(
    Quantity.MASS, "[lb_av]", -9, sensor_kind=SensorKind.BRIDGE, parameters=(0.0, 0.0, 2e-3, 330.0),
    range_low=0.0, range_high=330.0,
)  # fmt: skip
SCALE = describe(Quantity.MASS, "[lb_av]", -1, range_low=0.0, range_high=220.0, accuracy=0.2)
VACUUM = describe(
    Quantity.ABSOLUTE_PRESSURE, "um[Hg]", range_low=0.0, range_high=25000.0, accuracy=5.0, accuracy_of_reading=0.1
)
LOG_VACUUM = describe(
    Quantity.ABSOLUTE_PRESSURE, "um[Hg]", -4, sensor_kind=SensorKind.LOG_VOLTAGE, parameters=(1.0, 1.0, 6.0, 1e5),
    range_low=1.0, range_high=25000.0,
)  # fmt: skip
VALVE = describe(Quantity.RATIO, "%", -1, range_low=0.0, range_high=100.0)

SENSORS = [  # description, measuring point, unit to SI: factor and offset
    (LOOP, "discharge_pressure", 1e5, 0.0),
    (NTC, "suction_temperature", 1.0, 273.15),
    (STEINHART, "liquid_temperature", 1.0, 273.15),
    (PT1000, "ambient_temperature", 5 / 9, 459.67 * 5 / 9),
    (CELL, "cylinder_mass", 0.45359237, 0.0),
    (SCALE, "cylinder_mass", 0.45359237, 0.0),
    (VACUUM, "vacuum", 0.133322387415, 0.0),
    (LOG_VACUUM, "vacuum", 0.133322387415, 0.0),
    (VALVE, "valve_position", 0.01, 0.0),
]


@given(st.sampled_from(SENSORS), st.floats(0.02, 0.98))
@settings(max_examples=400, deadline=None)
def test_agrees_with_the_protocols_own_formulas(sensor: tuple[Describe, str, float, float], where: float) -> None:
    """Two implementations, one spec: firmware_protocol.conversion is the readable one, this room the fast one."""
    channel, point, factor, offset = sensor
    low, high = channel.range_low or 0.0, channel.range_high or 40.0
    raw = to_raw(channel, low + where * (high - low))
    expected = measured(channel, raw)
    assert expected is not None
    sample = ChannelDecoder(channel, RigChannel(0, point)).decode(5, raw)
    assert sample.value == pytest.approx(expected * factor + offset, rel=1e-9, abs=1e-6)
    assert (sample.t_ns, sample.point, sample.problem) == (5, point, None)


def test_gauge_becomes_absolute_with_the_barometer_after_calibration() -> None:
    calibration = Calibration(zero=0.4 * PSI, span=1.003)
    decoder = ChannelDecoder(TRANSDUCER, RigChannel(0, "suction_pressure", calibration))
    raw = to_raw(TRANSDUCER, 118.4)
    assert decoder.decode(0, raw, 83_400.0).value == pytest.approx(118.0 * PSI * 1.003 + 83_400.0, rel=1e-5)
    unknown = decoder.decode(0, raw)
    assert unknown.value is None
    assert "barometer" in (unknown.problem or "")


@pytest.mark.parametrize(
    ("channel", "point", "raw", "problem"),
    [
        (TRANSDUCER, "suction_pressure", 49_000, "open or short circuit"),
        (TRANSDUCER, "suction_pressure", 960_000, "short circuit to supply"),
        (TRANSDUCER, "suction_pressure", 94_000, "under range"),  # 0.094: -3.75 psi, beyond the stated 2.5 psi
        (TRANSDUCER, "suction_pressure", 910_000, "over range"),
        (LOOP, "discharge_pressure", 0, "open circuit or transmitter fault, below 3.6 mA"),
        (LOOP, "discharge_pressure", 35_900, "open circuit or transmitter fault, below 3.6 mA"),  # 3.59 mA
        (LOOP, "discharge_pressure", 37_000, "under range"),  # 3.7 mA: NE 43's band between failure and measurement
        (LOOP, "discharge_pressure", 206_000, "over range"),
        (LOOP, "discharge_pressure", 211_000, "short circuit or transmitter fault, above 21 mA"),
        (NTC, "suction_temperature", 0, "short circuit"),
        (NTC, "suction_temperature", 2_000_000_000, "open circuit"),
        (PT1000, "ambient_temperature", 5_000, "short circuit"),
        (PT1000, "ambient_temperature", 2_000_000_000, "open circuit"),
        (CELL, "cylinder_mass", 4_000_000, "open or short circuit"),
        (CELL, "cylinder_mass", 2_100_000, "over range"),
        (VACUUM, "vacuum", -10, "under range"),
        (VACUUM, "vacuum", 32_000, "over range"),
    ],
)
def test_what_no_healthy_sensor_gives_is_no_value(channel: Describe, point: str, raw: int, problem: str) -> None:
    sample = ChannelDecoder(channel, RigChannel(0, point)).decode(0, raw, 101_325.0)
    assert (sample.value, sample.problem) == (None, problem)


def test_noise_at_the_end_of_a_range_is_still_a_reading() -> None:
    decoder = ChannelDecoder(TRANSDUCER, RigChannel(0, "suction_pressure"))
    sample = decoder.decode(0, to_raw(TRANSDUCER, -1.0), 101_325.0)
    assert sample.value == pytest.approx(101_325 - PSI, rel=1e-4)


@given(st.integers(-(2**31) + 16, 2**31 - 1), st.sampled_from([TRANSDUCER, *(row[0] for row in SENSORS)]))
@settings(max_examples=500, deadline=None)
def test_every_integer_gives_a_finite_value_or_a_reason(raw: int, channel: Describe) -> None:
    points = {id(row[0]): row[1] for row in SENSORS} | {id(TRANSDUCER): "suction_pressure"}
    sample = ChannelDecoder(channel, RigChannel(0, points[id(channel)])).decode(0, raw, 101_325.0)
    assert (sample.value is None) is bool(sample.problem)
    assert sample.value is None or math.isfinite(sample.value)


@pytest.mark.parametrize("reason", list(NoReading))
def test_no_reading_keeps_its_reason(reason: NoReading) -> None:
    sample = ChannelDecoder(SCALE, RigChannel(0, "cylinder_mass")).decode(7, reason)
    assert (sample.value, sample.problem) == (None, NO_READING_TEXT[reason])


def test_resolution_alone_is_0_29_of_a_division() -> None:
    # GUM (JCGM 100:2008) 4.3.7 / F.2.2.1: a digital display of step d has u = 0.29 d.
    decoder = ChannelDecoder(SCALE, RigChannel(0, "cylinder_mass"))
    u = decoder.uncertainty(1000)
    assert u.resolution == pytest.approx(0.29 * 0.1 * 0.45359237, rel=0.005)
    assert u.accuracy == pytest.approx(0.2 * 0.45359237 / math.sqrt(3))


def test_net_of_two_readings_of_a_tenth_pound_scale() -> None:
    # sources.md, Weighing: U(k=2) 0.082 lb = 37 g (GUM, from memory).
    u = ChannelDecoder(SCALE, RigChannel(0, "cylinder_mass")).uncertainty(500).resolution
    expanded = 2 * math.sqrt(2) * u
    assert expanded / 0.45359237 == pytest.approx(0.082, abs=0.0005)
    assert expanded == pytest.approx(0.037, abs=0.0005)


def test_accuracy_of_reading_and_a_calibration_that_replaces_it() -> None:
    raw = 500
    stated = ChannelDecoder(VACUUM, RigChannel(0, "vacuum")).uncertainty(raw)
    assert stated.accuracy == pytest.approx((5 + 0.1 * 500) * 0.133322387 / math.sqrt(3))
    calibrated = ChannelDecoder(VACUUM, RigChannel(0, "vacuum", Calibration(u=1.2))).uncertainty(raw)
    assert calibrated.accuracy == 1.2
    unstated = ChannelDecoder(VALVE, RigChannel(0, "valve_position")).uncertainty(500)
    assert unstated.accuracy is None


def test_resolution_of_a_thermistor_grows_where_its_curve_is_flat() -> None:
    decoder = ChannelDecoder(NTC, RigChannel(0, "suction_temperature"))
    cold, hot = (decoder.uncertainty(to_raw(NTC, t)).resolution for t in (-20.0, 100.0))
    assert hot > 5 * cold


def test_range_in_si() -> None:
    decoder = ChannelDecoder(TRANSDUCER, RigChannel(0, "suction_pressure"))
    assert decoder.range_si(1e5) == pytest.approx((1e5, 500 * PSI + 1e5))
    assert decoder.range_si() == (None, None)
    assert ChannelDecoder(NTC, RigChannel(0, "suction_temperature")).range_si() == pytest.approx((233.15, 398.15))


@pytest.mark.parametrize(
    ("channel", "point", "says"),
    [
        (SCALE, "suction_pressure", "measures mass; suction_pressure needs absolute pressure or gauge pressure"),
        (TRANSDUCER, "vacuum", "needs absolute pressure"),
        (describe(Quantity.MASS, "kPa"), "cylinder_mass", "does not fit mass"),
        (describe(Quantity.MASS, "pounds"), "cylinder_mass", "not one of the UCUM codes"),
        (describe(99, "kg"), "cylinder_mass", "not known to this version"),
        (SCALE, "fuel_level", "no measuring point"),
        (describe(Quantity.MASS, "kg", sensor_kind=77), "cylinder_mass", "sensor kind 77"),
        (describe(Quantity.MASS, "kg", sensor_kind=SensorKind.BRIDGE, parameters=(1.0,)), "cylinder_mass", "4"),
        (
            describe(Quantity.MASS, "kg", sensor_kind=SensorKind.BRIDGE, parameters=(1.0, 0.0, 1.0, 2.0)),
            "cylinder_mass",
            "differ",
        ),
    ],
)
def test_what_does_not_fit_is_refused_with_the_reason(channel: Describe, point: str, says: str) -> None:
    with pytest.raises(DecodeError, match=says):
        ChannelDecoder(channel, RigChannel(0, point))


def test_a_device_decodes_what_the_rig_uses_and_leaves_out_the_rest() -> None:
    described = [describe(Quantity.MASS, "kg", -2), describe(Quantity.TEMPERATURE, "Cel", -2, index=1)]
    device = DeviceDecoder(described, [RigChannel(1, "ambient_temperature")])
    samples = device.decode(9, [(0, 1234), (1, 2150)])
    assert [s.point for s in samples] == ["ambient_temperature"]
    assert samples[0].value == pytest.approx(294.65)
    with pytest.raises(DecodeError, match="no channel 4"):
        DeviceDecoder(described, [RigChannel(4, "cylinder_mass")])


# -- thermocouples ----------------------------------------------------------------------------------------------------

TERMINALS = describe(
    Quantity.TEMPERATURE,
    "[degF]",
    -2,
    0,
    range_low=-40.0,
    range_high=185.0,
    accuracy=0.9,
)  # 0.5 K
PROBE = describe(
    Quantity.TEMPERATURE, "Cel", -8, 1, sensor_kind=SensorKind.THERMOCOUPLE, parameters=(Thermocouple.K, 0),
    range_low=-60.0, range_high=400.0, accuracy=1.5,
)  # fmt: skip
HOT = [RigChannel(1, "discharge_temperature")]


def hot(
    device: DeviceDecoder, t_s: float, raw: int, terminals_f: float | None = None
) -> tuple[float | None, str | None]:
    readings = [] if terminals_f is None else [(0, round(terminals_f * 100))]
    samples = device.decode(round(t_s * NS_PER_S), [(1, raw), *readings])
    (sample,) = [s for s in samples if s.point == "discharge_temperature"]
    return sample.value, sample.problem


def test_a_thermocouple_counts_from_its_terminals() -> None:
    # NIST's table for type K: 1.000 mV at 25 C, 4.096 mV at 100 C, so 3.096 mV between 25 and 100 C.
    device = DeviceDecoder([TERMINALS, PROBE], HOT)
    value = hot(device, 0, 309_600, 77.0)[0] or 0.0
    assert value == pytest.approx(373.15, abs=0.03)
    assert hot(device, 1, 309_600, 95.0)[0] == pytest.approx(value + 9.9, abs=0.2)
    alone = DeviceDecoder([replace(PROBE, parameters=(Thermocouple.K,))], HOT)
    assert hot(alone, 0, 409_600)[0] == pytest.approx(373.15, abs=0.02)


def test_a_cold_junction_holds_for_a_minute_and_the_nearest_reading_counts() -> None:
    device = DeviceDecoder([TERMINALS, PROBE], HOT)
    assert hot(device, 0, 309_600) == (None, terminals.UNKNOWN)
    at_25, _ = hot(device, 100, 309_600, 77.0)
    assert hot(device, 160, 309_600)[0] == at_25
    assert hot(device, 160.1, 309_600) == (None, terminals.UNKNOWN)
    at_35, _ = hot(device, 200, 309_600, 95.0)
    assert hot(device, 110, 309_600)[0] == at_25  # sent again, from before
    assert hot(device, 199, 309_600)[0] == at_35
    assert device.decode(0, [(1, NoReading.OPEN_CIRCUIT), (0, NoReading.NOT_READY)])[0].problem == "open circuit"


def test_the_terminals_are_read_with_the_calibration_that_the_rig_has_for_them() -> None:
    plain, corrected = (
        DeviceDecoder([TERMINALS, PROBE], [*HOT, RigChannel(0, "ambient_temperature", calibration)])
        for calibration in (Calibration(), Calibration(zero=1.0, u=0.1))
    )
    first, second = (hot(d, 0, 309_600, 77.0)[0] or 0.0 for d in (plain, corrected))
    assert first - second == pytest.approx(1.0, abs=0.03)


def test_the_uncertainty_of_the_terminals_is_carried_to_the_reading() -> None:
    # dE/dt of type K (NIST): 40.4 uV/K at 25 C, 41.4 uV/K at 100 C: 1 K there is 0.976 K here.
    device = DeviceDecoder([TERMINALS, PROBE], HOT)
    (probe,) = device.channels
    assert probe.uncertainty(309_600).accuracy is None  # nothing heard of the terminals yet
    hot(device, 0, 309_600, 77.0)
    own, cold = 1.5 / math.sqrt(3), 0.5 / math.sqrt(3)
    assert probe.uncertainty(309_600).accuracy == pytest.approx(math.hypot(own, 0.976 * cold), rel=1e-3)
    assert probe.uncertainty(309_600).resolution == pytest.approx(1e-8 / 41.4e-6 / math.sqrt(12), rel=0.01)
    silent = DeviceDecoder([replace(TERMINALS, accuracy=None), PROBE], HOT)
    hot(silent, 0, 309_600, 77.0)
    assert silent.channels[0].uncertainty(309_600).accuracy is None
    calibrated = DeviceDecoder(
        [replace(TERMINALS, accuracy=None), PROBE], [RigChannel(1, "discharge_temperature", Calibration(u=0.2))]
    )
    hot(calibrated, 0, 309_600, 77.0)
    assert calibrated.channels[0].uncertainty(309_600).accuracy == 0.2


@pytest.mark.parametrize(
    ("channels", "reason"),
    [
        ([PROBE], "channel 0, which does not exist"),
        ([replace(TERMINALS, quantity=Quantity.RATIO, unit="1"), PROBE], "measures no temperature"),
        ([TERMINALS, replace(PROBE, parameters=(Thermocouple.K, 1))], "measures no temperature"),
        ([TERMINALS, replace(PROBE, parameters=(Thermocouple.K, 0.5))], "0.5, which does not exist"),
        ([TERMINALS, replace(PROBE, parameters=(9, 0))], "type 9 is not known"),
    ],
)
def test_a_cold_junction_that_is_none(channels: list[Describe], reason: str) -> None:
    with pytest.raises(DecodeError, match=reason):
        DeviceDecoder(channels, HOT)


@pytest.mark.parametrize(("zero", "drifted"), [(0.05, False), (0.10, True), (-0.10, True)])
def test_a_zero_that_moved_by_more_than_the_stated_accuracy_has_drifted(zero: float, drifted: bool) -> None:
    """0.2 lb are 0.0907 kg. Without an earlier calibration nothing moved."""
    moved = ChannelDecoder(SCALE, RigChannel(0, "cylinder_mass", Calibration(zero=zero, earlier_zero=0.0)))
    assert moved.drifted is drifted
    assert not ChannelDecoder(SCALE, RigChannel(0, "cylinder_mass", Calibration(zero=zero))).drifted
