"""Which device is in use where, and who was heard at which radio address."""

import asyncio
from typing import Final

from logger.link.ports.stream import by_radio

KNOWN_NS: Final = 600_000_000_000  # so long who answers at a radio's address is believed; private addresses change


class Claims:
    """Which device id is in use at which url: shared by the connections of a rig, so that none is counted twice.

    asking: held by whoever asks devices in radio range for their ids, so that each is asked once, not by everyone.
    """

    def __init__(self) -> None:
        self.asking = asyncio.Lock()
        self._url_of: dict[bytes, str] = {}
        self._heard_at: dict[str, tuple[bytes, int]] = {}  # by radio: who, and until when that is believed

    def claim(self, device_id: bytes, url: str) -> str | None:
        """Take the device for this url; returns the other url where it is in use already, if so."""
        holder = self._url_of.setdefault(device_id, url)
        return None if holder == url else holder

    def release(self, url: str) -> None:
        self._url_of = {device_id: held for device_id, held in self._url_of.items() if held != url}

    def urls(self) -> set[str]:
        return set(self._url_of.values())

    def heard(self, url: str, device_id: bytes, now_ns: int) -> None:
        """The device answers at this url. A port's name may pass to another device, an address does not soon."""
        if by_radio(url):
            self._heard_at = {u: (i, until) for u, (i, until) in self._heard_at.items() if until > now_ns}
            self._heard_at[url] = (device_id, now_ns + KNOWN_NS)

    def who(self, url: str, now_ns: int) -> bytes | None:
        """The device known to answer at this url, None when that is not known."""
        device_id, until_ns = self._heard_at.get(url, (None, 0))
        return device_id if now_ns < until_ns else None
