"""A device that speaks all of the protocol: bytes and time in, bytes out. No port, no clock, no sleep.

`step(data, now_s)` moves it on to now_s: samples due by then are taken at the instants they were due, requests in
`data` are answered, a status goes out in time. The same calls give the same bytes.
"""

import random
from collections import deque
from collections.abc import Sequence
from dataclasses import replace

from firmware_protocol.codes import (
    ALL_CHANNELS,
    FROM_DEVICE,
    Capability,
    DeviceState,
    ErrorCode,
    Fault,
    MessageType,
    OpenedBy,
)
from firmware_protocol.errors import ProtocolError, UnknownMessageError
from firmware_protocol.framing import DELIMITER, Frame, FrameDecoder, encode_frame
from firmware_protocol.layout import Layout
from firmware_protocol.messages import (
    Accepted,
    DeviceMessage,
    ErrorMessage,
    Hello,
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
from sim_device.boards import BoardSpec
from sim_device.outputs import DeviceNow, Output
from sim_device.sensors import ChannelSpec, Sense, Sensor
from sim_device.tick_clock import TickClock

_PAUSE_MS = 1_000
_STATUS_MS = 2_000
_MIN_PERIOD_MS, _MAX_PERIOD_MS = 20, 3_600_000
_RESEND_BYTES_S = 5_760  # half of a 115 200 baud line
_U32 = 0xFFFFFFFF


class Device:
    """One board of the rig.

    now_s is plant time and never goes back. boot_s: when it was switched on. tick0: its first tick. drift_ppm: its
    clock runs fast by so much. sensors: one a channel; break a wire or add an error there. faults: for its status.
    """

    def __init__(
        self,
        board: BoardSpec,
        sense: Sense,
        device_id: bytes,
        seed: int = 0,
        *,
        boot_count: int = 1,
        boot_s: float = 0.0,
        tick0: int = 0,
        drift_ppm: float = 0.0,
    ) -> None:
        self.board = board
        self.device_id = device_id
        rng = random.Random(f"{board.name}/{seed}")
        self.sensors = [Sensor(_one_of_its_kind(spec, rng), i, sense, rng) for i, spec in enumerate(board.channels)]
        self.boot_count = boot_count - 1
        self.faults = Fault.NONE
        self._drift_ppm = drift_ppm
        self._tick0 = tick0
        self._down_until_s: float | None = boot_s
        self._now_s = boot_s
        self._power_up(boot_s)

    # --- power and clock --------------------------------------------------------------------------------------

    def _power_up(self, at_s: float) -> None:
        self._down_until_s = None
        self.boot_count = (self.boot_count + 1) & _U32
        self._clock = TickClock(at_s, self._drift_ppm)
        self.state = DeviceState.IDLE
        self._periods_ms = [spec.period_ms for spec in self.board.channels]
        self._relayout()
        self._next_sequence = 0
        self._buffer: deque[bytes] = deque(maxlen=self.board.buffer_frames)
        self._due_ms: dict[int, int] = {}
        self._status_due_ms = _STATUS_MS
        self._decoder = FrameDecoder()
        self._dropped = 0
        self._resend: tuple[int, int] | None = None  # next sequence, how many
        self._resend_credit = 0.0
        self.outputs = [Output(i, f"Relay {i}") for i in range(self.board.outputs)]
        self._greeting = DELIMITER + self._frame(self._hello(0))
        self._said_ms = 0

    def reboot(self, down_s: float = 1.0, watchdog: bool = False) -> None:
        """Power fails now; it comes up again after down_s with everything but its boot count forgotten."""
        self._down_until_s = self._now_s + down_s
        for output in self.outputs:
            output.trip(OpenedBy.DEVICE_FAULT, self._ms)
        self.faults = Fault.WATCHDOG_RESET if watchdog else Fault.NONE

    def set_drift(self, ppm: float) -> None:
        self._drift_ppm = ppm
        self._clock.set_drift(ppm, self._now_s)

    @property
    def _ms(self) -> int:
        return self._clock.ms(self._now_s)

    def _tick(self, ms: int) -> int:
        return (self._tick0 + ms * self.board.tick_rate_hz // 1000) & _U32

    # --- the step ---------------------------------------------------------------------------------------------

    def connected(self) -> bytes:
        """What it sends when a link was opened."""
        return DELIMITER

    def step(self, data: bytes, now_s: float, linked: bool = True) -> bytes:
        """Move on to now_s with `data` received at the end; bytes to send. linked False: nobody takes them."""
        out: list[bytes] = []
        before_s = self._now_s
        self._now_s = max(now_s, before_s)
        if self._down_until_s is not None:
            if self._now_s < self._down_until_s:
                return b""
            self._power_up(self._down_until_s)
            data = b""
        if self._greeting:
            out.append(self._greeting)
            self._greeting = b""
        live = self._run_to(self._ms, out, linked)
        for block in self._decoder.feed(data):
            if isinstance(block, Frame):
                for reply in self._answer(block.payload):
                    self._say(out, self._frame(reply), self._ms)
        if not linked:
            return b""
        self._resend_some(self._now_s - before_s, live, out)
        return b"".join(out)

    def _say(self, out: list[bytes], frame: bytes, ms: int) -> None:
        """At that time; after a pause a delimiter leads it."""
        out.append(DELIMITER + frame if ms - self._said_ms >= _PAUSE_MS else frame)
        self._said_ms = ms

    def _run_to(self, now_ms: int, out: list[bytes], linked: bool) -> int:
        """Everything due up to now_ms, in order; bytes of live samples sent."""
        live = 0
        while True:
            due_ms = min(self._due_ms.values(), default=now_ms + 1)
            expiry_ms = min((o.expires_ms for o in self.outputs if o.closed), default=now_ms + 1)
            at_ms = min(due_ms, expiry_ms, self._status_due_ms)
            if at_ms > now_ms:
                return live
            opened = False
            if at_ms == due_ms:
                frame, opened = self._sample(due_ms)
                if linked:
                    self._say(out, frame, due_ms)
                    live += len(frame)
                else:
                    self._dropped += 1
            for output in self.outputs:
                opened |= output.watch_time(at_ms)
            if opened or at_ms == self._status_due_ms:
                self._say(out, self._frame(self._status(0, at_ms)), at_ms)
                self._status_due_ms = at_ms + _STATUS_MS

    def _sample(self, due_ms: int) -> tuple[bytes, bool]:
        """(frame of all channels due at that instant, whether an output opened by it)."""
        t_s = self._clock.seconds(due_ms)
        periods = [period for period, at_ms in self._due_ms.items() if at_ms == due_ms]
        for period in periods:
            self._due_ms[period] = due_ms + period
        readings = {
            i: sensor.reading(t_s)
            for i, (sensor, period) in enumerate(zip(self.sensors, self._periods_ms, strict=True))
            if period in periods
        }
        samples = self._layout.pack(readings, self._next_sequence, self._tick(due_ms))
        frame = encode_frame(encode_message(samples))
        self._next_sequence = (self._next_sequence + 1) & _U32
        self._buffer.append(frame)
        opened = False
        for output in self.outputs:
            opened |= output.watch_samples(readings, self._layout, due_ms)
        return frame, opened

    def _resend_some(self, elapsed_s: float, live_bytes: int, out: list[bytes]) -> None:
        """Frames asked for again, after the live ones, within half of the link."""
        if self._resend is None:
            return
        self._resend_credit = min(
            self._resend_credit + elapsed_s * _RESEND_BYTES_S, max(live_bytes, 4 * _RESEND_BYTES_S)
        )
        sequence, left = self._resend
        while left and self._resend_credit > 0:
            held = (sequence - self._oldest) & _U32
            if held < len(self._buffer):
                self._say(out, self._buffer[held], self._ms)
                self._resend_credit -= len(self._buffer[held])
            sequence, left = (sequence + 1) & _U32, left - 1
        self._resend = (sequence, left) if left else None

    # --- messages ---------------------------------------------------------------------------------------------

    @staticmethod
    def _frame(message: DeviceMessage) -> bytes:
        return encode_frame(encode_message(message))

    @property
    def _oldest(self) -> int:
        return (self._next_sequence - len(self._buffer)) & _U32

    def _relayout(self) -> None:
        self._layout = Layout([
            spec.describe(i, period) for i, (spec, period) in enumerate(zip(self.board.channels, self._periods_ms,
                                                                            strict=True))
        ])  # fmt: skip

    def _hello(self, request_id: int) -> Hello:
        capabilities = Capability.RESEND | Capability.SET_PERIOD
        return Hello(
            request_id=request_id, device_id=self.device_id, firmware_name="sim_device", firmware_version="1",
            boot_count=self.boot_count, tick_rate_hz=self.board.tick_rate_hz, channels=len(self.sensors),
            layout_id=self._layout.layout_id,
            capabilities=capabilities | Capability.OUTPUTS if self.outputs else capabilities,
            outputs=len(self.outputs), buffer_frames=self.board.buffer_frames, model=self.board.model,
        )  # fmt: skip

    def _status(self, request_id: int, ms: int) -> Status:
        return Status(
            request_id=request_id, uptime_s=ms // 1000, boot_count=self.boot_count, state=self.state,
            layout_id=self._layout.layout_id, oldest_sequence=self._oldest, next_sequence=self._next_sequence,
            tick=self._tick(ms), dropped=self._dropped, bad_frames=sum(self._decoder.bad_frames.values()),
            supply_mv=5010, faults=self.faults, outputs=tuple(o.status(ms) for o in self.outputs),
        )  # fmt: skip

    def _accepted(self, request_id: int, kind: MessageType) -> Accepted:
        return Accepted(
            request_id, kind, self.boot_count, self._layout.layout_id, self._next_sequence, self._tick(self._ms)
        )

    def _answer(self, payload: bytes) -> Sequence[DeviceMessage]:
        """The reply to one request, perhaps followed by a hello; none to what a device sent."""
        kind, request_id = payload[0], payload[1] if len(payload) > 1 else 0
        if kind & FROM_DEVICE:
            return []
        try:
            request = decode_payload(payload)
        except UnknownMessageError:
            return [ErrorMessage(request_id, ErrorCode.UNKNOWN_REQUEST, "unknown request", kind)]
        except ProtocolError as exc:
            return [ErrorMessage(request_id, ErrorCode.MALFORMED, str(exc)[:80], kind)]
        match request:
            case RequestHello():
                return [self._hello(request_id)]
            case RequestDescribe(index=index) if index < len(self.sensors):
                return [self.board.channels[index].describe(index, self._periods_ms[index], request_id)]
            case RequestOutput() | Permit() if not self.outputs:
                return [ErrorMessage(request_id, ErrorCode.NOT_SUPPORTED, "no outputs", kind)]
            case RequestOutput(index=index) if index < len(self.outputs):
                return [self._describe_output(request_id, index)]
            case RequestDescribe() | RequestOutput():
                return [ErrorMessage(request_id, ErrorCode.NO_SUCH_CHANNEL, f"none of index {request.index}", kind)]
            case RequestStatus():
                return [self._status(request_id, self._ms)]
            case Start():
                self._start()
                return [self._accepted(request_id, MessageType.START)]
            case Stop():
                return self._stop(request_id)
            case ResendFrom():
                return [self._resend_from(request)]
            case TimeMark():
                tick = self._tick(self._ms)
                return [TimeMarked(request_id, self.boot_count, request.host_time, tick, tick)]
            case SetPeriod():
                return self._set_period(request)
            case Permit():
                return [self._permit(request)]
        raise AssertionError("every request has its case above")

    def _describe_output(self, request_id: int, index: int) -> DeviceMessage:
        return replace(self.outputs[index].description, request_id=request_id)

    def _start(self) -> None:
        if self.state is DeviceState.IDLE:
            self.state = DeviceState.STREAMING
            self._due_ms = dict.fromkeys(self._periods_ms, self._ms + 1)

    def _stop(self, request_id: int) -> Sequence[DeviceMessage]:
        self.state, self._due_ms = DeviceState.IDLE, {}
        opened = [output.trip(OpenedBy.STREAM_STOPPED, self._ms) for output in self.outputs]
        reply: list[DeviceMessage] = [self._accepted(request_id, MessageType.STOP)]
        return [*reply, self._status(0, self._ms)] if any(opened) else reply

    def _resend_from(self, request: ResendFrom) -> Resending:
        """From the oldest held frame at or after the one asked for; a new request replaces the one being served."""
        held = len(self._buffer)
        ahead = (request.first - self._oldest) & _U32  # how far into the buffer
        if ahead < held:
            first, count = request.first, min(request.count, held - ahead)
        else:
            gone = (self._oldest - request.first) & _U32  # how many of those asked for are no longer held
            first, count = self._oldest, min(request.count - gone, held) if gone < request.count else 0
        self._resend = (first, count) if count else None
        self._resend_credit = float(_RESEND_BYTES_S)
        return Resending(request.request_id, self.boot_count, first, count, self._oldest, self._next_sequence)

    def _set_period(self, request: SetPeriod) -> Sequence[DeviceMessage]:
        every = request.index == ALL_CHANNELS
        if not every and request.index >= len(self.sensors):
            return [ErrorMessage(request.request_id, ErrorCode.NO_SUCH_CHANNEL, f"no channel {request.index}",
                                 MessageType.SET_PERIOD)]  # fmt: skip
        period = min(max(round(request.period_ms / 10) * 10, _MIN_PERIOD_MS), _MAX_PERIOD_MS)
        for i in range(len(self.sensors)):
            if every or i == request.index:
                self._periods_ms[i] = period
        self._relayout()
        opened = False
        for output in self.outputs:
            opened |= output.watch_samples({}, self._layout, self._ms)
        if self.state is DeviceState.STREAMING:
            now = self._ms
            self._due_ms = {p: self._due_ms.get(p, now + p) for p in set(self._periods_ms)}
        reply: list[DeviceMessage] = [self._accepted(request.request_id, MessageType.SET_PERIOD), self._hello(0)]
        return [*reply, self._status(0, self._ms)] if opened else reply

    def _permit(self, permit: Permit) -> DeviceMessage:
        if permit.index >= len(self.outputs):
            return ErrorMessage(permit.request_id, ErrorCode.NO_SUCH_CHANNEL, f"no output {permit.index}",
                                MessageType.PERMIT)  # fmt: skip
        now = DeviceNow(
            self.state, self.boot_count, self._tick(self._ms), self.board.tick_rate_hz, self._ms, self._layout
        )
        refused = self.outputs[permit.index].permit(permit, now)
        if refused is not None:
            return ErrorMessage(permit.request_id, refused[0], refused[1], MessageType.PERMIT)
        return self._accepted(permit.request_id, MessageType.PERMIT)


def _one_of_its_kind(spec: ChannelSpec, rng: random.Random) -> ChannelSpec:
    """The same sensor with an offset of its own, well inside its stated accuracy."""
    return replace(spec, offset_error=spec.offset_error + rng.uniform(-0.4, 0.4) * (spec.accuracy or 0.0))
