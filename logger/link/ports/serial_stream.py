"""A serial port as a stream of bytes. No frames, no retry; the only error is LinkLost.

One thread reads each port and stamps every piece with its time of arrival before the event loop sees it. The thread
owns the port: it alone closes it, at once after an unplug, so that the device may come back under the same name.
"""

import asyncio
import logging
import threading
import time
from typing import Any, Final

import serial

from logger.link.errors import CLOSED, LinkLost
from logger.link.link_events import RadioStatus

log = logging.getLogger(__name__)

READ_TIMEOUT_S: Final = 0.5
WRITE_TIMEOUT_S: Final = 1.0
CLOSE_TIMEOUT_S: Final = 3.0
BUFFER_BYTES: Final = 1 << 20  # read but not yet fetched; then the thread waits and the system's buffer fills


class SerialLink:
    """Made by `open`. read and write may run at the same time, each in one task."""

    radio: RadioStatus | None = None

    def __init__(self, url: str, port: Any, loop: asyncio.AbstractEventLoop) -> None:
        self.url = url
        self._port = port
        self._loop = loop
        self._arrived: asyncio.Queue[tuple[bytes, int] | LinkLost] = asyncio.Queue()
        self._buffered = 0
        self._lost: LinkLost | None = None
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._read_port, name=f"read {url}", daemon=True)
        self._thread.start()

    @classmethod
    async def open(cls, url: str, baudrate: int = 115_200, mode: str = "8N1") -> "SerialLink":
        """Open a port name (/dev/ttyUSB0, COM3, /dev/pts/4) or a pyserial URL. Raises LinkLost.

        mode: data bits, parity (N, E, O), stop bits.
        """
        opening = asyncio.ensure_future(asyncio.to_thread(_open_port, url, baudrate, mode))
        try:
            port = await asyncio.shield(opening)
        except asyncio.CancelledError:
            opening.add_done_callback(_close_unwanted)
            raise
        except Exception as exc:  # pyserial: SerialException, ValueError, termios.error, OSError
            raise LinkLost.of(url, exc) from exc
        return cls(url, port, asyncio.get_running_loop())

    async def read(self) -> tuple[bytes, int]:
        """At least one byte, in any cut, and the monotonic ns of its arrival. Raises LinkLost."""
        if self._lost is not None and self._arrived.empty():
            raise self._lost
        item = await self._arrived.get()
        if isinstance(item, LinkLost):
            self._lost = item
            raise item
        self._buffered -= len(item[0])
        return item

    async def write(self, data: bytes) -> None:
        """All of `data`. Raises LinkLost, also when the port takes no bytes for WRITE_TIMEOUT_S."""
        try:
            await asyncio.to_thread(self._port.write, data)
        except Exception as exc:
            raise LinkLost.of(self.url, exc) from exc

    async def close(self) -> None:
        """Stop the thread and close the port. Never raises; may be called again."""
        self._closing.set()
        await asyncio.to_thread(self._stop)

    def _stop(self) -> None:
        for cancel in ("cancel_read", "cancel_write"):
            try:
                getattr(self._port, cancel)()
            except Exception:  # closed already, or this kind of port has no such thing
                log.debug("%s: %s", self.url, cancel, exc_info=True)
        self._thread.join(CLOSE_TIMEOUT_S)
        if self._thread.is_alive():
            log.error("%s: the port does not close", self.url)

    def _read_port(self) -> None:
        lost = LinkLost(CLOSED, f"{self.url}: closed")
        try:
            while not self._closing.is_set():
                data = self._port.read(1)
                if not data:
                    continue
                at_ns = time.monotonic_ns()
                data += self._port.read(self._port.in_waiting)
                self._hand_over((data, at_ns))
                while self._buffered > BUFFER_BYTES and not self._closing.wait(0.05):
                    pass
        except Exception as exc:  # an unplug shows as SerialException, OSError, termios.error or TypeError
            lost = LinkLost.of(self.url, exc)
        finally:
            try:
                self._port.close()
            except Exception:
                log.warning("%s: closing failed", self.url, exc_info=True)
            self._hand_over(lost)

    def _hand_over(self, item: tuple[bytes, int] | LinkLost) -> None:
        try:
            self._loop.call_soon_threadsafe(self._put, item)
        except RuntimeError:  # the loop is closed: nobody is left to tell
            self._closing.set()

    def _put(self, item: tuple[bytes, int] | LinkLost) -> None:
        if not isinstance(item, LinkLost):
            self._buffered += len(item[0])
        self._arrived.put_nowait(item)


def _open_port(url: str, baudrate: int, mode: str) -> Any:
    return serial.serial_for_url(
        url,
        baudrate=baudrate,
        bytesize=int(mode[0]),
        parity=mode[1],
        stopbits=int(mode[2]),
        timeout=READ_TIMEOUT_S,
        write_timeout=WRITE_TIMEOUT_S,
        exclusive=True,  # a second reader would steal bytes
    )


def _close_unwanted(opening: "asyncio.Future[Any]") -> None:
    if not opening.cancelled() and opening.exception() is None:
        opening.result().close()
