"""Whose connections are served: those of browsers that showed their cookie, and a few strangers beside them.

A connection is a stranger's until a request on it has shown a cookie. Strangers are few, and few of one address; the
oldest makes room for the next, and they are let in only so fast. So whatever a stranger holds open, a phone that is
connected is served.
"""

import asyncio
import ipaddress
import socket
import ssl
from collections.abc import Callable
from typing import Any

from logger.api.door import MAX_STRANGERS, REQUEST_S, Admission, TimedConnection
from logger.page.pairing import BrowserSession

USUAL_PORT = 8471
MAX_OF_ADDRESS = 16  # of the strangers
MAX_OF_BROWSER = 24  # connections; a browser opens six
STRANGERS_PER_S = 200.0


def near(address: str) -> bool:
    """Of a local network: nobody on the internet is let in."""
    return not ipaddress.ip_address(address).is_global


def listening(port: int | None, usual: int = USUAL_PORT, host: str = "127.0.0.1") -> socket.socket:
    """A socket at `port`; None: at the usual one, or any other where that is taken. Raises OSError."""
    for wanted in (usual, 0) if port is None else (port,):
        made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            made.bind((host, wanted))
        except OSError:
            made.close()
            if port is not None or wanted == 0:
                raise
        else:
            made.listen(128)
            return made
    raise AssertionError("a free port was asked for")


class Guest:
    """One connection. session: whose it is, once that is known."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.session: BrowserSession | None = None
        self.leave: Callable[[], object] = lambda: None


class GuestConnection(TimedConnection):
    """The HTTP server's protocol for a guest; requests carry it as state "guest"."""

    def __init__(self, guest: Guest, gone: Callable[[Guest], None], **more: Any) -> None:
        super().__init__(b"", app_state={"guest": guest}, **more)
        self._guest, self._gone = guest, gone

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        self._guest.leave = transport.abort
        super().connection_made(transport)

    def connection_lost(self, exc: Exception | None) -> None:
        self._gone(self._guest)
        super().connection_lost(exc)


class PageDoor:
    """Of one listening socket. served: more that a GuestConnection is made with. tls: None for plain http."""

    def __init__(
        self, listener: socket.socket, served: Callable[[], dict[str, Any]], tls: ssl.SSLContext | None
    ) -> None:
        self._listener, self._served, self._tls = listener, served, tls
        self._strangers: dict[Guest, None] = {}  # oldest first
        self._known: dict[Guest, None] = {}
        self._tasks: set[asyncio.Task[None]] = set()

    async def run(self) -> None:
        """Until it is cancelled; then nobody is served any more."""
        admission = Admission(self._listener, STRANGERS_PER_S)
        try:
            while True:
                connection, (address, *_) = await admission.next()
                if near(address):
                    self._greet(Guest(address), connection)
                else:
                    connection.close()
        finally:
            for guest in (*self._strangers, *self._known):
                guest.leave()
            self._listener.close()

    def _greet(self, guest: Guest, connection: socket.socket) -> None:
        self._strangers[guest] = None
        same = [one for one in self._strangers if one.address == guest.address]
        if len(same) > MAX_OF_ADDRESS:
            self._put_out(same[0])
        elif len(self._strangers) > MAX_STRANGERS:
            self._put_out(next(iter(self._strangers)))
        task = asyncio.create_task(self._let_in(guest, connection), name="page guest")

        def not_begun() -> None:
            task.cancel()
            connection.close()

        guest.leave = not_begun
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _let_in(self, guest: Guest, connection: socket.socket) -> None:
        loop, served, task = asyncio.get_running_loop(), False, asyncio.current_task()
        if task is not None:
            guest.leave = task.cancel
        try:
            async with asyncio.timeout(REQUEST_S):
                await loop.connect_accepted_socket(
                    lambda: GuestConnection(guest, self._gone, **self._served()), connection, ssl=self._tls
                )
            served = True
        except (OSError, TimeoutError):  # ssl.SSLError is one
            pass
        finally:
            if not served:
                connection.close()
                self._gone(guest)

    def _put_out(self, guest: Guest) -> None:
        self._gone(guest)
        guest.leave()

    def _gone(self, guest: Guest) -> None:
        self._strangers.pop(guest, None)
        self._known.pop(guest, None)

    def known(self, guest: Guest, session: BrowserSession) -> None:
        """A request of it has shown the session's cookie."""
        if guest not in self._strangers:
            return
        del self._strangers[guest]
        guest.session = session
        own = [one for one in self._known if one.session is session]
        for oldest in own[: max(0, len(own) + 1 - MAX_OF_BROWSER)]:
            self._put_out(oldest)
        self._known[guest] = None

    def close_of(self, session: BrowserSession) -> None:
        """All connections of a browser that is no longer welcome."""
        for guest in [one for one in self._known if one.session is session]:
            self._put_out(guest)
