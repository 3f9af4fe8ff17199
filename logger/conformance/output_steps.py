"""Permits, and with leave the contact itself: section 8."""

from typing import TYPE_CHECKING

from firmware_protocol.codes import Capability, ErrorCode, OpenedBy, OutputState
from firmware_protocol.layout import Layout
from firmware_protocol.messages import Accepted, ErrorMessage, Hello, OutputDescription, Status, encode_message
from firmware_protocol.requests import Permit, Request, RequestHello, RequestOutput, SetPeriod, Stop
from logger.conformance.asking import Asking, Steps, Wait, ask, refused, start, status_of
from logger.conformance.observer import U32

if TYPE_CHECKING:
    from logger.conformance.check import ConformanceCheck

PERMIT_MS = 1000
AT_ONCE_MS = 100  # by the device's own ticks; a status of its rhythm seldom falls there


def check_outputs(check: "ConformanceCheck", hello: Hello) -> Steps:
    for index in range(hello.outputs):
        reply = yield from ask(check, RequestOutput(1, index), OutputDescription)
        if reply is not None and isinstance(reply.message, OutputDescription) and reply.message.index != index:
            check.blame("output.describe", f"index {reply.message.index} for {index}", reply)
    yield from refused(check, "error.index", RequestOutput(1, hello.outputs), ErrorCode.NO_SUCH_CHANNEL)
    status = yield from status_of(check)
    layout = check.observer.layout
    if status is None or layout is None:
        return
    for request, code in _permits_refused(hello, status, layout):
        yield from refused(check, "permit.order", request, code)
    if check.close_outputs:
        yield from _contact(check, layout)


def _permits_refused(hello: Hello, status: Status, layout: Layout) -> list[tuple[Request | bytes, ErrorCode]]:
    """None of these may close anything."""

    def permit(**fields: int) -> Permit:
        usual = {"index": 0, "action": 1, "timeout_ms": PERMIT_MS, "boot_count": hello.boot_count, "tick": status.tick}
        return Permit(1, **(usual | fields))

    def malformed(at: int, byte: int) -> bytes:
        payload = bytearray(encode_message(permit()))
        payload[at] = byte
        return bytes(payload)

    crossed = bytearray(encode_message(permit(guard_channel=0, guard_layout_id=layout.layout_id)))
    crossed[19:27] = (5).to_bytes(4, "little") + (4).to_bytes(4, "little")
    stale = (status.tick - hello.tick_rate_hz * 3600) & U32
    return [
        (permit(index=hello.outputs), ErrorCode.NO_SUCH_CHANNEL),
        (permit(boot_count=hello.boot_count ^ 1, timeout_ms=0), ErrorCode.STALE_PERMIT),
        (permit(timeout_ms=0, tick=stale), ErrorCode.OUT_OF_RANGE),
        (permit(timeout_ms=65_535), ErrorCode.OUT_OF_RANGE),
        (permit(tick=stale), ErrorCode.STALE_PERMIT),
        (permit(guard_channel=200, tick=stale), ErrorCode.STALE_PERMIT),
        (malformed(3, 2), ErrorCode.MALFORMED),
        (bytes(crossed), ErrorCode.MALFORMED),
    ]


def _contact(check: "ConformanceCheck", layout: Layout) -> Steps:
    """With the contact itself: the machine behind it must be disconnected."""
    hello = check.observer.hello
    assert hello is not None

    def hold(**fields: int) -> Asking:
        status = yield from status_of(check)
        tick = status.tick if status is not None else 0
        usual = {"index": 0, "action": 1, "timeout_ms": PERMIT_MS, "boot_count": hello.boot_count, "tick": tick}
        return (yield from ask(check, Permit(1, **(usual | fields))))

    senseless = {"boot_count": hello.boot_count ^ 0x5555, "tick": 1, "timeout_ms": 0}
    senseless |= {"guard_channel": 99, "guard_low": 3, "guard_high": 2}
    reply = yield from hold(action=0, **senseless)
    if reply is None or not isinstance(reply.message, Accepted):
        check.blame("permit.open", "open with senseless other fields is not accepted", reply)
    yield Wait(check.reopen_s)
    guard = {"guard_channel": 0, "guard_layout_id": layout.layout_id}
    yield from _refused_hold(check, "permit.order", ErrorCode.NO_SUCH_CHANNEL, hold(guard_channel=hello.channels))
    if hello.channels:
        other = guard | {"guard_layout_id": layout.layout_id ^ 1}
        yield from _refused_hold(check, "permit.order", ErrorCode.OUT_OF_RANGE, hold(**other))
    reply = yield from hold()
    if reply is None or not isinstance(reply.message, Accepted):
        check.blame(
            "permit.closed",
            "a permit that nothing speaks against is not accepted",  # words: SPEC
            reply,
        )
        return
    permitted = reply.message
    status = yield from status_of(check)
    if status is not None and (status.outputs[:1] and status.outputs[0][0] != OutputState.CLOSED):
        check.blame(
            "permit.closed",
            f"status says {status.outputs[0]} after an accepted permit",  # words: SPEC
        )
    begun = len(check.received)
    yield Wait(PERMIT_MS / 1000 + 0.6)
    said = [r.message for r in check.received[begun:] if isinstance(r.message, Status) and r.message.request_id == 0]
    opened = [status for status in said if status.outputs[:1] and status.outputs[0][0] == OutputState.OPEN]
    status = yield from status_of(check)
    if status is not None and status.outputs[:1]:
        state, why, _ = status.outputs[0]
        if state != OutputState.OPEN:
            check.blame(
                "permit.expiry",
                f"still closed {PERMIT_MS} ms after its last permit",  # words: SPEC
            )
            yield from hold(action=0)
            return
        if why != OpenedBy.PERMIT_EXPIRED:
            check.blame(
                "permit.opened_by",
                f"opened by {why} when its permit had run out",  # words: SPEC
            )
    late_ms = None
    if opened and isinstance(permitted, Accepted):
        late_ms = ((opened[0].tick - permitted.tick) & U32) * 1000 / hello.tick_rate_hz - PERMIT_MS
    if late_ms is None or late_ms > AT_ONCE_MS:
        check.blame("permit.at_once", "no status of its own when the output opened")
    yield from _refused_hold(check, "permit.tripped", ErrorCode.MUST_REARM, hold())
    yield from hold(action=0)
    yield Wait(check.reopen_s)
    # an impossible guard: whatever the first channel measures is outside
    reply = yield from hold(**guard, guard_low=2**31 - 1, guard_high=2**31 - 1, timeout_ms=5000)
    if reply is not None and isinstance(reply.message, Accepted):
        yield Wait(2.2 * layout.channels[0].period_ms / 1000 + 0.4)
        status = yield from status_of(check)
        if status is not None and status.outputs[:1]:
            state, why, _ = status.outputs[0]
            if state != OutputState.OPEN:
                check.blame("permit.guard", "closed although its guard channel is out of the limits")
            elif why not in (OpenedBy.GUARD_LIMIT, OpenedBy.GUARD_NO_READING):
                check.blame("permit.opened_by", f"opened by {why} when its guard was broken")
    yield from hold(action=0)
    yield Wait(check.reopen_s)
    if hello.capabilities & Capability.SET_PERIOD:
        reply = yield from hold(**guard, guard_low=-(2**31), guard_high=2**31 - 1, timeout_ms=5000)
        if reply is not None and isinstance(reply.message, Accepted):
            yield from _layout_changes(check, layout)
        yield from hold(action=0)
        yield Wait(check.reopen_s)
    reply = yield from hold(timeout_ms=5000)
    if reply is not None and isinstance(reply.message, Accepted):
        check.observer.streaming = None
        yield from ask(check, Stop(1), Accepted)
        status = yield from status_of(check)
        if status is not None and status.outputs[:1] and status.outputs[0][0] != OutputState.OPEN:
            check.blame("permit.stop", "closed after stop")
        yield from _refused_hold(check, "permit.order", ErrorCode.NOT_STREAMING, hold())
    yield from hold(action=0)
    yield from start(check)


def _layout_changes(check: "ConformanceCheck", layout: Layout) -> Steps:
    """While the contact is held with a guard that any reading keeps to."""
    status = yield from status_of(check)
    if status is None or not status.outputs or status.outputs[0][0] != OutputState.CLOSED:
        return  # its channel has no reading
    observer, old_ms = check.observer, layout.channels[0].period_ms
    observer.counts["blind"] += 1
    observer.layout = None
    yield from ask(check, SetPeriod(1, 700 if old_ms != 700 else 900, 0), Accepted)
    yield Wait(0.5)
    status = yield from status_of(check)
    yield from ask(check, SetPeriod(1, old_ms, 0), Accepted)
    yield Wait(0.3)
    yield from ask(check, RequestHello(1), Hello)
    observer.forget_stream()
    observer.layout = layout
    observer.counts["blind"] -= 1
    if status is None or not status.outputs or observer.hello is None:
        return
    state, why, _ = status.outputs[0]
    if state != OutputState.OPEN:
        check.blame("permit.guard", "closed although the layout is no longer its guard's")
    elif why != OpenedBy.LAYOUT_CHANGED and observer.hello.minor >= 1:  # 1.0 had no number of its own for it
        check.blame("permit.opened_by", f"opened by {why} when the layout was no longer its guard's")


def _refused_hold(check: "ConformanceCheck", rule: str, code: ErrorCode, held: Asking) -> Steps:
    reply = yield from held
    if reply is not None and not (isinstance(reply.message, ErrorMessage) and reply.message.code == code):
        check.blame(rule, f"{reply.message} instead of error {int(code)}", reply)
