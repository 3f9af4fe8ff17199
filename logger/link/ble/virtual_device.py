"""A device that this program makes up for an instrument which does not speak our protocol.

The instrument's own numbers travel unscaled, as the integers of samples frames, described by what the instrument's
standard says of them. So they are stored, decoded, replayed and verified like those of any device
(firmware_protocol/SPEC.md section 12). Requests in, frames out; no port and no clock here.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from firmware_protocol.codes import ALL_CHANNELS, Capability, DeviceState, ErrorCode, MessageType
from firmware_protocol.errors import ProtocolError, UnknownMessageError
from firmware_protocol.framing import DELIMITER, Frame, FrameDecoder, encode_frame
from firmware_protocol.layout import Layout, Reading
from firmware_protocol.messages import (
    Accepted,
    Describe,
    DeviceMessage,
    ErrorMessage,
    Hello,
    Status,
    TimeMarked,
    decode_payload,
    encode_message,
)
from firmware_protocol.requests import RequestDescribe, RequestHello, RequestStatus, SetPeriod, Start, Stop, TimeMark
from logger.model.units import NS_PER_S

TICK_RATE_HZ: Final = 1000
MIN_PERIOD_MS: Final = 100
MAX_PERIOD_MS: Final = 3_600_000
FIRMWARE_NAME_BYTES: Final = 32
FIRMWARE_VERSION_BYTES: Final = 24
MODEL_BYTES: Final = 32
LABEL_BYTES: Final = 32
_NS_PER_TICK: Final = NS_PER_S // TICK_RATE_HZ
_U32: Final = 0xFFFF_FFFF


class VirtualDevice:
    """Times are monotonic ns of the host. It outlives its connections, so that the sequence goes on.

    channels: index 0, 1, 2 ... as Describe messages. boot_count: any number that differs from run to run.
    Texts longer than the protocol allows are cut.
    """

    def __init__(
        self,
        device_id: bytes,
        channels: Sequence[Describe],
        *,
        firmware_name: str,
        firmware_version: str = "",
        model: str = "",
        boot_count: int,
        begun_ns: int,
    ) -> None:
        self.device_id = device_id
        self.firmware_name = shortened(firmware_name, FIRMWARE_NAME_BYTES)
        self.firmware_version = shortened(firmware_version, FIRMWARE_VERSION_BYTES)
        self.model = shortened(model, MODEL_BYTES)
        self.boot_count = boot_count & _U32
        self.state = DeviceState.IDLE
        self.battery_percent: int | None = None
        self._begun_ns = begun_ns
        self._next_sequence = 0
        self._decoder = FrameDecoder()
        self._layout = Layout([replace(channel, request_id=0) for channel in channels])

    @property
    def channels(self) -> tuple[Describe, ...]:
        return self._layout.channels

    @property
    def started(self) -> bool:
        return self.state is DeviceState.STREAMING

    def connected(self) -> bytes:
        """A connection was opened: half a request of the one before means nothing. Bytes for the host."""
        self._decoder.reset()
        return DELIMITER

    def samples(self, readings: Mapping[int, Reading], at_ns: int) -> bytes:
        """One frame of what was measured at at_ns, by channel; none while nobody has started the device."""
        if not self.started or not readings:
            return b""
        samples = self._layout.pack(readings, self._next_sequence, self._tick(at_ns))
        self._next_sequence = (self._next_sequence + 1) & _U32
        return encode_frame(encode_message(samples))

    def status(self, now_ns: int) -> bytes:
        """A status nobody asked for: the instrument was heard."""
        return encode_frame(encode_message(self._status(0, now_ns)))

    def describe_anew(self, channels: Sequence[Describe]) -> bytes:
        """The instrument changed (another unit, for one). The hello that says so, nothing when it is all the same."""
        layout = Layout([replace(channel, request_id=0) for channel in channels])
        if layout.layout_id == self._layout.layout_id:
            return b""
        self._layout = layout
        return encode_frame(encode_message(self._hello(0)))

    def answer(self, data: bytes, now_ns: int) -> bytes:
        """The replies to the requests that `data`, received now, completes."""
        out = b""
        for block in self._decoder.feed(data):
            if isinstance(block, Frame):
                out += b"".join(encode_frame(encode_message(reply)) for reply in self._replies(block.payload, now_ns))
        return out

    def _replies(self, payload: bytes, now_ns: int) -> list[DeviceMessage]:
        kind, request_id = payload[0], payload[1] if len(payload) > 1 else 0
        try:
            request = decode_payload(payload)
        except UnknownMessageError:
            return [ErrorMessage(request_id, ErrorCode.UNKNOWN_REQUEST, "unknown request", kind)]
        except ProtocolError as exc:
            return [ErrorMessage(request_id, ErrorCode.MALFORMED, shortened(str(exc), 80), kind)]
        match request:
            case RequestHello():
                return [self._hello(request_id)]
            case RequestDescribe(index=index) if index < len(self.channels):
                return [replace(self.channels[index], request_id=request_id)]
            case RequestDescribe():
                return [ErrorMessage(request_id, ErrorCode.NO_SUCH_CHANNEL, f"no channel {request.index}", kind)]
            case RequestStatus():
                return [self._status(request_id, now_ns)]
            case Start():
                self.state = DeviceState.STREAMING
                return [self._accepted(request_id, MessageType.START, now_ns)]
            case Stop():
                self.state = DeviceState.IDLE
                return [self._accepted(request_id, MessageType.STOP, now_ns)]
            case TimeMark():
                tick = self._tick(now_ns)
                return [TimeMarked(request_id, self.boot_count, request.host_time, tick, tick)]
            case SetPeriod():
                return self._set_period(request, now_ns)
        return [ErrorMessage(request_id, ErrorCode.NOT_SUPPORTED, "a virtual device cannot do this", kind)]

    def _set_period(self, request: SetPeriod, now_ns: int) -> list[DeviceMessage]:
        every = request.index == ALL_CHANNELS
        if not every and request.index >= len(self.channels):
            return [ErrorMessage(request.request_id, ErrorCode.NO_SUCH_CHANNEL, f"no channel {request.index}",
                                 MessageType.SET_PERIOD)]  # fmt: skip
        period_ms = min(max(request.period_ms, MIN_PERIOD_MS), MAX_PERIOD_MS)
        before = self._layout.layout_id
        self._layout = Layout(
            [replace(c, period_ms=period_ms) if every or c.index == request.index else c for c in self.channels]
        )
        accepted = self._accepted(request.request_id, MessageType.SET_PERIOD, now_ns)
        return [accepted] if before == self._layout.layout_id else [accepted, self._hello(0)]

    def _hello(self, request_id: int) -> Hello:
        return Hello(
            request_id=request_id, device_id=self.device_id, firmware_name=self.firmware_name,
            firmware_version=self.firmware_version, boot_count=self.boot_count, tick_rate_hz=TICK_RATE_HZ,
            channels=len(self.channels), layout_id=self._layout.layout_id, capabilities=Capability.SET_PERIOD,
            model=self.model,
        )  # fmt: skip

    def _status(self, request_id: int, now_ns: int) -> Status:
        return Status(
            request_id=request_id, uptime_s=(now_ns - self._begun_ns) // NS_PER_S, boot_count=self.boot_count,
            state=self.state, layout_id=self._layout.layout_id, oldest_sequence=self._next_sequence,
            next_sequence=self._next_sequence, tick=self._tick(now_ns), battery_percent=self.battery_percent,
        )  # fmt: skip

    def _accepted(self, request_id: int, kind: MessageType, now_ns: int) -> Accepted:
        return Accepted(
            request_id, kind, self.boot_count, self._layout.layout_id, self._next_sequence, self._tick(now_ns)
        )

    def _tick(self, at_ns: int) -> int:
        return ((at_ns - self._begun_ns) // _NS_PER_TICK) & _U32


def shortened(text: str, limit: int) -> str:
    """At most `limit` bytes of UTF-8, cut between characters."""
    return text.encode()[:limit].decode(errors="ignore")
