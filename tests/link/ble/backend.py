"""A backend for bleak on bumble's stack, so that the application's own bleak code runs without a radio of the system's.

`use(radio)` puts it in place of the platform's three backends; `with_bumble.py` does so for a whole program.
"""

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Iterator
from typing import Any, TypeVar

import bleak
from bleak.args import SizedBuffer
from bleak.backends.adapter import BaseBleakAdapter
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient, NotifyCallback
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, AdvertisementDataCallback, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakError,
    BleakGATTProtocolError,
)
from bleak.uuids import normalize_uuid_str
from bumble import att, core
from bumble.device import Advertisement, Connection, Device, Peer
from bumble.gatt_client import Client
from bumble.hci import Address
from bumble.host import Host

T = TypeVar("T")
AD = core.AdvertisingData
MAX_MTU = 517  # what Linux and Windows ask for; a peripheral may grant less
DIAL_S = 2.0


class Central:
    """What stands for the operating system.

    left: connections that a killed program left open, with a service each. names: what the system knows devices by.
    """

    radio: Device | None = None
    left: dict[str, tuple[Connection, str]] = {}
    names: dict[str, str] = {}
    scanners: set["BumbleScanner"] = set()
    clients: set["BumbleClient"] = set()
    dialling = asyncio.Lock()
    open_radio: Callable[[], Awaitable[Device]] | None = None
    scans_begun = 0
    echoes_late = False

    @classmethod
    async def get(cls) -> Device:
        if cls.radio is None and cls.open_radio is not None:
            cls.radio = await cls.open_radio()
        if cls.radio is None:
            raise BleakBluetoothNotAvailableError("no radio", BleakBluetoothNotAvailableReason.NO_BLUETOOTH)
        return cls.radio

    @classmethod
    def forget(cls, radio: Device | None) -> None:
        cls.radio = radio
        cls.left = {}
        cls.names = {}
        cls.scanners = set()
        cls.clients = set()
        cls.dialling = asyncio.Lock()
        cls.scans_begun = 0
        cls.echoes_late = False


_PLACES = ("client", "scanner", "adapter")


def install() -> None:
    """Make this the platform's backend."""
    for place, backend in zip(_PLACES, (BumbleClient, BumbleScanner, BumbleAdapter), strict=True):
        setattr(bleak, f"get_platform_{place}_backend_type", lambda backend=backend: (backend, "bumble"))


@contextlib.contextmanager
def use(radio: Device | None) -> Iterator[None]:
    """In this block bleak works on this radio (switched on), or finds none."""
    names = [f"get_platform_{place}_backend_type" for place in _PLACES]
    before = [getattr(bleak, name) for name in names]
    Central.forget(radio)
    install()
    try:
        yield
    finally:
        for name, old in zip(names, before, strict=True):
            setattr(bleak, name, old)
        Central.forget(None)


class BumbleScanner(BaseBleakScanner):
    def __init__(
        self,
        detection_callback: AdvertisementDataCallback | None,
        service_uuids: list[str] | None,
        scanning_mode: str,
        **kwargs: Any,
    ) -> None:
        super().__init__(detection_callback, service_uuids)
        self._active = scanning_mode != "passive"
        self._radio: Device | None = None

    async def start(self) -> None:
        self.seen_devices = {}
        self._radio = radio = await Central.get()
        radio.on("advertisement", self._advertisement)
        first = not Central.scanners
        Central.scanners.add(self)
        if first:
            try:
                await _whole(radio.start_scanning(active=self._active))
            except BaseException:
                await self.stop()
                raise
            Central.scans_begun += 1

    async def stop(self) -> None:
        radio, self._radio = self._radio, None
        if radio is None:
            return
        radio.remove_listener("advertisement", self._advertisement)
        Central.scanners.discard(self)
        if not Central.scanners:
            await _whole(radio.stop_scanning())

    def _advertisement(self, advertisement: Advertisement) -> None:
        data = _parsed(advertisement)
        if self.is_allowed_uuid(data.service_uuids):
            address = advertisement.address.to_string(with_type_qualifier=False)
            name = Central.names.get(address, data.local_name)
            device = self.create_or_update_device(address, address, name, advertisement.address, data)
            self.call_detection_callbacks(device, data)


class BumbleAdapter(BaseBleakAdapter):
    @classmethod
    async def get(cls, **kwargs: Any) -> "BumbleAdapter":
        await Central.get()
        return cls()

    async def get_connected_devices(self, service_uuids: frozenset[str]) -> list[BLEDevice]:
        return [
            BLEDevice(address, None, connection.peer_address)
            for address, (connection, service) in Central.left.items()
            if service in service_uuids
        ]


class BumbleClient(BaseBleakClient):
    """A client that is connected twice is refused: on Linux that leaks sockets and doubles notifications."""

    def __init__(self, address_or_ble_device: BLEDevice | str, services: set[str] | None = None, **kwargs: Any) -> None:
        super().__init__(address_or_ble_device, **kwargs)
        assert isinstance(address_or_ble_device, BLEDevice), "the application is to give devices it has seen"
        self._device = address_or_ble_device
        self._connection: Connection | None = None
        self._peer: Peer | None = None
        self._gone = asyncio.Event()
        self._subscribers: dict[int, Callable[[bytes], None]] = {}
        self._used = False

    @property
    def name(self) -> str:
        return self._device.name or self.address.replace(":", "-")

    @property
    def is_connected(self) -> bool:
        return self._connection is not None

    @property
    def mtu_size(self) -> int:
        return 23  # as on Linux, whatever is in use

    async def connect(self, pair: bool, **kwargs: Any) -> None:
        assert not self._used, "a client for each connection"
        self._used = True
        Central.clients.add(self)
        radio = await Central.get()
        async with asyncio.timeout(self._timeout):
            left = Central.left.pop(self.address, None)
            self._connection = connection = left[0] if left else await _dial(radio, self._device.details)
            connection.on("disconnection", self._on_disconnection)
            if not left:
                connection.gatt_client = GattClient(connection)
            self._peer = Peer(connection)
            try:
                await self._op(self._peer.request_mtu(MAX_MTU))
                self.services = await self._op(_discovered(self._peer, connection))
            except BaseException:
                await self.disconnect()
                raise

    def abandon(self, service: str) -> None:
        """The program that used this client is killed; the system keeps the connection."""
        connection, self._connection, self._peer = self._connection, None, None
        assert connection is not None
        connection.remove_listener("disconnection", self._on_disconnection)
        connection.gatt_client = GattClient(connection)
        Central.left[self.address] = (connection, service)

    async def disconnect(self) -> None:
        Central.clients.discard(self)
        connection = self._connection
        if connection is None:
            return
        try:
            await _whole(connection.disconnect())
        except core.BaseBumbleError:
            self._on_disconnection(0)

    async def pair(self, *args: Any, **kwargs: Any) -> None:
        connection = self._connection
        if connection is None:
            raise BleakError("Not connected")
        await self._op(connection.pair())

    async def unpair(self) -> None:
        raise NotImplementedError

    async def read_gatt_char(
        self, characteristic: BleakGATTCharacteristic, *, use_cached: bool = False, **kwargs: Any
    ) -> bytearray:
        value = await self._op(self._client.read_value(characteristic.handle))
        if (take := self._subscribers.get(characteristic.handle)) is not None:
            # as on Linux, where the answer is told to the subscriber too, before or after it is returned
            asyncio.get_running_loop().call_later(0.01, take, value) if Central.echoes_late else take(value)
        return bytearray(value)

    async def read_gatt_descriptor(
        self, descriptor: BleakGATTDescriptor, *, use_cached: bool = False, **kwargs: Any
    ) -> bytearray:
        return bytearray(await self._op(self._client.read_value(descriptor.handle)))

    async def write_gatt_char(self, characteristic: BleakGATTCharacteristic, data: SizedBuffer, response: bool) -> None:
        value = bytes(data)
        if not response and len(value) > characteristic.max_write_without_response_size:
            raise BleakError(f"{len(value)} bytes are too many for a write without response")
        await self._op(self._client.write_value(characteristic.handle, value, with_response=response))

    async def write_gatt_descriptor(self, descriptor: BleakGATTDescriptor, data: SizedBuffer) -> None:
        await self._op(self._client.write_value(descriptor.handle, bytes(data), with_response=True))

    async def start_notify(
        self, characteristic: BleakGATTCharacteristic, callback: NotifyCallback, **kwargs: Any
    ) -> None:
        if characteristic.handle in self._subscribers:
            raise BleakError("already notifying")

        def take(value: bytes) -> None:
            callback(bytearray(value))

        self._subscribers[characteristic.handle] = take
        try:
            await self._op(self._client.subscribe(characteristic.obj, take))
        except BaseException:
            del self._subscribers[characteristic.handle]
            raise

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        take = self._subscribers.pop(characteristic.handle, None)
        if take is not None:
            await self._op(self._client.unsubscribe(characteristic.obj, take))

    @property
    def _client(self) -> Client:
        if self._peer is None:
            raise BleakError("Not connected")
        return self._peer.gatt_client

    def _on_disconnection(self, reason: int) -> None:
        if self._connection is None:
            return
        self._connection = self._peer = self.services = None
        self._subscribers.clear()
        self._gone.set()
        if self._disconnected_callback is not None:
            self._disconnected_callback()

    async def _op(self, procedure: Awaitable[T]) -> T:
        """One procedure of bumble's. It fails when the link drops; bumble would cancel it or wait."""
        gone = asyncio.ensure_future(self._gone.wait())
        task = asyncio.ensure_future(procedure)
        either: tuple[asyncio.Future[Any], ...] = (gone, task)
        try:
            await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
            if not task.done() or task.cancelled():
                raise BleakError("disconnected")
            return task.result()
        except att.ATT_Error as exc:
            raise BleakGATTProtocolError(exc.error_code) from exc
        except core.BaseBumbleError as exc:
            raise BleakError(f"{exc}") from exc
        finally:
            gone.cancel()
            if self._gone.is_set():
                task.cancel()
            else:
                _run_out(task)


async def _whole(command: Awaitable[T]) -> T:
    """A command to the radio, carried out to its end though its asker is cancelled: HCI knows no taking back."""
    task = asyncio.ensure_future(command)
    try:
        return await asyncio.shield(task)
    except asyncio.CancelledError:
        await asyncio.wait((task,))
        raise


def _processed(host: Host, event: Any) -> None:
    """As for `GattClient`: a program that ends cancels everything at once, and the radio answers in that turn."""
    if host.pending_response is None or not host.pending_response.done():
        _processed_by_bumble(host, event)


_processed_by_bumble = Host.on_command_processed
Host.on_command_processed = _processed  # type: ignore[assignment, method-assign]


class GattClient(Client):
    """bumble's, where an answer that comes in the very turn its asker was cancelled is no error."""

    def on_gatt_pdu(self, att_pdu: att.ATT_PDU) -> None:
        asked = self.pending_response
        if asked is None or not asked.done() or att_pdu.op_code not in att.ATT_RESPONSES:
            super().on_gatt_pdu(att_pdu)


_running_out: set[asyncio.Future[Any]] = set()


def _run_out(task: asyncio.Future[Any]) -> None:
    """Let a request that is on its way be answered, asked for or not any more: ATT knows no taking back."""
    if task.done():
        return
    _running_out.add(task)

    def done(task: asyncio.Future[Any]) -> None:
        _running_out.discard(task)
        if not task.cancelled():
            task.exception()  # nobody waits for it

    task.add_done_callback(done)


async def _dial(radio: Device, target: Address) -> Connection:
    """Connect once the target is heard. One radio dials one at a time, so the others wait."""
    while True:
        advertised = asyncio.Event()

        def advertise(advertisement: Advertisement, advertised: asyncio.Event = advertised) -> None:
            if advertisement.address == target:
                advertised.set()

        radio.on("advertisement", advertise)
        scanner = BumbleScanner(None, None, "passive")
        await scanner.start()
        try:
            await advertised.wait()
        finally:
            radio.remove_listener("advertisement", advertise)
            await scanner.stop()
        async with Central.dialling:
            connecting = asyncio.ensure_future(radio.connect(target, timeout=DIAL_S))
            try:
                return await asyncio.shield(connecting)
            except core.TimeoutError:
                continue  # it went away in between
            except core.BaseBumbleError as exc:
                raise BleakError(f"connecting failed: {exc}") from exc
            except asyncio.CancelledError:
                with contextlib.suppress(core.BaseBumbleError):  # undo what was begun, as a system does
                    await (await connecting).disconnect()
                raise


async def _discovered(peer: Peer, connection: Connection) -> BleakGATTServiceCollection:
    found = BleakGATTServiceCollection()
    for service in await peer.discover_services():
        ours = BleakGATTService(service, service.handle, _uuid(service.uuid))
        found.add_service(ours)
        for characteristic in await service.discover_characteristics():
            has = characteristic.properties
            properties: Any = [f"{p.name}".lower().replace("_", "-") for p in type(has) if p in has]
            mine = BleakGATTCharacteristic(
                characteristic, characteristic.handle, _uuid(characteristic.uuid), properties,
                lambda: connection.att_mtu - 3, ours,
            )  # fmt: skip
            found.add_characteristic(mine)
            for descriptor in await characteristic.discover_descriptors():
                found.add_descriptor(BleakGATTDescriptor(descriptor, descriptor.handle, _uuid(descriptor.type), mine))
    return found


def _uuid(uuid: core.UUID) -> str:
    return normalize_uuid_str(uuid.to_hex_str("-"))


def _parsed(advertisement: Advertisement) -> AdvertisementData:
    name: str | None = None
    uuids: list[str] = []
    for kind, value in advertisement.data.ad_structures:
        if kind in (AD.COMPLETE_LOCAL_NAME, AD.SHORTENED_LOCAL_NAME):
            name = value.decode("utf-8", "replace")
        for size, lists in ((2, (0x02, 0x03)), (16, (0x06, 0x07))):
            if kind in lists:
                whole = range(0, len(value) - size + 1, size)
                uuids += [_uuid(core.UUID.from_bytes(value[at : at + size])) for at in whole]
    return AdvertisementData(name, {}, {}, list(dict.fromkeys(uuids)), None, advertisement.rssi, (advertisement,))
