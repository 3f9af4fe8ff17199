"""Single keys from the terminal, POSIX and Windows, without echo and without blocking."""

import codecs
import re
import sys
from types import TracebackType

UP, DOWN, LEFT, RIGHT = "up", "down", "left", "right"
_SENT = {"A": UP, "B": DOWN, "C": RIGHT, "D": LEFT, "5~": UP, "6~": DOWN}  # after ESC [ or ESC O: ECMA-48 cursor keys
_SCANNED = {"H": UP, "I": UP, "P": DOWN, "Q": DOWN, "K": LEFT, "M": RIGHT}  # after 0 or 0xE0 on Windows


ESC = "\x1b"
_SEQUENCE = re.compile(r"\x1b[\[O][0-?]*[ -/]*[@-~]?")  # ECMA-48 5.4: parameters, intermediates, one final byte


def keys_of(text: str) -> list[str]:
    """What a terminal sent -> characters and arrows' names; "" for a key of no meaning here."""
    found = []
    while text:
        sequence = _SEQUENCE.match(text)
        if sequence is not None:
            found.append(_SENT.get(sequence[0][2:].removeprefix("1;5"), ""))
            text = text[sequence.end() :]
        else:
            found.append(text[0])
            text = text[1:]
    return found


class Keys:
    """`with Keys() as keys: keys.pressed(0.2)` -> a character or an arrow's name (`UP` ...), or "" after the time-out
    or without a terminal. Raises EOFError once the terminal is gone."""

    def __init__(self) -> None:
        self._old: list[object] | None = None
        self._waiting: list[str] = []  # keys of a quick hand or a paste
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")

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

        if self._waiting:
            return self._waiting.pop(0)
        if sys.platform == "win32":
            import msvcrt

            end = time.monotonic() + timeout_s
            while time.monotonic() < end:
                if msvcrt.kbhit():
                    char = msvcrt.getwch()
                    return _SCANNED.get(msvcrt.getwch(), "") if char in ("\x00", "\xe0") else char
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
        try:
            sent = os.read(sys.stdin.fileno(), 1024)
        except OSError as exc:  # EIO of a pty whose other side is gone
            raise EOFError("the terminal is gone") from exc
        if not sent:
            raise EOFError("the terminal is gone")
        self._waiting = keys_of(self._decoder.decode(sent))
        return self._waiting.pop(0) if self._waiting else ""
