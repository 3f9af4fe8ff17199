"""A simulated device as a Bluetooth LE peripheral (SPEC.md section 9), by the Bluetooth stack of `bumble`.

The radio is any HCI controller that bumble can open: a USB dongle ("usb:0"), a board with HCI firmware on a serial port
("serial:/dev/ttyACM0"), a virtual controller ("tcp-client:127.0.0.1:9001"). The operating system must not use it at the
same time. One radio carries one device. bumble is needed for this link alone, so it is imported when it is asked for.
"""

import asyncio
import hashlib
import logging
from typing import TYPE_CHECKING, Any, Final

from firmware_protocol.framing import DELIMITER
from sim_device.errors import SimError
from sim_device.served import Served
from sim_device.sim_clock import SimClock

if TYPE_CHECKING:
    from bumble.device import Connection
    from bumble.device import Device as Radio
    from bumble.transport.common import Transport

log = logging.getLogger(__name__)

SERVICE: Final = "14d43446-3ca7-4f6c-9001-0de40a383ecf"
DATA_OUT: Final = "19efc155-dfba-4dc0-8993-a548202972e9"
DATA_IN: Final = "d185c9be-e276-42f4-a5a6-08f144ad411f"

MAX_IN_A_NOTIFICATION: Final = 244
MAX_MTU: Final = 517
_NOTIFICATION_HEAD: Final = 3
_TICK_S: Final = 0.02
_MAX_WAITING: Final = 65_536  # bytes the host has not taken; beyond it the device drops frames
_MAX_IN_FLIGHT: Final = 32  # packets the radio has not sent yet
_ADVERTISE_MS = 100.0
_NAME_BYTES: Final = 29  # of 31 in a scan response
_OPEN_S: Final = 15.0


class NoRadio(SimError):
    """bumble is not installed, or the radio it was to use does not open."""


class BlePeripheral:
    """One device served on a radio that is switched on. Name, battery and largest MTU may be set before `open`.

    url is what a logger opens. failed: why it stopped, None while it runs.
    """

    def __init__(self, served: Served, clock: SimClock, radio: "Radio", *, name: str, max_mtu: int = MAX_MTU) -> None:
        self.name = name
        self.battery_percent = 100
        self.max_mtu = max_mtu
        self.radio = radio
        self.url = f"ble://{radio.random_address.to_string(False)}"
        self.failed: BaseException | None = None
        self.connection: Connection | None = None
        self._served, self._clock = served, clock
        self._subscribed = False
        self._waiting = bytearray()
        self._turn = asyncio.Event()
        self._task: asyncio.Task[None] | None = None
        self._transport: Transport | None = None

    async def open(self) -> None:
        """Advertise and serve until `aclose`."""
        from bumble.core import UUID, AdvertisingData
        from bumble.gatt import Characteristic, CharacteristicValue, Service
        from bumble.profiles.battery_service import BatteryService
        from bumble.profiles.device_information_service import DeviceInformationService

        can = Characteristic.Properties
        self._data_out: Any = Characteristic(DATA_OUT, can.NOTIFY, Characteristic.READABLE, b"")
        self._data_out.on("subscription", self._on_subscription)
        data_in: Any = Characteristic(
            DATA_IN, can.WRITE | can.WRITE_WITHOUT_RESPONSE, Characteristic.WRITEABLE,
            CharacteristicValue(write=lambda connection, value: self._step(bytes(value))),
        )  # fmt: skip
        battery = BatteryService(lambda connection: self.battery_percent)
        self._battery: Any = battery.battery_level_characteristic
        self.radio.gatt_server.max_mtu = self.max_mtu
        self.radio.on("connection", self._on_connection)
        self.radio.add_services([
            DeviceInformationService(
                manufacturer_name="simulated (invented)", model_number=self.name, firmware_revision="1"
            ),
            battery,
            Service(SERVICE, [self._data_out, data_in]),
        ])  # fmt: skip
        await self.advertise(
            bytes(AdvertisingData([
                (AdvertisingData.FLAGS, b"\x06"),
                (AdvertisingData.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS, bytes(UUID(SERVICE))),
            ])),
            bytes(AdvertisingData([
                (AdvertisingData.COMPLETE_LOCAL_NAME, self.name.encode()[:_NAME_BYTES]),
            ])),
        )  # fmt: skip
        self._task = asyncio.get_running_loop().create_task(self._run())

    def keep(self, transport: "Transport") -> None:
        """The radio's transport, closed with the peripheral; when it ends by itself, the peripheral has failed."""
        self._transport = transport
        ended = getattr(transport.source, "terminated", None)
        if ended is not None:
            ended.add_done_callback(self._on_radio_gone)

    def _on_radio_gone(self, _: object) -> None:
        if self._task is not None and not self._task.done():
            self.failed = NoRadio("the Bluetooth radio has gone")

    async def advertise(self, data: bytes, scan_response: bytes) -> None:
        """Advertise whenever nobody is connected."""
        await self.radio.start_advertising(
            auto_restart=True, advertising_data=data, scan_response_data=scan_response,
            advertising_interval_min=_ADVERTISE_MS, advertising_interval_max=_ADVERTISE_MS,
        )  # fmt: skip

    async def disconnect(self) -> None:
        """Hang up on the host; it may connect again."""
        if self.connection is not None:
            await self.connection.disconnect()

    async def set_battery(self, percent: int) -> None:
        """The battery's new level, told to a host that listens."""
        self.battery_percent = percent
        if self.connection is not None:
            await self.radio.notify_subscriber(self.connection, self._battery, percent)

    async def aclose(self) -> None:
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
        try:
            async with asyncio.timeout(2):
                await self.radio.stop_advertising()
                await self.disconnect()
                await self.radio.power_off()
        except Exception as exc:  # the radio may be gone already
            log.debug("closing %s: %r", self.url, exc)
        if self._transport is not None:
            await self._transport.close()

    # -- what the radio tells ----------------------------------------------------------------------------------

    def _on_connection(self, connection: "Connection") -> None:
        self.connection = connection
        connection.on("disconnection", self._on_disconnection)

    def _on_disconnection(self, reason: int) -> None:
        self.connection = None
        self._subscribed = False
        self._waiting.clear()

    def _on_subscription(self, connection: "Connection", notify: bool, indicate: bool) -> None:
        self._subscribed = notify
        self._waiting.clear()
        if notify:
            self._waiting += self._served.connected() or DELIMITER
            self._turn.set()

    # -- the device --------------------------------------------------------------------------------------------

    async def _run(self) -> None:
        try:
            while True:
                self._step(b"")
                self._turn.clear()
                await self._send()
                try:
                    async with asyncio.timeout(_TICK_S):
                        await self._turn.wait()
                except TimeoutError:
                    continue
        except asyncio.CancelledError:
            raise
        except Exception as exc:
            log.exception("a simulated device stopped")
            self.failed = exc

    def _step(self, data: bytes) -> None:
        linked = self._subscribed and len(self._waiting) < _MAX_WAITING
        self._waiting += self._served.step(data, self._clock.now_s, linked)
        if data:
            self._turn.set()

    async def _send(self) -> None:
        """As much as the radio takes now, in notifications of the connection's size."""
        queue = self.radio.host.le_acl_packet_queue
        while self._waiting and self._subscribed and self.connection is not None:
            if queue is not None and queue.pending >= _MAX_IN_FLIGHT:
                return
            size = min(self.connection.att_mtu - _NOTIFICATION_HEAD, MAX_IN_A_NOTIFICATION)
            piece = bytes(self._waiting[:size])
            del self._waiting[:size]
            await self.radio.notify_subscriber(self.connection, self._data_out, piece)


async def serve_ble(
    served: Served, clock: SimClock, transport: str, *, name: str, device_id: bytes, max_mtu: int = MAX_MTU
) -> BlePeripheral:
    """Serve one device on the radio behind a bumble transport name, under an address of its own. Raises NoRadio."""
    try:
        from bumble.device import Device as Radio
        from bumble.hci import Address
        from bumble.transport import open_transport
    except ImportError as exc:
        raise NoRadio(f"Bluetooth needs the package bumble: pip install bumble ({exc})") from exc
    opened: Transport | None = None
    try:
        async with asyncio.timeout(_OPEN_S):
            opened = await open_transport(transport)
            address = Address(static_address(device_id), Address.RANDOM_DEVICE_ADDRESS)
            radio = Radio.with_hci(name, address, opened.source, opened.sink)
            await radio.power_on()
            peripheral = BlePeripheral(served, clock, radio, name=name, max_mtu=max_mtu)
            peripheral.keep(opened)
            await peripheral.open()
    except Exception as exc:  # whatever a transport raises: wrong name, no such port, no rights, no answer
        if opened is not None:
            await opened.close()
        why = f"no answer within {_OPEN_S:.0f} s" if isinstance(exc, TimeoutError) else f"{exc or type(exc).__name__}"
        raise NoRadio(f"Bluetooth radio {transport!r}: {why}") from exc
    return peripheral


def static_address(device_id: bytes) -> str:
    """A random static address that follows from the device's id (Bluetooth Core, Vol 6 Part B 1.3.2.1)."""
    raw = bytearray(hashlib.sha256(device_id).digest()[:6])
    raw[0] |= 0xC0
    return ":".join(f"{byte:02X}" for byte in raw)
