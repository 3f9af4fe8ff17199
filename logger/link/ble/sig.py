"""Characteristics of the Bluetooth SIG that measure something, as channels of our protocol.

Formats: Bluetooth SIG, GATT Specification Supplement (Pressure 0x2A6D, Temperature 0x2A6E, Weight Measurement 0x2A9D,
Weight Scale Feature 0x2A9E, descriptors 0x2901, 0x2904, 0x2906, 0x290C) and Environmental Sensing Service 1.0; little-
endian throughout. Bytes in, integers and Describe messages out. What a sensor sends is not trusted: wrong lengths give
no reading, and descriptors that contradict the standard take the meaning from the channel.
"""

import struct
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from firmware_protocol.codes import NoReading, Quantity, SampleType
from firmware_protocol.layout import Reading
from firmware_protocol.messages import Describe
from logger.link.ble.virtual_device import LABEL_BYTES, shortened
from logger.model.text import clean

ENVIRONMENTAL_SENSING: Final = 0x181A
WEIGHT_SCALE: Final = 0x181D
PRESSURE: Final = 0x2A6D
TEMPERATURE: Final = 0x2A6E
WEIGHT: Final = 0x2A9D
WEIGHT_SCALE_FEATURE: Final = 0x2A9E
USER_DESCRIPTION: Final = 0x2901
PRESENTATION_FORMAT: Final = 0x2904
VALID_RANGE: Final = 0x2906
ES_MEASUREMENT: Final = 0x290C

MEASURED_IN: Final = {ENVIRONMENTAL_SENSING: (PRESSURE, TEMPERATURE), WEIGHT_SCALE: (WEIGHT,)}

USUAL_PERIOD_MS: Final = 1000  # where the sensor states none
_MAX_PERIOD_S: Final = 3600
_I32_MAX: Final = 0x7FFF_FFFF
_ABSOLUTE_ZERO: Final = -27_315  # 0.01 Cel
_TEMPERATURE_UNKNOWN: Final = -0x8000
_WEIGHT_UNSUCCESSFUL: Final = 0xFFFF
_POUNDS: Final = 0x01  # flags of a weight measurement
_TIME_STAMP, _USER, _BMI_AND_HEIGHT = 0x02, 0x04, 0x08
_WEIGHT_FIELDS: Final = struct.Struct("<BH")
_DATE_TIME: Final = struct.Struct("<H5B")  # year, month, day, hours, minutes, seconds; the first three 0: not known
_UNCERTAINTY_UNKNOWN: Final = (0, 0xFF)  # 0 is what firmware leaves there, and no sensor is perfect
_FORMAT_DOUBT: Final = "format in doubt"

# Weight Scale Feature, bits 3 to 6: resolution in kg and in lb.
_RESOLUTIONS: Final = {
    1: (0.5, 1.0), 2: (0.2, 0.5), 3: (0.1, 0.2), 4: (0.05, 0.1), 5: (0.02, 0.05), 6: (0.01, 0.02), 7: (0.005, 0.01),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Scalar:
    """presentation: format, exponent and unit that descriptor 0x2904 must state, if it is there."""

    name: str
    struct: struct.Struct
    quantity: Quantity
    unit: str
    sample_type: SampleType
    exponent: int
    presentation: tuple[int, int, int]


_SCALARS: Final = {
    PRESSURE: _Scalar(
        "Pressure", struct.Struct("<I"), Quantity.ABSOLUTE_PRESSURE, "Pa", SampleType.I32, -1, (0x08, -1, 0x2724)
    ),
    TEMPERATURE: _Scalar(
        "Temperature", struct.Struct("<h"), Quantity.TEMPERATURE, "Cel", SampleType.I16, -2, (0x0E, -2, 0x272F)
    ),
}


@dataclass(frozen=True, slots=True)
class Measured:
    """One value of a sensor. channel: the description it was made under, which a weight's unit changes."""

    channel: Describe
    reading: Reading


def describe(characteristic: int, index: int, descriptors: dict[int, bytes], feature: bytes = b"") -> Describe:
    """The channel of a characteristic: PRESSURE, TEMPERATURE or WEIGHT.

    descriptors: values by 16-bit UUID, as far as they could be read. feature: value of 0x2A9E, for a weight.
    accuracy is the resolution where nothing better is stated.
    """
    label = clean(descriptors.get(USER_DESCRIPTION, b"").decode("utf-8", "replace").rstrip("\0"), LABEL_BYTES)
    if characteristic == WEIGHT:
        return _weight_channel(index, pounds=False, feature=feature, label=label)
    kind = _SCALARS[characteristic]
    step = 10.0**kind.exponent
    channel = Describe(
        request_id=0, index=index, quantity=kind.quantity, unit=kind.unit, sample_type=kind.sample_type,
        exponent=kind.exponent, period_ms=USUAL_PERIOD_MS, accuracy=step,
        label=shortened(label or kind.name, LABEL_BYTES),
    )  # fmt: skip
    presentation = descriptors.get(PRESENTATION_FORMAT, b"")
    if len(presentation) >= 7 and struct.unpack_from("<BbH", presentation) != kind.presentation:
        # Which of the two holds cannot be known: the number is kept, without a meaning.
        label = shortened(f"{kind.name}, {_FORMAT_DOUBT}", LABEL_BYTES)
        return replace(channel, quantity=Quantity.COUNT, unit="1", exponent=0, accuracy=None, label=label)
    return _with_measurement(_with_range(channel, kind, descriptors), descriptors)


def measured(characteristic: int, value: bytes, channel: Describe, feature: bytes = b"") -> Measured:
    """What the bytes of a characteristic say, in the integers of its channel."""
    if characteristic == WEIGHT:
        return _weight(value, channel, feature)
    kind = _SCALARS[characteristic]
    if len(value) != kind.struct.size:
        return Measured(channel, NoReading.OTHER)
    (raw,) = kind.struct.unpack(value)
    if characteristic == PRESSURE:
        return Measured(channel, raw if raw <= _I32_MAX else NoReading.OVER_RANGE)
    if raw == _TEMPERATURE_UNKNOWN:
        return Measured(channel, NoReading.OTHER)
    return Measured(channel, raw if raw >= _ABSOLUTE_ZERO else NoReading.UNDER_RANGE)


def time_stamp(characteristic: int, value: bytes) -> datetime | None:
    """When the sensor measured, by its own clock, which is of no known zone and may be wrong. None: not stated."""
    if characteristic != WEIGHT or not _is_whole(value) or not value[0] & _TIME_STAMP:
        return None
    try:
        return datetime(*_DATE_TIME.unpack_from(value, _WEIGHT_FIELDS.size))  # noqa: DTZ001
    except ValueError:
        return None


def _is_whole(weight: bytes) -> bool:
    """It has all the fields that its flags promise."""
    if len(weight) < _WEIGHT_FIELDS.size:
        return False
    more = ((_TIME_STAMP, _DATE_TIME.size), (_USER, 1), (_BMI_AND_HEIGHT, 4))
    return len(weight) >= _WEIGHT_FIELDS.size + sum(size for flag, size in more if weight[0] & flag)


def _weight(value: bytes, channel: Describe, feature: bytes) -> Measured:
    if not _is_whole(value):
        return Measured(channel, NoReading.OTHER)
    flags, weight = _WEIGHT_FIELDS.unpack_from(value)
    pounds = bool(flags & _POUNDS)
    if pounds != (channel.unit == "[lb_av]"):
        other = _weight_channel(channel.index, pounds=pounds, feature=feature, label=channel.label)
        channel = replace(other, period_ms=channel.period_ms)
    if weight == _WEIGHT_UNSUCCESSFUL:
        return Measured(channel, NoReading.OTHER)
    return Measured(channel, weight if pounds else 5 * weight)  # 0.01 lb, 0.005 kg


def _weight_channel(index: int, *, pounds: bool, feature: bytes, label: str) -> Describe:
    bits = int.from_bytes(feature[:4], "little") if len(feature) >= 4 else 0
    in_kg, in_lb = _RESOLUTIONS.get(bits >> 3 & 0xF, (0.005, 0.01))
    return Describe(
        request_id=0, index=index, quantity=Quantity.MASS, unit="[lb_av]" if pounds else "kg",
        sample_type=SampleType.I24, exponent=-2 if pounds else -3, period_ms=USUAL_PERIOD_MS,
        accuracy=in_lb if pounds else in_kg, label=shortened(label or "Weight", LABEL_BYTES),
    )  # fmt: skip


def _with_range(channel: Describe, kind: _Scalar, descriptors: dict[int, bytes]) -> Describe:
    """Valid Range: lowest and highest value, each in the characteristic's own format."""
    value = descriptors.get(VALID_RANGE, b"")
    size = kind.struct.size
    if len(value) != 2 * size:
        return channel
    low, high = (raw * 10.0**kind.exponent for at in (0, size) for raw in kind.struct.unpack_from(value, at))
    return replace(channel, range_low=low, range_high=high) if low < high else channel


def _with_measurement(channel: Describe, descriptors: dict[int, bytes]) -> Describe:
    """ES Measurement: u16 flags, u8 sampling, u24 period, u24 update interval in s, u8 application, u8 of 0.5 %."""
    value = descriptors.get(ES_MEASUREMENT, b"")
    if len(value) < 11:
        return channel
    interval_s = int.from_bytes(value[6:9], "little")
    if 0 < interval_s <= _MAX_PERIOD_S:
        channel = replace(channel, period_ms=1000 * interval_s)
    if value[10] not in _UNCERTAINTY_UNKNOWN:
        channel = replace(channel, accuracy_of_reading=value[10] * 0.005)
    return channel
