"""One connection for each device of the rig, of the kind that the device needs; all feed the same record and clock."""

from collections.abc import Callable
from typing import Any

from firmware_protocol.requests import Request
from logger.app.daemon import Daemon
from logger.app.device_feed import DeviceFeed
from logger.app.relay import Relay
from logger.decode.device_model import ProtocolDevice
from logger.decode.instrument_model import model_of
from logger.decode.registers import blocks
from logger.link import connect
from logger.link.claims import Claims
from logger.link.connection import Connection
from logger.link.discovery import radio_urls, serial_ports
from logger.link.link_events import LinkEvent
from logger.link.modbus.modbus_client import need_pymodbus
from logger.link.session.session import Session, Settings
from logger.model.instrument import MODBUS, ModbusPort, Register, TextPort
from logger.model.rig import Rig, RigDevice


def check_supported(rig: Rig) -> None:
    """Raises a LinkError when a device needs something that is not installed here."""
    if any(device.kind == MODBUS for device in rig.devices):
        need_pymodbus()


def connections(daemon: Daemon, rig: Rig, speed: float) -> list[Connection[Any]]:
    """In the order of the rig's devices; each has its feed in `daemon.feeds`."""
    claims = Claims()
    found: list[Connection[Any]] = []
    for device in rig.devices:
        feed = DeviceFeed(device, daemon.engine, daemon.clock, speed, daemon.emit, daemon.keep_frame)
        daemon.feeds[device.name] = feed
        daemon.engine.device_lost(daemon.engine.model.state.device_key(device.name), "device lost: not heard yet")
        found.append(_connection(daemon, device, feed, claims, speed))
    return found


def _connection(daemon: Daemon, device: RigDevice, feed: DeviceFeed, claims: Claims, speed: float) -> Connection[Any]:
    if device.port is None:
        return _protocol(daemon, device, feed, claims, speed)
    assert device.url is not None and device.device_id is not None, "an instrument has a url, and an id by its name"
    claims.claim(device.device_id.encode(), device.url, device)  # nobody looks for a lost device at this port
    match device.port:
        case TextPort() as port:
            return connect.to_text(device.url, port, model_of(device), feed.take)
        case ModbusPort() as modbus:
            wanted = blocks([c.source for c in device.channels if isinstance(c.source, Register)])
            return connect.to_registers(device.url, modbus, model_of(device), wanted, feed.take)


def _protocol(daemon: Daemon, device: RigDevice, feed: DeviceFeed, claims: Claims, speed: float) -> Connection[Session]:
    relays: list[Relay] = []

    def take(event: LinkEvent) -> None:
        feed.take(event)
        for relay in relays:
            relay.take(event)

    connection = connect.to_device(
        device.url,
        bytes.fromhex(device.device_id) if device.device_id else None,
        take,
        model=_known(daemon, device),
        settings=Settings(most_frames_per_s=1000.0 * max(1.0, speed)),
        claims=claims,
        search_ports=serial_ports,
        search_radio=radio_urls,
    )
    session = connection.conversation
    relays += [Relay(o, feed, daemon.engine, daemon.emit, session, connection.send_now, speed) for o in device.outputs]
    daemon.relays += relays
    feed.request = _requester(session)
    session.host_time = feed.utc_ns  # so that a stored reply gives the round trip
    return connection


def _requester(session: Session) -> Callable[[Request], None]:
    def request(wanted: Request) -> None:
        session.request(wanted)

    return request


def _known(daemon: Daemon, device: RigDevice) -> ProtocolDevice | None:
    """What the record of an earlier run says of it, so that what the device kept since then is fetched."""
    known = daemon.engine.model.devices.get(daemon.engine.model.state.device_key(device.name))
    return known.model if known is not None and isinstance(known.model, ProtocolDevice) else None
