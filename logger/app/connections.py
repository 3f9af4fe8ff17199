"""One supervisor for each device of the rig, of the kind that the device needs; all feed the same record and clock."""

from collections.abc import Callable

from firmware_protocol.requests import Request
from logger.app.daemon import Daemon
from logger.app.device_feed import DeviceFeed
from logger.app.relay import Relay
from logger.decode.registers import blocks
from logger.link.claims import Claims
from logger.link.discovery import radio_urls, serial_ports
from logger.link.events import LinkEvent
from logger.link.modbus.modbus_client import need_pymodbus
from logger.link.modbus.modbus_conversation import ModbusSupervisor
from logger.link.retrying import Supervisor
from logger.link.session.delivery import ResumePoint
from logger.link.session.session import Settings
from logger.link.supervisor import DeviceSupervisor
from logger.link.text.text_conversation import TextSupervisor
from logger.model.instrument import MODBUS, ModbusPort, Register, TextPort
from logger.model.rig import Rig, RigDevice
from logger.pipeline.instrument_model import understands


def check_supported(rig: Rig) -> None:
    """Raises a LinkError when a device needs something that is not installed here."""
    if any(device.kind == MODBUS for device in rig.devices):
        need_pymodbus()


def supervisors(daemon: Daemon, rig: Rig, speed: float) -> list[Supervisor]:
    """In the order of the rig's devices; each has its feed in `daemon.feeds`."""
    claims = Claims()
    found: list[Supervisor] = []
    for device in rig.devices:
        feed = DeviceFeed(device, daemon.engine, daemon.clock, speed, daemon.emit, daemon.keep_frame)
        daemon.feeds[device.name] = feed
        daemon.engine.device_lost(daemon.engine.model.state.device_key(device.name), "device lost: not heard yet")
        found.append(_supervisor(daemon, device, feed, claims, speed))
    return found


def _supervisor(daemon: Daemon, device: RigDevice, feed: DeviceFeed, claims: Claims, speed: float) -> Supervisor:
    if device.port is None:
        return _protocol(daemon, device, feed, claims, speed)
    assert device.url is not None and device.device_id is not None, "an instrument has a url, and an id by its name"
    claims.claim(device.device_id.encode(), device.url)  # nobody looks for a lost device at this port
    match device.port:
        case TextPort() as port:
            return TextSupervisor(device.url, port, understands(device), feed.take)
        case ModbusPort() as modbus:
            wanted = blocks([c.source for c in device.channels if isinstance(c.source, Register)])
            return ModbusSupervisor(device.url, modbus, wanted, feed.take)


def _protocol(daemon: Daemon, device: RigDevice, feed: DeviceFeed, claims: Claims, speed: float) -> DeviceSupervisor:
    relays: list[Relay] = []

    def take(event: LinkEvent) -> None:
        feed.take(event)
        for relay in relays:
            relay.take(event)

    supervisor = DeviceSupervisor(
        device.url,
        bytes.fromhex(device.device_id) if device.device_id else None,
        take,
        resume=_resume_point(daemon, device),
        settings=Settings(most_frames_per_s=1000.0 * max(1.0, speed)),
        claims=claims,
        search_ports=serial_ports,
        search_radio=radio_urls,
    )
    relays += [Relay(o, feed, daemon.engine, daemon.emit, supervisor, speed) for o in device.outputs]
    daemon.relays += relays
    feed.request = _requester(supervisor)
    supervisor.session.host_time = feed.utc_ns  # so that a stored reply tells the round trip
    return supervisor


def _requester(supervisor: DeviceSupervisor) -> Callable[[Request], None]:
    def request(wanted: Request) -> None:
        supervisor.session.request(wanted)

    return request


def _resume_point(daemon: Daemon, device: RigDevice) -> ResumePoint | None:
    """Where the record of an earlier run ends, so that what the device kept since then is fetched."""
    known = daemon.engine.model.devices.get(daemon.engine.model.state.device_key(device.name))
    if known is None or known.hello is None or known.sequence is None:
        return None
    return ResumePoint(known.hello.device_id, known.hello.boot_count, known.sequence.next, known.sequence.missing)
