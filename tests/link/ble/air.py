"""An emulated radio: bumble's virtual controllers on one link, with range, signal strength and real dongle behaviour.

What bumble's controller leaves out and real ones do is added here: it gives up connecting when told, a reset clears
it, and a scan response is the advertiser's own. Emulated: no figure from here is a figure of a radio.
"""

import asyncio
from typing import Any

from bumble import hci, ll
from bumble.controller import Connection, Controller
from bumble.core import PhysicalTransport
from bumble.device import Device
from bumble.hci import Address, HCI_ErrorCode
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink, StreamPacketSource

USUAL_RSSI_DBM = -50
SUPERVISION_S = 0.3


class Air(LocalLink):
    """out_of_range: addresses that neither hear nor are heard. rssi: by address, where it is not the usual."""

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self.out_of_range: set[str] = set()
        self.rssi: dict[str, int] = {}
        self.dongles = 0
        self.ports: set[asyncio.Transport] = set()  # of dongles that somebody has

    def radio(self, address: str, name: str = "radio") -> Device:
        """A host of its own behind a controller of its own, switched off. address: random static."""
        controller = Dongle(name, link=self, public_address=address)
        # The sink is typed for other users; AsyncPipeSink is what bumble's own examples put there.
        host = Host(controller, AsyncPipeSink(controller))
        return Device(name=name, address=Address(address, Address.RANDOM_DEVICE_ADDRESS), host=host)

    def controller_at(self, address: Address) -> "Dongle | None":
        found = self.find_le_controller(address)
        return found if isinstance(found, Dongle) else None

    async def leave(self, address: str) -> None:
        """The device is carried away; after the supervision time-out both sides notice."""
        self.out_of_range.add(address)
        await asyncio.sleep(SUPERVISION_S)
        for controller in list(self.controllers):
            for connection in _connections(controller):
                if self._is_ignored(connection.self_address, connection.peer_address):
                    controller.on_le_disconnected(connection, HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR)

    def come_back(self, address: str) -> None:
        self.out_of_range.discard(address)

    def drop_all(self) -> None:
        """Every connection breaks off, as when something comes between; both sides see a time-out."""
        for controller in list(self.controllers):
            for connection in _connections(controller):
                controller.on_le_disconnected(connection, HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR)

    def _is_ignored(self, *addresses: Address | None) -> bool:
        return any(a is not None and a.to_string(False) in self.out_of_range for a in addresses)

    # -- LocalLink, with range

    def send_acl_data(
        self, sender_controller: Controller, destination_address: Address, transport: PhysicalTransport, data: bytes
    ) -> None:
        connection = sender_controller.le_connections.get(destination_address)
        source = connection.self_address if connection else sender_controller.random_address
        receiver = self.controller_at(destination_address)
        if receiver is not None and not self._is_ignored(source, destination_address):
            asyncio.get_running_loop().call_soon(receiver.on_link_acl_data, source, transport, data)

    def send_advertising_pdu(self, sender_controller: Controller, packet: Any) -> None:
        ends = (packet.advertiser_address, getattr(packet, "initiator_address", None))
        if not self._is_ignored(*ends):
            super().send_advertising_pdu(sender_controller, packet)

    def send_ll_control_pdu(self, sender_address: Address, receiver_address: Address, packet: ll.ControlPdu) -> None:
        if not self._is_ignored(sender_address, receiver_address) and self.controller_at(receiver_address) is not None:
            super().send_ll_control_pdu(sender_address, receiver_address, packet)


class Dongle(Controller):
    """A virtual controller. Only legacy advertising, which every dongle has."""

    le_acl_data_packet_length = 251
    le_features = Controller.le_features & ~hci.LeFeatureMask.LE_EXTENDED_ADVERTISING
    link: Air

    def on_hci_le_create_connection_cancel_command(
        self, _command: hci.HCI_LE_Create_Connection_Cancel_Command
    ) -> hci.HCI_StatusReturnParameters:
        pending = self.pending_le_connection
        if pending is None:
            return hci.HCI_StatusReturnParameters(HCI_ErrorCode.COMMAND_DISALLOWED_ERROR)
        self.pending_le_connection = None
        asyncio.get_running_loop().call_soon(
            self.send_hci_packet,
            hci.HCI_LE_Connection_Complete_Event(
                status=HCI_ErrorCode.UNKNOWN_CONNECTION_IDENTIFIER_ERROR, connection_handle=0, role=hci.Role.CENTRAL,
                peer_address_type=pending.peer_address_type, peer_address=pending.peer_address, connection_interval=0,
                peripheral_latency=0, supervision_timeout=0, central_clock_accuracy=0,
            ),
        )  # fmt: skip
        return hci.HCI_StatusReturnParameters(HCI_ErrorCode.SUCCESS)

    def on_hci_reset_command(self, command: hci.HCI_Reset_Command) -> hci.HCI_StatusReturnParameters:
        self.unplug()
        return super().on_hci_reset_command(command)

    def unplug(self) -> None:
        """Everything forgotten; the other ends of its connections see a time-out."""
        self.pending_le_connection = None
        self.le_scan_enable = False
        self.le_legacy_advertiser.stop()
        for connection in _connections(self):
            peer = self.link.controller_at(connection.peer_address)
            if peer is not None and (theirs := peer.le_connections.get(connection.self_address)) is not None:
                peer.on_le_disconnected(theirs, HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR)
        self.le_connections.clear()

    def on_le_disconnected(self, connection: Connection, reason: int) -> None:
        if any(known is connection for known in self.le_connections.values()):  # only once
            super().on_le_disconnected(connection, reason)

    def on_advertising_pdu(self, pdu: Any) -> None:
        """To the host: the advertisement, then the scan response."""
        address = pdu.advertiser_address
        if self.le_scan_enable:
            sender = self.link.controller_at(address)
            answer = sender.le_legacy_advertiser.scan_response_data if sender is not None else b""
            kinds = hci.HCI_LE_Advertising_Report_Event.EventType
            rssi = self.link.rssi.get(address.to_string(False), USUAL_RSSI_DBM)
            for kind, data in ((kinds.ADV_IND, pdu.data), (kinds.SCAN_RSP, answer)):
                report = hci.HCI_LE_Advertising_Report_Event.Report(
                    event_type=kind, address_type=address.address_type, address=address, data=data, rssi=rssi
                )
                self.send_hci_packet(hci.HCI_LE_Advertising_Report_Event([report]))
        pending = self.pending_le_connection
        if pending is not None and pending.peer_address == address:
            self.create_le_connection(address)


def _connections(controller: Controller) -> list[Any]:
    return list(controller.le_connections.values())


async def serve_dongles(air: Air) -> asyncio.Server:
    """A TCP port behind which every client finds a dongle of its own (HCI by H4); closing it unplugs the dongle."""
    return await asyncio.get_running_loop().create_server(lambda: _DonglePort(air), "127.0.0.1", 0)


class _DonglePort(StreamPacketSource):
    def __init__(self, air: Air) -> None:
        super().__init__()
        self._air = air

    def connection_made(self, transport: Any) -> None:
        self._air.dongles += 1
        self._air.ports.add(transport)
        self._tcp = transport
        self._dongle = Dongle("dongle", link=self._air, public_address=f"C0:00:00:00:01:{self._air.dongles:02X}")
        self._dongle.host = self
        self.set_packet_sink(self._dongle)

    def on_packet(self, packet: bytes) -> None:
        self._tcp.write(packet)

    def connection_lost(self, exc: BaseException | None) -> None:
        self._air.ports.discard(self._tcp)
        self._dongle.unplug()
        self._dongle.host = None
        self._air.remove_controller(self._dongle)
