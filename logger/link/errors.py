"""Everything this package raises.

LinkError
`-- LinkLost            the stream could not be opened, was unplugged, or was closed by the other side
"""

import errno
import re
import socket
from typing import Final

_BUSY: Final = "another program has it open"
_WORDS: Final[dict[int, str]] = {
    errno.ENOENT: "there is no such port; is it plugged in? `rimelog find` lists those that answer",
    errno.ENODEV: "there is no device behind that port; is it plugged in?",
    errno.EACCES: "no permission to open it; on Linux your user must be in the port's group (often dialout or uucp): "
    "add it and log in again",
    errno.EBUSY: _BUSY,
    errno.EAGAIN: _BUSY,
    errno.ENOTTY: "that is no serial port",
    errno.EISDIR: "that is no serial port",
    errno.EINVAL: "it does not take these settings: are baud and mode (data bits, parity, stop bits) right for it?",
    errno.EIO: "it was unplugged or switched off",
    errno.ENXIO: "it was unplugged or switched off",
    errno.ECONNREFUSED: "nothing listens there; is the device on, and the port number right?",
    errno.EHOSTUNREACH: "nothing answers at that address; is the device on and in this network?",
    errno.ENETUNREACH: "this computer has no network to that address",
    errno.ECONNRESET: "closed by the other side",
    errno.EPIPE: "closed by the other side",
}
_ERRNO = re.compile(r"(?:\[Errno |\()(\d+)[],]")


def in_words(exc: BaseException) -> str:
    """What the system says about a port or connection, in words that say what to do; its own text where none are known.

    pyserial wraps the system's error, sometimes as text only: the number in it is what counts.
    """
    if isinstance(exc, socket.gaierror):
        return "no computer of that name is known here"
    inner = _ERRNO.findall(str(exc))
    number = int(inner[-1]) if inner else exc.errno if isinstance(exc, OSError) else None
    return _WORDS.get(number or 0) or str(exc) or type(exc).__name__


class LinkError(Exception):
    """Base of all errors of this package."""


class LinkLost(LinkError):
    """There is no stream any more (or there never was one); the text says where and why."""
