"""A TCP connection as a stream of bytes. No frames, no retry; the only error is LinkLost."""

import asyncio
import contextlib
import socket
import time
from typing import Final
from urllib.parse import urlsplit

from logger.link.errors import CLOSED, LinkLost
from logger.link.link_events import RadioStatus

OPEN_TIMEOUT_S: Final = 5.0
WRITE_TIMEOUT_S: Final = 1.0
CLOSE_TIMEOUT_S: Final = 1.0
CHUNK_BYTES: Final = 16_384


class TcpLink:
    """Made by `open`. read and write may run at the same time, each in one task."""

    radio: RadioStatus | None = None

    def __init__(self, url: str, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.url = url
        self._reader = reader
        self._writer = writer

    @classmethod
    async def open(cls, url: str) -> "TcpLink":
        """Connect to socket://host:port. Raises LinkLost."""
        parts = urlsplit(url)
        try:
            host, port = parts.hostname, parts.port
        except ValueError as exc:
            raise LinkLost("bad-url", f"{url}: {exc}") from exc
        if not host or not port:
            raise LinkLost("bad-url", f"{url}: socket://host:port is expected")
        try:
            async with asyncio.timeout(OPEN_TIMEOUT_S):
                reader, writer = await asyncio.open_connection(host, port)
        except TimeoutError as exc:
            raise LinkLost("no-connection", f"{url}: no connection within {OPEN_TIMEOUT_S:.0f} s") from exc
        except OSError as exc:
            raise LinkLost.of(url, exc) from exc
        with contextlib.suppress(OSError):
            connection: socket.socket = writer.get_extra_info("socket")
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        return cls(url, reader, writer)

    async def read(self) -> tuple[bytes, int]:
        """At least one byte, in any cut, and the monotonic ns of its arrival. Raises LinkLost."""
        try:
            data = await self._reader.read(CHUNK_BYTES)
        except OSError as exc:
            raise LinkLost.of(self.url, exc) from exc
        if not data:
            raise LinkLost(CLOSED, f"{self.url}: closed by the other side")
        return data, time.monotonic_ns()

    async def write(self, data: bytes) -> None:
        """All of `data`. Raises LinkLost, also when the other side takes no bytes for WRITE_TIMEOUT_S."""
        try:
            self._writer.write(data)
            async with asyncio.timeout(WRITE_TIMEOUT_S):
                await self._writer.drain()
        except TimeoutError as exc:
            raise LinkLost("takes-no-bytes", f"{self.url}: the other side takes no bytes") from exc
        except (OSError, RuntimeError) as exc:  # RuntimeError: the transport is closed
            raise LinkLost.of(self.url, exc) from exc

    async def close(self) -> None:
        """Close the connection. Never raises; may be called again."""
        self._writer.transport.abort()  # a half-open peer must not keep us waiting
        with contextlib.suppress(OSError, TimeoutError):
            async with asyncio.timeout(CLOSE_TIMEOUT_S):
                await self._writer.wait_closed()
