"""What is asked of a live device, and what it must answer.

A generator: it yields what it waits for, and check.py runs it.
"""

from collections.abc import Callable, Generator
from typing import TYPE_CHECKING

from firmware_protocol.codes import Capability, DeviceState, ErrorCode, OpenedBy, OutputState, PermitAction
from firmware_protocol.conversion import cold_junction, problem_among, problem_with
from firmware_protocol.errors import ProtocolError
from firmware_protocol.framing import encode_frame
from firmware_protocol.layout import Layout, layout_id_of
from firmware_protocol.messages import Accepted, Describe, Hello, Resending, Samples, Status, TimeMarked, encode_message
from firmware_protocol.requests import (
    Permit,
    RequestDescribe,
    RequestHello,
    RequestOutput,
    ResendFrom,
    SetPeriod,
    Start,
    Stop,
    TimeMark,
)
from logger.conformance.asking import (
    REPLY_S,
    Steps,
    Wait,
    ask,
    ask_together,
    in_words,
    refused,
    start,
    status_of,
    stop,
    unasked,
)
from logger.conformance.observer import PERIOD_SLACK_MS, PERIOD_TOLERANCE, U32, Received
from logger.conformance.output_steps import check_outputs, check_start_delay

if TYPE_CHECKING:
    from logger.conformance.check import ConformanceCheck

STREAM_S = 6.0
QUIET_S = 0.8
GREET_S = 8.0  # a board that resets when its port is opened
AT_ONCE_MS = 1000.0
JUNCTION_MS = 10_000
RESET = "reset"
RESET_S = 60.0  # for a person
OLDEST_MARGIN = 20  # frames: the oldest are overwritten while they are asked for
DELAYED_MS = 100.0  # of a live frame, beside what varies without a resend


def script(check: "ConformanceCheck") -> Steps:
    """All of it. Ends early when the device does not answer at all."""
    check.step = "greeting"
    hello = yield from _greet(check)
    if hello is None:
        return
    check.step = "descriptions"
    yield from _describe(check, hello)
    check.step = "requests that no device may carry out"
    yield from _refusals(check, hello)
    check.step = "what needs no answer"
    yield from _silence(check)
    check.step = "idle"
    yield from _idle(check)
    check.step = "stream"
    yield from _stream(check)
    if hello.capabilities & Capability.RESEND:
        check.step = "resending"
        yield from _resend(check)
    if hello.capabilities & Capability.SET_PERIOD and hello.channels:
        check.step = "period"
        yield from _period(check)
    if hello.outputs:
        check.step = "outputs"
        yield from check_outputs(check, hello)
    check.step = "stop"
    yield from _stop(check)
    check.observer.judge_rate()
    if check.ask_reset is not None:
        check.step = RESET
        yield from _reset(check, check.ask_reset)


# -- the steps ---------------------------------------------------------------------------------------------------


def _greet(check: "ConformanceCheck") -> Generator[Wait, None, Hello | None]:
    hello = None
    for _ in range(int(GREET_S)):
        check.send(encode_frame(encode_message(RequestHello(check.next_id()))))
        yield Wait(1.0, lambda: check.observer.hello is not None)
        if (hello := check.observer.hello) is not None:
            break
    if hello is None:
        if not check.observer.nothing_good() and not check.faults:
            check.blame("reply.none", f"no hello within {GREET_S:g} s")
        return None
    status = yield from status_of(check)
    if status is not None and status.state == DeviceState.IDLE:
        for index, (state, _, _) in enumerate(status.outputs):
            if state != OutputState.OPEN:
                check.blame("permit.idle", f"output {index} is closed, and nothing was started yet", check.received[-1])
    yield from stop(check)  # it may stream since a host before
    reply = yield from ask(check, RequestHello(1), Hello)
    again = yield from ask(check, b"\x01" + bytes((check.next_id(),)) + b"\x09\x07")
    if reply is not None and (again is None or not isinstance(again.message, Hello)):
        check.blame("hello.major", "no hello for a host of version 9.7", again)
    return check.observer.hello


def _describe(check: "ConformanceCheck", hello: Hello) -> Steps:
    payloads: list[bytes] = []
    reply: Received | None = None
    for index in range(hello.channels):
        reply = yield from ask(check, RequestDescribe(1, index), Describe)
        if reply is None or not isinstance(reply.message, Describe):
            return
        if reply.message.index != index:
            check.blame("describe.index", f"index {reply.message.index} for {index}", reply)
            return
        payloads.append(reply.frame.payload)
        again = yield from ask(check, RequestDescribe(1, index), Describe)
        if again is not None and again.frame.payload[2:] != reply.frame.payload[2:]:
            check.blame("describe.same", f"channel {index} was described differently before", again)
    found = layout_id_of(payloads)
    if found != hello.layout_id:
        bodies = "; ".join(f"after body {n} 0x{layout_id_of(payloads[: n + 1]):08x}" for n in range(len(payloads)))
        said = f"the descriptions make 0x{found:08x}, hello says 0x{hello.layout_id:08x} ({bodies})"
        check.blame("layout.id", said, reply)
    try:
        check.observer.layout = layout = Layout.from_payloads(payloads)
    except ProtocolError as exc:
        check.blame("message.field", str(exc))
    else:
        for channel in layout.channels:
            problem = problem_among(channel, layout.channels)
            if problem is not None and problem_with(channel) is None:  # of one channel by itself it was told already
                check.blame("describe.sensor", f"channel {channel.index}: {problem}")
            junction = cold_junction(channel)
            if problem is None and junction is not None and layout.channels[junction].period_ms > JUNCTION_MS:
                period_s = layout.channels[junction].period_ms / 1000
                check.blame("describe.junction", f"channel {junction}, of thermocouple {channel.index}: {period_s:g} s")
    for index in {hello.channels, 255}:
        yield from refused(check, "error.index", RequestDescribe(1, index), ErrorCode.NO_SUCH_CHANNEL)


def _refusals(check: "ConformanceCheck", hello: Hello) -> Steps:
    unknown, malformed = (ErrorCode.UNKNOWN_REQUEST,), (ErrorCode.MALFORMED,)
    yield from refused(check, "error.unknown", bytes((0x7E, check.next_id())), *unknown)
    yield from refused(check, "error.unknown", bytes((0x33, check.next_id())) + b"some", *unknown)
    yield from refused(check, "error.malformed", bytes((0x02, check.next_id())), *malformed)
    yield from refused(check, "error.malformed", bytes((0x08, check.next_id())) + b"short", *malformed)
    for payload in (b"\x04", b"\x04\x00"):
        yield from refused(check, "error.id0", payload, *malformed)
    longer = yield from ask(check, bytes((0x04, check.next_id())) + b"\x01\x02\x03")
    if longer is None or not isinstance(longer.message, Status):
        check.blame("request.longer", "no status for a status? with three bytes more", longer)
    missing = (ErrorCode.NOT_SUPPORTED, ErrorCode.UNKNOWN_REQUEST)
    if hello.capabilities & Capability.RESEND:
        yield from refused(check, "error.malformed", bytes((0x07, check.next_id())) + bytes(6), *malformed)
    else:
        yield from refused(check, "error.capability", ResendFrom(1, 0, 1), *missing)
    if hello.capabilities & Capability.SET_PERIOD:
        yield from refused(check, "error.malformed", bytes((0x09, check.next_id(), 0)) + bytes(4), *malformed)
        channel = max(hello.channels, 64)
        yield from refused(check, "error.index", SetPeriod(1, 1000, channel), ErrorCode.NO_SUCH_CHANNEL)
    else:
        yield from refused(check, "error.capability", SetPeriod(1, 1000), *missing)
    if hello.outputs == 0:
        yield from refused(check, "error.capability", RequestOutput(1, 0), *missing)
        yield from refused(check, "error.capability", Permit(1, 0, PermitAction.OPEN, 0, 0, 0), *missing)


def _silence(check: "ConformanceCheck") -> Steps:
    """Its own messages sent back, and bytes that are no frames."""
    before = yield from status_of(check)
    said = [received.frame.raw for received in check.received if received.frame.payload[0] in (0x81, 0x82, 0x84, 0x85)]
    begun = len(check.received)
    check.send(b"".join(said[-6:]))
    yield Wait(QUIET_S)
    if found := [r for r in check.received[begun:] if not unasked(r)]:
        check.blame("echo.answered", f"{in_words(found[0].message)} to its own message", found[0])
    begun = len(check.received)
    good = encode_frame(bytes((0x04, 77)))
    for bad in (
        good[:2] + bytes((good[2] ^ 0x10,)) + good[3:],
        b"\x09" + good[1:],
        b"\x02\x02\x00",
        b"\x11" * 300 + b"\0",
    ):
        check.send(bad)
    yield Wait(QUIET_S)
    if found := [r for r in check.received[begun:] if not unasked(r)]:
        check.blame("bad.answered", f"{in_words(found[0].message)} to bytes that are no frame", found[0])
    check.send(b"boot: garbage without an end")
    check.send(b"\0\0\0")
    after = yield from status_of(check)
    if after is None:
        check.blame("frame.recovery", "no reply to a good request after garbage")
        return
    if before is not None and after.bad_frames <= before.bad_frames:
        check.blame("frame.counted", f"{after.bad_frames} after five bad blocks, {before.bad_frames} before")
    check.send(bytes(40))
    idle = yield from status_of(check)
    if idle is not None and idle.bad_frames > after.bad_frames:
        check.blame("frame.idle", f"{idle.bad_frames - after.bad_frames} more bad frames after 40 times 0x00")


def _idle(check: "ConformanceCheck") -> Steps:
    again = yield from ask(check, Stop(1))
    if again is None or not isinstance(again.message, Accepted):
        check.blame("start.again", "stop while idle is not accepted", again)
    yield Wait(1.0)
    for number in (0, 0x0102_0304_0506_0708, 2**64 - 1):
        before = (yield from status_of(check)) if number == 0 else None
        reply = yield from ask(check, TimeMark(1, number), TimeMarked)
        if reply is not None and isinstance(reply.message, TimeMarked):
            if reply.message.host_time != number:
                check.blame("mark.host_time", f"{reply.message.host_time} for {number}", reply)
            if (reply.message.tick_replied - reply.message.tick_received) & U32 > U32 // 2:
                check.blame("mark.ticks", "the tick at receipt is after the one at reply", reply)
            after = (yield from status_of(check)) if before is not None else None
            if before is not None and after is not None and after.boot_count == before.boot_count:
                span, into = (after.tick - before.tick) & U32, (reply.message.tick_received - before.tick) & U32
                if into > span:
                    found = f"tick {reply.message.tick_received} at receipt; a status before has {before.tick}"
                    check.blame("mark.ticks", f"{found}, one after it {after.tick}", reply)


def _stream(check: "ConformanceCheck") -> Steps:
    layout = check.observer.layout
    begun = len(check.received)
    accepted = yield from start(check)
    if accepted is None:
        return
    yield Wait(STREAM_S)
    again = yield from ask(check, Start(1))
    if again is None or not isinstance(again.message, Accepted):
        check.blame("start.again", "start while streaming is not accepted", again)
    elif (again.message.next_sequence - accepted.next_sequence) & U32 > U32 // 2:
        check.blame("start.again", "the sequence decreased", again)
    yield Wait(0.5)
    hello = check.observer.hello
    if (
        layout is not None
        and hello is not None
        and not {"samples.layout", "samples.length"} & set(check.observer.faults)
    ):
        first_ms = _first_seen_ms(check.received[begun:], layout, accepted.tick, hello.tick_rate_hz)
        for channel in layout.channels:
            came_ms = first_ms.get(channel.index)
            if came_ms is not None and came_ms * hello.tick_rate_hz / 1000 > U32 // 2:
                continue  # of before the request: what is wrong with its tick is told by itself
            if came_ms is None and channel.period_ms < STREAM_S * 900:
                check.blame("start.first", f"channel {channel.index} has not come within its period", check.accepted)
            elif came_ms is not None and came_ms > (1 + PERIOD_TOLERANCE) * channel.period_ms + 2 * PERIOD_SLACK_MS:
                found = f"channel {channel.index} came after {came_ms:.0f} ms, its period is {channel.period_ms} ms"
                check.blame("start.first", found, check.accepted)
            elif channel.period_ms > 2 * AT_ONCE_MS and (came_ms is None or came_ms > AT_ONCE_MS):
                came = "did not come" if came_ms is None else f"came after {came_ms:.0f} ms"
                check.blame("start.once", f"channel {channel.index} {came}")
    yield from status_of(check)


def _first_seen_ms(received: list[Received], layout: Layout, begun: int, rate_hz: int) -> dict[int, float]:
    """Channel -> ms from the tick `begun` to its first sample."""
    seen: dict[int, float] = {}
    for one in received:
        if isinstance(one.message, Samples):
            try:
                present = [index for index, _ in layout.unpack(one.message)]
            except ProtocolError:
                continue  # blamed by the observer
            for index in present:
                seen.setdefault(index, ((one.message.tick - begun) & U32) * 1000 / rate_hz)
    return seen


def _resend(check: "ConformanceCheck") -> Steps:
    observer = check.observer
    status = yield from status_of(check)
    if status is None or not observer.raws:
        return
    held = [n for n in sorted(observer.raws) if (n - status.oldest_sequence) & U32 < U32 // 2]
    wanted = held[max(0, len(held) // 2 - 3) :][:5]
    if not wanted:
        return
    lags_ms = _lags_ms(check, check.received, set())
    observer.counts["resends asked for"] += 1
    yield from _resent(check, wanted[0], len(wanted))
    span = (status.next_sequence - status.oldest_sequence) & U32
    yield from _resent(check, (status.oldest_sequence + min(span // 2, OLDEST_MARGIN)) & U32, 3)
    yield from _live_goes_first(check, held, max(lags_ms, default=0.0))
    yield from _newer_replaces(check, held)
    future = (status.next_sequence + 100_000) & U32
    reply = yield from ask(check, ResendFrom(1, future, 5), Resending)
    if reply is not None and isinstance(reply.message, Resending) and reply.message.count:
        check.blame("resend.future", f"{reply.message.count} frames of the future", reply)
    before = yield from status_of(check)
    yield from stop(check)
    status = yield from status_of(check)
    if status is not None and before is not None:
        held_after, held_before = ((s.next_sequence - s.oldest_sequence) & U32 for s in (status, before))
        if held_after < held_before // 2:  # by bytes, a longer frame may take the room of some shorter ones
            check.blame(
                "resend.kept", f"{held_after} frames held after stop, {held_before} before it", check.received[-1]
            )
    if status is not None and status.oldest_sequence != status.next_sequence:
        newest = (status.next_sequence - 3) & U32
        if (newest - status.oldest_sequence) & U32 < U32 // 2 and newest in observer.raws:
            yield from _resent(check, newest, 3)
    yield from start(check)


def _resent(check: "ConformanceCheck", first: int, count: int) -> Steps:
    status = yield from status_of(check)
    held = None if status is None else status.oldest_sequence
    begun = len(check.received)
    numbers, bad = _run(first, count), check.observer.counts["bad"]
    check.observer.may_repeat = numbers
    reply = yield from ask(check, ResendFrom(1, first, count), Resending)
    if reply is None or not isinstance(reply.message, Resending):
        check.observer.may_repeat = set()
        return
    resending = reply.message
    if held is not None and (resending.oldest - held) & U32 > U32 // 2:
        check.blame("resend.oldest", f"{resending.oldest} here, {held} in the status before", reply)
    if held is not None and status is not None:
        gone, made = (resending.oldest - held) & U32, (resending.next_sequence - status.next_sequence) & U32
        if OLDEST_MARGIN + 2 * made < gone <= U32 // 2:
            found = f"{resending.oldest} here, {held} in the status before, and {made} frames made since"
            check.blame("resend.oldest", found, reply)
    within = (first - resending.oldest) & U32 < (resending.next_sequence - resending.oldest) & U32
    if resending.count == 0 and within:
        check.blame("resend.first", f"none, and of {first} on it holds all from {resending.oldest} on", reply)
    ahead = (resending.first - first) & U32
    if resending.count and ahead and (first - resending.oldest) & U32 < U32 // 2:
        check.blame("resend.first", f"from {resending.first} on, and {first} is still held", reply)
    if ahead + resending.count > count and resending.count:
        check.blame("resend.count", f"{resending.count} from {resending.first}, asked for {count} from {first}", reply)

    def got() -> list[int]:
        found = [r.message.sequence for r in check.received[begun:] if isinstance(r.message, Samples)]
        return [n for n in found if n in numbers]

    yield Wait(3.0, lambda: len(got()) >= min(resending.count, count))
    expected = [(resending.first + i) & U32 for i in range(min(resending.count, count))]
    if got() != expected and check.observer.counts["bad"] == bad:
        check.blame("resend.all", f"frames {got()} for {expected}", reply)
    yield Wait(0.2)
    check.observer.may_repeat = set()


def _live_goes_first(check: "ConformanceCheck", held: list[int], usual_ms: float) -> Steps:
    """All that is held once more: live samples come as soon after their tick as they did without."""
    begun = len(check.received)
    check.observer.may_repeat = _run(held[0], len(held))
    known = set(check.observer.raws) | check.observer.may_repeat
    reply = yield from ask(check, ResendFrom(1, held[0], len(held)), Resending)
    yield Wait(1.5)
    lags_ms = _lags_ms(check, check.received[begun:], known)
    later_ms = max(lags_ms, default=usual_ms) - usual_ms
    if later_ms > DELAYED_MS + check.slack_ms:
        check.blame("resend.live", f"a live frame came {later_ms:.0f} ms later than without a resend", reply)
    check.observer.may_repeat = set()


def _run(first: int, count: int) -> set[int]:
    return {(first + i) & U32 for i in range(count)}


def _lags_ms(check: "ConformanceCheck", received: list[Received], without: set[int]) -> list[float]:
    """Arrival after tick of each samples frame, ms, less any constant. (Ticks run over long before a check is over.)"""
    hello = check.observer.hello
    samples = [(r, r.message) for r in received if isinstance(r.message, Samples) and r.message.sequence not in without]
    live = check.observer.first_live
    if hello is None or live is None:
        return []
    since, per_ms = live.tick, hello.tick_rate_hz / 1000
    return [(r.at_ns or 0) / 1e6 - ((s.tick - since) & U32) / per_ms for r, s in samples]


def _newer_replaces(check: "ConformanceCheck", held: list[int]) -> Steps:
    """Two at once, the second for the newest alone."""
    older, newer = set(held[:-2]), held[-2:]
    if not older:
        return
    begun = len(check.received)
    check.observer.may_repeat = _run(held[0], ((held[-1] - held[0]) & U32) + 1)
    replies = yield from ask_together(check, ResendFrom(1, held[0], len(older)), ResendFrom(1, newer[0], len(newer)))
    if (reply := replies[1]) is None:
        check.blame("reply.none", f"no reply to a resend from beside another within {REPLY_S:g} s")
    else:
        yield Wait(1.0)
        after = check.received[check.received.index(reply, begun) :]
        if late := [r for r in after if isinstance(r.message, Samples) and r.message.sequence in older]:
            check.blame("resend.newer", "a frame of the older request after the reply to the newer", late[0], 5)
    check.observer.may_repeat = set()


def _period(check: "ConformanceCheck") -> Steps:
    observer = check.observer
    layout, before = observer.layout, observer.hello
    if layout is None or before is None:
        return
    old_ms = layout.channels[0].period_ms
    new_ms = 700 if old_ms != 700 else 900
    begun = len(check.received)
    observer.counts["blind"] += 1  # sequences go on, layouts change: compared again below
    observer.layout = None
    reply = yield from ask(check, SetPeriod(1, new_ms, 0), Accepted)
    yield Wait(0.5)
    yield from _sampled_by_new_period(check, reply, begun, new_ms, before.tick_rate_hz)
    for other in range(1, min(before.channels, 2)):
        known = observer.describes.get(other)
        described = yield from ask(check, RequestDescribe(1, other), Describe)
        if described is not None and known is not None and described.frame.payload[2:] != known:
            check.blame("period.others", f"channel {other} is described differently after channel 0 was set", described)
    if reply is not None and isinstance(reply.message, Accepted):
        hellos = [r for r in check.received[begun:] if isinstance(r.message, Hello) and r.message.request_id == 0]
        if reply.message.layout_id == before.layout_id:
            check.blame("period.layout", f"the layout id stays for a period of {new_ms} ms after {old_ms} ms", reply)
        if not hellos:
            check.blame("period.hello", "no hello after the period was changed", reply)
        elif isinstance(hellos[0].message, Hello) and hellos[0].message.layout_id != reply.message.layout_id:
            check.blame("period.accepted", "accepted and hello carry different layout ids", reply)
    yield from ask(check, SetPeriod(1, old_ms, 0), Accepted)
    yield Wait(0.3)
    again = yield from ask(check, RequestHello(1), Hello)
    observer.forget_stream()
    if again is not None and isinstance(again.message, Hello) and again.message.layout_id == before.layout_id:
        observer.layout = layout
    elif again is not None:
        check.blame("period.layout", "the old period does not bring the old layout id back", again)
    observer.counts["blind"] -= 1


def _sampled_by_new_period(
    check: "ConformanceCheck", reply: Received | None, begun: int, new_ms: int, rate_hz: int
) -> Steps:
    accepted = None if reply is None else reply.message
    if not isinstance(accepted, Accepted):
        return
    late_ms = (1 + PERIOD_TOLERANCE) * new_ms + 2 * PERIOD_SLACK_MS

    def came() -> list[float]:
        """ms from the request to each frame of the new layout with channel 0."""
        frames = [r.message for r in check.received[begun:] if isinstance(r.message, Samples)]
        new = [f for f in frames if f.layout_id == accepted.layout_id and f.data[:1] and f.data[0] & 1]
        return [((f.tick - accepted.tick) & U32) * 1000 / rate_hz for f in new]

    yield Wait(late_ms / 1000, lambda: bool(came()))
    if not came():
        check.blame("period.next", f"channel 0 has not come within its new period of {new_ms} ms", reply)
    elif late_ms < min(came()) < U32 // 2:
        check.blame("period.next", f"channel 0 came after {min(came()):.0f} ms, its new period is {new_ms} ms", reply)


def _stop(check: "ConformanceCheck") -> Steps:
    yield from stop(check)
    begun = len(check.received)
    yield Wait(1.5)
    if any(isinstance(received.message, Samples) for received in check.received[begun:]):
        check.blame("stop.stream", "samples more than 0.3 s after stop")
    yield from status_of(check)


def _reset(check: "ConformanceCheck", ask_reset: Callable[[], None]) -> Steps:
    """A person resets the device, or cuts its supply."""
    observer = check.observer
    before, status = observer.hello, (yield from status_of(check))
    begun = len(check.received)
    observer.streaming = None
    observer.reset_asked = True
    ask_reset()

    def greeted() -> bool:
        return any(isinstance(r.message, Hello) and r.message.request_id == 0 for r in check.received[begun:])

    yield Wait(RESET_S, lambda: greeted() or check.came_back)
    unasked_for = greeted() or check.came_back
    observer.streaming = False
    reply = yield from ask(check, RequestHello(1), Hello)
    after = yield from status_of(check)
    if before is None or status is None or after is None or reply is None:
        return
    again = after.boot_count != status.boot_count
    if not again and after.uptime_s >= status.uptime_s:
        check.step = f"reset (none within {RESET_S:g} s)"
        return
    observer.counts["started again"] -= again  # that was asked for
    if not unasked_for:
        check.blame("start.hello", "none after the reset")
    if not again:
        check.blame("start.boot", f"boot count {after.boot_count} before and after a start", reply)
    if after.next_sequence:
        check.blame("start.sequence", f"{after.next_sequence} is the next one, and nothing was started yet")
    for index, (state, opened_by, _) in enumerate(after.outputs):
        if state != OutputState.OPEN or opened_by != OpenedBy.START_UP:
            check.blame("start.open", f"output {index} has state {state}, opened by {opened_by}")
    if check.close_outputs and after.outputs:
        yield from check_start_delay(check)
