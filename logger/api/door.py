"""Whose connections are served: those that showed the token, and a few strangers beside them.

Any user of this computer can open connections to loopback. Until its first request has shown the token, nothing of a
connection is parsed: it is a stranger. Strangers are few at a time, the oldest makes room for the next, and they are
let in only so fast that the event loop does not notice. So none of them keeps the mechanic's own commands out, nor
holds up an alarm.
"""

import asyncio
import socket
from collections.abc import Callable
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

from logger.api.access import shows_token

REQUEST_S = 10.0  # for a request to be whole: commands send theirs at once, each on a connection of its own
MAX_STRANGERS = 64
STRANGERS_PER_S = 500.0  # some 60 us each
MAX_HEAD_BYTES = 16_384
ACCEPT_AGAIN_S = 0.1  # after an accept that failed, for want of file descriptors

_SAID = b'{"type": "about:blank", "status": 401, "title": "a valid token is needed"}'
REFUSAL = (
    b"HTTP/1.1 401 Unauthorized\r\nContent-Type: application/problem+json\r\nConnection: close\r\n"
    b"Content-Length: %d\r\n\r\n%b" % (len(_SAID), _SAID)
)


class TimedConnection(H11Protocol):
    """One of the HTTP server's, closed when no request is being answered on it for too long.

    begun: what was already read of it.
    """

    def __init__(self, begun: bytes, **more: Any) -> None:
        super().__init__(**more)
        self._begun = begun
        self._idle_check: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._idle_check = self.loop.call_later(REQUEST_S, self._close_idle)
        if self._begun:
            self.data_received(self._begun)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._idle_check is not None:
            self._idle_check.cancel()
        super().connection_lost(exc)

    def _close_idle(self) -> None:
        if self.cycle is None or self.cycle.response_complete:
            self.transport.close()
        else:
            self._idle_check = self.loop.call_later(REQUEST_S, self._close_idle)


class Admission:
    """Connections of one listening socket: MAX_STRANGERS at once, then only `per_s` of them a second."""

    def __init__(self, listener: socket.socket, per_s: float) -> None:
        listener.setblocking(False)
        self._listener, self._per_s = listener, per_s
        self._loop = asyncio.get_running_loop()
        self._allowed, self._at_s = float(MAX_STRANGERS), self._loop.time()

    async def next(self) -> tuple[socket.socket, Any]:
        """The next one, and where it comes from, as `accept` has it."""
        while True:
            if (wait_s := self._wait_s()) > 0:
                await asyncio.sleep(wait_s)
            try:
                connection, peer = await self._loop.sock_accept(self._listener)
            except OSError:
                await asyncio.sleep(ACCEPT_AGAIN_S)
                continue
            self._allowed -= 1.0
            return connection, peer

    def not_counted(self) -> None:
        """One of them turned out to be no stranger."""
        self._allowed += 1.0

    def _wait_s(self) -> float:
        """Before the next may come in."""
        now_s = self._loop.time()
        self._allowed = min(self._allowed + (now_s - self._at_s) * self._per_s, float(MAX_STRANGERS))
        self._at_s = now_s
        return max(0.0, (1.0 - self._allowed) / self._per_s)


class Door:
    """Lets connections of one listening socket in. made: the protocol for one, from what was read of it."""

    def __init__(self, listener: socket.socket, token: bytes, made: Callable[[bytes], TimedConnection]) -> None:
        self._admission, self._token, self._made = Admission(listener, STRANGERS_PER_S), token, made
        self._strangers: dict[asyncio.Task[None], None] = {}  # oldest first
        self._loop = asyncio.get_running_loop()

    async def run(self) -> None:
        """Until it is cancelled."""
        try:
            while True:
                connection, _ = await self._admission.next()
                stranger = asyncio.create_task(self._ask(connection), name="api stranger")
                self._strangers[stranger] = None
                stranger.add_done_callback(self._gone)
                if len(self._strangers) > MAX_STRANGERS:
                    next(iter(self._strangers)).cancel()
        finally:
            for stranger in self._strangers:
                stranger.cancel()

    def _gone(self, stranger: asyncio.Task[None]) -> None:
        del self._strangers[stranger]

    async def _ask(self, connection: socket.socket) -> None:
        """Hand it on once it has shown the token, which then costs the strangers nothing; else close it."""
        try:
            async with asyncio.timeout(REQUEST_S):
                head = await self._head(connection)
            if shows_token(_headers(head), self._token):
                self._admission.not_counted()
                await self._loop.connect_accepted_socket(lambda: self._made(head), connection.dup())
            elif head:
                connection.send(REFUSAL)
        except (OSError, TimeoutError):
            pass
        finally:
            connection.close()

    async def _head(self, connection: socket.socket) -> bytes:
        """What came up to the end of its headers, and with them; what there is when they do not end."""
        head = b""
        while b"\r\n\r\n" not in head and len(head) <= MAX_HEAD_BYTES:
            piece = await self._loop.sock_recv(connection, 4096)
            if not piece:
                return b""
            head += piece
        return head


def _headers(head: bytes) -> dict[bytes, bytes]:
    """Names in lower case; none when they do not end."""
    lines, end, _ = head.partition(b"\r\n\r\n")
    pairs = (line.partition(b":") for line in lines.split(b"\r\n")[1:])
    return {name.lower(): value.strip() for name, _, value in pairs} if end else {}
