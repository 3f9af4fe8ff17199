"""Which ports answer by the protocol, and who is there."""

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
from logger.link.stream import StreamLink, open_link

ASK_EVERY_S: Final = 1.0
FIND_TIMEOUT_S: Final = 6.0  # a board that resets when its port is opened needs some seconds


@dataclass(frozen=True, slots=True)
class Found:
    """A port that was tried. problem: why it cannot be used (with or without a hello), None when all is well."""

    url: str
    hello: Hello | None
    problem: str | None


def serial_ports() -> list[str]:
    """Names of the serial ports behind which the system knows some hardware."""
    return sorted(port.device for port in list_ports.comports() if port.hwid != "n/a")


async def find(
    timeout_s: float = FIND_TIMEOUT_S,
    urls: Iterable[str] = (),
    *,
    ports: Iterable[str] | None = None,
    baudrate: int = 115_200,
) -> list[Found]:
    """Ask every serial port (`ports`, None: all of this machine) and every url, at the same time.

    Opening a port may reset the board behind it. Devices that share an id get a problem saying so.
    """
    if ports is None:
        ports = await asyncio.to_thread(serial_ports)
    wanted = list(dict.fromkeys([*urls, *ports]))
    found = await asyncio.gather(*(probe(url, timeout_s, baudrate) for url in wanted))
    return _tell_twins(found)


async def probe(url: str, timeout_s: float = FIND_TIMEOUT_S, baudrate: int = 115_200) -> Found:
    """Ask one port for its hello. Raises nothing but CancelledError."""
    try:
        async with asyncio.timeout(timeout_s):
            link = await open_link(url, baudrate)
    except LinkLost as exc:
        return Found(url, None, str(exc))
    except TimeoutError:
        return Found(url, None, f"{url}: did not open within {timeout_s:g} s")
    try:
        return Found(url, await _ask(link, timeout_s), None)
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


def _tell_twins(found: list[Found]) -> list[Found]:
    urls: dict[bytes, list[str]] = {}
    for each in found:
        if each.hello is not None:
            urls.setdefault(each.hello.device_id, []).append(each.url)
    out = []
    for each in found:
        twins = [] if each.hello is None else [url for url in urls[each.hello.device_id] if url != each.url]
        if twins and each.hello is not None:
            each = replace(each, problem=f"device id {each.hello.device_id.hex()} also answers at {', '.join(twins)}")
        out.append(each)
    return out
