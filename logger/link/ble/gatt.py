"""One connection to a peripheral: opened in turn, paired where it asks, always let go of."""

import asyncio
import contextlib
import logging
import weakref
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final, TypeVar

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice
from bleak.uuids import normalize_uuid_16

from logger.link.ble import bluez
from logger.link.ble.radio import Radio, Sighting
from logger.link.ble.trouble import wants_pairing
from logger.model.text import clean

log = logging.getLogger(__name__)

T = TypeVar("T")

CONNECT_S: Final = 20.0  # with the discovery of services; Linux and Windows need several seconds on a bad day
PAIR_S: Final = 45.0  # somebody may have to type a number
DISCONNECT_S: Final = 12.0
EXTRAS_S: Final = 4.0
TEXT_SHOWN: Final = 40

DEVICE_INFORMATION: Final = normalize_uuid_16(0x180A)
BATTERY: Final = normalize_uuid_16(0x180F)
BATTERY_LEVEL: Final = normalize_uuid_16(0x2A19)
MODEL: Final = normalize_uuid_16(0x2A24)
FIRMWARE: Final = normalize_uuid_16(0x2A26)
MANUFACTURER: Final = normalize_uuid_16(0x2A29)


_watching: "weakref.WeakKeyDictionary[BleakClient, asyncio.Task[None]]" = weakref.WeakKeyDictionary()


@dataclass(frozen=True, slots=True)
class About:
    """What Device Information (0x180A) says, cleaned; empty where it says nothing."""

    manufacturer: str = ""
    model: str = ""
    firmware: str = ""


async def connect(air: Radio, sighting: Sighting, on_lost: Callable[[], None]) -> BleakClient:
    """A new client, connected, its services known. on_lost: called in the loop when the peripheral is gone.

    A client is used once: one that is connected again leaks sockets and doubles notifications on Linux. Raises what
    bleak raises; then nothing is left open.
    """
    client = BleakClient(
        sighting.device,
        disconnected_callback=lambda _: on_lost(),
        timeout=CONNECT_S,
        winrt={"use_cached_services": False},  # firmware changes; Windows' memory of it does not
    )
    try:
        async with air.connecting(), asyncio.timeout(CONNECT_S):
            await client.connect()
    except BaseException:
        await disconnect(client)
        raise
    return client


async def disconnect(client: BleakClient) -> None:
    """Also after the peripheral has gone: it frees what the system holds. Never raises but CancelledError."""
    watching = _watching.pop(client, None)
    if watching is not None:
        watching.cancel()
    try:
        async with asyncio.timeout(DISCONNECT_S):
            await client.disconnect()
    except Exception as exc:
        log.debug("disconnecting from %s: %r", client.address, exc)


def characteristics(client: BleakClient, service: str) -> list[BleakGATTCharacteristic]:
    """All characteristics of a service, in the peripheral's order; of all its instances, if it has several."""
    return [c for each in client.services if each.uuid == service for c in each.characteristics]


def characteristic(client: BleakClient, service: str, uuid: str) -> BleakGATTCharacteristic | None:
    """The first of that kind, None when there is none."""
    return next((c for c in characteristics(client, service) if c.uuid == uuid), None)


async def with_pairing(client: BleakClient, act: Callable[[], Awaitable[T]]) -> T:
    """`act`, once more after pairing when the peripheral asks for that. The bond outlasts the connection."""
    try:
        return await act()
    except Exception as exc:
        if not wants_pairing(exc):
            raise
    log.info("%s wants to be paired", client.address)
    # macOS has no such call: it asks the person by itself, at the first refused access.
    with contextlib.suppress(NotImplementedError):
        async with asyncio.timeout(PAIR_S):
            await client.pair()
    return await act()


async def about(client: BleakClient) -> About:
    """Device Information, as far as the peripheral gives it. Never raises but CancelledError."""
    manufacturer, model, firmware = [await _text(client, uuid) for uuid in (MANUFACTURER, MODEL, FIRMWARE)]
    return About(manufacturer, model, firmware)


async def watch_battery(client: BleakClient, device: BLEDevice, report: Callable[[int], None]) -> None:
    """`report` gets the battery's percentage now and whenever it changes, if there is one (Battery 0x180F)."""
    level = characteristic(client, BATTERY, BATTERY_LEVEL)
    if level is None:
        path = bluez.object_path(device)
        if path is not None:
            _watching[client] = asyncio.create_task(bluez.watch_battery(path, report), name=f"battery of {path}")
        return

    def take(_: BleakGATTCharacteristic, value: bytearray) -> None:
        if len(value) == 1 and value[0] <= 100:
            report(value[0])

    try:
        async with asyncio.timeout(EXTRAS_S):
            if "read" in level.properties:
                take(level, await client.read_gatt_char(level))
            if "notify" in level.properties:
                await client.start_notify(level, take)
    except Exception as exc:  # a battery that does not report is no reason to lose a sensor
        log.debug("battery of %s: %r", client.address, exc)


async def _text(client: BleakClient, uuid: str) -> str:
    found = characteristic(client, DEVICE_INFORMATION, uuid)
    if found is None or "read" not in found.properties:
        return ""
    try:
        async with asyncio.timeout(EXTRAS_S):
            value = await client.read_gatt_char(found)
    except Exception as exc:
        log.debug("%s of %s: %r", uuid, client.address, exc)
        return ""
    return clean(bytes(value).decode("utf-8", "replace").rstrip("\0"), TEXT_SHOWN)
