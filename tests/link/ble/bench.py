"""Benches: an air with the logger's radio in it, peripherals of any kind, and a device of the rig served over it."""

import asyncio
import contextlib
import threading
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from bumble.core import UUID, AdvertisingData
from bumble.device import Connection, Device
from bumble.gatt import Characteristic, CharacteristicValue, Service

from logger.link import link_events as events
from logger.link.connect import to_device
from logger.link.session.session import Settings
from sim_device import ble
from sim_device.ble import DATA_IN, DATA_OUT, SERVICE, BlePeripheral
from sim_device.boards import boards
from sim_device.device import Device as SimDevice
from sim_device.rig import device_id
from sim_device.scenarios import SCENARIOS
from sim_device.sim_clock import SimClock
from tests.link.ble import backend
from tests.link.ble.air import Air, serve_dongles

T = TypeVar("T")
LOGGER = "C0:00:00:00:00:01"
ONE, TWO, THREE = "F0:00:00:00:00:01", "F0:00:00:00:00:02", "F0:00:00:00:00:03"
ADVERTISE_MS = 20.0
# Longer than a host may stand still without its being a stall (session.STALL_NS), so that a busy one is no silence.
QUICK = Settings(shortest_silence_s=2.0, longest_silence_s=3.0, no_answer_s=3.0, time_mark_s=0.5)
PATIENT = replace(QUICK, shortest_silence_s=30.0, longest_silence_s=30.0, no_answer_s=30.0)


def run(test: Callable[[], Coroutine[object, object, None]]) -> None:
    asyncio.run(asyncio.wait_for(test(), 150))


@contextlib.asynccontextmanager
async def emulation() -> AsyncIterator[Air]:
    """An air; bleak works on a radio in it."""
    air = Air()
    radio = air.radio(LOGGER, "logger")
    await radio.power_on()
    with backend.use(radio):
        yield air
        await radio.power_off()


async def until(condition: Callable[[], bool], timeout_s: float = 60.0) -> None:
    async with asyncio.timeout(timeout_s):
        while not condition():  # noqa: ASYNC110
            await asyncio.sleep(0.01)


@dataclass
class Peripheral:
    """A peripheral of given services, advertising what it is told to. received: what was written to `data_in`."""

    radio: Device
    connection: Connection | None = None
    received: list[bytes] = field(default_factory=list)
    subscribed: asyncio.Event = field(default_factory=asyncio.Event)

    @classmethod
    def at(cls, air: Air, address: str) -> "Peripheral":
        return cls(air.radio(address, "peripheral"))

    @property
    def address(self) -> str:
        return self.radio.random_address.to_string(False)

    @property
    def url(self) -> str:
        return f"ble://{self.address}"

    async def begin(
        self, services: Sequence[Any], advertised: Sequence[str], name: bytes = b"", max_mtu: int = 247
    ) -> "Peripheral":
        self.radio.gatt_server.max_mtu = max_mtu
        self.radio.add_services(list(services))
        self.radio.on("connection", self._connected)
        await self.radio.power_on()
        structures = [(AdvertisingData.FLAGS, b"\x06")]
        for uuid in map(UUID, advertised):
            wide = len(bytes(uuid)) == 16
            kind = (
                AdvertisingData.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS
                if wide
                else AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS
            )
            structures.append((kind, bytes(uuid)))
        answer = bytes(AdvertisingData([(AdvertisingData.COMPLETE_LOCAL_NAME, name)])) if name else b""
        await self.radio.start_advertising(
            auto_restart=True, advertising_data=bytes(AdvertisingData(structures)), scan_response_data=answer,
            advertising_interval_min=ADVERTISE_MS, advertising_interval_max=ADVERTISE_MS,
        )  # fmt: skip
        return self

    def _connected(self, connection: Connection) -> None:
        self.connection = connection
        connection.on("disconnection", self._disconnected)

    def _disconnected(self, reason: int) -> None:
        self.connection = None
        self.subscribed.clear()

    def subscription(self, connection: Connection, notify: bool, indicate: bool) -> None:
        (self.subscribed.set if notify or indicate else self.subscribed.clear)()

    async def notify(self, characteristic: Characteristic[bytes], value: bytes) -> None:
        """As fast as the radio takes it, no faster."""
        assert self.connection is not None
        await self.radio.notify_subscriber(self.connection, characteristic, value)
        queue = self.radio.host.le_acl_packet_queue
        while queue is not None and queue.pending > 16:  # noqa: ASYNC110
            await asyncio.sleep(0)


CAN = Characteristic.Properties
MAY = Characteristic.Permissions


@dataclass
class Stream:
    """Our service, with nothing behind it but the test."""

    peripheral: Peripheral
    data_out: Characteristic[bytes]


async def stream(
    air: Air,
    address: str = ONE,
    *,
    writes: Any = CAN.WRITE | CAN.WRITE_WITHOUT_RESPONSE,
    write_permission: Any = MAY.WRITEABLE,
    more: Sequence[Any] = (),
    name: bytes = b"stream",
    max_mtu: int = 247,
) -> Stream:
    peripheral = Peripheral.at(air, address)
    data_out = Characteristic(DATA_OUT, CAN.NOTIFY, MAY.READABLE, b"")
    data_out.on("subscription", peripheral.subscription)
    take = CharacteristicValue(write=lambda connection, value: peripheral.received.append(bytes(value)))
    data_in = Characteristic(DATA_IN, writes, write_permission, take)
    services = [Service(SERVICE, [data_out, data_in]), *more]
    await peripheral.begin(services, [SERVICE], name, max_mtu)
    return Stream(peripheral, data_out)


def a_device(name: str, seed: int = 1) -> SimDevice:
    """A device of the simulated rig whose sensors see the same all the time (a plant takes seconds to fill)."""

    def sense(point: str, t_s: float) -> float:
        kind = point.rpartition("_")[2]
        return {"temperature": 295.0, "mass": 40.0, "vacuum": 100.0, "barometer": 101_325.0}.get(kind, 500_000.0)

    board = next(board for board in boards(SCENARIOS["recovery"]) if board.name == name)
    return SimDevice(board, sense, device_id(name, seed), seed)


@contextlib.asynccontextmanager
async def served(
    air: Air, address: str = ONE, device: str = "scale", seed: int = 1, max_mtu: int = 247, speed: float = 10.0
) -> AsyncIterator[BlePeripheral]:
    """A device of the simulated rig, by the product's own peripheral."""
    radio = air.radio(address, device)
    await radio.power_on()
    ble._ADVERTISE_MS = ADVERTISE_MS  # as often as nobody with a battery would
    peripheral = BlePeripheral(a_device(device, seed), SimClock(speed), radio, name=device, max_mtu=max_mtu)
    await peripheral.open()
    try:
        yield peripheral
    finally:
        await peripheral.aclose()


@contextlib.asynccontextmanager
async def _nothing(air: Air) -> AsyncIterator[None]:
    yield


class AirThread:
    """An air with what lives in it, in a thread of its own, for programs and loops that come in by a dongle."""

    def __init__(self, life: Callable[[Air], contextlib.AbstractAsyncContextManager[None]] = _nothing) -> None:
        self.port = 0
        self._life = life
        self._over = asyncio.Event()
        self._begun = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._live()), daemon=True)

    def __enter__(self) -> "AirThread":
        self._thread.start()
        assert self._begun.wait(60)
        assert self.port, "the air has not come to life"
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join(60)

    def drop_all(self) -> None:
        """Every connection in this air breaks off."""
        self._loop.call_soon_threadsafe(self._air.drop_all)

    async def _live(self) -> None:
        try:
            self._air, self._loop = Air(), asyncio.get_running_loop()
            async with self._life(self._air):
                server = await serve_dongles(self._air)
                self.port = server.sockets[0].getsockname()[1]
                self._begun.set()
                await self._over.wait()
                server.close()
                for port in list(self._air.ports):
                    port.abort()
                await until(lambda: not self._air.ports)
        finally:
            self._begun.set()


class Watched:
    """A connection and everything it told."""

    def __init__(self, url: str | None, expected: bytes | None = None, **options: Any) -> None:
        self.events: list[events.LinkEvent] = []
        options.setdefault("settings", PATIENT)
        self.connection = to_device(url, expected, self.events.append, **options)
        self.session = self.connection.conversation

    def of(self, kind: type[T]) -> list[T]:
        return [event for event in self.events if isinstance(event, kind)]

    def sequences(self) -> list[int]:
        return [event.samples.sequence for event in self.of(events.SamplesReceived)]

    async def streaming(self, more: int = 3) -> None:
        before = len(self.sequences())
        await until(lambda: self.session.live and len(self.sequences()) >= before + more)

    async def whole(self) -> None:
        """Until every samples frame from the first to the newest is here, each once."""

        def complete() -> bool:
            numbers = self.sequences()
            return self.session.missing == 0 and sorted(numbers) == list(range(min(numbers), max(numbers) + 1))

        await until(complete)


@contextlib.asynccontextmanager
async def watch(url: str | None, expected: bytes | None = None, **options: Any) -> AsyncIterator[Watched]:
    watched = Watched(url, expected, **options)
    task = asyncio.create_task(watched.connection.run())
    try:
        yield watched
    finally:
        await watched.connection.stop()
        await task
