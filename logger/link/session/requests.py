"""Requests to the device: one outstanding at a time, each with its own id (firmware_protocol/SPEC.md section 3.2).

The session's own requests are sent once; asking again is the session's affair. Those of the user wait here for their
turn, known by a ticket, and are tried USER_TRIES times.
"""

from collections import deque
from dataclasses import dataclass, replace
from typing import Final

from firmware_protocol.codes import REPLY_TIMEOUT_S
from firmware_protocol.framing import DELIMITER, encode_frame
from firmware_protocol.messages import encode_message
from firmware_protocol.requests import Request
from logger.model.units import NS_PER_S

REPLY_TIMEOUT_NS: Final = int(REPLY_TIMEOUT_S * NS_PER_S)
USER_TRIES: Final = 3
QUEUED_REQUESTS: Final = 16


@dataclass(frozen=True, slots=True)
class SentRequest:
    """A request on the wire. ticket: of a user's request, None for the session's own."""

    request: Request
    sent_ns: int
    ticket: int | None


@dataclass(slots=True)
class _Wanted:
    """A user's request; it stays in the queue until it is answered, given up or cancelled."""

    ticket: int
    request: Request
    tries: int = 0


class Exchange:
    """Numbers requests and knows which one waits for its reply."""

    __slots__ = ("_last_id", "_last_ticket", "_out", "_wanted", "asked", "stray")

    def __init__(self) -> None:
        self.asked: SentRequest | None = None
        self.stray: int | None = None  # id of a reply to something else, since the newest request was sent
        self._wanted: deque[_Wanted] = deque()
        self._last_ticket = 0
        self._last_id = 0
        self._out = bytearray()

    def send(self, request: Request, now_ns: int, ticket: int | None = None) -> None:
        """Put `request` on the wire under a new id."""
        self._last_id = self._last_id % 255 + 1
        numbered = replace(request, request_id=self._last_id)
        # the delimiter in front ends whatever noise the device's receiver has gathered
        self._out += DELIMITER + encode_frame(encode_message(numbered))
        self.asked, self.stray = SentRequest(numbered, now_ns, ticket), None

    def send_aside(self, request: Request) -> None:
        """Put `request` on the wire whatever is outstanding; nobody waits for its reply (SPEC.md section 3.2)."""
        self._last_id = self._last_id % 255 + 1
        self._out += DELIMITER + encode_frame(encode_message(replace(request, request_id=self._last_id)))

    def answered(self, request_id: int) -> SentRequest | None:
        """The request that this id answers, now done with; None for a late or foreign id."""
        asked = self.asked
        if asked is None or asked.request.request_id != request_id:
            self.stray = request_id or self.stray
            return None
        self.asked = None
        if asked.ticket is not None:
            self.cancel(asked.ticket)
        return asked

    def expired(self, now_ns: int) -> SentRequest | None:
        """The waiting request if its time is over; it then waits no longer."""
        asked = self.asked
        if asked is None or now_ns - asked.sent_ns < REPLY_TIMEOUT_NS:
            return None
        self.asked = None
        return asked

    def drop(self) -> None:
        """Give up the request on the wire and all bytes not yet taken; the user's requests stay queued."""
        self.asked = None
        self._out.clear()

    def take(self) -> bytes:
        """Bytes to put on the wire now."""
        data = bytes(self._out)
        self._out.clear()
        return data

    # -- requests of the user

    def want(self, request: Request) -> int:
        """Queue a request; returns its ticket. Raises ValueError when too many wait, MessageError for wrong values."""
        if len(self._wanted) >= QUEUED_REQUESTS:
            raise ValueError(f"{QUEUED_REQUESTS} requests are waiting already")
        encode_message(replace(request, request_id=1))
        self._last_ticket += 1
        self._wanted.append(_Wanted(self._last_ticket, request))
        return self._last_ticket

    def cancel(self, ticket: int) -> None:
        """Nobody waits for this request any more."""
        self._wanted = deque(wanted for wanted in self._wanted if wanted.ticket != ticket)

    def send_wanted(self, now_ns: int) -> bool:
        """Put the user's oldest request on the wire, if there is one."""
        if not self._wanted:
            return False
        wanted = self._wanted[0]
        wanted.tries += 1
        self.send(wanted.request, now_ns, wanted.ticket)
        return True

    def tried_in_vain(self, ticket: int) -> bool:
        """Whether this request has been tried often enough; it then leaves the queue."""
        if any(wanted.ticket == ticket and wanted.tries >= USER_TRIES for wanted in self._wanted):
            self.cancel(ticket)
            return True
        return False

    def abandon(self) -> list[tuple[int, Request]]:
        """Empty the user's queue; returns tickets and requests."""
        given_up = [(wanted.ticket, wanted.request) for wanted in self._wanted]
        self._wanted.clear()
        return given_up
