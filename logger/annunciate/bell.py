"""The bell of the terminal the daemon was started from; works over ssh, without a loudspeaker here."""

import os
import sys

from logger.annunciate.errors import ChannelFailed


class Bell:
    name = "bell"

    def __init__(self, path: str = "CONOUT$" if sys.platform == "win32" else "/dev/tty") -> None:
        self._path = path

    def check(self) -> None:
        """Raises ChannelFailed when there is no terminal. Rings nothing."""
        os.close(self._open())

    async def ring(self, urgent: bool, level: int) -> None:
        """Once, twice when urgent. Raises ChannelFailed: no terminal, or one that is held (Ctrl-S)."""
        handle = self._open()
        try:
            os.write(handle, b"\a\a" if urgent else b"\a")
        except BlockingIOError as exc:
            raise ChannelFailed("the terminal is held; Ctrl-Q lets it go on") from exc
        except OSError as exc:
            raise ChannelFailed(f"terminal: {exc.strerror or exc}") from exc
        finally:
            os.close(handle)

    def close(self) -> None:
        """Nothing is kept open."""

    def _open(self) -> int:
        """Not blocking: a terminal held by Ctrl-S must not hold the daemon."""
        flags = os.O_WRONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0)
        try:
            return os.open(self._path, flags)
        except OSError as exc:
            raise ChannelFailed(f"no terminal to ring: {exc.strerror or exc}") from exc
