"""The door for the local network: closed until it is asked for."""

import socket
import ssl
from collections.abc import Callable, Sequence

from logger.page.lan import lan_addresses
from logger.page.page_door import listening
from logger.page.page_guard import DoorRules

USUAL_LAN_PORT = 8472


class LanRefused(Exception):
    """The message says why."""


class LanDoor:
    """tls, names: of the certificate; plain http without. port: None for the usual one, or any other where that is
    taken. addresses: of this computer on the network."""

    def __init__(
        self,
        port: int | None = None,
        tls: ssl.SSLContext | None = None,
        names: frozenset[str] = frozenset(),
        addresses: Callable[[], Sequence[str]] = lan_addresses,
        host: str = "0.0.0.0",
    ) -> None:
        self._wanted, self.tls, self._names, self._addresses, self._host = port, tls, names, addresses, host
        self.rules: DoorRules | None = None
        self.opened: Callable[[socket.socket, ssl.SSLContext | None], None] = lambda listener, tls: None

    @property
    def is_open(self) -> bool:
        return self.rules is not None

    def open(self) -> None:
        """Raises LanRefused."""
        if self.is_open:
            return
        try:
            listener = listening(self._wanted, USUAL_LAN_PORT, self._host)
        except OSError as exc:
            raise LanRefused(
                f"Port {self._wanted} cannot be used: {exc.strerror}. Name another with --lan-port."
            ) from exc
        port = int(listener.getsockname()[1])
        self.rules = DoorRules(port, local=False, tls=self.tls is not None, names=self._names)
        self.opened(listener, self.tls)

    def bases(self) -> list[str]:
        """Addresses of the page for a phone, the likeliest first; a certificate's names before numbers."""
        if self.rules is None:
            return []
        scheme = "https" if self.tls else "http"
        named = [name for name in sorted(self._names) if not name.endswith(".local")]
        return [f"{scheme}://{one}:{self.rules.port}" for one in (*named, *self._addresses())]
