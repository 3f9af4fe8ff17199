"""What is in radio range, and whose turn it is.

Scanning and connecting at the same time fails on many adapters, and two connections at a time on some. So there is one
scan for all who look for something, it pauses while one of them connects, and one connects at a time. An address is
used by one link of this program at a time.
"""

import asyncio
import contextlib
import logging
import weakref
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from typing import Any, Final

from bleak import BleakAdapter, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.uuids import normalize_uuid_16

from logger.link.ble.sig import ENVIRONMENTAL_SENSING, WEIGHT_SCALE
from logger.link.ble.stamps import Stamps
from logger.link.ble.trouble import SCAN_HUNG, trouble
from logger.link.ble.virtual_device import VirtualDevice
from logger.link.errors import LinkLost
from logger.link.ports.stream import ANY_RADIO
from logger.model.text import clean

log = logging.getLogger(__name__)

SERVICE: Final = "14d43446-3ca7-4f6c-9001-0de40a383ecf"  # SPEC.md section 9
DATA_OUT: Final = "19efc155-dfba-4dc0-8993-a548202972e9"
DATA_IN: Final = "d185c9be-e276-42f4-a5a6-08f144ad411f"
STANDARD_SERVICES: Final = tuple(normalize_uuid_16(u) for u in (ENVIRONMENTAL_SENSING, WEIGHT_SCALE))
SERVICES: Final = (SERVICE, *STANDARD_SERVICES)

LOOKING: Final = "looking for Bluetooth devices"
SCAN_S: Final = 8.0  # a device advertises at least every second or two
START_STOP_S: Final = 10.0
NAME_SHOWN: Final = 40
MAX_SEEN: Final = 1000  # addresses: hostile or merely private neighbours change theirs all the time
RSSI_KNOWN: Final = (-126, 20)  # dBm; outside: not known (Bluetooth Core, Vol 4 Part E 7.7.65.2)


@dataclass(frozen=True, slots=True)
class Sighting:
    """A peripheral that was seen. address: as this system names it, a UUID on macOS. name: cleaned, may be empty.

    connected: to this computer already, by another program or by one that was killed; such do not advertise.
    """

    address: str
    name: str
    services: frozenset[str]
    rssi_dbm: int | None
    device: BLEDevice
    connected: bool = False

    @property
    def url(self) -> str:
        return ANY_RADIO + self.address

    @property
    def ours(self) -> bool:
        return SERVICE in self.services

    @property
    def standard(self) -> bool:
        """Has a service that a standard defines, and not ours."""
        return not self.ours and not self.services.isdisjoint(STANDARD_SERVICES)


@dataclass(frozen=True, slots=True, eq=False)
class _Waiter:
    take: Callable[[Sighting], None]
    everything: bool  # also what does not advertise a service of ours


class Radio:
    """One for each event loop: `Air.here()`. By address: virtual_devices, of standard sensors; their stamps."""

    def __init__(self) -> None:
        self.virtual_devices: dict[str, VirtualDevice] = {}
        self.stamps: dict[str, Stamps] = {}
        self._radio = asyncio.Lock()  # held by the scan, or by whoever connects
        self._connecting = 0  # how many wait to connect
        # Weak: neighbours change their addresses all night, and each is asked once.
        self._users: weakref.WeakValueDictionary[str, asyncio.Lock] = weakref.WeakValueDictionary()
        self._waiters: set[_Waiter] = set()
        self._turn = asyncio.Event()
        self._scan: asyncio.Task[None] | None = None

    @classmethod
    def here(cls) -> "Radio":
        loop = asyncio.get_running_loop()
        found = _of_loop.get(loop)
        if found is None:
            found = _of_loop[loop] = cls()
        return found

    # -- looking -----------------------------------------------------------------------------------------------

    async def find(self, wanted: Callable[[Sighting], bool], *, everything: bool = False) -> Sighting | None:
        """The first peripheral wanted; None when none shows for SCAN_S. Raises LinkLost.

        everything: ask for all advertisements, not only those that name one of SERVICES.
        """
        seen: asyncio.Future[Sighting] = asyncio.get_running_loop().create_future()

        def take(sighting: Sighting) -> None:
            if not seen.done() and wanted(sighting):
                seen.set_result(sighting)

        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(SCAN_S):
                return await self._wait(take, seen, everything)
        return None

    async def scan(self, seconds: float, enough: Callable[[Sighting], bool] = lambda _: False) -> list[Sighting]:
        """All of our service or a standard one, strongest first; sooner when one is `enough`. Raises LinkLost."""
        found: dict[str, Sighting] = {}
        seen: asyncio.Future[Sighting] = asyncio.get_running_loop().create_future()

        def take(sighting: Sighting) -> None:
            before = found.get(sighting.address)
            if before is not None:
                sighting = _joined(before, sighting)
            elif sighting.services.isdisjoint(SERVICES) or len(found) >= MAX_SEEN:
                return
            found[sighting.address] = sighting
            if not seen.done() and enough(sighting):
                seen.set_result(sighting)

        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._wait(take, seen, False)
        return sorted(found.values(), key=lambda s: -1000 if s.rssi_dbm is None else s.rssi_dbm, reverse=True)

    async def _wait(
        self, take: Callable[[Sighting], None], seen: asyncio.Future[Sighting], everything: bool
    ) -> Sighting:
        for sighting in await _still_connected():
            take(sighting)
        if seen.done():
            return seen.result()
        waiter = _Waiter(take, everything)
        self._waiters.add(waiter)
        try:
            if self._scan is None or self._scan.done():
                self._scan = asyncio.create_task(self._scan_for_waiters(), name="Bluetooth scan")
            self._turn.set()  # a scan that runs may have to look wider
            scan = self._scan
            either: tuple[asyncio.Future[Any], ...] = (seen, scan)
            await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
            if seen.done():
                return seen.result()
            raise trouble(LOOKING, scan.exception())
        finally:
            self._waiters.discard(waiter)
            self._turn.set()

    async def _scan_for_waiters(self) -> None:
        while self._waiters:
            async with self._radio:
                everything = any(waiter.everything for waiter in self._waiters)
                scanner = BleakScanner(self._take, None if everything else list(SERVICES))
                try:
                    async with asyncio.timeout(START_STOP_S):
                        await scanner.start()
                except TimeoutError:
                    raise LinkLost("radio-hung", f"{LOOKING}: {SCAN_HUNG}") from None
                try:
                    while self._goes_on(everything):
                        self._turn.clear()
                        await self._turn.wait()
                finally:
                    async with asyncio.timeout(START_STOP_S):
                        await scanner.stop()

    def _goes_on(self, everything: bool) -> bool:
        """Somebody waits, nobody wants to connect, and none wants to look wider than this scan does."""
        wider = not everything and any(waiter.everything for waiter in self._waiters)
        return bool(self._waiters) and not self._connecting and not wider

    def _take(self, device: BLEDevice, advertisement: AdvertisementData) -> None:
        sighting = Sighting(
            device.address,
            clean(advertisement.local_name or device.name or "", NAME_SHOWN),
            frozenset(uuid.lower() for uuid in advertisement.service_uuids),
            advertisement.rssi if RSSI_KNOWN[0] <= advertisement.rssi <= RSSI_KNOWN[1] else None,
            device,
        )
        for waiter in list(self._waiters):
            waiter.take(sighting)

    # -- turns -------------------------------------------------------------------------------------------------

    @contextlib.asynccontextmanager
    async def connecting(self) -> AsyncIterator[None]:
        """The radio is quiet meanwhile: no scan, no other connecting."""
        self._connecting += 1
        self._turn.set()
        try:
            await self._radio.acquire()
        finally:
            self._connecting -= 1
        try:
            yield
        finally:
            self._radio.release()

    def in_use(self, address: str) -> bool:
        user = self._users.get(address.lower())
        return user is not None and user.locked()

    async def use(self, address: str) -> Callable[[], None]:
        """Wait until nobody else here uses the address. Returns what lets it go again; calling that twice is fine."""
        user = self._users.setdefault(address.lower(), asyncio.Lock())
        await user.acquire()
        held = True

        def release() -> None:
            nonlocal held
            if held:
                held = False
                user.release()

        return release


_of_loop: "weakref.WeakKeyDictionary[asyncio.AbstractEventLoop, Radio]" = weakref.WeakKeyDictionary()


def _joined(before: Sighting, now: Sighting) -> Sighting:
    """What an advertisement and its scan response say together."""
    rssi = before.rssi_dbm if now.rssi_dbm is None else now.rssi_dbm
    services = before.services | now.services
    return Sighting(now.address, now.name or before.name, services, rssi, now.device, now.connected)


async def _still_connected() -> list[Sighting]:
    """Devices that this computer is connected to already, and that so do not advertise: a killed program leaves them.

    Empty where the system cannot tell. Trouble is left to the scan that follows.
    """
    found: dict[str, Sighting] = {}
    try:
        async with asyncio.timeout(START_STOP_S):
            adapter = await BleakAdapter.get()
            for service in SERVICES:
                for device in await adapter.get_connected_devices([service]):
                    name = clean(device.name or "", NAME_SHOWN)
                    sighting = Sighting(device.address, name, frozenset((service,)), None, device, connected=True)
                    before = found.get(device.address)
                    found[device.address] = sighting if before is None else _joined(before, sighting)
    except Exception as exc:  # NotImplementedError, and whatever a missing or ailing Bluetooth raises
        log.debug("connected devices: %r", exc)
    return list(found.values())
