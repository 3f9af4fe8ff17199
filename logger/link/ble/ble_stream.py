"""Bluetooth Low Energy as a stream of bytes (firmware_protocol/SPEC.md section 9). The only error is LinkLost.

Every connection has a client of its own, which is let go of in any case. Notifications are cut anywhere, so the frame
decoder of whoever reads must be reset at every connection; the first bytes wait here until then. Frames lost in a
queue or at a disconnection show as a damaged frame or a gap in the sequence, and are asked for again.
"""

import asyncio
import logging
import re
import time
from collections.abc import Callable
from functools import partial
from typing import Final

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.uuids import uuidstr_to_str

from logger.link.ble import gatt, standard_sensors
from logger.link.ble.radio import DATA_IN, DATA_OUT, SERVICE, Radio, Sighting
from logger.link.ble.trouble import NOT_SEEN, trouble
from logger.link.errors import CLOSED, LinkLost
from logger.link.link_events import RadioStatus
from logger.link.ports.arrivals import Arrivals
from logger.link.ports.stream import ANY_RADIO, StreamLink
from logger.model.text import clean

log = logging.getLogger(__name__)

WRITE_S: Final = 3.0  # what arrives is not read meanwhile
IN_USE_S: Final = 8.0  # who only asks for a device's name has done by then
MAX_BYTES_A_WRITE: Final = 244
MIN_WRITE_BYTES: Final = 20  # an ATT MTU of 23, which every link has
SERVICES_NAMED: Final = 6

_ADDRESS: Final = re.compile(
    r"(?:[0-9a-f]{2}:){5}[0-9a-f]{2}|[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.IGNORECASE
)


async def open_ble(url: str) -> StreamLink:
    """ble:// for any device of our service, ble://ADDRESS (on macOS ble://UUID) for one. Raises LinkLost.

    A peripheral with a standard's measuring service instead of ours is made into a device of our protocol.
    """
    air = Radio.here()
    address = _address_in(url)
    release: Callable[[], None] | None = None
    arrivals = Arrivals()
    try:
        if address is not None:
            release = await _use(air, address, url)
            sighting = await air.find(lambda s: s.address.lower() == address, everything=True)
        else:
            sighting = await air.find(lambda s: s.ours and not air.in_use(s.address))
        if sighting is None:
            raise LinkLost("not-seen", f"{url}: {NOT_SEEN}")
        if release is None:
            release = await _use(air, sighting.address, url)
        return await _connect(air, sighting, arrivals, release)
    except BaseException as exc:
        if release is not None:
            release()
        if isinstance(exc, Exception):
            raise trouble(url, exc) from exc
        raise


def _address_in(url: str) -> str | None:
    """The address in lower case; None for any device. Raises LinkLost."""
    if not url.startswith(ANY_RADIO):
        raise LinkLost("bad-url", f"{url}: ble:// or ble://ADDRESS is expected")
    address = url.removeprefix(ANY_RADIO).lower()
    if not address:
        return None
    if not _ADDRESS.fullmatch(address):
        raise LinkLost("bad-url", f"{url}: an address such as ble://F0:12:34:56:78:9A is expected (on macOS a UUID)")
    return address


async def _use(air: Radio, address: str, url: str) -> Callable[[], None]:
    try:
        async with asyncio.timeout(IN_USE_S):
            return await air.use(address)
    except TimeoutError:
        raise LinkLost("busy", f"{url}: in use by another link of this program") from None


async def _connect(air: Radio, sighting: Sighting, arrivals: Arrivals, release: Callable[[], None]) -> StreamLink:
    client = await gatt.connect(
        air, sighting, lambda: arrivals.end(LinkLost(CLOSED, f"{sighting.url}: the connection was lost"))
    )
    try:
        data_out = gatt.characteristic(client, SERVICE, DATA_OUT)
        data_in = gatt.characteristic(client, SERVICE, DATA_IN)
        if data_out is not None and data_in is not None:
            link = BleLink(client, sighting, arrivals, data_in, release)
            await link.begin(data_out)
            return link
        standard = standard_sensors.sources(client)
        if standard:
            return await standard_sensors.StandardLink.begin(air, client, sighting, arrivals, standard, release)
        raise LinkLost("does-not-measure", f"{sighting.url}: it does not measure: {_offered(client)}")
    except BaseException:
        await gatt.disconnect(client)
        raise


def _offered(client: BleakClient) -> str:
    names = [uuidstr_to_str(service.uuid) or service.uuid for service in client.services]
    shown = ", ".join(dict.fromkeys(names[:SERVICES_NAMED])) or "no services at all"
    return clean(f"neither our service nor Environmental Sensing or Weight Scale; it offers {shown}")


class BleLink:
    """Made by `open_ble`. read and write may run at the same time, each in one task."""

    def __init__(
        self,
        client: BleakClient,
        sighting: Sighting,
        arrivals: Arrivals,
        data_in: BleakGATTCharacteristic,
        release: Callable[[], None],
    ) -> None:
        self.url = sighting.url
        self.radio: RadioStatus | None = RadioStatus(time.monotonic_ns(), sighting.rssi_dbm, None)
        self.about = gatt.About()
        self._rssi_dbm = sighting.rssi_dbm
        self._device = sighting.device
        self._client = client
        self._arrivals = arrivals
        self._data_in = data_in
        self._release = release

    async def begin(self, data_out: BleakGATTCharacteristic) -> None:
        """Subscribe, last of all, so that the first bytes do not wait long. Raises what bleak raises."""
        self.about = await gatt.about(self._client)
        await gatt.watch_battery(self._client, self._device, self._battery)
        await gatt.with_pairing(self._client, lambda: self._client.start_notify(data_out, self._take))

    async def read(self) -> tuple[bytes, int]:
        """At least one byte, in any cut, and the monotonic ns of its arrival. Raises LinkLost."""
        return await self._arrivals.get()

    async def write(self, data: bytes) -> None:
        """All of `data`, in pieces that fit. Raises LinkLost, also when the device takes none for WRITE_S."""
        if self._arrivals.lost is not None:
            raise self._arrivals.lost
        # With a response where the device offers it: a request that did not arrive is then known at once.
        response = "write" in self._data_in.properties
        size = min(max(self._data_in.max_write_without_response_size, MIN_WRITE_BYTES), MAX_BYTES_A_WRITE)
        try:
            for at in range(0, len(data), size):
                write = partial(self._write, data[at : at + size], response)
                await gatt.with_pairing(self._client, write)
        except Exception as exc:
            # What fails because the connection ends is reported as that, whichever of the two is noticed first.
            raise self._arrivals.lost or trouble(self.url, exc) from exc

    async def close(self) -> None:
        """Disconnect. Never raises; may be called again."""
        self._arrivals.end(LinkLost(CLOSED, f"{self.url}: closed"))
        try:
            await gatt.disconnect(self._client)
        finally:
            self._release()

    async def _write(self, piece: bytes, response: bool) -> None:
        async with asyncio.timeout(WRITE_S):
            await self._client.write_gatt_char(self._data_in, piece, response=response)

    def _take(self, _: BleakGATTCharacteristic, value: bytearray) -> None:
        self._arrivals.put(bytes(value))

    def _battery(self, percent: int) -> None:
        self.radio = RadioStatus(time.monotonic_ns(), self._rssi_dbm, percent)
