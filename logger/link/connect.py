"""The three kinds of connection that a device of the rig may need."""

import time
from collections.abc import Awaitable, Callable, Iterable, Sequence
from functools import partial

from logger.decode.device_model import DeviceModel, ProtocolDevice
from logger.decode.registers import Block
from logger.link.claims import Claims
from logger.link.connection import Connection
from logger.link.device_search import DeviceSearch
from logger.link.link_events import LinkEvent
from logger.link.modbus.modbus_client import ModbusClient
from logger.link.modbus.modbus_conversation import ModbusConversation
from logger.link.modbus.register_stream import RegisterPort, RegisterReader
from logger.link.opening import open_stream
from logger.link.ports.stream import StreamLink
from logger.link.session.session import Session, Settings
from logger.link.text.text_conversation import TextConversation
from logger.model.instrument import ModbusPort, TextPort

OnEvent = Callable[[LinkEvent], None]


def to_device(
    url: str | None,
    device_id: bytes | None,
    on_event: OnEvent,
    *,
    baudrate: int = 115_200,
    model: ProtocolDevice | None = None,
    settings: Settings | None = None,
    claims: Claims | None = None,
    search_ports: Callable[[], Iterable[str]] | None = None,
    search_radio: Callable[[bytes], Awaitable[Iterable[str]]] | None = None,
    open_stream: Callable[[str, int], Awaitable[StreamLink]] = open_stream,
    now_ns: Callable[[], int] = time.monotonic_ns,
) -> Connection[Session]:
    """With a device that speaks our protocol; DeviceSearch says what url, id and where to search mean.

    model: what the record of before tells of it. Raises ValueError without a url or a way to find one.
    """
    search = DeviceSearch(
        url, device_id, claims if claims is not None else Claims(), search_ports, search_radio, baudrate, now_ns
    )
    session = Session(expected_device_id=device_id, model=model, settings=settings)
    connection = Connection(
        url, session, on_event, search=search, open_stream=lambda place: open_stream(place, baudrate), now_ns=now_ns
    )
    session.admit = lambda found, at_ns: search.claim(found, connection.url or "", at_ns)
    return connection


def to_text(url: str, port: TextPort, model: DeviceModel | None, on_event: OnEvent) -> Connection[TextConversation]:
    """With an instrument that sends lines. model: understands them; None: every line is welcome."""
    opener = partial(open_stream, baudrate=port.baud, mode=port.mode)
    return Connection(url, TextConversation(model, port), on_event, open_stream=opener)


def to_registers(
    url: str,
    port: ModbusPort,
    model: DeviceModel | None,
    blocks: Sequence[Block],
    on_event: OnEvent,
    *,
    open_client: Callable[[str, ModbusPort], Awaitable[RegisterReader]] = ModbusClient.open,
) -> Connection[ModbusConversation]:
    """With Modbus transmitters. blocks: what to ask for (logger.decode.registers.blocks)."""
    opener = RegisterPort(port, blocks, open_client).open
    return Connection(url, ModbusConversation(model, port.stale_s), on_event, open_stream=opener)
