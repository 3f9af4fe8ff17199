"""Which ports answer by the protocol, who is there, and what is in radio range."""

import asyncio
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final, TypeVar

from serial.tools import list_ports

from firmware_protocol.codes import REPLY_TIMEOUT_S
from firmware_protocol.conversion import problem_among
from firmware_protocol.errors import ProtocolError, UnknownMessageError, UnsupportedVersionError
from firmware_protocol.framing import DELIMITER, BadFrame, FrameDecoder, encode_frame
from firmware_protocol.layout import Layout
from firmware_protocol.messages import (
    Describe,
    ErrorMessage,
    Hello,
    Message,
    Samples,
    Status,
    decode_payload,
    encode_message,
)
from firmware_protocol.requests import Request, RequestDescribe, RequestHello, RequestStatus
from logger.decode.ucum import unit_problem
from logger.link.device_faults import fault_text, unheld_text
from logger.link.errors import LinkLost
from logger.link.line_report import LineReport, error_text, request_words
from logger.link.opening import open_stream
from logger.link.ports.stream import StreamLink, by_radio
from logger.model.text import clean

ASK_EVERY_S: Final = 1.0
DESCRIBE_S: Final = 2.0  # at a device's descriptions and status, after its hello
FIND_TIMEOUT_S: Final = 6.0  # a board that resets when its port is opened needs some seconds
RADIO_SCAN_S = 4.0
RADIO_OPEN_S: Final = 30.0  # seeing, connecting and discovering the services, when others do so too
MAX_ASKED: Final = 16
KIND_SHOWN: Final = 60
M = TypeVar("M", bound=Message)
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
    from logger.link.ble.radio import Radio, Sighting  # not before it is needed: it brings the system's Bluetooth
    from logger.link.ble.standard_sensors import device_id_of

    def is_it(sighting: Sighting) -> bool:
        return sighting.standard and device_id_of(sighting.address) == device_id

    seen = await Radio.here().scan(RADIO_SCAN_S, is_it)
    return [s.url for s in seen if is_it(s)] or [s.url for s in seen if s.ours][:MAX_ASKED]


async def _in_range(named: set[str], timeout_s: float) -> list[Found]:
    """Bluetooth devices: ours are asked for their hello, sensors of a standard are left alone."""
    from logger.link.ble.radio import Radio, Sighting
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
        seen = await Radio.here().scan(RADIO_SCAN_S)
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
    asking = _Asking(link)
    try:
        hello = await asking.hello(timeout_s)
        problem = await asking.trouble(hello)
        kind = clean(" ".join((hello.model, hello.firmware_name, hello.firmware_version)), KIND_SHOWN)
        rssi_dbm = None if link.radio is None else link.radio.rssi_dbm
        return Found(link.url, hello, problem, rssi_dbm=rssi_dbm, kind=kind, device_id=hello.device_id)
    except UnsupportedVersionError as exc:
        return Found(url, None, str(exc))
    except LinkLost as exc:
        return Found(url, None, str(exc))
    except TimeoutError:
        return Found(url, None, asking.silence())
    finally:
        await link.close()


class _Trouble(Exception):
    """Why a device that said hello cannot be used."""


class _Asking:
    """Short questions to one device, one after another; it is not started."""

    def __init__(self, link: StreamLink) -> None:
        self._link = link
        self._decoder = FrameDecoder()
        self._report = LineReport()
        self._request_id = 0
        self._messages: list[tuple[Message, bytes]] = []  # received and not looked at yet, with their payloads
        self._stray = False  # a reply came that carries another id than the newest request
        self._complaint: str | None = None  # what it says of its own accord to be wrong

    async def hello(self, timeout_s: float) -> Hello:
        """Raises TimeoutError, LinkLost, UnsupportedVersionError."""
        deadline = time.monotonic() + timeout_s
        while (left_s := deadline - time.monotonic()) > 0:
            await self._send(RequestHello(0))
            found = await self._await(Hello, min(ASK_EVERY_S, left_s), own=False)
            if found is not None:
                return found[0]
        raise TimeoutError

    def silence(self) -> str:
        """Why there was no hello."""
        return self._report.silence(self._decoder.tail)

    async def trouble(self, hello: Hello) -> str | None:
        """What a job would stumble over: its descriptions, its status. Raises LinkLost."""
        deadline_s = time.monotonic() + DESCRIBE_S
        try:
            described = [
                await self._reply(RequestDescribe(0, index), Describe, deadline_s) for index in range(hello.channels)
            ]
            status, _ = await self._reply(RequestStatus(0), Status, deadline_s)
            layout_id = Layout.from_payloads([payload for _, payload in described]).layout_id
        except (_Trouble, ProtocolError) as exc:
            return str(exc)
        if layout_id != hello.layout_id:
            return f"its descriptions make layout 0x{layout_id:08x}, its hello says 0x{hello.layout_id:08x}"
        channels = [describe for describe, _ in described]
        for describe in channels:
            if (problem := problem_among(describe, channels) or unit_problem(describe.unit)) is not None:
                return f"channel {describe.index}: {problem}"
        if status.boot_count != hello.boot_count:
            return f"status says boot count {status.boot_count}, hello {hello.boot_count}"
        if status.faults:
            return f"reports {fault_text(status.faults)}"
        return unheld_text(status) or self._complaint or self._report.text() or None

    async def _reply(self, request: Request, kind: type[M], deadline_s: float) -> tuple[M, bytes]:
        """The reply and its payload. Raises _Trouble when it is an error or does not come."""
        while (left_s := deadline_s - time.monotonic()) > 0:
            await self._send(request)
            found = await self._await(kind, min(REPLY_TIMEOUT_S, left_s), own=True)
            if found is not None:
                return found
        bad = f": {self._report.text()}" if self._report else ""
        bad += "; its replies carry another id than the request" if self._stray else ""
        raise _Trouble(f"no usable reply when asked for {request_words(request)}{bad}")

    async def _send(self, request: Request) -> None:
        self._request_id = self._request_id % 255 + 1
        asked = replace(request, request_id=self._request_id)
        await self._link.write(DELIMITER + encode_frame(encode_message(asked)))

    async def _await(self, kind: type[M], timeout_s: float, own: bool) -> tuple[M, bytes] | None:
        """The next message of that kind, with its payload; own: only the reply to the newest request.

        Raises _Trouble when an error message is that reply.
        """
        try:
            async with asyncio.timeout(timeout_s):
                while True:
                    while self._messages:
                        message, payload = self._messages.pop(0)
                        mine = payload[1] == self._request_id
                        if isinstance(message, kind) and (mine or not own):
                            return message, payload
                        self._stray |= isinstance(message, kind) and payload[1] != 0
                        if own and mine and isinstance(message, ErrorMessage):
                            raise _Trouble(f"it refuses the request: {error_text(message)}")
                    self._take((await self._link.read())[0])
                    await asyncio.sleep(0)  # a port that never pauses must not keep the others waiting
        except TimeoutError:
            return None

    def _take(self, data: bytes) -> None:
        for item in self._decoder.feed(data):
            if isinstance(item, BadFrame):
                self._report.bad(item.reason.value, item.raw)
                continue
            try:
                message = decode_payload(item.payload)
            except UnsupportedVersionError:
                raise
            except UnknownMessageError:
                continue
            except ProtocolError as exc:
                self._report.content(item.raw, exc)
                continue
            self._report.good += 1
            if isinstance(message, ErrorMessage) and message.request_id == 0:
                self._complaint = f"its message: {error_text(message)}"
            elif not isinstance(message, Samples):
                self._messages.append((message, item.payload))


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
