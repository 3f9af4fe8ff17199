"""A device with a fault that can be chosen: the simulated one, its frames and what it hears changed on the way."""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from firmware_protocol import cbor
from firmware_protocol.codes import ErrorCode, OpenedBy
from firmware_protocol.framing import BadFrame, FrameDecoder, encode_frame
from firmware_protocol.messages import ErrorMessage, encode_message
from sim_device.device import Device
from tests.sim_device.host import device

HELLO, DESCRIBE, OUTPUT, STATUS, ERROR, ACCEPTED, RESENDING, MARKED, SAMPLES = (
    0x81, 0x82, 0x83, 0x84, 0x85, 0x86, 0x87, 0x88, 0x90,
)  # fmt: skip


class Faulty:
    """`said`: a payload to the bytes on the wire instead. `received`: a request to what the device receives of it."""

    leads = True  # with a delimiter after a pause

    def __init__(self, board: str = "scale") -> None:
        self.device: Device = device(board)
        self.now_s = 0.0
        self.count = 0  # for faults that come now and then
        self._in, self._out = FrameDecoder(), FrameDecoder()
        self.extra: list[bytes] = []  # payloads to be said besides
        self.later: list[tuple[float, bytes]] = []

    def said(self, payload: bytes) -> Sequence[bytes]:
        return [encode_frame(payload)]

    def received(self, payload: bytes) -> bytes | None:
        return payload

    def bad(self, raw: bytes) -> None:
        """It received bytes that are no frame."""

    def reset(self) -> None:
        self.device.reboot()

    def step(self, data: bytes, now_s: float) -> bytes:
        self.now_s = now_s
        passed = b""
        for block in self._in.feed(data):
            if isinstance(block, BadFrame):
                self.bad(block.raw)
                passed += block.raw
            elif (payload := self.received(block.payload)) is not None:
                passed += b"\0" + encode_frame(payload)
        sent = self.device.step(passed, now_s)
        out = b"\0" if self.leads and sent[:1] == b"\0" else b""
        for block in self._out.feed(sent):
            assert not isinstance(block, BadFrame)
            out += b"".join(self.said(block.payload))
        out += b"".join(encode_frame(payload) for payload in self.extra)
        self.extra.clear()
        due = [raw for at_s, raw in self.later if at_s <= now_s]
        self.later = [(at_s, raw) for at_s, raw in self.later if at_s > now_s]
        return out + b"".join(due)


def body_of(payload: bytes) -> dict[int, Any]:
    body = cbor.loads(payload[2:])
    assert isinstance(body, dict)
    return body


def with_body(payload: bytes, body: dict[int, Any]) -> bytes:
    return payload[:2] + cbor.dumps(body)


# -- faults ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Case:
    """A fault: how it is built in, and the rule that must be named for it."""

    name: str
    rule: str
    build: Callable[[], Faulty]


CASES: list[Case] = []


def changes(name: str, rule: str, board: str = "scale", *, of: int | None = None) -> Callable[[Any], Any]:
    """The function decorated gives the bytes on the wire for a payload (of type `of`); None: as it was."""

    def register(function: Callable[[Faulty, bytes], Sequence[bytes] | bytes | None]) -> Any:
        class Changed(Faulty):
            def said(self, payload: bytes) -> Sequence[bytes]:
                if of is not None and payload[0] != of:
                    return super().said(payload)
                found = function(self, payload)
                if found is None:
                    return super().said(payload)
                return [encode_frame(found)] if isinstance(found, bytes) else found

        CASES.append(Case(name, rule, lambda: Changed(board)))
        return function

    return register


def hears(name: str, rule: str, board: str = "scale", *, of: int | None = None) -> Callable[[Any], Any]:
    """The function decorated gives what the device hears instead of a request; None: nothing."""

    def register(function: Callable[[Faulty, bytes], bytes | None]) -> Any:
        class Deaf(Faulty):
            def received(self, payload: bytes) -> bytes | None:
                return payload if of is not None and payload[0] != of else function(self, payload)

        CASES.append(Case(name, rule, lambda: Deaf(board)))
        return function

    return register


def field(name: str, rule: str, of: int, key: int, change: Callable[[Any], Any], board: str = "scale") -> None:
    """One key of a body is another."""

    @changes(name, rule, board, of=of)
    def changed(self: Faulty, payload: bytes) -> bytes:
        body = body_of(payload)
        body[key] = change(body.get(key))
        return with_body(payload, body)


def raw_bytes(name: str, rule: str, of: int, at: int, change: Callable[[int], int], width: int = 1) -> None:
    """One number of a fixed payload is another."""

    @changes(name, rule, of=of)
    def changed(self: Faulty, payload: bytes) -> bytes:
        number = change(int.from_bytes(payload[at : at + width], "little")) % (1 << 8 * width)
        return payload[:at] + number.to_bytes(width, "little") + payload[at + width :]


# framing


@changes("CRC most significant byte first", "frame.crc", of=STATUS)
def _(self: Faulty, payload: bytes) -> Sequence[bytes]:
    import zlib

    raw = payload + zlib.crc32(payload).to_bytes(4, "big")
    return [b"".join(bytes((len(run) + 1,)) + run for run in raw.split(b"\0")) + b"\0"]


@changes("stuffing that ends elsewhere", "frame.cobs", of=STATUS)
def _(self: Faulty, payload: bytes) -> Sequence[bytes]:
    frame = encode_frame(payload)
    return [bytes((frame[0] + 90,)) + frame[1:]]


@changes("frames without an end", "frame.length", of=STATUS)
def _(self: Faulty, payload: bytes) -> Sequence[bytes]:
    return [b"\x01" * 250, encode_frame(payload)]


class _NoLead(Faulty):
    leads = False


class _CountsIdle(Faulty):
    """Takes each 0x00 of an idle line for a bad frame."""

    def step(self, data: bytes, now_s: float) -> bytes:
        self.count += data.count(b"\0\0\0")
        return super().step(data, now_s)

    def said(self, payload: bytes) -> Sequence[bytes]:
        if payload[0] != STATUS or not self.count:
            return super().said(payload)
        body = body_of(payload)
        return super().said(with_body(payload, dict(sorted((body | {8: body.get(8, 0) + self.count}).items()))))


CASES.append(Case("nothing ahead of a frame after a pause", "frame.pause", _NoLead))
CASES.append(Case("an idle line is counted", "frame.idle", _CountsIdle))


# content


@changes("a reply with bit 7 clear", "payload.direction", of=ACCEPTED)
def _(self: Faulty, payload: bytes) -> bytes:
    return bytes((payload[0] & 0x7F,)) + payload[1:]


@changes("a type of its own", "payload.type", of=STATUS)
def _(self: Faulty, payload: bytes) -> Sequence[bytes]:
    return [encode_frame(payload), encode_frame(b"\xa1\x00own")]


@changes("an indefinite map", "cbor.form", of=STATUS)
def _(self: Faulty, payload: bytes) -> bytes:
    return payload[:2] + b"\xbf" + payload[3:] + b"\xff"


@changes("a byte after the map", "cbor.form", of=HELLO)
def _(self: Faulty, payload: bytes) -> bytes:
    return payload + b"\x00"


@changes("a not-a-number", "cbor.form", of=DESCRIBE)
def _(self: Faulty, payload: bytes) -> bytes:
    return bytes((payload[0], payload[1], payload[2] + 1)) + payload[3:] + b"\x18\x28\xf9\x7e\x00"


@changes("a key twice", "cbor.form", of=STATUS)
def _(self: Faulty, payload: bytes) -> bytes:
    return bytes((payload[0], payload[1], payload[2] + 1)) + payload[3:] + b"\x00\x00"


@changes("integers longer than needed", "cbor.shortest", of=STATUS)
def _(self: Faulty, payload: bytes) -> bytes:
    return (
        payload[:3]
        + payload[3:4]
        + b"\x1a\x00\x00\x00"
        + bytes((body_of(payload)[0] % 256,))
        + payload[3 + 1 + len(cbor.dumps(body_of(payload)[0])) :]
    )


@changes("keys out of order", "cbor.order", of=HELLO)
def _(self: Faulty, payload: bytes) -> bytes:
    return payload[:3] + payload[5:7] + payload[3:5] + payload[7:]


field("a default that is not left out", "cbor.default", STATUS, 7, lambda value: value or 0)
field("a label with a control character", "cbor.text", DESCRIBE, 13, lambda value: "a\x07b")
field("a device id of five bytes", "message.field", HELLO, 2, lambda value: b"short")
field("a device id of empty memory", "hello.id", HELLO, 2, lambda value: b"\xff" * 8)
raw_bytes("samples of the future", "samples.tick", SAMPLES, 9, lambda n: n + 10_000, 4)
raw_bytes("samples of ten seconds ago", "samples.tick", SAMPLES, 9, lambda n: n - 10_000, 4)
raw_bytes("accepted names another request", "reply.type", ACCEPTED, 2, lambda n: 5 if n != 5 else 6)
field("an unknown sample type", "message.field", DESCRIBE, 3, lambda value: 9)
field("a unit with a blank", "message.field", DESCRIBE, 2, lambda value: "k g")
field("a period of 0", "message.field", DESCRIBE, 5, lambda value: 0)

# conversation


@hears("status? is not answered", "reply.none", of=0x04)
def _(self: Faulty, payload: bytes) -> None:
    return None


@changes("time marks are answered late", "reply.late", of=MARKED)
def _(self: Faulty, payload: bytes) -> Sequence[bytes]:
    self.later.append((self.now_s + 0.75, encode_frame(payload)))
    return []


raw_bytes("the request id is not repeated", "reply.id", MARKED, 1, lambda n: n + 1)


@changes("accepted instead of time marked", "reply.type", of=MARKED)
def _(self: Faulty, payload: bytes) -> bytes:
    return bytes((ACCEPTED, payload[1], 8)) + bytes(16)


@changes("a reply twice", "reply.twice", of=MARKED)
def _(self: Faulty, payload: bytes) -> Sequence[bytes]:
    return [encode_frame(payload)] * 2


@changes("samples while idle", "idle.stream", of=MARKED)
def _(self: Faulty, payload: bytes) -> Sequence[bytes]:
    return [encode_frame(payload), encode_frame(b"\x90" + bytes(12) + b"\x00")]


class _Answers(Faulty):
    """Answers what it must not."""

    def __init__(self, direction: bool, garbage: bool) -> None:
        super().__init__()
        self._direction, self._garbage = direction, garbage

    def received(self, payload: bytes) -> bytes | None:
        if self._direction and payload[0] & 0x80:
            self.extra.append(encode_message(ErrorMessage(payload[1] or 1, ErrorCode.UNKNOWN_REQUEST)))
        return payload

    def bad(self, raw: bytes) -> None:
        if self._garbage:
            self.extra.append(encode_message(ErrorMessage(9, ErrorCode.MALFORMED)))


CASES.append(Case("answers itself", "echo.answered", lambda: _Answers(True, False)))
CASES.append(Case("answers bad frames", "bad.answered", lambda: _Answers(False, True)))


@hears("silent to another major version", "hello.major", of=0x01)
def _(self: Faulty, payload: bytes) -> bytes | None:
    return payload if payload[2] == 1 else None


@changes("another hello each time", "hello.same", of=HELLO)
def _(self: Faulty, payload: bytes) -> bytes:
    self.count += 1
    return with_body(payload, body_of(payload) | {4: f"1.{self.count}"})


field("outputs without their capability", "hello.outputs", HELLO, 9, lambda value: 3)
field("resending without a buffer", "hello.buffer", HELLO, 11, lambda value: 0)
field("error 5 for the unknown", "error.unknown", ERROR, 0, lambda value: 5 if value == 1 else value)
field("error 4 for the malformed", "error.malformed", ERROR, 0, lambda value: 4 if value == 2 else value)
field("error 4 for what does not exist", "error.index", ERROR, 0, lambda value: 4 if value == 3 else value)
field("error 3 without outputs", "error.capability", ERROR, 0, lambda value: 3 if value == 5 else value, "vacuum board")


@hears("carries out a request with id 0", "error.id0", of=0x04)
def _(self: Faulty, payload: bytes) -> bytes:
    return b"\x04\x63" if payload == b"\x04\x00" else payload


@hears("refuses a longer request", "request.longer", of=0x04)
def _(self: Faulty, payload: bytes) -> bytes:
    return payload if len(payload) == 2 else b"\x04"


@hears("a second start is refused", "start.again", of=0x05)
def _(self: Faulty, payload: bytes) -> bytes:
    self.count += 1
    return payload if self.count != 2 else bytes((0x70, payload[1]))


@changes("a channel that never comes", "start.first", "machine board", of=SAMPLES)
def _(self: Faulty, payload: bytes) -> bytes:
    layout = self.device._layout
    samples = [(i, c) for i, c in enumerate(layout.channels) if payload[13 + i // 8] >> i % 8 & 1]
    bitmap, rest, at = bytearray(payload[13:15]), b"", 15
    for index, channel in samples:
        if index == 1:
            bitmap[0] &= 0xFD
        else:
            rest += payload[at : at + channel.sample_type]
        at += channel.sample_type
    return payload[:13] + bytes(bitmap) + rest


class _WaitsAPeriod(Faulty):
    """A slow channel that comes for the first time when its period is over."""

    def __init__(self) -> None:
        super().__init__()
        self.device._periods_ms = [4000]
        self.device._relayout()
        start = self.device._start

        def later() -> None:
            start()
            self.device._due_ms = {4000: self.device._ms + 4000}

        self.device._start = later  # type: ignore[method-assign]


CASES.append(Case("a slow channel waits its period", "start.once", _WaitsAPeriod))


class _WaitsLong(Faulty):
    """The first samples come three seconds after start."""

    def __init__(self) -> None:
        super().__init__()
        start = self.device._start

        def later() -> None:
            start()
            self.device._due_ms = {period: due + 3000 for period, due in self.device._due_ms.items()}

        self.device._start = later  # type: ignore[method-assign]


CASES.append(Case("first samples three seconds after start", "start.first", _WaitsLong))


@hears("does not stop", "stop.stream", of=0x06)
def _(self: Faulty, payload: bytes) -> bytes:
    self.extra.append(
        bytes((ACCEPTED, payload[1], 6)) + self.device.boot_count.to_bytes(4, "little")
        + self.device._layout.layout_id.to_bytes(4, "little") + bytes(8)
    )  # fmt: skip
    return b"\x91\x00"


# counters and time


@changes("a status every twenty seconds", "status.interval", of=STATUS)
def _(self: Faulty, payload: bytes) -> Sequence[bytes] | None:
    if payload[1] or self.now_s - self.count < 20:
        return None if payload[1] else []
    self.count = round(self.now_s)
    return None


field("another boot count in status", "status.boot", STATUS, 1, lambda value: value + 1)
field("another layout in status", "status.layout", STATUS, 3, lambda value: value ^ 1)
field("state 1 while idle", "status.state", STATUS, 2, lambda value: 1)
field("more frames held than kept", "status.sequence", STATUS, 4, lambda value: (value - 20_000) % 2**32)
field("a next sequence of frames not sent", "next.sequence", STATUS, 5, lambda value: value + 3 if value else 0)
field("bad frames are not counted", "frame.counted", STATUS, 8, lambda value: 1)


@changes("an uptime that falls", "status.counters", of=STATUS)
def _(self: Faulty, payload: bytes) -> bytes:
    return with_body(payload, body_of(payload) | {0: max(0, 1000 - round(self.now_s))})


@changes("no entry for the output", "status.outputs", of=STATUS)
def _(self: Faulty, payload: bytes) -> bytes:
    return with_body(payload, {key: value for key, value in body_of(payload).items() if key != 12})


raw_bytes("every sequence twice as far", "sequence.step", SAMPLES, 5, lambda n: 2 * n, 4)


@changes("a tick that goes back", "tick.forward", of=SAMPLES)
def _(self: Faulty, payload: bytes) -> bytes:
    self.count += 1
    tick = int.from_bytes(payload[9:13], "little") - (5000 if self.count == 9 else 0)
    return payload[:9] + (tick % 2**32).to_bytes(4, "little") + payload[13:]


field("a clock that runs 10 % fast", "tick.rate", STATUS, 6, lambda value: value * 11 // 10)
field("a clock that runs 2 % slow", "tick.rate", STATUS, 6, lambda value: value * 98 // 100)
raw_bytes("the host's time comes back in 32 bits", "mark.host_time", MARKED, 6, lambda n: n & 0xFFFF_FFFF, 8)
raw_bytes("receipt after reply", "mark.ticks", MARKED, 14, lambda n: n + 500, 4)

# descriptions and samples

field("a layout id that nothing makes", "layout.id", HELLO, 8, lambda value: value ^ 0x1000)
field("the index of another channel", "describe.index", DESCRIBE, 0, lambda value: value + 1)


@changes("another label each time", "describe.same", of=DESCRIBE)
def _(self: Faulty, payload: bytes) -> bytes:
    self.count += 1
    return with_body(payload, body_of(payload) | {13: f"label {self.count}"})


field("a pressure in kg", "describe.sensor", DESCRIBE, 1, lambda value: 2)
field("a unit that is no UCUM code", "describe.unit", DESCRIBE, 2, lambda value: "lbs")
field("a range upside down", "describe.range", DESCRIBE, 9, lambda value: 10_000)


@changes("a thermocouple with no such cold junction", "describe.sensor", of=DESCRIBE)
def _(self: Faulty, payload: bytes) -> bytes:
    return with_body(payload, body_of(payload) | {1: 4, 2: "Cel", 7: 9, 8: [1, 63]})


@changes("a cold junction once a minute", "describe.junction", "machine board", of=DESCRIBE)
def _(self: Faulty, payload: bytes) -> bytes:
    body = body_of(payload)
    return with_body(
        payload,
        body | ({1: 4, 2: "Cel", 7: 9, 8: [1, 1]} if body[0] == 0 else {1: 4, 2: "Cel", 5: 60_000, 7: 0, 8: []}),
    )


raw_bytes("samples of another layout", "samples.layout", SAMPLES, 1, lambda n: n ^ 1, 4)


@changes("a byte too many in samples", "samples.length", of=SAMPLES)
def _(self: Faulty, payload: bytes) -> bytes:
    return payload + b"\0"


@changes("a third of the pace that it states", "samples.period", of=DESCRIBE)
def _(self: Faulty, payload: bytes) -> bytes:
    return payload


class _Slow(Faulty):
    """Samples three times as slowly as it describes."""

    def __init__(self) -> None:
        super().__init__()
        run = self.device._sample

        def slow(due_ms: int) -> Any:
            made = run(due_ms)
            self.device._due_ms = {period: due_ms + 3 * period for period in self.device._due_ms}
            return made

        self.device._sample = slow  # type: ignore[method-assign]


CASES[-1] = Case(CASES[-1].name, CASES[-1].rule, _Slow)

# periods and resending


@hears("a set period changes nothing", "period.layout", of=0x09)
def _(self: Faulty, payload: bytes) -> bytes:
    return payload if payload[2] > 10 else payload[:3] + (200).to_bytes(4, "little") if len(payload) > 6 else payload


def _accepts_all(payload: bytes) -> bytes:
    """As if all channels were meant."""
    return payload[:2] + b"\xff" + payload[3:]


hears("one period for every channel", "period.others", "recovery board", of=0x09)(
    lambda self, payload: _accepts_all(payload) if len(payload) >= 7 and any(payload[3:7]) else payload
)


class _OldPeriodFirst(Faulty):
    """A new period begins when nine seconds are over."""

    def received(self, payload: bytes) -> bytes | None:
        if payload[0] == 0x09 and len(payload) >= 7 and any(payload[3:7]):
            self.later += [(self.now_s + 0.05, b"")]
            self.count = 1
        return payload

    def step(self, data: bytes, now_s: float) -> bytes:
        out = super().step(data, now_s)
        if self.count == 1:
            self.count = 2
            self.device._due_ms = {period: due + 9000 for period, due in self.device._due_ms.items()}
        return out


CASES.append(Case("a new period that is not in force for long", "period.next", _OldPeriodFirst))


@changes("no hello after a changed layout", "period.hello", of=HELLO)
def _(self: Faulty, payload: bytes) -> Sequence[bytes] | None:
    return [] if payload[1] == 0 and self.now_s > 1 else None


@changes("accepted carries the old layout", "period.accepted", of=ACCEPTED)
def _(self: Faulty, payload: bytes) -> bytes | None:
    if payload[2] != 9:
        return None
    return payload[:7] + (int.from_bytes(payload[7:11], "little") ^ 2).to_bytes(4, "little") + payload[11:]


@changes("resent with a new tick", "resend.bytes", of=SAMPLES)
def _(self: Faulty, payload: bytes) -> bytes | None:
    sequence = int.from_bytes(payload[5:9], "little")
    again = sequence < self.count
    self.count = max(self.count, sequence + 1)
    return payload[:9] + bytes((payload[9] ^ 1,)) + payload[10:] if again else None


@changes("not all that was announced is resent", "resend.all", of=SAMPLES)
def _(self: Faulty, payload: bytes) -> Sequence[bytes] | None:
    sequence = int.from_bytes(payload[5:9], "little")
    again = sequence < self.count
    self.count = max(self.count, sequence + 1)
    return [] if again and sequence % 2 else None


class _ResendsFirst(Faulty):
    """Live samples wait until all of a resend is out."""

    def received(self, payload: bytes) -> bytes | None:
        if payload[0] == 0x07:
            self._until_s = self.now_s + 0.5
            self._next = self.device._next_sequence
        return payload

    _until_s, _next = 0.0, 0

    def said(self, payload: bytes) -> Sequence[bytes]:
        live = payload[0] == SAMPLES and int.from_bytes(payload[5:9], "little") >= self._next
        if live and self.now_s < self._until_s:
            self.later.append((self._until_s, encode_frame(payload)))
            return []
        return super().said(payload)


class _ResendsBoth(Faulty):
    """Serves one resend after the other."""

    def received(self, payload: bytes) -> bytes | None:
        if payload[0] == 0x07 and len(payload) >= 8:
            first, count = int.from_bytes(payload[2:6], "little"), int.from_bytes(payload[6:8], "little")
            held = self.device._oldest
            frames = list(self.device._buffer)[max(0, first - held) : max(0, first - held + count)]
            if self._asked_s == self.now_s:
                self.later += [(self.now_s + 0.3, raw) for raw in self._older]
            self._asked_s, self._older = self.now_s, frames
        return payload

    _asked_s = -1.0
    _older: Sequence[bytes] = ()


CASES.append(Case("a resend goes before live samples", "resend.live", _ResendsFirst))
CASES.append(Case("an older resend goes on", "resend.newer", _ResendsBoth))
raw_bytes("first' later than what is held", "resend.first", RESENDING, 6, lambda n: n + 1, 4)
raw_bytes("more than was asked for", "resend.count", RESENDING, 10, lambda n: n + 9 if n else 0, 2)
raw_bytes("nothing of what it holds", "resend.first", RESENDING, 10, lambda n: 0, 2)
raw_bytes("frames of the future", "resend.future", RESENDING, 10, lambda n: n or 5, 2)

# outputs


field("describes another output", "output.describe", OUTPUT, 0, lambda value: 1)
field("stale permits are called malformed", "permit.order", ERROR, 0, lambda value: 2 if value == 9 else value)
field("permits while idle are called busy", "permit.order", ERROR, 0, lambda value: 6 if value == 7 else value)


class _WithOutput(Faulty):
    """The output is changed at every start."""

    def __init__(self, change: Callable[[Any], None]) -> None:
        super().__init__()
        power_up = self.device._power_up

        def changed(at_s: float) -> None:
            power_up(at_s)
            change(self.device.outputs[0])

        self.device._power_up = changed  # type: ignore[method-assign]
        change(self.device.outputs[0])


def outputs(name: str, rule: str, change: Callable[[Any], None]) -> None:
    """The simulated output with a part of it changed."""

    def build() -> Faulty:
        return _WithOutput(change)

    CASES.append(Case(name, rule, build))


def _closes_nothing(output: Any) -> None:
    permit = output.permit

    def never(asked: Any, now: Any) -> Any:
        found = permit(asked, now)
        output.closed = False
        return found

    output.permit = never


def _open_opens_nothing(output: Any) -> None:
    permit = output.permit

    def keeps(asked: Any, now: Any) -> Any:
        closed = output.closed
        found = permit(asked, now)
        output.closed = output.closed or closed
        return found

    output.permit = keeps


def _refuses_open(output: Any) -> None:
    permit = output.permit
    output.permit = lambda asked, now: (
        (ErrorCode.STALE_PERMIT, "") if asked.boot_count != now.boot_count else permit(asked, now)
    )


def _never_expires(output: Any) -> None:
    def extended(ms: int) -> bool:
        output.expires_ms = ms + 10**6
        return False

    output.watch_time = extended


def _opened_by_host(output: Any) -> None:
    opens = output._open
    output._open = lambda why, ms: opens(OpenedBy.GUARD_LIMIT if why == OpenedBy.PERMIT_EXPIRED else why, ms)


def _says_nothing(output: Any) -> None:
    watch = output.watch_time
    output.watch_time = lambda ms: bool(watch(ms)) and False


def _not_tripped(output: Any) -> None:
    permit = output.permit

    def closes_again(asked: Any, now: Any) -> Any:
        if output.tripped and asked.action == 1:
            output.opened_by, output.opened_ms = OpenedBy.HOST, -(10**6)
        return permit(asked, now)

    output.permit = closes_again


def _no_guard(output: Any) -> None:
    output.watch_samples = lambda readings, layout, ms: False


def _survives_stop(output: Any) -> None:
    output.trip = lambda why, ms: False


def _any_guard(output: Any) -> None:
    """Whatever channel and layout a permit names, it is taken without a guard."""
    permit = output.permit
    output.permit = lambda asked, now: permit(replace(asked, guard_channel=0xFF), now)


def _deaf_to_layouts(output: Any) -> None:
    watch = output.watch_samples
    output.watch_samples = lambda readings, layout, ms: (
        (output._guard is None or output._guard.guard_layout_id == layout.layout_id) and watch(readings, layout, ms)
    )


def _no_number_for_layouts(output: Any) -> None:
    opens = output._open
    output._open = lambda why, ms: opens(OpenedBy.GUARD_NO_READING if why == OpenedBy.LAYOUT_CHANGED else why, ms)


def _keeps_its_first(what: str) -> Callable[[Any], None]:
    """Of the permit that closed it, through all that hold it closed."""

    def spoil(output: Any) -> None:
        permit = output.permit

        def holds_on(asked: Any, now: Any) -> Any:
            first, closed = getattr(output, what), output.closed
            found = permit(asked, now)
            if closed and output.closed:
                setattr(output, what, first)
            return found

        output.permit = holds_on

    return spoil


class _ClosedUntilStop(Faulty):
    _stopped = False

    def received(self, payload: bytes) -> bytes | None:
        self._stopped = self._stopped or payload[0] == 0x06
        return payload

    def said(self, payload: bytes) -> Sequence[bytes]:
        if payload[0] == STATUS and not self._stopped:
            return super().said(with_body(payload, body_of(payload) | {12: [[1, 0, 500]]}))
        return super().said(payload)


class _ForgetsAtStop(Faulty):
    def received(self, payload: bytes) -> bytes | None:
        if payload[0] == 0x06:
            self.count = self.device._next_sequence
        return payload

    def said(self, payload: bytes) -> Sequence[bytes]:
        if payload[0] == STATUS and self.count:
            body = body_of(payload)
            return super().said(with_body(payload, body | {4: max(body[4], self.count)}))
        return super().said(payload)


CASES.append(Case("closed in the first status", "permit.idle", _ClosedUntilStop))
CASES.append(Case("stop empties the buffer", "resend.kept", _ForgetsAtStop))
field("an uptime that stands still", "status.uptime", STATUS, 0, lambda value: 0)
field("an uptime in ms", "status.uptime", STATUS, 0, lambda value: 1000 * value)
raw_bytes("a tick of 200 ms ago in a time mark", "mark.ticks", MARKED, 14, lambda n: n - 200, 4)
field("always 5000 ms of permit left", "permit.closed", STATUS, 12, lambda value: [[s, by, 5000] for s, by, _ in value])


@changes("holds three in status, all in resending", "resend.oldest", of=STATUS)
def _(self: Faulty, payload: bytes) -> bytes:
    body = body_of(payload)
    return with_body(payload, body | {4: max(body[4], body[5] - 3)})


class _KeepsTwenty(Faulty):
    """Of the 12 000 frames that its hello states."""

    def __init__(self, oldest: int | None = None) -> None:
        super().__init__()
        self.device._buffer = deque(maxlen=20)
        self._oldest = oldest

    def said(self, payload: bytes) -> Sequence[bytes]:
        if payload[0] == STATUS and self._oldest is not None:
            return super().said(with_body(payload, body_of(payload) | {4: self._oldest}))
        return super().said(payload)


CASES.append(Case("keeps 20 frames and says 12 000", "resend.buffer", _KeepsTwenty))
CASES.append(Case("keeps 20 frames, and its status says all", "resend.oldest", lambda: _KeepsTwenty(0)))


class _OneMore(Faulty):
    """Sends one frame more again than it was asked for."""

    def received(self, payload: bytes) -> bytes | None:
        if payload[0] == 0x07 and len(payload) >= 8:
            after = int.from_bytes(payload[2:6], "little") + int.from_bytes(payload[6:8], "little")
            frames = list(self.device._buffer)
            at = after - self.device._oldest
            self.later += [(self.now_s + 0.1, frame) for frame in frames[at : at + 1] if at >= 0]
        return payload


CASES.append(Case("a frame more than was asked for", "resend.count", _OneMore))
outputs("a guard that stays the first one", "permit.replaced", _keeps_its_first("_guard"))
outputs("a guard of nothing that is there", "permit.order", _any_guard)
outputs("a guard that outlives its layout", "permit.guard", _deaf_to_layouts)
outputs("a changed layout called no reading", "permit.opened_by", _no_number_for_layouts)
outputs("a permit that closes nothing", "permit.closed", _closes_nothing)
outputs("open is refused for its boot count", "permit.open", _refuses_open)
outputs("a permit that never runs out", "permit.expiry", _never_expires)
outputs("another reason for having opened", "permit.opened_by", _opened_by_host)
outputs("a permit open that opens nothing", "permit.opens", _open_opens_nothing)
outputs("no status when it opens", "permit.at_once", _says_nothing)
outputs("closes again without being re-armed", "permit.tripped", _not_tripped)
outputs("a guard that watches nothing", "permit.guard", _no_guard)
outputs("stays closed after stop", "permit.stop", _survives_stop)


def _no_delay(output: Any) -> None:
    permit = output.permit

    def at_once(asked: Any, now: Any) -> Any:
        output.opened_ms = -(10**6)
        return permit(asked, now)

    output.permit = at_once


outputs("the first permit's time-out stays", "permit.again", _keeps_its_first("expires_ms"))
outputs("closes again at once", "permit.reopen", _no_delay)
outputs("closes at once after a start", "start.delay", lambda output: setattr(output, "opened_ms", -(10**6)))


class _OneSlot(Faulty):
    """Of several requests that come together it carries out the last."""

    def step(self, data: bytes, now_s: float) -> bytes:
        frames = [block for block in data.split(b"\0") if block]
        return super().step(b"\0" + frames[-1] + b"\0" if len(frames) > 1 and b"\0\0" in data else data, now_s)


CASES.append(Case("a request takes the place of a permit open", "permit.beside", _OneSlot))


@changes("closes only after twice the delay it states", "permit.reopen", of=OUTPUT)
def _(self: Faulty, payload: bytes) -> bytes:
    return with_body(payload, body_of(payload) | {2: 1500})


# a new start


class _Restarted(Faulty):
    """What is wrong is so from a reset on."""

    def __init__(self, boots: int = 1, **keys: Any) -> None:
        super().__init__()
        self._boots, self._keys, self._again, self._greets = boots, keys.get("status"), False, keys.get("greets", True)

    def reset(self) -> None:
        self._again = True
        self.device.boot_count += self._boots - 1
        super().reset()

    def said(self, payload: bytes) -> Sequence[bytes]:
        if self._again and payload[0] == HELLO and not payload[1] and not self._greets:
            return []
        if self._again and payload[0] == STATUS and self._keys:
            return super().said(with_body(payload, body_of(payload) | self._keys))
        return super().said(payload)


CASES.append(Case("a start without a hello", "start.hello", lambda: _Restarted(greets=False)))
CASES.append(Case("the same boot count again", "start.boot", lambda: _Restarted(boots=0)))
CASES.append(Case("a boot count two more", "start.boot", lambda: _Restarted(boots=2)))
CASES.append(Case("a boot count less", "start.boot", lambda: _Restarted(boots=-3)))
CASES.append(Case("a sequence that goes on", "start.sequence", lambda: _Restarted(status={4: 90, 5: 90})))
CASES.append(Case("closed from the start", "start.open", lambda: _Restarted(status={12: [[1, 0, 500]]})))
