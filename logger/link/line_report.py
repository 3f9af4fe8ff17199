"""What a line brings that cannot be used, by kind: for whoever makes the device, and for whoever waits for it."""

from typing import Final

from firmware_protocol.codes import ErrorCode
from firmware_protocol.errors import ProtocolError
from firmware_protocol.framing import BadFrameReason
from firmware_protocol.messages import ErrorMessage
from firmware_protocol.requests import Request, RequestDescribe, RequestHello, RequestOutput, RequestStatus
from logger.model.text import clean

CONTENT: Final = "content"  # a whole frame whose content breaks SPEC.md
MAX_DETAIL: Final = 120
MAX_HEX_BYTES: Final = 8
MAX_TEXT: Final = 24

_WORDS: Final = {  # BadFrameReason and CONTENT -> what is said of such frames
    BadFrameReason.CRC.value: "wrong CRC",
    BadFrameReason.COBS.value: "wrong byte stuffing (COBS)",
    BadFrameReason.TOO_SHORT.value: "too short",
    BadFrameReason.TOO_LONG.value: "too long, no 0x00 at the end",
    CONTENT: "wrong content",
}
_NOT_FRAMES: Final = "bytes come, but no valid frame"
_ASKED: Final = {
    RequestHello: "hello",
    RequestDescribe: "a channel's description",
    RequestOutput: "an output's description",
    RequestStatus: "status",
}


class LineReport:
    """Counts of bad frames by kind, with the newest of each. good: how many frames were whole and understood."""

    __slots__ = ("_counts", "_newest", "good")

    def __init__(self) -> None:
        self.good = 0
        self._counts: dict[str, int] = {}
        self._newest: dict[str, str] = {}

    def bad(self, code: str, raw: bytes, detail: str = "", count: int = 1) -> None:
        """code: a BadFrameReason, or CONTENT with what is wrong in `detail`."""
        self._counts[code] = self._counts.get(code, 0) + count
        self._newest[code] = clean(detail, MAX_DETAIL) if code == CONTENT else f"newest {_shown(raw)}"

    def content(self, raw: bytes, problem: ProtocolError) -> None:
        self.bad(CONTENT, raw, str(problem))

    def __bool__(self) -> bool:
        return bool(self._counts)

    def text(self) -> str:
        """Such as "3 bad frames (wrong CRC, newest 05 81 01 02 ...)"; "" while there is none."""
        if not self._counts:
            return ""
        total = sum(self._counts.values())
        kinds = [
            f"{f'{count} ' if len(self._counts) > 1 else ''}{_WORDS.get(code, code)}"
            + (": " if code == CONTENT else ", ") + self._newest[code]
            for code, count in sorted(self._counts.items(), key=lambda item: (item[0] != CONTENT, -item[1]))
        ]  # fmt: skip
        return f"{total} bad frame{'' if total == 1 else 's'} ({'; '.join(kinds)})"

    def silence(self, tail: bytes) -> str:
        """Why nobody answered. tail: what came since the last 0x00."""
        if self._counts:
            return f"no answer; {self.text()}" if self.good else f"{_NOT_FRAMES}: {self.text()}"
        if not tail or self.good:
            return "no answer"
        return f"{_NOT_FRAMES} and no 0x00: {_shown(tail)}; is it a text instrument, or at another baud rate?"


def _shown(raw: bytes) -> str:
    """The first of these bytes, as text where they are."""
    if all(0x20 <= byte < 0x7F or byte in b"\r\n\t" for byte in raw[:MAX_TEXT]) and len(raw) > 1:
        return f'"{clean(" ".join(raw[:MAX_TEXT].decode("ascii").split()))}"'
    shown = raw[:MAX_HEX_BYTES].hex(" ")
    return f"{shown} ..." if len(raw) > MAX_HEX_BYTES else shown


def request_words(request: Request) -> str:
    """What is asked for, such as "status"."""
    return _ASKED.get(type(request), type(request).__name__.lower())


def error_text(error: ErrorMessage) -> str:
    """A device's error message in words."""
    known = error.code in list(ErrorCode)
    name = ErrorCode(error.code).name.lower().replace("_", " ") if known else f"error {error.code}"
    return f"{name}, {clean(error.text, MAX_DETAIL)}" if error.text else name
