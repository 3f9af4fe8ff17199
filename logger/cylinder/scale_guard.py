"""The limits that a device itself holds its scale to while it keeps a contact closed (SPEC.md section 8).

The device knows raw numbers only. These are taken so that the raw number which would reach the cylinder's limit, its
uncertainty counted against the user as in the host's overfill alarm, is already outside.
"""

import math
from dataclasses import dataclass

from firmware_protocol.layout import highest_reading, lowest_reading
from logger.cylinder.limits import EMPTY_SLACK, CylinderLimits
from logger.decode.channel import ChannelDecoder

COVERAGE = 2.0  # k of the overfill alarm


@dataclass(frozen=True, slots=True)
class ScaleGuard:
    """channel: the device's. low, high: raw, the outermost that are allowed. low_kg: the lowest gross mass allowed,
    high_kg: the one not reached."""

    channel: int
    low: int
    high: int
    low_kg: float
    high_kg: float


def scale_guard(
    decoder: ChannelDecoder, limit: CylinderLimits, share: float = 1.0, u_kg: float = 0.0
) -> ScaleGuard | None:
    """Raw limits of the scale's channel: from an empty cylinder (less what a scale's zero may drift) to `share` of the
    tightest filling limit, less twice u_kg. None where there is no limit, or none that the channel can tell.
    """
    max_net_kg = limit.max_net.number
    if max_net_kg is None or not (0 < share <= 1 and u_kg >= 0):
        return None
    cylinder = limit.cylinder
    low_kg = cylinder.tare_kg - max(3 * u_kg, EMPTY_SLACK * cylinder.water_capacity_kg)
    high_kg = cylinder.tare_kg + share * max_net_kg - COVERAGE * u_kg
    edges = decoder.raw_at(low_kg), decoder.raw_at(high_kg)
    if None in edges or high_kg <= cylinder.tare_kg:
        return None
    a, b = sorted(edge for edge in edges if edge is not None)
    if not math.isfinite(b - a):
        return None
    kind = decoder.describe.sample_type
    low, high = max(math.ceil(a), lowest_reading(kind)), min(math.floor(b), highest_reading(kind))
    rising = edges[0] == a
    while low < high and _kg(decoder, high if rising else low) >= high_kg:  # at the limit is over it; rounding, too
        low, high = (low, high - 1) if rising else (low + 1, high)
    return ScaleGuard(decoder.channel.index, low, high, low_kg, high_kg) if low < high else None


def _kg(decoder: ChannelDecoder, raw: int) -> float:
    """What it reads; beyond the sensor's range nothing can be read, and the device opens by that alone."""
    value = decoder.decode(0, raw).value
    return -math.inf if value is None else value
