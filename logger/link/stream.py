"""What every kind of link looks like, and which kind a url means."""

from typing import Protocol

from logger.link.serial_link import SerialLink
from logger.link.tcp_link import TcpLink


class StreamLink(Protocol):
    """Bytes in, bytes out: no frames, no retry. The only error is LinkLost."""

    url: str

    async def read(self) -> tuple[bytes, int]:
        """At least one byte, in any cut, and the monotonic ns of its arrival. Raises LinkLost."""

    async def write(self, data: bytes) -> None:
        """All of `data`. Raises LinkLost."""

    async def close(self) -> None:
        """Never raises; may be called again."""


async def open_link(url: str, baudrate: int = 115_200) -> StreamLink:
    """socket://host:port, or a serial port's name or pyserial URL. Raises LinkLost."""
    if url.startswith("socket://"):
        return await TcpLink.open(url)
    return await SerialLink.open(url, baudrate)
