"""A terminal with one program in it: a real pty, and the screen and title that an emulator makes of the bytes."""

import os
import re
import threading
from pathlib import Path

import pexpect
import pyte
import pytest

from tests.end_to_end.running import environment, until

PTY = pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals are POSIX's")
# SGR of a foreground or background (ECMA-48 8.3.117 and the bright ones of terminals in use)
COLOR = re.compile(r"\x1b\[(?:\d+;)*(?:3[0-8]|4[0-8]|9[0-7]|10[0-7])[;m]")
KEYS = {"Enter": "\r", "C-c": "\x03", "Escape": "\x1b"}


class Terminal:
    """command: program and arguments. Ended by `close`."""

    def __init__(self, command: list[str], place: Path, columns: int = 80, rows: int = 24) -> None:
        self._screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self._screen)
        self._lock = threading.Lock()
        self._child = pexpect.spawn(
            command[0], command[1:], cwd=str(place), dimensions=(rows, columns), timeout=None,
            env=environment(place) | {"TERM": "xterm-256color", "LC_ALL": "C.UTF-8"},
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        while True:
            try:
                data = self._child.read_nonblocking(65_536)
            except (pexpect.EOF, OSError, ValueError):  # the program ended, or `close` was called
                return
            with self._lock:
                self._stream.feed(data)

    def lines(self) -> list[str]:
        with self._lock:
            return [line.rstrip() for line in self._screen.display]

    @property
    def text(self) -> str:
        return "\n".join(self.lines())

    @property
    def title(self) -> str:
        with self._lock:
            return str(self._screen.title)

    def press(self, *keys: str) -> None:
        """Names of keys, or text to type."""
        for key in keys:
            self._child.send(KEYS.get(key, key))

    def shows(self, *words: str) -> str:
        """Wait until all of it stands there."""
        until(lambda: all(w in self.text for w in words), f"the screen shows {words}", why=lambda: self.text)
        return self.text

    def close(self) -> None:
        self._child.terminate(force=True)
        self._reader.join(10)
        self._child.close(force=True)
