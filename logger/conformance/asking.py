"""Asking a device something and judging how it answers, for the steps of script.py and output_steps.py."""

import re
from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from firmware_protocol.codes import FROM_DEVICE, ErrorCode
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Accepted, ErrorMessage, Hello, Status, encode_message
from firmware_protocol.requests import Request, RequestStatus, Start, Stop
from logger.conformance.observer import Received

if TYPE_CHECKING:
    from logger.conformance.check import ConformanceCheck

Holds = Callable[[], bool]


@dataclass(frozen=True, slots=True)
class Wait:
    """Until `holds` is true, at most `seconds`."""

    seconds: float
    holds: Holds = lambda: False


Steps: TypeAlias = Generator[Wait, None, None]
Asking: TypeAlias = Generator[Wait, None, Received | None]

REPLY_S = 1.0
LATE_MS = 500


def ask(check: "ConformanceCheck", request: Request | bytes, wanted: type | None = None) -> Asking:
    """The reply, or None when none came in time. wanted: its class; an error is blamed then."""
    payload = request if isinstance(request, bytes) else _with_id(check, request)
    request_id = payload[1] if len(payload) > 1 else 0
    begun, asked_ns, lost_ns, bad = len(check.received), check.now_ns, check.lost_ns, check.observer.counts["bad"]
    check.send(encode_frame(payload))
    yield Wait(REPLY_S, lambda: _reply(check, begun, request_id) is not None or _unreadable(check, begun, request_id))
    reply = _reply(check, begun, request_id)
    name = f"type 0x{payload[0]:02x}"
    if reply is None and request_id == 0:
        return None  # what that means, the caller knows
    if reply is None and (_unreadable(check, begun, request_id) or check.observer.counts["bad"] > bad):
        return None  # it came, and what is wrong with it is told already
    if reply is None:
        others = [r for r in check.received[begun:] if _of_another_id(r, request_id, payload[0])]
        if others:
            check.blame("reply.id", f"request id {request_id} of {name} was answered with another", others[0], 1)
        else:
            check.blame("reply.none", f"no reply to {name} within {REPLY_S:g} s")
        return None
    assert reply.at_ns is not None
    late_ms = (reply.at_ns - asked_ns - (check.lost_ns - lost_ns)) / 1e6
    if late_ms > LATE_MS + check.slack_ms:
        check.blame("reply.late", f"{late_ms:.0f} ms after {name}", reply)
    if wanted is not None and not isinstance(reply.message, wanted):
        check.blame("reply.type", f"{in_words(reply.message)} as the reply to {name}", reply, 0)
        return None
    if isinstance(reply.message, Accepted) and reply.message.request_type != payload[0]:
        check.blame("reply.type", f"accepted of type 0x{reply.message.request_type:02x} for {name}", reply, 2)
    yield Wait(0.1)  # a second reply would follow at once
    replies = [r for r in check.received[begun:] if getattr(r.message, "request_id", -1) == request_id]
    if request_id and len(replies) > 1:
        check.blame("reply.twice", f"{len(replies)} replies to {name}", replies[1])
    return reply


def ask_together(check: "ConformanceCheck", *requests: Request) -> Generator[Wait, None, list[Received | None]]:
    """All in one piece, so that those after the first come while it still waits; the reply to each."""
    begun = len(check.received)
    payloads = [_with_id(check, request) for request in requests]
    check.send(*(encode_frame(payload) for payload in payloads))

    def replies() -> list[Received | None]:
        return [_reply(check, begun, payload[1]) for payload in payloads]

    yield Wait(REPLY_S, lambda: None not in replies())
    return replies()


def _with_id(check: "ConformanceCheck", request: Request) -> bytes:
    payload = encode_message(request)
    return bytes((payload[0], check.next_id())) + payload[2:]


def _reply(check: "ConformanceCheck", begun: int, request_id: int) -> Received | None:
    """The first reply with that id among what was received since."""
    for received in check.received[begun:]:
        if getattr(received.message, "request_id", None) == request_id and not unasked(received):
            return received
    return None


def _of_another_id(received: Received, request_id: int, request_type: int) -> bool:
    message = received.message
    if isinstance(message, ErrorMessage) and message.request_id == 0:
        return message.request_type == request_type  # it says itself what it refuses
    return getattr(message, "request_id", 0) not in (0, request_id)


def _unreadable(check: "ConformanceCheck", begun: int, request_id: int) -> bool:
    """A reply came whose content is not understood."""
    replies = (r.frame.payload for r in check.received[begun:] if r.message is None)
    return any(payload[0] & FROM_DEVICE and payload[1:2] == bytes((request_id,)) for payload in replies)


def in_words(message: object) -> str:
    """What a reply is, for a maker: its type in SPEC.md and what it says."""
    if isinstance(message, ErrorMessage):
        known = message.code in set(ErrorCode)
        name = ErrorCode(message.code).name.lower().replace("_", " ") if known else "not known to version 1.1"
        return f"error {int(message.code)} ({name})" + (f", {message.text!r}" if message.text else "")
    if message is None:
        return "a message that cannot be read"
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", type(message).__name__).lower()


def unasked(received: Received) -> bool:
    """Of the device's own accord: hello and status with id 0."""
    return isinstance(received.message, Hello | Status) and received.message.request_id == 0


def refused(check: "ConformanceCheck", rule: str, request: Request | bytes, *codes: ErrorCode) -> Steps:
    reply = yield from ask(check, request)
    if reply is None:
        if isinstance(request, bytes) and request[1:2] in (b"", b"\0"):
            check.blame(rule, f"no error {int(codes[0])} with id 0 for {request.hex(' ')}")
        return
    message = reply.message
    expected = " or ".join(str(int(code)) for code in codes)
    if not isinstance(message, ErrorMessage):
        check.blame(rule, f"{in_words(message)} instead of error {expected}", reply, 0)
    elif message.code not in codes:
        check.blame(rule, f"{in_words(message)} instead of error {expected}", reply)


def status_of(check: "ConformanceCheck") -> Generator[Wait, None, Status | None]:
    reply = yield from ask(check, RequestStatus(1), Status)
    return reply.message if reply is not None and isinstance(reply.message, Status) else None


def start(check: "ConformanceCheck") -> Generator[Wait, None, Accepted | None]:
    check.observer.forget_stream()
    check.observer.streaming = None  # a sample may overtake the reply
    reply = yield from ask(check, Start(1), Accepted)
    check.observer.streaming = True
    check.accepted = reply
    return reply.message if reply is not None and isinstance(reply.message, Accepted) else None


def stop(check: "ConformanceCheck") -> Asking:
    """A status or a sample that was under way may still come between."""
    check.observer.streaming = None
    reply = yield from ask(check, Stop(1), Accepted)
    yield Wait(0.3)
    check.observer.streaming = False
    return reply
