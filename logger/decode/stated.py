"""Channels of instruments that do not describe themselves: the rig's words made into a device's description.

What they say is a finished number in a unit, so from there on they are decoded, judged and shown like any other.
"""

from collections.abc import Iterable

from firmware_protocol.codes import Quantity as Measured
from firmware_protocol.codes import SampleType
from firmware_protocol.messages import Describe
from logger.decode.channel import ChannelDecoder, DecodeError
from logger.decode.ucum import ucum
from logger.model.points import POINTS, Quantity
from logger.model.rig import RigChannel
from logger.model.text import clean
from logger.model.units import Unit, UnitError, find_unit

STALE_PERIODS = 3  # a point is stale after so many periods without a reading (logger/pipeline/job_model.py)
_MAX_LABEL = 32

_MEASURED = {
    Quantity.PRESSURE: Measured.ABSOLUTE_PRESSURE,
    Quantity.VACUUM: Measured.ABSOLUTE_PRESSURE,
    Quantity.TEMPERATURE: Measured.TEMPERATURE,
    Quantity.MASS: Measured.MASS,
    Quantity.RATIO: Measured.RATIO,
}


def is_gauge(unit: Unit) -> bool:
    """Measured against the air around: psig, barg, inches of mercury of vacuum."""
    return unit.reference != "absolute"


def in_unit(number: float, of: Unit, unit: Unit) -> float:
    """A number as read in one unit, in the described unit of another; a vacuum becomes negative gauge pressure."""
    if of.reference == "vacuum":
        number = -number
    if of.ucum == unit.ucum:
        return number
    return (number * of.factor + of.offset - unit.offset) / unit.factor


def describe(channel: RigChannel, label: str, stale_s: float) -> Describe:
    """What a device would say of this channel, of the unit as the rig names it. Raises DecodeError, UnitError."""
    stated = channel.stated
    if stated is None:
        raise DecodeError(f"channel {channel.index}: the rig does not say what it states")
    unit = find_unit(stated.unit)
    quantity = _MEASURED.get(unit.quantity)
    if quantity is None:
        raise DecodeError(f"channel {channel.index}: {unit.name} is no unit of a reading")
    if is_gauge(unit):
        quantity = Measured.GAUGE_PRESSURE
    return Describe(
        request_id=0,
        index=channel.index,
        quantity=quantity,
        unit=unit.ucum,
        sample_type=SampleType.I32,
        exponent=0,
        period_ms=max(1, round(1000 * stale_s / STALE_PERIODS)),
        range_low=stated.low,
        range_high=stated.high,
        accuracy=stated.accuracy,
        accuracy_of_reading=stated.of_reading,
        label=clean(label, _MAX_LABEL),
    )


def stated_decoder(channel: RigChannel, label: str, stale_s: float) -> ChannelDecoder:
    """Decodes numbers in the channel's unit. Raises DecodeError when unit and measuring point do not fit."""
    if channel.point not in POINTS:
        raise DecodeError(f"channel {channel.index}: {channel.point!r} is no measuring point")
    try:
        described = describe(channel, label, stale_s)
    except UnitError as exc:
        raise DecodeError(f"channel {channel.index}: {exc}") from exc
    assert channel.stated is not None
    return ChannelDecoder(described, channel, channel.stated.division)


def check_units(units: Iterable[Unit]) -> None:
    """Raises DecodeError unless all are units of one kind, so that each number can be turned into the first's."""
    first, *others = units
    for other in others:
        same = ucum(first.ucum).si == ucum(other.ucum).si and is_gauge(first) == is_gauge(other)
        if not same:
            raise DecodeError(f"{first.name} and {other.name} cannot be units of one reading")
