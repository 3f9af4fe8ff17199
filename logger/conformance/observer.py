"""What every frame of a device, and its neighbours, must hold: live, or from recorded bytes without times."""

import re
import zlib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from firmware_protocol import cbor
from firmware_protocol.codes import FROM_DEVICE, Capability, DeviceState, MessageType
from firmware_protocol.conversion import measured, problem_with
from firmware_protocol.errors import CborError, LayoutError, ProtocolError, UnknownMessageError
from firmware_protocol.fields import clean_text
from firmware_protocol.framing import CRC_BYTES, BadFrame, BadFrameReason, Frame, unstuff
from firmware_protocol.layout import Layout
from firmware_protocol.messages import (
    Accepted,
    Describe,
    Hello,
    Message,
    Resending,
    Samples,
    Status,
    TimeMarked,
    decode_payload,
    encode_message,
)
from logger.conformance.cbor_walk import walk
from logger.conformance.protocol_rules import RULES
from logger.decode.ucum import unit_problem
from logger.model.units import NS_PER_S

U32 = 0xFFFF_FFFF
BODY_AT = 2
MAX_STATUS_NS = 5 * NS_PER_S
SLACK_NS = NS_PER_S // 2  # the line's and the computer's own delay
RATE_TOLERANCE = 0.01  # of a device's clock against the computer's: SPEC.md section 3.3
RATE_SLACK_S = 0.05
UPTIME_SLACK_S = 3.0  # whole seconds, and a second of its own at the start
RATE_OVER_NS = 10 * NS_PER_S
RATE_STATUSES = 9
PERIOD_TOLERANCE = 0.25  # of a period, and two ticks of a slow loop
PERIOD_SLACK_MS = 60
SAMPLE_AHEAD_S = 0.5  # of a status sent after them
SAMPLE_LAG_S = 5.0  # of a status sent before them, on a line that drops nothing
SUPPLY_MV = range(1000, 60_001)
NEAR = 1000  # boot counts so near each other were counted, not drawn

_FRAMING = {
    BadFrameReason.CRC: "frame.crc",
    BadFrameReason.COBS: "frame.cobs",
    BadFrameReason.TOO_LONG: "frame.length",
    BadFrameReason.TOO_SHORT: "frame.length",
}
_CBOR_TYPES = range(MessageType.HELLO, MessageType.ERROR + 1)


@dataclass(slots=True)
class BrokenRule:
    """A rule that a device broke. frame: the first that shows it, as on the wire; at: the offending byte of payload."""

    rule: str
    found: str
    frame: bytes = b""
    payload: bytes = b""
    at: int | None = None
    times: int = 1


@dataclass(frozen=True, slots=True)
class Received:
    """A good frame. message: None when its content is not understood."""

    at_ns: int | None
    frame: Frame
    message: Message | None


@dataclass(slots=True)
class Observer:
    """Feed it all that comes, in order. faults: by rule, the first of each. at_ns: None for recorded bytes."""

    faults: dict[str, BrokenRule] = field(default_factory=dict)
    lost_ns: int = 0  # in which this computer did not come to it
    counts: Counter[str] = field(default_factory=Counter)
    notes: Counter[str] = field(default_factory=Counter)  # no faults: what a maker should know, and how often it came
    early: dict[BadFrameReason, BadFrame] = field(default_factory=dict)  # before the first frame, the newest of each
    hello: Hello | None = None
    layout: Layout | None = None
    describes: dict[int, bytes] = field(default_factory=dict)
    reset_asked: bool = False  # a hello unasked means a new start, whatever its boot count
    beyond: dict[int, str] = field(default_factory=dict)  # channel -> the first reading far out of its range
    streaming: bool | None = None  # what it was asked to do last; None: not known
    may_repeat: set[int] = field(default_factory=set)  # sequences that were asked for again
    raws: dict[int, bytes] = field(default_factory=dict)  # samples frames by sequence, as first sent
    first_live: Samples | None = None
    last_live: Samples | None = None
    _status: Status | None = None
    _first_status: Status | None = None  # of this start
    _status_ns: int | None = None
    _ticks: list[tuple[int, int]] = field(default_factory=list)  # (ns, tick) of each status, to measure the rate by
    _bad_at_live: int = 0  # how many bad frames had come when the newest live samples came
    _shown: dict[int, int] = field(default_factory=dict)  # channel -> tick of its newest sample

    def blame(self, rule: str, found: str, received: Received | None = None, at: int | None = None) -> None:
        """Note a broken rule; the first instance is kept whole."""
        assert rule in RULES, rule
        if rule in self.faults:
            self.faults[rule].times += 1
            return
        frame = received.frame if received else None
        self.faults[rule] = BrokenRule(rule, found, frame.raw if frame else b"", frame.payload if frame else b"", at)

    def forget_stream(self) -> None:
        """What is not to be compared across a stop, a changed period or an asked-for resend."""
        self._shown.clear()

    def bad_frame(self, bad: BadFrame) -> None:
        self.counts["bad"] += 1
        self.forget_stream()
        if self.counts["good"] == 0:
            self.early[bad.reason] = bad  # a boot loader's greeting is normal
        else:
            self._bad_block(bad)

    def _bad_block(self, bad: BadFrame) -> None:
        rule = _FRAMING[bad.reason]
        if rule in self.faults:
            self.faults[rule].times += 1
            return
        found, at = what_is_bad(bad)
        self.faults[rule] = BrokenRule(rule, found, bad.raw, bad.raw, at)

    def nothing_good(self) -> bool:
        """Bytes came and not one good frame: the newest block of each kind is named then."""
        if self.counts["good"] or not self.early:
            return False
        for bad in self.early.values():
            self._bad_block(bad)
        return True

    def frame(self, frame: Frame, at_ns: int | None) -> Received:
        """Check one good frame."""
        self.counts["good"] += 1
        received = Received(at_ns, frame, None)
        payload = frame.payload
        if not payload[0] & FROM_DEVICE:
            self.blame("payload.direction", f"type 0x{payload[0]:02x} is a host's: does the line echo?", received, 0)
            return received
        try:
            message = decode_payload(payload)
        except UnknownMessageError:
            self.blame("payload.type", f"type 0x{payload[0]:02x} is not known to version 1.1", received, 0)
            return received
        except ProtocolError as exc:
            self._content(received, exc)
            return received
        received = Received(at_ns, frame, message)
        self.counts[type(message).__name__] += 1
        if payload[0] in _CBOR_TYPES:
            self._form(received)
        checks: dict[type, Callable[..., None]] = {
            Hello: self._hello, Describe: self._describe, Status: self._status_seen, Samples: self._samples,
            Accepted: self._boot, Resending: self._boot, TimeMarked: self._boot,
        }  # fmt: skip
        if (found := checks.get(type(message))) is not None:
            found(received, message)
        return received

    # -- content ---------------------------------------------------------------------------------------------------

    def _content(self, received: Received, exc: ProtocolError) -> None:
        payload, rule = received.frame.payload, "message.field"
        if isinstance(exc, CborError):
            self.blame("cbor.form", str(exc), received, None if exc.at is None else exc.at + BODY_AT)
            return
        at = None
        if (key := re.search(r"key (\d+)", str(exc))) and payload[0] in _CBOR_TYPES:
            where = walk(payload[BODY_AT:]).keys.get(int(key[1]))
            at = None if where is None else where[0] + BODY_AT
        self.blame(rule, str(exc), received, at)

    def _form(self, received: Received) -> None:
        body = received.frame.payload[BODY_AT:]
        form = walk(body)
        if form.longer is not None:
            self.blame("cbor.shortest", "a longer form than needed", received, form.longer + BODY_AT)
        if form.unordered is not None:
            self.blame("cbor.order", "a key after a higher one", received, form.unordered + BODY_AT)
        values = cbor.loads(body)
        usual = cbor.loads(encode_message(received.message)[BODY_AT:]) if received.message else {}
        assert isinstance(values, dict)
        assert isinstance(usual, dict)
        for key, value in values.items():
            where = form.keys.get(key, (0, 0))[0] + BODY_AT
            if key not in usual:
                self.blame("cbor.default", f"key {key} holds its default", received, where)
            elif isinstance(value, str) and clean_text(value) != value:
                self.blame("cbor.text", f"key {key} holds control characters", received, where)

    def _boot(self, received: Received, message: Accepted | Resending | TimeMarked | Status) -> None:
        hello = self.hello
        if hello is not None and message.boot_count != hello.boot_count:
            self.blame("status.boot", f"boot count {message.boot_count}, hello has {hello.boot_count}", received)

    def _hello(self, received: Received, hello: Hello) -> None:
        known = self.hello
        if bool(hello.capabilities & Capability.OUTPUTS) != (hello.outputs > 0):
            self.blame("hello.outputs", f"capabilities {int(hello.capabilities)}, outputs {hello.outputs}", received)
        if len(set(hello.device_id)) == 1:
            self.blame("hello.id", f"device id {hello.device_id.hex()}: is it empty memory?", received)
        if hello.capabilities & Capability.RESEND and hello.buffer_frames == 0:
            self.blame("hello.buffer", "capability bit 0 (resend), and no frames kept (key 11)", received)
        if known is not None and hello.boot_count == known.boot_count and self.reset_asked and hello.request_id == 0:
            self.blame("start.boot", f"boot count {hello.boot_count} before and after a start", received)
            self._forget_all()
        elif known is not None and hello.boot_count == known.boot_count:
            same = encode_message(_without_changes(hello)) == encode_message(_without_changes(known))
            if not same:
                self.blame("hello.same", "another hello than before, without a new start", received)
        elif known is not None:
            self._started_again(received, known.boot_count, hello.boot_count)
        self.hello = hello

    def _started_again(self, received: Received, before: int, boot_count: int) -> None:
        """All that is known of sequence, tick and buffer is void."""
        self.counts["started again"] += 1
        if 1 < (boot_count - before) & U32 <= NEAR or (before - boot_count) & U32 <= NEAR:
            self.blame("start.boot", f"boot count {boot_count} after {before}", received)
        self._forget_all()

    def _forget_all(self) -> None:
        self.judge_rate()
        self.streaming = None if self.streaming is None else False
        self.raws.clear()
        self._shown.clear()
        self.last_live = self._status = self._first_status = self._status_ns = None

    def _describe(self, received: Received, describe: Describe) -> None:
        body = received.frame.payload[BODY_AT:]
        self.describes[describe.index] = body
        problem = problem_with(describe)
        if problem is not None and "not known" in problem:
            self.notes[f"channel {describe.index}: {problem}: a host shows no reading"] += 1
        elif problem is not None:
            ranged = problem.startswith("range ")
            key = 9 if ranged else 2 if " unit " in problem or "expected" in problem else 8
            where = walk(body).keys.get(key)
            at = None if where is None else where[0] + BODY_AT
            self.blame(
                "describe.range" if ranged else "describe.sensor", f"channel {describe.index}: {problem}", received, at
            )
        if (problem := unit_problem(describe.unit)) is not None:
            at = walk(body).keys[2][0] + BODY_AT
            self.blame("describe.unit", f"channel {describe.index}: {problem}", received, at)

    # -- time ------------------------------------------------------------------------------------------------------

    def _status_seen(self, received: Received, status: Status) -> None:
        self._boot(received, status)
        before, hello = self._status, self.hello
        if hello is not None:
            if status.layout_id != hello.layout_id:
                self.blame("status.layout", f"0x{status.layout_id:08x}, hello 0x{hello.layout_id:08x}", received)
            if len(status.outputs) != hello.outputs:
                self.blame("status.outputs", f"{len(status.outputs)} entries for {hello.outputs} outputs", received)
            held = (status.next_sequence - status.oldest_sequence) & U32
            if held > max(hello.buffer_frames, 0):
                self.blame("status.sequence", f"{held} frames held, hello keeps {hello.buffer_frames}", received)
            made = status.next_sequence if status.boot_count == hello.boot_count else 0  # it counts from start-up
            if hello.capabilities & Capability.RESEND and held < min(made, hello.buffer_frames) // 2:
                found = f"{held} frames held of {made} made, hello keeps {hello.buffer_frames}"
                self.blame("resend.buffer", found, received)
        if self.streaming is not None and (status.state == DeviceState.STREAMING) != self.streaming:
            self.blame(
                "status.state",
                f"state {int(status.state)}, it was asked to {'start' if self.streaming else 'stop'}",
                received,
            )
        if before is not None and before.boot_count == status.boot_count:
            falls = status.uptime_s < before.uptime_s or status.dropped < before.dropped
            if falls or status.bad_frames < before.bad_frames:
                self.blame("status.counters", "a counter fell since the status before", received)
        self._uptime(received, status)
        self._interval(received)
        if received.at_ns is not None:
            self._ticks.append((received.at_ns, status.tick))
        live = self.last_live
        self._note_status(status)
        if live is not None and hello is not None and before is not None and before.boot_count == status.boot_count:
            ahead = _ticks(live.tick - status.tick)
            if ahead > hello.tick_rate_hz * SAMPLE_AHEAD_S:
                found = f"tick {live.tick} in samples, and {status.tick} in a status after them"
                self.blame("samples.tick", found, received)
        if live is not None and self.counts["blind"] == 0:
            lag = (status.next_sequence - live.sequence - 1) & U32
            lost = self.counts["bad"] - self._bad_at_live  # a bad frame may have been one of samples
            if lag > U32 // 2 or (lag > lost and status.dropped == 0):
                self.blame("next.sequence", f"{status.next_sequence}, the newest frame was {live.sequence}", received)
        self._status = status
        self._status_ns = None if received.at_ns is None else received.at_ns - self.lost_ns

    def _note_status(self, status: Status) -> None:
        if status.faults:
            words = ", ".join(word.replace("_", " ") for word in (status.faults.name or "").lower().split("|"))
            self.notes[f"it reports faults {int(status.faults)}: {words}"] += 1
        if status.supply_mv is not None and status.supply_mv not in SUPPLY_MV:
            self.notes[f"its supply of {status.supply_mv} mV is no supply of a board (status key 9 is in mV)"] += 1

    def _uptime(self, received: Received, status: Status) -> None:
        """Against the device's own ticks."""
        if self._first_status is None or self._first_status.boot_count != status.boot_count or self.hello is None:
            self._first_status = status
            return
        ticked_s = ((status.tick - self._first_status.tick) & U32) / self.hello.tick_rate_hz
        counted_s = status.uptime_s - self._first_status.uptime_s
        if abs(counted_s - ticked_s) > UPTIME_SLACK_S + 0.1 * ticked_s:
            self.blame("status.uptime", f"{counted_s} s by uptime, {ticked_s:.1f} s by tick, since a status", received)

    def _interval(self, received: Received) -> None:
        if received.at_ns is None or self._status_ns is None:
            return
        gap_ns = received.at_ns - self.lost_ns - self._status_ns
        if gap_ns > MAX_STATUS_NS + SLACK_NS:
            self.blame("status.interval", f"{gap_ns / NS_PER_S:.1f} s since the status before", received)

    def overdue(self, now_ns: int) -> None:
        """Called as time passes: a status that does not come at all."""
        now_ns -= self.lost_ns
        if self._status_ns is not None and now_ns - self._status_ns > MAX_STATUS_NS + SLACK_NS:
            self.blame("status.interval", f"none for {(now_ns - self._status_ns) / NS_PER_S:.1f} s")
            self._status_ns = now_ns

    def judge_rate(self) -> None:
        """At the end, and at a new start.

        What delays a status on its way only makes its lag greater: the least of many early ones is held against the
        least of many late ones, so that a busy computer is not taken for a wrong clock.
        """
        seen, self._ticks = self._ticks, []
        if self.hello is None or len(seen) < RATE_STATUSES or seen[-1][0] - seen[0][0] < RATE_OVER_NS:
            return
        begun_ns, begun = seen[0]
        lags = [((ns - begun_ns) / NS_PER_S, ((tick - begun) & U32) / self.hello.tick_rate_hz) for ns, tick in seen]
        third = len(lags) // 3
        early, late = (min(part, key=lambda at: at[0] - at[1]) for part in (lags[:third], lags[-third:]))
        elapsed_s, counted_s = late[0] - early[0], late[1] - early[1]
        if abs(counted_s - elapsed_s) > RATE_TOLERANCE * elapsed_s + RATE_SLACK_S:
            self.blame("tick.rate", f"{counted_s:.2f} s by its ticks in {elapsed_s:.2f} s of this computer's")

    # -- samples ---------------------------------------------------------------------------------------------------

    def _samples(self, received: Received, samples: Samples) -> None:
        first = self.raws.get(samples.sequence)
        if samples.sequence in self.may_repeat:
            if first is not None and received.frame.raw != first:
                self.blame("resend.bytes", f"frame {samples.sequence} differs from its first sending", received)
            self.raws[samples.sequence] = first or received.frame.raw  # its first sending may be lost
            return
        if first == received.frame.raw and self.counts["resends asked for"]:
            self.blame("resend.count", f"frame {samples.sequence} was not asked for", received, 5)
            return
        if self.streaming is False:
            self.blame("idle.stream", "samples while idle", received)
        self.raws[samples.sequence] = received.frame.raw
        before = self.last_live
        if before is not None and samples.sequence not in self.may_repeat:
            step = (samples.sequence - before.sequence) & U32
            lost, self._bad_at_live = self.counts["bad"] - self._bad_at_live, self.counts["bad"]
            if not 1 <= step <= 1 + lost and (self._status is None or self._status.dropped == 0):
                self.blame("sequence.step", f"{samples.sequence} after {before.sequence}", received, 5)
            if (samples.tick - before.tick) & U32 > U32 // 2:
                self.blame("tick.forward", f"tick {samples.tick} after {before.tick}", received, 9)
        status, hello = self._status, self.hello
        if status is not None and hello is not None and before is not None and received.at_ns is not None:
            lag = _ticks(status.tick - samples.tick)
            if lag > hello.tick_rate_hz * SAMPLE_LAG_S and status.dropped == 0:
                found = f"tick {samples.tick} in live samples, and {status.tick} in a status before them"
                self.blame("samples.tick", found, received, 9)
        self.first_live = self.first_live or samples
        self.last_live = samples
        self._readings(received, samples)

    def _readings(self, received: Received, samples: Samples) -> None:
        layout, hello = self.layout, self.hello
        if layout is None or hello is None:
            return
        if samples.layout_id != layout.layout_id:
            self.blame("samples.layout", f"0x{samples.layout_id:08x}, described 0x{layout.layout_id:08x}", received, 1)
            return
        try:
            readings = layout.unpack(samples)
        except LayoutError as exc:
            self.blame("samples.length", str(exc), received, 13)
            return
        for index, reading in readings:
            if isinstance(reading, int):
                self._note_beyond(layout.channels[index], reading)
            if (before := self._shown.get(index)) is not None:
                gap_ms = ((samples.tick - before) & U32) * 1000 / hello.tick_rate_hz
                period_ms = layout.channels[index].period_ms
                if abs(gap_ms - period_ms) > PERIOD_TOLERANCE * period_ms + PERIOD_SLACK_MS:
                    found = f"channel {index} after {gap_ms:.0f} ms, its period is {period_ms} ms"
                    self.blame("samples.period", found, received)
            self._shown[index] = samples.tick

    def _note_beyond(self, channel: Describe, raw: int) -> None:
        """A number far from all that the channel can measure is most often one of another unit, width or byte order."""
        low, high, reading = channel.range_low, channel.range_high, measured(channel, raw)
        if low is None or high is None or reading is None or low - (high - low) <= reading <= high + (high - low):
            return
        self.beyond.setdefault(channel.index, f"{reading:g} {channel.unit}, its range is {low:g} to {high:g}")
        self.notes[f"channel {channel.index} shows {self.beyond[channel.index]}: unit, exponent, byte order?"] += 1


def _ticks(difference: int) -> int:
    """Of two ticks, modulo 2^32, signed."""
    return (difference + 2**31 & U32) - 2**31


def what_is_bad(bad: BadFrame) -> tuple[str, int | None]:
    """In words, with what it most likely is instead; the first byte of the block that shows it."""
    block = bad.raw.strip(b"\0")
    if bad.reason == BadFrameReason.COBS:
        at = last = 0
        while at < len(block):
            last, at = at, at + block[at]
        return f"a code byte of {block[last]} with {len(block) - last - 1} bytes left before the delimiter", last
    raw = unstuff(block)
    if bad.reason != BadFrameReason.CRC or raw is None:
        return f"a block that is no frame: {len(block)} bytes before the delimiter ({bad.reason})", None
    payload, crc = bytes(raw[:-CRC_BYTES]), bytes(raw[-CRC_BYTES:])
    wanted = zlib.crc32(payload).to_bytes(4, "little")
    found = f"the frame ends with {crc.hex(' ')}; the CRC-32 of the {len(payload)} bytes before is {wanted.hex(' ')}"
    if crc == wanted[::-1]:
        found += ": most significant byte first"
    elif _understood(bytes(raw)):
        found += ": no CRC at all?"
    return found, max(0, len(block) - CRC_BYTES)


def _understood(payload: bytes) -> bool:
    try:
        decode_payload(payload)
    except ProtocolError:
        return False
    return True


def _without_changes(hello: Hello) -> Hello:
    """What may differ between two hellos of one start: request id and layout."""
    return Hello(
        0, hello.device_id, hello.firmware_name, hello.firmware_version, hello.boot_count, hello.tick_rate_hz,
        hello.channels, 0, hello.capabilities, hello.outputs, hello.buffer_frames, hello.model, hello.major,
        hello.minor,
    )  # fmt: skip
