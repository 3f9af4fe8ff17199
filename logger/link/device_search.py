"""Where a device of our protocol is: known by its id, not by its port.

Where the rig allows it, a device that has vanished from its port is looked for on the others, and by radio.
"""

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable, Iterable
from typing import Final

from logger.link.claims import Claims
from logger.link.discovery import probe
from logger.link.errors import LinkLost
from logger.link.ports.stream import ANY_RADIO, by_radio

log = logging.getLogger(__name__)

SEARCH_S: Final = 3.0  # a device that has moved is running already and answers at once


class DeviceSearch:
    """url: where the rig has it, None when only the id is known, ble:// when it is to be looked for by radio first.

    device_id: None until one is known. ports, radio: where to look for it; with neither it stays at the url.
    """

    def __init__(
        self,
        url: str | None,
        device_id: bytes | None,
        claims: Claims,
        ports: Callable[[], Iterable[str]] | None = None,
        radio: Callable[[bytes], Awaitable[Iterable[str]]] | None = None,
        baudrate: int = 115_200,
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self.device_id = device_id
        self._url = url
        self._claims = claims
        self._ports = ports
        self._radio = radio
        self._baudrate = baudrate
        self._now_ns = now_ns
        if device_id is not None:
            claims.reserve(device_id, self)

    @property
    def can_find(self) -> bool:
        """The device can be looked for."""
        return self.device_id is not None and (self._ports is not None or self._radio is not None)

    async def place(self, url: str | None, again: bool) -> str:
        """Where to open it now. url: where it was. again: it did not last there. Raises LinkLost: it is nowhere."""
        by_id_only = self._by_id_only()
        if not (again or url is None or (by_id_only and url == self._url)):
            return url
        try:
            return await self._search()
        except LinkLost:
            if by_id_only or self._url is None:
                raise
            return self._url

    def claim(self, device_id: bytes, url: str, at_ns: int) -> LinkLost | None:
        """A device of this id answers at this url: it is ours. Why not, where it is another link's of the rig."""
        self._claims.seen_at(url, device_id, at_ns)
        other = self._claims.claim(device_id, url, self)
        if other is None:
            self.device_id = device_id
            return None
        where = f"is in use at {other}" if other else "belongs to another device of the rig"
        return LinkLost("shared-id", f"device id {device_id.hex()} {where}: two devices share it")

    def release(self, url: str) -> None:
        self._claims.release(url)

    def _by_id_only(self) -> bool:
        """ble:// would be whichever device there is; one whose id is known has to be looked for instead."""
        return self._url == ANY_RADIO and self._radio is not None and self.device_id is not None

    async def _search(self) -> str:
        """Url at which the device answers now. What is in use by the rig is left alone. Raises LinkLost."""
        device_id = self.device_id
        if device_id is None:
            raise LinkLost("no-id", "the device's id is not known, so it cannot be looked for")
        reasons: list[LinkLost] = []
        searches = [self._on_ports, self._by_radio]
        if self._url is not None and by_radio(self._url):
            searches.reverse()
        for search in searches:
            try:
                if (url := await search(device_id)) is not None:
                    return url
            except LinkLost as exc:
                reasons.append(exc)
        if reasons:
            raise LinkLost(reasons[0].code, "; ".join(map(str, reasons)))
        raise LinkLost("not-found", "the device is on none of the ports searched, nor in radio range")

    async def _on_ports(self, device_id: bytes) -> str | None:
        if self._ports is None:
            return None
        ports = await asyncio.to_thread(self._ports)
        wired = [] if self._url is None or by_radio(self._url) else [self._url]
        in_use = self._claims.urls()
        urls = [url for url in dict.fromkeys([*ports, *wired]) if url not in in_use]
        found = await asyncio.gather(*(probe(url, SEARCH_S, self._baudrate) for url in urls))
        answering = [each.url for each in found if each.hello is not None and each.hello.device_id == device_id]
        if len(answering) > 1:
            log.warning("device %s answers at %s; the first is used", device_id.hex(), ", ".join(answering))
        return answering[0] if answering else None

    async def _by_radio(self, device_id: bytes) -> str | None:
        if self._radio is None:
            return None
        urls = await self._radio(device_id)
        async with self._claims.asking:
            in_use = self._claims.urls()
            for url in urls:
                who = self._claims.who(url, self._now_ns())
                if url not in in_use and who is None:
                    found = await probe(url, SEARCH_S)
                    who = None if found.hello is None else found.hello.device_id
                    if who is not None:
                        self._claims.seen_at(url, who, self._now_ns())
                if url not in in_use and who == device_id:
                    return url
        return None
