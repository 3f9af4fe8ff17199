"""Characteristics of the standards as channels: published formats, what has no value, descriptors, hostile bytes.

Expected values follow the Bluetooth SIG's GATT Specification Supplement: 0x2A6D uint32 of 0.1 Pa, 0x2A6E sint16 of
0.01 degrees Celsius, 0x2A9D flags and uint16 of 0.005 kg or 0.01 lb. They are decoded by the logger's own decoder.
"""

import struct
from datetime import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import Quantity
from firmware_protocol.layout import Layout
from firmware_protocol.messages import Describe
from logger.decode.channel import ChannelDecoder, DecodeError
from logger.link.ble import sig
from logger.link.ble.sig import PRESSURE, TEMPERATURE, WEIGHT
from logger.model.rig import RigChannel

POINT = {PRESSURE: "barometer", TEMPERATURE: "ambient_temperature", WEIGHT: "cylinder_mass"}
KINDS = st.sampled_from([PRESSURE, TEMPERATURE, WEIGHT])


def decoded(kind: int, value: bytes, channel: Describe | None = None, feature: bytes = b"") -> tuple[float | None, str]:
    """(SI value, why there is none)."""
    channel = channel or sig.describe(kind, 0, {}, feature)
    measured = sig.measured(kind, value, channel, feature)
    layout = Layout([measured.channel])
    ((index, raw),) = layout.unpack(layout.pack({0: measured.reading}, 0, 0))
    sample = ChannelDecoder(measured.channel, RigChannel(index, POINT[kind])).decode(0, raw)
    return sample.value, sample.problem or ""


@pytest.mark.parametrize(
    ("kind", "value", "expected"),
    [
        (PRESSURE, struct.pack("<I", 1_013_250), 101_325.0),
        (PRESSURE, struct.pack("<I", 0), 0.0),
        (PRESSURE, struct.pack("<I", 0x7FFF_FFFF), 214_748_364.7),
        (TEMPERATURE, struct.pack("<h", 2137), 294.52),
        (TEMPERATURE, struct.pack("<h", -512), 268.03),
        (TEMPERATURE, struct.pack("<h", -27_315), 0.0),
        (WEIGHT, struct.pack("<BH", 0, 14_651), 73.255),
        (WEIGHT, struct.pack("<BH", 1, 16_150), 161.50 * 0.45359237),
        # flags 0x0E: time stamp, user, BMI and height follow
        (WEIGHT, struct.pack("<BHHBBBBBBHH", 0x0E, 400, 2026, 11, 25, 6, 0, 1, 2, 250, 1700), 2.0),
        (WEIGHT, struct.pack("<BH", 0, 0xFFFE), 327.67),
    ],
)
def test_values_of_the_standards(kind: int, value: bytes, expected: float) -> None:
    assert decoded(kind, value)[0] == pytest.approx(expected, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(
    ("kind", "value", "why"),
    [
        (TEMPERATURE, struct.pack("<H", 0x8000), "reason not stated"),  # value not known
        (TEMPERATURE, struct.pack("<h", -27_316), "under range"),  # below absolute zero
        (PRESSURE, struct.pack("<I", 0x8000_0000), "over range"),
        (WEIGHT, struct.pack("<BH", 0, 0xFFFF), "reason not stated"),  # measurement unsuccessful
        (WEIGHT, struct.pack("<BH", 1, 0xFFFF), "reason not stated"),
        (PRESSURE, b"\x01\x02\x03", "reason not stated"),
        (PRESSURE, bytes(5), "reason not stated"),
        (TEMPERATURE, b"", "reason not stated"),
        (WEIGHT, b"\x00\x01", "reason not stated"),
        # cut short: flags promise a time stamp of 7 bytes, a user of 1, BMI and height of 2 each
        (WEIGHT, struct.pack("<BHHBBBB", 0x02, 400, 2026, 11, 25, 6, 0), "reason not stated"),
        (WEIGHT, struct.pack("<BH", 0x04, 400), "reason not stated"),
        (WEIGHT, struct.pack("<BHHB", 0x08, 400, 250, 1), "reason not stated"),
        (WEIGHT, struct.pack("<BHHBBBBBBHB", 0x0E, 400, 2026, 11, 25, 6, 0, 1, 2, 250, 1), "reason not stated"),
    ],
)
def test_what_is_no_value_is_no_reading(kind: int, value: bytes, why: str) -> None:
    value_si, problem = decoded(kind, value)
    assert value_si is None
    assert why in problem


def test_the_time_stamp_of_a_weight() -> None:
    """Date Time: year u16, month, day, hours, minutes, seconds; year, month or day 0 mean that it is not known."""
    stamped = struct.pack("<BHHBBBBB", 0x02, 400, 2026, 11, 25, 6, 0, 1)
    assert sig.time_stamp(WEIGHT, stamped) == datetime.fromisoformat("2026-11-25T06:00:01")
    assert sig.time_stamp(WEIGHT, stamped[:-1]) is None
    assert sig.time_stamp(WEIGHT, b"\x00" + stamped[1:]) is None
    assert sig.time_stamp(PRESSURE, stamped) is None
    for unknown in ((0, 11, 25), (2026, 0, 25), (2026, 11, 0), (2026, 13, 40)):
        assert sig.time_stamp(WEIGHT, struct.pack("<BHHBBBBB", 0x02, 400, *unknown, 6, 0, 1)) is None


@pytest.mark.parametrize(
    ("feature_bits", "in_kg", "in_lb"),
    [
        (0, 0.005, 0.01),
        (1, 0.5, 1.0),
        (2, 0.2, 0.5),
        (3, 0.1, 0.2),
        (6, 0.01, 0.02),
        (7, 0.005, 0.01),
        (9, 0.005, 0.01),
    ],
)
def test_the_resolution_is_the_accuracy_where_no_better_is_stated(
    feature_bits: int, in_kg: float, in_lb: float
) -> None:
    feature = struct.pack("<I", feature_bits << 3 | 0b111)
    channel = sig.describe(WEIGHT, 0, {}, feature)
    assert (channel.unit, channel.accuracy) == ("kg", in_kg)
    other = sig.measured(WEIGHT, struct.pack("<BH", 1, 5), channel, feature).channel
    assert (other.unit, other.accuracy, other.label) == ("[lb_av]", in_lb, channel.label)
    back = sig.measured(WEIGHT, struct.pack("<BH", 0, 5), other, feature).channel
    assert back == channel
    assert sig.describe(PRESSURE, 0, {}).accuracy == pytest.approx(0.1)
    assert sig.describe(TEMPERATURE, 0, {}).accuracy == pytest.approx(0.01)


def test_descriptors_name_bound_and_rate_a_channel() -> None:
    channel = sig.describe(
        TEMPERATURE,
        0,
        {
            sig.USER_DESCRIPTION: b"Suction\x1b[31m pipe\0",
            sig.PRESENTATION_FORMAT: struct.pack("<BbHBH", 0x0E, -2, 0x272F, 1, 0),
            sig.VALID_RANGE: struct.pack("<hh", -4000, 8500),
            sig.ES_MEASUREMENT: struct.pack("<HB", 0, 1) + bytes((60, 0, 0, 5, 0, 0, 1, 4)),
        },
    )
    assert (channel.label, channel.period_ms) == ("Suction[31m pipe", 5000)
    assert [channel.range_low, channel.range_high] == pytest.approx([-40.0, 85.0])
    assert channel.accuracy_of_reading == pytest.approx(0.02)  # 4 x 0.5 %
    assert decoded(TEMPERATURE, struct.pack("<h", 9000), channel) == (None, "over range")


@pytest.mark.parametrize(
    "presentation",
    [
        struct.pack("<BbHBH", 0x08, -2, 0x2724, 1, 0),  # another exponent
        struct.pack("<BbHBH", 0x08, -1, 0x2780, 1, 0),  # in bar
        struct.pack("<BbHBH", 0x14, -1, 0x2724, 1, 0),  # a float
    ],
)
def test_a_descriptor_that_contradicts_the_standard_takes_the_meaning_away(presentation: bytes) -> None:
    channel = sig.describe(PRESSURE, 0, {sig.PRESENTATION_FORMAT: presentation})
    assert channel.quantity == Quantity.COUNT
    assert sig.measured(PRESSURE, struct.pack("<I", 77), channel).reading == 77  # kept as evidence
    with pytest.raises(DecodeError, match=r"format in doubt.* measures count; barometer needs absolute pressure"):
        ChannelDecoder(channel, RigChannel(0, "barometer"))


@given(KINDS, st.binary(max_size=20), st.binary(max_size=8), st.dictionaries(
    st.sampled_from([sig.USER_DESCRIPTION, sig.PRESENTATION_FORMAT, sig.VALID_RANGE,
                     sig.ES_MEASUREMENT]), st.binary(max_size=40)))  # fmt: skip
@settings(max_examples=300, deadline=None)
def test_whatever_a_sensor_sends_is_a_channel_and_a_reading(
    kind: int, value: bytes, feature: bytes, descriptors: dict[int, bytes]
) -> None:
    channel = sig.describe(kind, 0, descriptors, feature)
    measured = sig.measured(kind, value, channel, feature)
    layout = Layout([measured.channel])
    assert layout.unpack(layout.pack({0: measured.reading}, 0, 0)) == [(0, measured.reading)]
    assert len(measured.channel.label.encode()) <= 32
    assert measured.channel.label.isprintable()


@given(st.integers(-27_315, 32_767))
@settings(max_examples=100, deadline=None)
def test_every_temperature_survives(raw: int) -> None:
    value, _ = decoded(TEMPERATURE, struct.pack("<h", raw))
    assert value == pytest.approx(raw / 100 + 273.15, abs=1e-9)


@given(st.integers(0, 0xFFFE), st.booleans())
@settings(max_examples=100, deadline=None)
def test_every_weight_survives(raw: int, pounds: bool) -> None:
    value, _ = decoded(WEIGHT, struct.pack("<BH", pounds, raw))
    assert value == pytest.approx(raw * (0.01 * 0.45359237 if pounds else 0.005), abs=1e-9)
