"""What every kind of link looks like; `logger.link.opening` makes the one that a url means."""

from typing import Final, Protocol

from logger.link.link_events import RadioStatus

ANY_RADIO: Final = "ble://"  # whichever device of our service is in radio range


def by_radio(url: str) -> bool:
    return url.startswith("ble:")


class StreamLink(Protocol):
    """Bytes in, bytes out: no frames, no retry. The only error is LinkLost.

    url: opens the same device again. radio: the newest of what a radio link knows of itself, None for a cable.
    """

    url: str
    radio: RadioStatus | None

    async def read(self) -> tuple[bytes, int]:
        """At least one byte, in any cut, and the monotonic ns of its arrival. Raises LinkLost."""

    async def write(self, data: bytes) -> None:
        """All of `data`. Raises LinkLost."""

    async def close(self) -> None:
        """Never raises; may be called again."""
