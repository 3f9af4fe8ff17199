"""Bytes of a text instrument cut into lines: bounded, and only whole ones."""

import re
from dataclasses import dataclass
from typing import Final

from logger.decode.safe_pattern import MAX_LINE  # without what ends it; a longer one is no instrument's reading
from logger.link.rate_limit import RateLimit
from logger.model.units import NS_PER_S

MAX_LINES_PER_S: Final = 50.0
MAX_PAUSE_S: Final = 1.0  # inside a line; the pieces of a cut cable's line must not become one number
REPORT_EVERY_S: Final = 60.0
_CR_LF: Final = re.compile(rb"[\r\n]")


@dataclass(frozen=True, slots=True)
class Line:
    raw: bytes


@dataclass(frozen=True, slots=True)
class BadLine:
    """raw: at most MAX_LINE bytes of it."""

    raw: bytes
    reason: str


class LineCutter:
    """Feed it bytes with their time of arrival. end: what ends a line; b"": carriage return or line feed, or both.

    skip_first: the stream was joined in the middle, so what comes before the first end is half a line.
    Empty lines are no lines; of more than MAX_LINES_PER_S the rest is thrown away (`dropped`).
    """

    def __init__(self, end: bytes = b"", *, skip_first: bool = True) -> None:
        self._end = re.compile(re.escape(end)) if end else _CR_LF
        self._longest = MAX_LINE + max(1, len(end))
        self._buffer = bytearray()
        self._skip = skip_first
        self._at_ns: int | None = None
        self._rate = RateLimit(MAX_LINES_PER_S)
        self._reported_ns: int | None = None

    def feed(self, data: bytes, at_ns: int) -> list[Line | BadLine]:
        out: list[Line | BadLine] = []
        paused = self._at_ns is not None and at_ns - self._at_ns > MAX_PAUSE_S * NS_PER_S
        self._at_ns = at_ns
        if paused and self._buffer:
            if not self._skip:
                out.append(BadLine(bytes(self._buffer[:MAX_LINE]), "the line broke off"))
            self._buffer.clear()
            self._skip = True  # what comes now may be the rest of it
        self._buffer += data
        begin = 0
        for match in self._end.finditer(self._buffer):
            piece = bytes(self._buffer[begin : match.start()])
            begin = match.end()
            if self._skip:
                self._skip = False
            elif len(piece) > MAX_LINE:
                out.append(BadLine(piece[:MAX_LINE], f"longer than {MAX_LINE} bytes"))
            elif piece.strip() and self._rate.allows(at_ns):
                out.append(Line(piece))
        del self._buffer[:begin]
        if len(self._buffer) > self._longest:
            if not self._skip:
                out.append(BadLine(bytes(self._buffer[:MAX_LINE]), f"longer than {MAX_LINE} bytes"))
            self._buffer.clear()
            self._skip = True
        return out

    def dropped(self, now_ns: int) -> int:
        """Lines thrown away since the last report; 0 until there is something to tell, once a minute at most."""
        since_ns = None if self._reported_ns is None else now_ns - self._reported_ns
        if not self._rate.refused or (since_ns is not None and since_ns < REPORT_EVERY_S * NS_PER_S):
            return 0
        self._reported_ns = now_ns
        return self._rate.take_refused()
