"""How the bytes of Samples.data are cut into channels (SPEC.md section 7).

The layout id is the CRC-32 of all describe bodies in channel order, so a description cannot change without the
id changing, and a host that computes it knows that its descriptions are the ones the samples were made with.
"""

import zlib
from collections.abc import Mapping, Sequence
from typing import Final, TypeAlias

from firmware_protocol.codes import MAX_CHANNELS, RESERVED_CODES, MessageType, NoReading, SampleType
from firmware_protocol.errors import LayoutError, LayoutMismatchError
from firmware_protocol.framing import MAX_PAYLOAD
from firmware_protocol.messages import Describe, Samples, decode_payload, encode_message

Reading: TypeAlias = int | NoReading

_BODY_AT: Final = 2  # type byte and request id come before a describe body
_SAMPLES_HEAD_BYTES: Final = 13
_MAX_PLANS: Final = 64

# Presence bitmap -> (channel, first byte, end, lowest real reading), and the whole length.
_Plan: TypeAlias = tuple[tuple[tuple[int, int, int, int], ...], int]


def lowest_reading(sample_type: SampleType) -> int:
    """Smallest number of the type that is a reading; the RESERVED_CODES below it say why there is none."""
    return -(1 << (8 * sample_type - 1)) + RESERVED_CODES


def highest_reading(sample_type: SampleType) -> int:
    """Largest number of the type."""
    return (1 << (8 * sample_type - 1)) - 1


class Layout:
    """Channels in order, their widths, and the layout id that samples must carry."""

    __slots__ = ("_bitmap_bytes", "_plans", "channels", "layout_id")

    def __init__(self, channels: Sequence[Describe], layout_id: int | None = None) -> None:
        """channels: index 0, 1, 2 ... in order. layout_id: None computes it as a device built on this code does."""
        if len(channels) > MAX_CHANNELS:
            raise LayoutError(f"{len(channels)} channels, at most {MAX_CHANNELS} allowed")
        if [channel.index for channel in channels] != list(range(len(channels))):
            raise LayoutError("channel descriptions are not indexed 0, 1, 2 ... in order")
        self.channels = tuple(channels)
        self._bitmap_bytes = (len(channels) + 7) // 8
        size = _SAMPLES_HEAD_BYTES + self._bitmap_bytes + sum(channel.sample_type for channel in channels)
        if size > MAX_PAYLOAD:
            raise LayoutError(f"samples of all channels take {size} bytes, at most {MAX_PAYLOAD} allowed")
        self.layout_id = layout_id_of([encode_message(c) for c in channels]) if layout_id is None else layout_id
        self._plans: dict[bytes, _Plan] = {}

    @classmethod
    def from_payloads(cls, payloads: Sequence[bytes]) -> "Layout":
        """Layout of describe payloads exactly as received, in channel order. Raises a ProtocolError."""
        channels = []
        for payload in payloads:
            message = decode_payload(payload)
            if not isinstance(message, Describe):
                raise LayoutError(f"a {type(message).__name__} is no channel description")
            channels.append(message)
        return cls(channels, layout_id_of(payloads))

    def unpack(self, samples: Samples) -> list[tuple[int, Reading]]:
        """(channel index, raw integer or why there is none) of each channel present, in channel order.

        Raises LayoutMismatchError for samples of another layout, LayoutError for a wrong length or bitmap.
        """
        if samples.layout_id != self.layout_id:
            raise LayoutMismatchError(self.layout_id, samples.layout_id)
        data = samples.data
        plan = self._plans.get(data[: self._bitmap_bytes])
        if plan is None:
            plan = self._make_plan(data[: self._bitmap_bytes])
        parts, length = plan
        if len(data) != length:
            raise LayoutError(f"samples have {len(data)} bytes of data, {length} expected")
        from_bytes = int.from_bytes
        return [
            (
                index,
                raw if (raw := from_bytes(data[start:end], "little", signed=True)) >= lowest else _why(raw, lowest),
            )
            for index, start, end, lowest in parts
        ]

    def pack(self, readings: Mapping[int, Reading], sequence: int, tick: int) -> Samples:
        """Samples of the channels in `readings`. Raises LayoutError for an unknown channel or a raw out of range."""
        bitmap = 0
        packed = []
        for index in sorted(readings):
            if not 0 <= index < len(self.channels):
                raise LayoutError(f"no channel {index}")
            bitmap |= 1 << index
            packed.append(self._packed(index, readings[index]))
        data = bitmap.to_bytes(self._bitmap_bytes, "little") + b"".join(packed)
        return Samples(self.layout_id, sequence, tick, data)

    def _packed(self, index: int, reading: Reading) -> bytes:
        sample_type = self.channels[index].sample_type
        lowest = lowest_reading(sample_type)
        if isinstance(reading, NoReading):
            raw = lowest - RESERVED_CODES + reading.value
        elif lowest <= reading <= highest_reading(sample_type):
            raw = reading
        else:
            raise LayoutError(f"channel {index}: {reading} does not fit {sample_type.name}")
        return raw.to_bytes(sample_type, "little", signed=True)

    def _make_plan(self, bitmap: bytes) -> _Plan:
        if len(bitmap) < self._bitmap_bytes:
            raise LayoutError("samples end inside the presence bitmap")
        present = int.from_bytes(bitmap, "little")
        if present >> len(self.channels):
            raise LayoutError("the presence bitmap names channels that do not exist")
        parts = []
        at = self._bitmap_bytes
        for index, channel in enumerate(self.channels):
            if present >> index & 1:
                end = at + channel.sample_type
                parts.append((index, at, end, lowest_reading(channel.sample_type)))
                at = end
        if len(self._plans) >= _MAX_PLANS:
            self._plans.clear()
        plan = self._plans[bitmap] = (tuple(parts), at)
        return plan


def layout_id_of(payloads: Sequence[bytes]) -> int:
    """CRC-32/ISO-HDLC over the CBOR bodies of describe payloads in channel order."""
    crc = 0
    for payload in payloads:
        if payload[:1] != bytes((MessageType.DESCRIBE,)):
            raise LayoutError("not a describe payload")
        crc = zlib.crc32(payload[_BODY_AT:], crc)
    return crc


_REASONS: Final = {reason.value: reason for reason in NoReading}


def _why(raw: int, lowest: int) -> NoReading:
    return _REASONS.get(raw - lowest + RESERVED_CODES, NoReading.OTHER)
