"""Which ports answer by the protocol, who is there, and what is in radio range."""

import asyncio
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from serial.tools import list_ports

from firmware_protocol.errors import ProtocolError, UnsupportedVersionError
from firmware_protocol.framing import DELIMITER, Frame, FrameDecoder, encode_frame
from firmware_protocol.messages import Hello, decode_payload, encode_message
from firmware_protocol.requests import RequestHello
from logger.link.errors import LinkLost
from logger.link.opening import open_stream
from logger.link.ports.stream import StreamLink, by_radio
from logger.model.text import clean

ASK_EVERY_S: Final = 1.0
FIND_TIMEOUT_S: Final = 6.0  # a board that resets when its port is opened needs some seconds
RADIO_LOOK_S = 4.0
RADIO_OPEN_S: Final = 30.0  # seeing, connecting and discovering the services, when others do so too
MAX_ASKED: Final = 16
KIND_SHOWN: Final = 60
RADIO: Final = "Bluetooth"  # stands for the radio itself where it cannot be used


@dataclass(frozen=True, slots=True)
class Found:
    """A port that was tried. problem: why it cannot be used (with or without a hello), None when all is well.

    By radio also: name, as advertised (cleaned), and rssi_dbm. kind: what it says it is. A sensor of a standard is
    not asked, only seen: it has no hello, but the device_id under which it would run.
    """

    url: str
    hello: Hello | None
    problem: str | None
    name: str = ""
    rssi_dbm: int | None = None
    kind: str = ""
    device_id: bytes | None = None


def serial_ports() -> list[str]:
    """Names of the serial ports behind which the system knows some hardware."""
    return sorted(port.device for port in list_ports.comports() if port.hwid != "n/a")


async def find(
    timeout_s: float = FIND_TIMEOUT_S,
    urls: Iterable[str] = (),
    *,
    ports: Iterable[str] | None = None,
    baudrate: int = 115_200,
    radio: bool = False,
) -> list[Found]:
    """Ask every serial port (`ports`, None: all of this machine) and every url, at the same time.

    radio: also what is in Bluetooth range. Opening a port may reset the board behind it. Devices that share an id get
    a problem saying so.
    """
    if ports is None:
        ports = await asyncio.to_thread(serial_ports)
    wanted = list(dict.fromkeys([*urls, *ports]))
    wired = asyncio.gather(*(probe(url, timeout_s, baudrate) for url in wanted))
    seen = await _in_range(set(wanted), timeout_s) if radio else []
    return _mark_twins([*await wired, *seen])


async def radio_urls(device_id: bytes) -> list[str]:
    """Where a device of that id may be in radio range: all of our service, or the one sensor. Raises LinkLost."""
    from logger.link.ble.radio import Air, Sighting  # not before it is needed: it brings the system's Bluetooth
    from logger.link.ble.standard_sensors import device_id_of

    def is_it(sighting: Sighting) -> bool:
        return sighting.standard and device_id_of(sighting.address) == device_id

    seen = await Air.here().look(RADIO_LOOK_S, is_it)
    return [s.url for s in seen if is_it(s)] or [s.url for s in seen if s.ours][:MAX_ASKED]


async def _in_range(named: set[str], timeout_s: float) -> list[Found]:
    """Bluetooth devices: ours are asked for their hello, sensors of a standard are left alone."""
    from logger.link.ble.radio import Air, Sighting
    from logger.link.ble.standard_sensors import KIND, device_id_of

    async def found(sighting: Sighting) -> Found:
        if not sighting.ours:
            base = Found(sighting.url, None, None, kind=KIND, device_id=device_id_of(sighting.address))
        elif sighting.connected:
            base = Found(sighting.url, None, "connected already, by this computer; not asked")
        else:
            base = await probe(sighting.url, timeout_s)
        return replace(base, name=sighting.name, rssi_dbm=sighting.rssi_dbm)

    try:
        seen = await Air.here().look(RADIO_LOOK_S)
    except LinkLost as exc:
        return [Found(RADIO, None, str(exc))]
    asked = [s for s in seen if s.url not in named]
    return list(await asyncio.gather(*(found(s) for s in asked[:MAX_ASKED])))


async def probe(url: str, timeout_s: float = FIND_TIMEOUT_S, baudrate: int = 115_200) -> Found:
    """Ask one port for its hello. Raises nothing but CancelledError."""
    open_s = max(timeout_s, RADIO_OPEN_S) if by_radio(url) else timeout_s
    try:
        async with asyncio.timeout(open_s):
            link = await open_stream(url, baudrate)
    except LinkLost as exc:
        return Found(url, None, str(exc))
    except TimeoutError:
        return Found(url, None, f"{url}: did not open within {open_s:g} s")
    try:
        hello = await _ask(link, timeout_s)
        kind = clean(" ".join((hello.model, hello.firmware_name, hello.firmware_version)), KIND_SHOWN)
        rssi_dbm = None if link.radio is None else link.radio.rssi_dbm
        return Found(link.url, hello, None, rssi_dbm=rssi_dbm, kind=kind, device_id=hello.device_id)
    except UnsupportedVersionError as exc:
        return Found(url, None, str(exc))
    except LinkLost as exc:
        return Found(url, None, str(exc))
    except TimeoutError:
        return Found(url, None, "no answer")
    finally:
        await link.close()


async def _ask(link: StreamLink, timeout_s: float) -> Hello:
    decoder = FrameDecoder()
    deadline = time.monotonic() + timeout_s
    request_id = 0
    while (left_s := deadline - time.monotonic()) > 0:
        request_id = request_id % 255 + 1
        await link.write(DELIMITER + encode_frame(encode_message(RequestHello(request_id))))
        try:
            async with asyncio.timeout(min(ASK_EVERY_S, left_s)):
                while True:
                    data, _ = await link.read()
                    if (hello := _hello_in(decoder, data)) is not None:
                        return hello
                    await asyncio.sleep(0)  # a port that never pauses must not keep the others waiting
        except TimeoutError:
            continue
    raise TimeoutError


def _hello_in(decoder: FrameDecoder, data: bytes) -> Hello | None:
    for item in decoder.feed(data):
        if not isinstance(item, Frame):
            continue
        try:
            message = decode_payload(item.payload)
        except UnsupportedVersionError:
            raise
        except ProtocolError:
            continue
        if isinstance(message, Hello):
            return message
    return None


def _mark_twins(found: list[Found]) -> list[Found]:
    """Two of one id on cables, or two by radio, cannot be told apart. One on a cable and by radio is one device."""
    urls: dict[tuple[bytes, bool], list[str]] = {}
    for each in found:
        if each.device_id is not None:
            urls.setdefault((each.device_id, by_radio(each.url)), []).append(each.url)
    out = []
    for each in found:
        if each.device_id is not None:
            twins = [url for url in urls[each.device_id, by_radio(each.url)] if url != each.url]
            if twins:
                each = replace(each, problem=f"device id {each.device_id.hex()} also answers at {', '.join(twins)}")
        out.append(each)
    return out
