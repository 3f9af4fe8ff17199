"""Everything this package raises.

LinkError
`-- LinkLost            the stream could not be opened, was unplugged, or was closed by the other side
"""

import errno
import re
import socket
from typing import Final

CLOSED: Final = "closed"
NO_ANSWER: Final = "no-answer"
SILENT: Final = "silent"
UNUSABLE: Final = "unusable"  # it answers, but with what breaks the protocol

_BUSY: Final = ("busy", "another program has it open")
_NOT_SERIAL: Final = ("not-serial", "that is no serial port")
_UNPLUGGED: Final = ("unplugged", "it was unplugged or switched off")
_OTHER_SIDE: Final = (CLOSED, "closed by the other side")
_KNOWN: Final[dict[int, tuple[str, str]]] = {  # by the system's number: our code, and what a person can do
    errno.ENOENT: ("no-port", "there is no such port; is it plugged in? `rimelog find` lists those that answer"),
    errno.ENODEV: ("no-port", "there is no device behind that port; is it plugged in?"),
    errno.EACCES: (
        "no-permission",
        "no permission to open it; on Linux your user must be in the port's group (often dialout or uucp): "
        "add it and log in again",
    ),
    errno.EBUSY: _BUSY,
    errno.EAGAIN: _BUSY,
    errno.ENOTTY: _NOT_SERIAL,
    errno.EISDIR: _NOT_SERIAL,
    errno.EINVAL: (
        "settings",
        "it does not take these settings: are baud and mode (data bits, parity, stop bits) right for it?",
    ),
    errno.EIO: _UNPLUGGED,
    errno.ENXIO: _UNPLUGGED,
    errno.ECONNREFUSED: ("nobody-listens", "nothing listens there; is the device on, and the port number right?"),
    errno.EHOSTUNREACH: ("no-network", "nothing answers at that address; is the device on and in this network?"),
    errno.ENETUNREACH: ("no-network", "this computer has no network to that address"),
    errno.ECONNRESET: _OTHER_SIDE,
    errno.EPIPE: _OTHER_SIDE,
}
_ERRNO = re.compile(r"(?:\[Errno |\()(\d+)[],]")


class LinkError(Exception):
    """Base of all errors of this package."""


class LinkLost(LinkError):
    """There is no stream any more (or there never was one); the text says where and why.

    code: why, in a word or two that stay the same when the text does not.
    """

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code

    @classmethod
    def of(cls, where: str, exc: BaseException) -> "LinkLost":
        """For what the system raised. where: the url."""
        code, words = in_words(exc)
        return cls(code, f"{where}: {words}")


def in_words(exc: BaseException) -> tuple[str, str]:
    """A code for what the system says about a port or connection, and words that say what to do; its own text where
    none are known.

    pyserial wraps the system's error, sometimes as text only: the number in it is what counts.
    """
    if isinstance(exc, socket.gaierror):
        return "no-such-name", "no computer of that name is known here"
    inner = _ERRNO.findall(str(exc))
    number = int(inner[-1]) if inner else exc.errno if isinstance(exc, OSError) else None
    return _KNOWN.get(number or 0) or ("system", str(exc) or type(exc).__name__)
