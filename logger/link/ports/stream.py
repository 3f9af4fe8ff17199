"""What every kind of link looks like, and which kind a url means."""

from typing import Final, Protocol

from logger.link.events import RadioHeard
from logger.link.ports.serial_stream import SerialLink
from logger.link.ports.tcp_stream import TcpLink

ANY_RADIO: Final = "ble://"  # whichever device of our service is in radio range


def by_radio(url: str) -> bool:
    return url.startswith("ble:")


class StreamLink(Protocol):
    """Bytes in, bytes out: no frames, no retry. The only error is LinkLost.

    url: opens the same device again. radio: the newest of what a radio link knows of itself, None for a cable.
    """

    url: str
    radio: RadioHeard | None

    async def read(self) -> tuple[bytes, int]:
        """At least one byte, in any cut, and the monotonic ns of its arrival. Raises LinkLost."""

    async def write(self, data: bytes) -> None:
        """All of `data`. Raises LinkLost."""

    async def close(self) -> None:
        """Never raises; may be called again."""


async def open_link(url: str, baudrate: int = 115_200) -> StreamLink:
    """socket://host:port, ble://ADDRESS, or a serial port's name or pyserial URL. Raises LinkLost."""
    if url.startswith("socket://"):
        return await TcpLink.open(url)
    if by_radio(url):
        from logger.link.ble.ble_stream import open_ble  # not before it is needed: it brings the system's Bluetooth

        return await open_ble(url)
    return await SerialLink.open(url, baudrate)
