"""A sensor of a Bluetooth SIG standard as a device of our protocol: Environmental Sensing, Weight Scale.

What its characteristics say goes, unscaled, into the frames of a virtual device (virtual_device.py), so that the rest
of the program sees one kind of device. Values come by notification or indication; those that can be read and have not
come for a period are read. A status is made only when the sensor was heard, so that its silence shows.
"""

import asyncio
import hashlib
import logging
import secrets
import time
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.exc import BleakGATTProtocolError
from bleak.uuids import normalize_uuid_16

from firmware_protocol.codes import NoReading
from firmware_protocol.messages import Describe
from logger.link.ble import gatt, sig
from logger.link.ble.radio import Radio, Sighting
from logger.link.ble.stamps import Stamps
from logger.link.ble.trouble import trouble, wants_pairing
from logger.link.ble.virtual_device import VirtualDevice
from logger.link.errors import CLOSED, LinkLost
from logger.link.link_events import RadioStatus
from logger.link.ports.arrivals import Arrivals
from logger.model.units import NS_PER_S

log = logging.getLogger(__name__)

KIND: Final = "Bluetooth SIG sensor"
READ_S: Final = 5.0
TURN_S: Final = 0.1
STATUS_NS: Final = 2 * NS_PER_S
QUIET_NS: Final = 2 * NS_PER_S  # nothing came: is it still there? Sooner than the session takes it for silent
ECHO_NS: Final = 100_000_000  # Linux hands the answer to a read on as a notification too, sooner or later
MAX_CHANNELS: Final = 16
ID_BYTES: Final = 8
_DESCRIPTORS: Final = {
    normalize_uuid_16(u): u
    for u in (sig.USER_DESCRIPTION, sig.PRESENTATION_FORMAT, sig.VALID_RANGE, sig.ES_MEASUREMENT)
}
_HARMLESS: Final = (
    (normalize_uuid_16(sig.WEIGHT_SCALE), normalize_uuid_16(sig.WEIGHT_SCALE_FEATURE)),
    (gatt.BATTERY, gatt.BATTERY_LEVEL),
    (gatt.DEVICE_INFORMATION, gatt.MODEL),
    (normalize_uuid_16(0x1800), normalize_uuid_16(0x2A00)),  # the device's name
)


@dataclass(frozen=True, slots=True)
class Source:
    """One measuring characteristic. kind, service: 16-bit UUIDs."""

    characteristic: BleakGATTCharacteristic
    kind: int
    service: int


def device_id_of(address: str) -> bytes:
    """Id of the virtual device for a sensor: standards give it none, so it follows from the Bluetooth address."""
    return hashlib.sha256(f"Bluetooth {address.lower()}".encode()).digest()[:ID_BYTES]


def sources(client: BleakClient) -> list[Source]:
    """The measuring characteristics of a peripheral, in its own order, which makes them the channels."""
    found: list[Source] = []
    for service, kinds in sig.MEASURED_IN.items():
        kind_of = {normalize_uuid_16(kind): kind for kind in kinds}
        there = gatt.characteristics(client, normalize_uuid_16(service))
        found += [Source(c, kind_of[c.uuid], service) for c in there if c.uuid in kind_of]
    return found[:MAX_CHANNELS]


class StandardLink:
    """A StreamLink whose bytes are frames made here. Made by `begin`."""

    def __init__(
        self,
        client: BleakClient,
        sighting: Sighting,
        arrivals: Arrivals,
        standard: list[Source],
        stamps: Stamps,
        release: Callable[[], None],
    ) -> None:
        self.url = sighting.url
        self.radio: RadioStatus | None = RadioStatus(time.monotonic_ns(), sighting.rssi_dbm, None)
        self._rssi_dbm = sighting.rssi_dbm
        self._client = client
        self._arrivals = arrivals
        self._sources = standard
        self._release = release
        self._feature = b""
        self._stamps = stamps
        self._received_ns = [0] * len(standard)
        self._answers = [(b"", 0)] * len(standard)  # to the newest read of each, and when
        self._status_ns = 0
        self._reading: asyncio.Task[None] | None = None
        self.device: VirtualDevice  # from begin on

    @classmethod
    async def begin(
        cls,
        air: Radio,
        client: BleakClient,
        sighting: Sighting,
        arrivals: Arrivals,
        standard: list[Source],
        release: Callable[[], None],
    ) -> "StandardLink":
        """Learn what the sensor says of itself and subscribe. Raises what bleak raises."""
        stamps = air.stamps.setdefault(sighting.address, Stamps())
        link = cls(client, sighting, arrivals, standard, stamps, release)
        about = await gatt.about(client)
        link._feature = await link._weight_scale_feature()
        channels = [await link._describe(index, source) for index, source in enumerate(standard)]
        link.device = _virtual_device(air, sighting, channels, standard, about)
        arrivals.put(link.device.connected())
        await gatt.watch_battery(client, sighting.device, link._battery)
        for index, source in enumerate(standard):
            if not {"notify", "indicate"}.isdisjoint(source.characteristic.properties):
                await link._subscribe(index, source)
        link._reading = asyncio.create_task(link._read_the_silent(), name=f"read {sighting.url}")
        return link

    async def read(self) -> tuple[bytes, int]:
        """Frames, and the monotonic ns at which what is in them arrived. Raises LinkLost."""
        return await self._arrivals.get()

    async def write(self, data: bytes) -> None:
        """Requests, answered here. Raises LinkLost."""
        if self._arrivals.lost is not None:
            raise self._arrivals.lost
        self._arrivals.put(self.device.answer(data, time.monotonic_ns()))

    async def close(self) -> None:
        """Disconnect. Never raises; may be called again."""
        self._arrivals.end(LinkLost(CLOSED, f"{self.url}: closed"))
        try:
            if self._reading is not None:
                self._reading.cancel()
                await asyncio.gather(self._reading, return_exceptions=True)
            await gatt.disconnect(self._client)
        finally:
            self._release()

    # -- what it says of itself --------------------------------------------------------------------------------

    async def _describe(self, index: int, source: Source) -> Describe:
        descriptors = {}
        for descriptor in source.characteristic.descriptors:
            kind = _DESCRIPTORS.get(descriptor.uuid)
            if kind is not None:
                value = await self._said(partial(self._client.read_gatt_descriptor, descriptor))
                if value is not None:
                    descriptors[kind] = value
        return sig.describe(source.kind, index, descriptors, self._feature)

    async def _weight_scale_feature(self) -> bytes:
        found = gatt.characteristic(
            self._client, normalize_uuid_16(sig.WEIGHT_SCALE), normalize_uuid_16(sig.WEIGHT_SCALE_FEATURE)
        )
        if found is None or "read" not in found.properties:
            return b""
        return await self._read(found) or b""

    def _battery(self, percent: int) -> None:
        self.device.battery_percent = percent
        self.radio = RadioStatus(time.monotonic_ns(), self._rssi_dbm, percent)

    # -- what it measures --------------------------------------------------------------------------------------

    async def _subscribe(self, index: int, source: Source) -> None:
        def take(_: BleakGATTCharacteristic, value: bytearray) -> None:
            answer, at_ns = self._answers[index]
            if value != answer or time.monotonic_ns() - at_ns > ECHO_NS:
                self._take(index, bytes(value))

        await gatt.with_pairing(self._client, lambda: self._client.start_notify(source.characteristic, take))

    def _take(self, index: int, value: bytes) -> None:
        """A value has come: one samples frame, after a hello where the sensor now measures in another unit."""
        now_ns = time.monotonic_ns()
        self._received_ns[index] = now_ns
        kind, channels = self._sources[index].kind, list(self.device.channels)
        measured = sig.measured(kind, value, channels[index], self._feature)
        stamp = sig.time_stamp(kind, value)
        if stamp is not None and not self._stamps.is_of_now(stamp, now_ns / NS_PER_S):
            measured = replace(measured, reading=NoReading.OTHER)
        if measured.channel != channels[index]:
            channels[index] = measured.channel
            self._arrivals.put(self.device.describe_anew(channels))
        self._arrivals.put(self.device.samples({index: measured.reading}, now_ns))
        self._received(now_ns)

    def _received(self, now_ns: int) -> None:
        if now_ns - self._status_ns >= STATUS_NS:
            self._status_ns = now_ns
            self._arrivals.put(self.device.status(now_ns))

    async def _read_the_silent(self) -> None:
        """Read each value that can be read and has not come by itself for a period; prove the sensor is there."""
        try:
            while True:
                for index, source in enumerate(self._sources if self.device.started else ()):
                    period_ns = self.device.channels[index].period_ms * 1_000_000
                    due = time.monotonic_ns() - self._received_ns[index] >= period_ns
                    if due and "read" in source.characteristic.properties:
                        await self._ask(index, source)
                if time.monotonic_ns() - self._status_ns >= QUIET_NS:
                    await self._touch()
                    self._received(time.monotonic_ns())
                await asyncio.sleep(TURN_S)
        except Exception as exc:
            self._arrivals.end(trouble(self.url, exc))

    async def _ask(self, index: int, source: Source) -> None:
        asked_ns = time.monotonic_ns()
        value = await self._read(source.characteristic) or b""  # refused: no reading of this channel, not of the others
        if self._received_ns[index] < asked_ns:  # else it has come by itself meanwhile
            self._answers[index] = value, time.monotonic_ns()
            self._take(index, value)

    async def _touch(self) -> None:
        """Have the sensor answer something harmless, if it has that; else only its disconnection tells of its end."""
        for service, kind in _HARMLESS:
            found = gatt.characteristic(self._client, service, kind)
            if found is not None and "read" in found.properties:
                await self._read(found)
                return

    async def _read(self, characteristic: BleakGATTCharacteristic) -> bytes | None:
        return await self._said(partial(self._client.read_gatt_char, characteristic))

    async def _said(self, read: Callable[[], Awaitable[bytearray]]) -> bytes | None:
        """What the sensor answers, None when it refuses: then it is there all the same. Raises what bleak raises."""

        async def act() -> bytes:
            async with asyncio.timeout(READ_S):
                return bytes(await read())

        try:
            return await gatt.with_pairing(self._client, act)
        except BleakGATTProtocolError as exc:
            if wants_pairing(exc):
                raise
            log.debug("%s: %r", self.url, exc)
            return None


def _virtual_device(
    air: Radio, sighting: Sighting, channels: list[Describe], standard: list[Source], about: gatt.About
) -> VirtualDevice:
    """The device made for this sensor before, if it still has the same channels, so that its sequence goes on."""
    before = air.virtual_devices.get(sighting.address)
    if before is not None and _lasting(before.channels) == _lasting(channels):
        return before
    services = "+".join(f"{s:04X}" for s in dict.fromkeys(source.service for source in standard))
    made = air.virtual_devices[sighting.address] = VirtualDevice(
        device_id_of(sighting.address),
        channels,
        firmware_name=f"Bluetooth SIG {services} via host",
        firmware_version=about.firmware,
        model=" ".join(filter(None, (about.manufacturer, about.model))),
        boot_count=secrets.randbits(32),
        begun_ns=time.monotonic_ns(),
    )
    return made


def _lasting(channels: Sequence[Describe]) -> list[tuple[int, int, str]]:
    """Without what changes while a sensor runs: the period a user set, the unit somebody chose on a scale."""
    return [(c.quantity, c.sample_type, c.label) for c in channels]
