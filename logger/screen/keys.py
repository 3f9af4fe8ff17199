"""Single keys from the terminal, POSIX and Windows, without echo and without blocking."""

import sys
from types import TracebackType


class Keys:
    """`with Keys() as keys: keys.pressed(0.2)` -> a character, or "" after the time-out or without a terminal."""

    def __init__(self) -> None:
        self._old: list[object] | None = None

    def __enter__(self) -> "Keys":
        if sys.platform != "win32" and sys.stdin.isatty():
            import termios
            import tty

            self._old = termios.tcgetattr(sys.stdin)
            tty.setcbreak(sys.stdin)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if sys.platform != "win32" and self._old is not None:
            import termios

            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, self._old)  # type: ignore[arg-type]

    def pressed(self, timeout_s: float) -> str:
        import time

        if sys.platform == "win32":
            import msvcrt

            end = time.monotonic() + timeout_s
            while time.monotonic() < end:
                if msvcrt.kbhit():
                    return msvcrt.getwch()
                time.sleep(0.02)
            return ""
        if self._old is None:
            time.sleep(timeout_s)
            return ""
        import os
        import select

        ready, _, _ = select.select([sys.stdin], [], [], timeout_s)
        if not ready:
            return ""
        data = os.read(sys.stdin.fileno(), 32)
        return data.decode("utf-8", "replace")[:1] if data else ""
