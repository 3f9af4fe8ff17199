"""A small device on the codec: enough of SPEC.md to be talked to, with readings that tell their own sequence number."""

from collections import OrderedDict
from dataclasses import replace

from firmware_protocol.codes import Capability, DeviceState, ErrorCode, MessageType, Quantity, SampleType
from firmware_protocol.errors import ProtocolError
from firmware_protocol.framing import DELIMITER, Frame, FrameDecoder, encode_frame
from firmware_protocol.layout import Layout
from firmware_protocol.messages import (
    Accepted,
    Describe,
    ErrorMessage,
    Hello,
    Message,
    OutputDescription,
    Resending,
    Status,
    TimeMarked,
    decode_payload,
    encode_message,
)
from firmware_protocol.requests import (
    Permit,
    RequestDescribe,
    RequestHello,
    RequestOutput,
    RequestStatus,
    ResendFrom,
    SetPeriod,
    Start,
    Stop,
    TimeMark,
)
from logger.model.units import NS_PER_S

MS = 1_000_000
RESEND_EVERY_NS = 7 * MS  # half of a 115 200 baud line at 40 bytes a frame
U32 = 0xFFFF_FFFF
DEVICE_ID = bytes.fromhex("a1b2c3d4e5f60718")


def reading(sequence: int, channel: int) -> int:
    """What channel `channel` reads in frame `sequence`: a wrong byte anywhere would show."""
    return (sequence * 7919 + channel * 104_729) % 8_000_000


class FakeDevice:
    """Pure: bytes and times in, bytes out. Times are ns of any clock that runs on."""

    def __init__(
        self,
        device_id: bytes = DEVICE_ID,
        *,
        channels: int = 3,
        period_ms: int = 100,
        buffer_frames: int = 5000,
        capabilities: Capability = Capability.RESEND | Capability.SET_PERIOD | Capability.OUTPUTS,
        first_sequence: int = 0,
        boot_text: bytes = b"",
        now_ns: int = 0,
    ) -> None:
        self.device_id = device_id
        self.capabilities = capabilities
        self.buffer_frames = buffer_frames
        self.channels = [
            Describe(0, i, Quantity.MASS, "kg", SampleType.I24, -3, period_ms, label=f"channel {i}")
            for i in range(channels)
        ]
        self.boot_count = 41
        self.first_sequence = first_sequence
        self.boot_text = boot_text
        self.mute = False  # sends nothing, as if hung
        self.status_every_ns = 1 * NS_PER_S
        self.decoder = FrameDecoder()
        self.boot(now_ns)

    def boot(self, now_ns: int) -> None:
        """Power on, or reset."""
        self.boot_count += 1
        self.state = DeviceState.IDLE
        self.sequence = self.first_sequence
        self.buffer: OrderedDict[int, bytes] = OrderedDict()
        self.booted_ns = now_ns
        self.next_sample_ns = now_ns
        self.next_resend_ns = now_ns
        self.next_status_ns = now_ns + self.status_every_ns
        self.layout = Layout(self.channels)
        self.resend: list[int] = []
        self.decoder.reset()
        self.out = bytearray(self.boot_text + DELIMITER)
        self._send(self._hello(0))

    def change_scale(self) -> None:
        """Somebody turns a switch: channel 0 counts in other steps from now on."""
        self.channels[0] = replace(self.channels[0], exponent=self.channels[0].exponent - 1)
        self._layout_changed()

    def feed(self, data: bytes, now_ns: int) -> None:
        """Bytes from the host."""
        for item in self.decoder.feed(data):
            if not isinstance(item, Frame):
                continue
            try:
                message = decode_payload(item.payload)
            except ProtocolError:
                continue
            self._answer(message, now_ns)

    def step(self, now_ns: int) -> bytes:
        """Let time pass; bytes for the host."""
        while self.state is DeviceState.STREAMING and now_ns >= self.next_sample_ns:
            self._sample(self.next_sample_ns)
            self.next_sample_ns += min(c.period_ms for c in self.channels) * MS
        while self.resend and now_ns >= self.next_resend_ns:
            self.out += self.buffer.get(self.resend.pop(0), b"")
            self.next_resend_ns = max(self.next_resend_ns, now_ns - NS_PER_S) + RESEND_EVERY_NS
        if now_ns >= self.next_status_ns:
            self.next_status_ns = now_ns + self.status_every_ns
            self._send(self._status(0, now_ns))
        data = b"" if self.mute else bytes(self.out)
        self.out.clear()
        return data

    def tick(self, now_ns: int) -> int:
        return (now_ns - self.booted_ns) // MS & U32

    def _sample(self, at_ns: int) -> None:
        readings = {i: reading(self.sequence, i) for i in range(len(self.channels))}
        raw = encode_frame(encode_message(self.layout.pack(readings, self.sequence, self.tick(at_ns))))
        self.buffer[self.sequence] = raw
        if len(self.buffer) > self.buffer_frames:
            self.buffer.popitem(last=False)
        self.out += raw
        self.sequence = (self.sequence + 1) & U32

    def _answer(self, request: Message, now_ns: int) -> None:
        match request:
            case RequestHello(request_id):
                self._send(self._hello(request_id))
            case RequestDescribe(request_id, index) if index < len(self.channels):
                self._send(replace(self.channels[index], request_id=request_id))
            case RequestOutput(request_id, index):
                self._send(OutputDescription(request_id, index, 5000, label="relay"))
            case RequestStatus(request_id):
                self._send(self._status(request_id, now_ns))
            case Start(request_id):
                if self.state is DeviceState.IDLE:
                    self.state = DeviceState.STREAMING
                    self.next_sample_ns = now_ns
                self._accept(request_id, MessageType.START, now_ns)
            case Stop(request_id):
                self.state = DeviceState.IDLE
                self._accept(request_id, MessageType.STOP, now_ns)
            case SetPeriod(request_id, period_ms):
                self.channels = [replace(c, period_ms=period_ms) for c in self.channels]
                self._layout_changed()
                self._accept(request_id, MessageType.SET_PERIOD, now_ns)
            case TimeMark(request_id, host_time):
                self._send(TimeMarked(request_id, self.boot_count, host_time, self.tick(now_ns), self.tick(now_ns)))
            case ResendFrom(request_id) if Capability.RESEND in self.capabilities:
                self._resend(request)
            case Permit(request_id) | RequestDescribe(request_id) | ResendFrom(request_id):
                self._send(ErrorMessage(request_id, ErrorCode.NOT_SUPPORTED, "no", encode_message(request)[0]))

    def _resend(self, request: ResendFrom) -> None:
        held = [s for i in range(request.count) if (s := (request.first + i) & U32) in self.buffer]
        self.resend = held
        oldest = next(iter(self.buffer), self.sequence)
        first = held[0] if held else request.first
        self._send(Resending(request.request_id, self.boot_count, first, len(held), oldest, self.sequence))

    def _layout_changed(self) -> None:
        self.layout = Layout(self.channels)
        self._send(self._hello(0))

    def _hello(self, request_id: int) -> Hello:
        return Hello(
            request_id,
            self.device_id,
            "fake",
            "1.0",
            self.boot_count,
            1000,
            len(self.channels),
            self.layout.layout_id,
            self.capabilities,
            1 if Capability.OUTPUTS in self.capabilities else 0,
            self.buffer_frames,
        )

    def _status(self, request_id: int, now_ns: int) -> Status:
        oldest = next(iter(self.buffer), self.sequence)
        return Status(
            request_id,
            (now_ns - self.booted_ns) // NS_PER_S,
            self.boot_count,
            self.state,
            self.layout.layout_id,
            oldest,
            self.sequence,
            self.tick(now_ns),
        )

    def _accept(self, request_id: int, kind: MessageType, now_ns: int) -> None:
        self._send(Accepted(request_id, kind, self.boot_count, self.layout.layout_id, self.sequence, self.tick(now_ns)))

    def _send(self, message: Message) -> None:
        self.out += encode_frame(encode_message(message))
