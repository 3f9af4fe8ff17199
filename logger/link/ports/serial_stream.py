"""A serial port as a stream of bytes. No frames, no retry; the only error is LinkLost.

Where the event loop can wait for a port (POSIX), it reads it: no thread to wake, and a reading is that much earlier in
the alarms. Elsewhere (Windows, the other kinds of port that pyserial knows) a thread reads it and alone closes it. In
both, the port is closed at once after an unplug, so that the device may come back under the same name.
"""

import asyncio
import errno
import logging
import os
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
BUFFER_BYTES: Final = 1 << 20  # read but not yet fetched; then no more is read and the system's buffer fills
PIECE_BYTES: Final = 1 << 16


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
        self._reading = False  # by the loop
        self._fd = _fd_for_loop(port)
        if self._fd is not None:
            try:
                self._read_by_loop(self._fd)
            except (OSError, NotImplementedError):  # a port, or a loop, for which that cannot be
                self._fd = None
        # Read by the loop, it only closes the port, when there is no more to read.
        work = self._read_port if self._fd is None else self._close_port
        self._thread = threading.Thread(target=work, name=f"read {url}", daemon=True)
        if self._fd is None:
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
        if self._fd is not None and not self._reading and self._buffered <= BUFFER_BYTES:
            self._read_by_loop(self._fd)
        return item

    async def write(self, data: bytes) -> None:
        """All of `data`. Raises LinkLost, also when the port takes no bytes for WRITE_TIMEOUT_S."""
        try:
            await asyncio.to_thread(self._port.write, data)
        except Exception as exc:
            raise LinkLost.of(self.url, exc) from exc

    async def close(self) -> None:
        """Stop reading and close the port. Never raises; may be called again."""
        self._closing.set()
        self._end_of_loop(LinkLost(CLOSED, f"{self.url}: closed"))
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

    def _read_by_loop(self, fd: int) -> None:
        self._loop.add_reader(fd, self._read_ready, fd)
        self._reading = True

    def _read_ready(self, fd: int) -> None:
        at_ns = time.monotonic_ns()
        try:
            data = os.read(fd, PIECE_BYTES)
            if not data:  # ready, and nothing there
                raise OSError(errno.EIO, "no device behind the port")
        except (BlockingIOError, InterruptedError):
            return
        except OSError as exc:
            self._end_of_loop(LinkLost.of(self.url, exc))
            return
        self._put((data, at_ns))
        if self._buffered > BUFFER_BYTES:
            self._pause()

    def _pause(self) -> None:
        if self._fd is not None and self._reading:
            self._loop.remove_reader(self._fd)
        self._reading = False

    def _end_of_loop(self, why: LinkLost) -> None:
        """The loop reads no more, if it did; the port is closed beside it, as closing can wait for what is unsent."""
        if self._fd is None:
            return
        self._pause()
        self._fd = None
        self._put(why)
        self._thread.start()

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
            self._close_port()
            self._hand_over(lost)

    def _close_port(self) -> None:
        try:
            self._port.close()
        except Exception:
            log.warning("%s: closing failed", self.url, exc_info=True)

    def _hand_over(self, item: tuple[bytes, int] | LinkLost) -> None:
        try:
            self._loop.call_soon_threadsafe(self._put, item)
        except RuntimeError:  # the loop is closed: nobody is left to tell
            self._closing.set()

    def _put(self, item: tuple[bytes, int] | LinkLost) -> None:
        if not isinstance(item, LinkLost):
            self._buffered += len(item[0])
        self._arrived.put_nowait(item)


def _fd_for_loop(port: Any) -> int | None:
    """The descriptor by which an event loop can wait for the port; None where it cannot."""
    return port.fileno() if os.name == "posix" and type(port) is serial.Serial else None


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
