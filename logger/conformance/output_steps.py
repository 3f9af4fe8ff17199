"""Permits, and with leave the contact itself: section 8."""

from collections.abc import Generator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from firmware_protocol.codes import Capability, ErrorCode, OpenedBy, OutputState, PermitAction
from firmware_protocol.layout import Layout
from firmware_protocol.messages import (
    Accepted,
    ErrorMessage,
    Hello,
    OutputDescription,
    Status,
    TimeMarked,
    encode_message,
)
from firmware_protocol.requests import Permit, Request, RequestHello, RequestOutput, RequestStatus, SetPeriod, TimeMark
from logger.conformance.asking import Asking, Steps, Wait, ask, ask_together, in_words, refused, start, status_of, stop
from logger.conformance.observer import U32, Received
from logger.model.units import NS_PER_S

if TYPE_CHECKING:
    from logger.conformance.check import ConformanceCheck

PERMIT_MS = 1000
GUARDED_MS = 5000
PERMITS_MS = (1000, 3000, 9000)  # one after the other while this computer is too slow
AT_ONCE_MS = 100  # by the device's own ticks; a status of its rhythm seldom falls there
REOPENS = 5  # how often the contact is closed anew
UNWATCHED = 2**31 - 1
ANY = -(2**31)


def check_outputs(check: "ConformanceCheck", hello: Hello) -> Steps:
    described: list[OutputDescription] = []
    for index in range(hello.outputs):
        reply = yield from ask(check, RequestOutput(1, index), OutputDescription)
        if reply is not None and isinstance(reply.message, OutputDescription):
            described.append(reply.message)
            if reply.message.index != index:
                check.blame("output.describe", f"index {reply.message.index} for {index}", reply)
    yield from refused(check, "error.index", RequestOutput(1, hello.outputs), ErrorCode.NO_SUCH_CHANNEL)
    status = yield from status_of(check)
    layout = check.observer.layout
    if status is None or layout is None:
        return
    for request, code in _permits_refused(hello, status, layout):
        yield from refused(check, "permit.order", request, code)
    yield from _open_beside_another(check)
    if check.close_outputs and described:
        yield from _Contact(check, hello, layout, described[0]).steps()


def check_start_delay(check: "ConformanceCheck") -> Steps:
    """Just after a start."""
    hello = check.observer.hello
    reply = yield from ask(check, RequestOutput(1, 0), OutputDescription)
    accepted = yield from start(check)
    if hello is None or accepted is None or reply is None or not isinstance(reply.message, OutputDescription):
        return
    closing = Permit(1, 0, PermitAction.HOLD_CLOSED, PERMIT_MS, hello.boot_count, accepted.tick)
    closed = yield from ask(check, closing)
    status = yield from status_of(check)
    if closed is not None and isinstance(closed.message, Accepted) and status is not None:
        if status.uptime_s * 1000 + 1000 <= reply.message.reopen_delay_ms:
            check.blame("start.delay", f"closed {status.uptime_s} s after a start", closed)
        yield from ask(check, Permit(1, 0, PermitAction.OPEN, 0, 0, 0))
    yield from stop(check)


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


def _open_beside_another(check: "ConformanceCheck") -> Steps:
    """Both orders; each of the two is answered."""
    mark, opening = TimeMark(1, 42), Permit(1, 0, PermitAction.OPEN, 0, 0, 0)
    for first, second in ((mark, opening), (opening, mark)):
        replies = yield from ask_together(check, first, second)
        marked, opened = replies if first is mark else reversed(replies)
        if opened is None or not isinstance(opened.message, Accepted):
            check.blame("permit.beside", "open beside a time mark is not accepted", opened)
        if marked is None or not isinstance(marked.message, TimeMarked):
            check.blame("permit.beside", "a time mark beside open is not answered", marked)


def _words(state: int, opened_by: int) -> str:
    """Of an output, as status says it."""
    name = OpenedBy(opened_by).name.lower().replace("_", " ") if opened_by in set(OpenedBy) else f"number {opened_by}"
    return "closed" if state == OutputState.CLOSED else f"open (opened by: {name})"


def _says_open(status: Status) -> bool:
    """Of its own accord."""
    return not status.request_id and bool(status.outputs) and status.outputs[0][0] == OutputState.OPEN


@dataclass
class _Contact:
    """With the first contact itself: the machine behind it must be disconnected."""

    check: "ConformanceCheck"
    hello: Hello
    layout: Layout
    described: OutputDescription

    @property
    def reopen_ms(self) -> int:
        return self.described.reopen_delay_ms

    def steps(self) -> Steps:
        self.check.waits_s += REOPENS * self.reopen_ms / 1000
        yield from self._opens_whatever_is_said()
        yield from self._refused("permit.order", ErrorCode.NO_SUCH_CHANNEL, guard_channel=self.hello.channels)
        if self.hello.channels:
            other = self._guard | {"guard_layout_id": self.layout.layout_id ^ 1}
            yield from self._refused("permit.order", ErrorCode.OUT_OF_RANGE, **other)
        if not (yield from self._closes_until_its_time_is_out()):
            return
        if self.hello.channels:
            yield from self._guard_is_broken()
            yield from self._guard_is_replaced()
            yield from self._layout_changes()
        yield from self._reopens_after_its_delay()
        yield from self._stop_opens()
        yield from start(self.check)

    # -- what is asked -------------------------------------------------------------------------------------------------

    @property
    def _guard(self) -> dict[str, int]:
        return {"guard_channel": 0, "guard_layout_id": self.layout.layout_id}

    def _guarded(self, low: int) -> Generator[Wait, None, bool]:
        """low: ANY reading keeps to it, or none does (UNWATCHED)."""
        return (yield from self._held(**self._guard, guard_low=low, guard_high=UNWATCHED, timeout_ms=GUARDED_MS))

    def _hold(self, **fields: int) -> Asking:
        status = yield from status_of(self.check)
        usual = {"index": 0, "action": 1, "timeout_ms": PERMIT_MS, "boot_count": self.hello.boot_count}
        tick = status.tick if status is not None else 0
        return (yield from ask(self.check, Permit(1, **(usual | {"tick": tick} | fields))))

    def _too_slow(self, since_ns: int, timeout_ms: float) -> bool:
        """A permit or what was to follow it may have been under way for longer than its time-out."""
        return self.check.now_ns - since_ns > timeout_ms * 1e6

    def _held(self, **fields: int) -> Generator[Wait, None, bool]:
        reply = yield from self._hold(**fields)
        return reply is not None and isinstance(reply.message, Accepted)

    def _refused(self, rule: str, code: ErrorCode, **fields: int) -> Steps:
        begun_ns = self.check.now_ns
        reply = yield from self._hold(**fields)
        if self._too_slow(begun_ns, PERMIT_MS):  # it may be stale by now
            self.check.untested(f"error {int(code)} to a permit")  # words: SPEC
        elif reply is not None and not (isinstance(reply.message, ErrorMessage) and reply.message.code == code):
            self.check.blame(rule, f"{in_words(reply.message)} instead of error {int(code)}", reply)

    def _opened(self, **fields: int) -> Generator[Wait, None, Received | None]:
        """By the host, and long enough for it to be closed again."""
        reply = yield from self._hold(action=0, **fields)
        yield Wait(self.reopen_ms / 1000 + 0.2)
        return reply

    def _seen(self) -> Generator[Wait, None, tuple[Received, tuple[int, ...]] | None]:
        """A status, and of it (state, opened by, ms of permit left)."""
        reply = yield from ask(self.check, RequestStatus(1), Status)
        if reply is None or not isinstance(reply.message, Status) or not reply.message.outputs:
            return None
        return reply, tuple(reply.message.outputs[0])

    def _state(self) -> Generator[Wait, None, tuple[int, ...] | None]:
        """(state, opened by)"""
        seen = yield from self._seen()
        return seen[1][:2] if seen is not None else None

    # -- what must hold ------------------------------------------------------------------------------------------------

    def _opens_whatever_is_said(self) -> Steps:
        reply = yield from self._opened(
            boot_count=self.hello.boot_count ^ 0x5555, tick=1, timeout_ms=0, guard_channel=99, guard_low=3, guard_high=2
        )
        if reply is None or not isinstance(reply.message, Accepted):
            self.check.blame("permit.open", "open with senseless other fields is not accepted", reply)

    def _closes_until_its_time_is_out(self) -> Generator[Wait, None, bool]:
        """Whether it can be closed and opens again. With a longer time-out where this computer was too slow for one."""
        longest_ms = max((ms for ms in PERMITS_MS if ms <= self.described.longest_timeout_ms), default=PERMIT_MS)
        for timeout_ms in (ms for ms in PERMITS_MS if ms <= longest_ms):
            tested = yield from self._closes_for(timeout_ms)
            if tested is not None:
                return tested
            yield Wait(timeout_ms / 1000)
            yield from self._opened()
        self.check.untested(f"the time-out of a permit, up to {longest_ms} ms")  # words: SPEC
        return True

    def _closes_for(self, timeout_ms: int) -> Generator[Wait, None, bool | None]:
        """None: a permit or status may have been on its way too long to tell.

        From when a request is handed over until its reply is heard is longer than from one receipt to the other, so
        what is in time by this computer's clock was so for the device.
        """
        check = self.check
        first_ns = check.now_ns
        reply = yield from self._hold(timeout_ms=timeout_ms)
        if self._too_slow(first_ns, timeout_ms):
            return None
        if reply is None or not isinstance(reply.message, Accepted):
            found = "a permit that nothing speaks against is not accepted"  # words: SPEC
            check.blame("permit.closed", found, reply)
            return False
        seen = yield from self._seen()
        if self._too_slow(first_ns, timeout_ms):
            return None
        if seen is not None and seen[1][0] != OutputState.CLOSED:
            check.blame("permit.closed", f"{_words(*seen[1][:2])} after an accepted permit", seen[0])  # words: SPEC
        elif seen is not None and seen[1][2] > timeout_ms:
            check.blame("permit.closed", f"{seen[1][2]} ms left of a permit of {timeout_ms} ms", seen[0])  # words: SPEC
        yield Wait(max(0.0, 0.6 * timeout_ms / 1000 - (check.now_ns - first_ns) / NS_PER_S))
        second_ns, begun = check.now_ns, len(check.received)
        again = yield from self._hold(timeout_ms=timeout_ms)
        if again is None or (again.at_ns or 0) - first_ns > timeout_ms * 1e6:
            return None
        yield Wait(max(0.0, timeout_ms / 1000 + 0.05 - (check.now_ns - (reply.at_ns or 0)) / NS_PER_S))
        seen = yield from self._seen()
        if seen is not None and (seen[0].at_ns or 0) - second_ns > timeout_ms * 1e6:
            return None
        if seen is not None and seen[1][0] != OutputState.CLOSED:
            found = (
                f"open {timeout_ms} ms after the first permit, "  # words: SPEC
                f"though another came {self._ms(reply, again)} ms later"
            )
            check.blame("permit.again", found, seen[0])  # words: SPEC
            yield from self._opened()
            return True
        yield Wait(timeout_ms / 1000 + 0.6)
        seen = yield from self._seen()
        if seen is None:
            return True
        state, opened_by = seen[1][:2]
        if state != OutputState.OPEN:
            check.blame("permit.expiry", f"still closed {timeout_ms} ms after its last permit", seen[0])  # words: SPEC
            yield from self._hold(action=0)
            return False
        if opened_by != OpenedBy.PERMIT_EXPIRED:
            check.blame(
                "permit.opened_by",
                f"{_words(state, opened_by)} when its permit had run out",  # words: SPEC
                seen[0],
            )
        opened = [r for r in check.received[begun:] if isinstance(r.message, Status) and _says_open(r.message)]
        if not opened:
            check.blame("permit.at_once", "no status of its own when the output opened", seen[0])
        elif (late_ms := self._ms(again, opened[0]) - timeout_ms) > AT_ONCE_MS:
            check.blame("permit.at_once", f"{late_ms} ms after the output opened", opened[0])
        yield from self._refused("permit.tripped", ErrorCode.MUST_REARM)
        yield from self._opened()
        return True

    def _ms(self, since: Received, until: Received) -> int:
        """By the device's own ticks."""
        ticks = (until.message.tick - since.message.tick) & U32  # type: ignore[union-attr]
        return round(ticks * 1000 / self.hello.tick_rate_hz)

    def _guard_is_broken(self) -> Steps:
        """By whatever the first channel measures."""
        begun_ns = self.check.now_ns
        if (yield from self._guarded(UNWATCHED)):
            yield Wait(2.2 * self.layout.channels[0].period_ms / 1000 + 0.4)
            now = yield from self._state()
            if self._too_slow(begun_ns, GUARDED_MS):
                self.check.untested("a guard out of its limits")
            elif now is not None:
                if now[0] != OutputState.OPEN:
                    self.check.blame("permit.guard", "closed although its guard channel is out of the limits")
                elif now[1] not in (OpenedBy.GUARD_LIMIT, OpenedBy.GUARD_NO_READING):
                    self.check.blame("permit.opened_by", f"{_words(*now)} when its guard was broken")
        yield from self._opened()

    def _guard_is_replaced(self) -> Steps:
        """By one that is broken, while the contact is held with one that any reading keeps to."""
        begun_ns = self.check.now_ns
        held = yield from self._guarded(ANY)
        now = yield from self._state()
        if held and now is not None and now[0] == OutputState.CLOSED:  # else its channel has no reading
            again = yield from self._guarded(UNWATCHED)
            yield Wait(2.2 * self.layout.channels[0].period_ms / 1000 + 0.4)
            seen = yield from self._seen()
            if self._too_slow(begun_ns, GUARDED_MS):
                self.check.untested("a guard that replaces another")
            elif again and seen is not None and seen[1][0] != OutputState.OPEN:
                self.check.blame("permit.replaced", "closed although the newer guard's limits are broken", seen[0])
        yield from self._opened()

    def _layout_changes(self) -> Steps:
        """While the contact is held with a guard that any reading keeps to."""
        check, observer = self.check, self.check.observer
        if not self.hello.capabilities & Capability.SET_PERIOD:
            return
        begun_ns = check.now_ns
        held = yield from self._guarded(ANY)
        now = yield from self._state()
        if held and now is not None and now[0] == OutputState.CLOSED:  # else its channel has no reading
            old_ms = self.layout.channels[0].period_ms
            observer.counts["blind"] += 1
            observer.layout = None
            yield from ask(check, SetPeriod(1, 700 if old_ms != 700 else 900, 0), Accepted)
            yield Wait(0.5)
            now = yield from self._state()
            slow = self._too_slow(begun_ns, GUARDED_MS)
            yield from ask(check, SetPeriod(1, old_ms, 0), Accepted)
            yield Wait(0.3)
            yield from ask(check, RequestHello(1), Hello)
            observer.forget_stream()
            observer.layout = self.layout
            observer.counts["blind"] -= 1
            if slow:
                check.untested("a guard whose layout changes")
            elif now is not None and now[0] != OutputState.OPEN:
                check.blame("permit.guard", "closed although the layout is no longer its guard's")
            elif now is not None and now[1] != OpenedBy.LAYOUT_CHANGED and self.hello.minor >= 1:  # 1.0 had no number
                check.blame("permit.opened_by", f"{_words(*now)} when the layout was no longer its guard's")
        yield from self._opened()

    def _reopens_after_its_delay(self) -> Steps:
        check = self.check
        if not (yield from self._held()):
            return
        begun_ns = check.now_ns
        opened = yield from self._hold(action=0)
        seen = yield from self._seen()
        if opened is not None and isinstance(opened.message, Accepted) and seen is not None and seen[1][0]:
            check.blame("permit.opens", f"{_words(*seen[1][:2])} after an accepted permit open", seen[0])  # words: SPEC
            yield Wait(PERMITS_MS[0] / 1000 + 0.2)
            yield from self._opened()
            return
        reply = yield from self._hold()
        status = yield from status_of(check)
        if reply is None or opened is None or status is None or not isinstance(opened.message, Accepted):
            return
        since_ms = ((status.tick - opened.message.tick) & U32) * 1000 / self.hello.tick_rate_hz
        busy = isinstance(reply.message, ErrorMessage) and reply.message.code == ErrorCode.BUSY
        if self._too_slow(begun_ns, PERMIT_MS):
            check.untested("the reopen delay")
        elif not busy and since_ms < self.reopen_ms:
            check.blame(
                "permit.reopen", f"{in_words(reply.message)} within {since_ms:.0f} ms after it was opened", reply
            )
        yield from self._opened()
        begun_ns = check.now_ns
        reply = yield from self._hold()
        if self._too_slow(begun_ns, PERMIT_MS):
            check.untested("closing again after the reopen delay")
        elif reply is not None and not isinstance(reply.message, Accepted):
            check.blame(
                "permit.reopen", f"{in_words(reply.message)} although the delay of {self.reopen_ms} ms is over", reply
            )
        yield from self._opened()

    def _stop_opens(self) -> Steps:
        if (yield from self._held(timeout_ms=5000)):
            yield from stop(self.check)
            if (now := (yield from self._state())) is not None and now[0] != OutputState.OPEN:
                self.check.blame("permit.stop", "closed after stop")
            yield from self._refused("permit.order", ErrorCode.NOT_STREAMING)
        yield from self._hold(action=0)
