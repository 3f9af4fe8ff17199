"""Which device is in use where, and who was heard at which radio address."""

import asyncio
from typing import Final

from logger.link.ports.stream import by_radio
from logger.model.units import NS_PER_S

KNOWN_NS: Final = 600 * NS_PER_S  # so long who answers at a radio's address is believed; private addresses change


class Claims:
    """Which device id belongs to which connection of a rig, and where it is in use: none is counted twice.

    An id once claimed is its owner's for good, also while that one's link is down: a second device with the same id
    never takes it over. owner: whoever claims, told apart by identity.

    asking: held by whoever asks devices in radio range for their ids, so that each is asked once, not by everyone.
    """

    def __init__(self) -> None:
        self.asking = asyncio.Lock()
        self._owner_of: dict[bytes, object] = {}
        self._url_of: dict[bytes, str] = {}  # of those in use now
        self._seen_at: dict[str, tuple[bytes, int]] = {}  # by radio: who, and until when that is believed

    def reserve(self, device_id: bytes, owner: object) -> bool:
        """The id is this owner's from now on; False where it is another's already."""
        return self._owner_of.setdefault(device_id, owner) is owner

    def claim(self, device_id: bytes, url: str, owner: object) -> str | None:
        """The owner's device answers at this url. Where the device is in use, or "" where it is not now, if the id
        is another's."""
        if not self.reserve(device_id, owner):
            return self._url_of.get(device_id, "")
        self._url_of[device_id] = url
        return None

    def release(self, url: str) -> None:
        self._url_of = {device_id: held for device_id, held in self._url_of.items() if held != url}

    def urls(self) -> set[str]:
        return set(self._url_of.values())

    def seen_at(self, url: str, device_id: bytes, now_ns: int) -> None:
        """The device answers at this url. A port's name may pass to another device, an address does not soon."""
        if by_radio(url):
            self._seen_at = {u: (i, until) for u, (i, until) in self._seen_at.items() if until > now_ns}
            self._seen_at[url] = (device_id, now_ns + KNOWN_NS)

    def who(self, url: str, now_ns: int) -> bytes | None:
        """The device known to answer at this url, None when that is not known."""
        device_id, until_ns = self._seen_at.get(url, (None, 0))
        return device_id if now_ns < until_ns else None
