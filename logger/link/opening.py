"""Which kind of link a url means. A new kind is a function here and its scheme in the table."""

from collections.abc import Awaitable, Callable
from typing import Final

from logger.link.ports.serial_stream import SerialLink
from logger.link.ports.stream import StreamLink
from logger.link.ports.tcp_stream import TcpLink


async def open_stream(url: str, baudrate: int = 115_200, mode: str = "8N1") -> StreamLink:
    """socket://host:port, ble://ADDRESS, or a serial port's name or pyserial URL. Raises LinkLost.

    baudrate, mode (data bits, parity, stop bits): of serial ports.
    """
    opener = _OPENERS.get(url.partition(":")[0])
    return await (opener(url) if opener is not None else SerialLink.open(url, baudrate, mode))


async def _radio(url: str) -> StreamLink:
    from logger.link.ble.ble_stream import open_ble  # not before it is needed: it brings the system's Bluetooth

    return await open_ble(url)


_OPENERS: Final[dict[str, Callable[[str], Awaitable[StreamLink]]]] = {"socket": TcpLink.open, "ble": _radio}
