"""A device that breaks the protocol, over a real socket: `rig check`, `find` and the devices page say what is wrong."""

import asyncio
import contextlib
import struct
from collections.abc import AsyncIterator, Callable, Coroutine
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Final, TypeVar

import pytest

from firmware_protocol.codes import ErrorCode, Fault
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import ErrorMessage, encode_message
from logger.app.rig_check import RigCheck, check_rig
from logger.link.device_faults import fault_text
from logger.link.discovery import Found, probe
from logger.model.rig import Rig, RigChannel, RigDevice
from sim_device.boards import boards
from sim_device.device import Device
from sim_device.scenarios import SCENARIOS
from tests.conformance.faulty import ACCEPTED, DESCRIBE, HELLO, SAMPLES, STATUS, Faulty, body_of, with_body
from tests.sim_device.host import steady

SET_PERIOD: Final = 0x09
STEP_S: Final = 0.02
WAIT_S: Final = 6.5  # a little longer than a handshake without an answer takes
BOARDS: Final = boards(SCENARIOS["brewery"])
T = TypeVar("T")
Change = Callable[[bytes], "bytes | list[bytes]"]


class _Changed(Faulty):
    def __init__(self, of: int | None, change: Change, board: str = "scale") -> None:
        super().__init__(board)
        self._of, self._change = of, change

    def said(self, payload: bytes) -> list[bytes]:
        if self._of not in (None, payload[0]):
            return [encode_frame(payload)]
        found = self._change(payload)
        return [encode_frame(found)] if isinstance(found, bytes) else found


def _key(key: int, change: Callable[[Any], Any]) -> Change:
    def changed(payload: bytes) -> bytes:
        body = body_of(payload)
        return with_body(payload, body | {key: change(body.get(key))})

    return changed


def _added(entry: bytes) -> Change:
    """One more entry of the map, which our own codec would not write."""
    return lambda payload: payload[:2] + bytes((payload[2] + 1,)) + payload[3:] + entry


def _flipped(payload: bytes) -> list[bytes]:
    frame = bytearray(encode_frame(payload))
    frame[-2] ^= 0x80
    return [bytes(frame if frame[-2] else frame[:-2] + b"\x01\x00")]


def _stuffed(payload: bytes) -> list[bytes]:
    frame = encode_frame(payload)
    return [bytes((frame[0] + 90,)) + frame[1:]]


def _sequence(payload: bytes) -> bytes:
    """Every other frame counts from elsewhere."""
    sequence = int.from_bytes(payload[5:9], "little")
    return payload[:5] + struct.pack("<I", sequence ^ (0x7000_0000 if sequence & 1 else 0)) + payload[9:]


def _closed_while_idle(payload: bytes) -> bytes:
    body = body_of(payload)
    return payload if body[2] else with_body(payload, body | {12: [[1, 0, 0]]})


class _Complains(Faulty):
    """Says of its own accord that something is wrong."""

    def said(self, payload: bytes) -> list[bytes]:
        error = encode_frame(encode_message(ErrorMessage(0, ErrorCode.HARDWARE, "ADC does not answer")))
        return [encode_frame(payload), *([error] if payload[0] == STATUS else [])]


class _Text(Faulty):
    """An instrument that sends lines, on the port of a device."""

    leads = False

    def said(self, payload: bytes) -> list[bytes]:
        return [b"P=12 kPa\r\n"]


def _other_id(payload: bytes) -> bytes:
    asked = payload[1]
    return payload if payload[0] == SAMPLES or not asked else payload[:1] + bytes((asked % 255 + 1,)) + payload[2:]


def _described(**changes: Any) -> Device:
    """Its hello says the layout of what it describes, but the description is wrong."""
    (board,) = (b for b in BOARDS if b.name == "scale")
    board = replace(board, channels=(replace(board.channels[0], **changes),))
    return Device(board, steady, b"\x01\x02\x03\x04\x05\x06\x07\x08")


@dataclass(frozen=True)
class Case:
    """says: what `rig check` must contain, and `find` too, but where find_says is another ("" for no problem)."""

    name: str
    build: Callable[[], Any]
    says: str
    find_says: str | None = None


CASES = (
    Case("crc", lambda: _Changed(None, _flipped), "wrong CRC"),
    Case("stuffing", lambda: _Changed(None, _stuffed), "wrong byte stuffing (COBS)"),
    Case("not a number", lambda: _Changed(DESCRIBE, _added(b"\x18\x28\xf9\x7e\x00")), "NaN"),
    Case("bad UTF-8", lambda: _Changed(HELLO, _added(b"\x18\x28\x62\xc3\x28")), "UTF-8"),
    Case("a key twice", lambda: _Changed(STATUS, _added(b"\x00\x00")), "twice"),
    Case("a unit with a blank", lambda: _Changed(DESCRIBE, _key(2, lambda _: "k g")), "(unit)"),
    Case("nothing wrong", Faulty, ""),
    Case("sample type 9", lambda: _Changed(DESCRIBE, _key(3, lambda _: 9)), "9 is no SampleType"),
    Case("period 0", lambda: _Changed(DESCRIBE, _key(5, lambda _: 0)), "(period_ms): 0 is not 1 to"),
    Case("another boot count", lambda: _Changed(STATUS, _key(1, lambda n: n + 1)), "boot count"),
    Case("another layout id", lambda: _Changed(HELLO, _key(8, lambda n: n ^ 1)), "layout"),
    Case("a sequence that jumps", lambda: _Changed(SAMPLES, _sequence), "sequence ", ""),
    Case("an error message", _Complains, "hardware, ADC does not answer"),
    Case("all faults", lambda: _Changed(STATUS, _key(11, lambda _: 0xFF)), fault_text(0x7F)),
    Case("a closed contact", lambda: _Changed(STATUS, _closed_while_idle), "output 0 is closed though nothing"),
    Case("start refused", lambda: _Changed(ACCEPTED, lambda p: encode_message(
        ErrorMessage(p[1], ErrorCode.HARDWARE, "no converter", p[2]))), "hardware, no converter", ""),
    Case("another index", lambda: _Changed(DESCRIBE, _key(0, lambda n: n + 1)), "index 0, it answers with index 1",
         "not indexed"),
    Case("another request id", lambda: _Changed(None, _other_id), "not that of the request", "another id than the"),
    Case("samples of another layout", lambda: _Changed(SAMPLES, lambda p: p[:1] + bytes(4) + p[5:]),
         "samples of layout 0x00000000, which its descriptions do not make", ""),
    Case("a sequence that stands still", lambda: _Changed(SAMPLES, lambda p: p[:5] + b"\7\0\0\0" + p[9:]),
         "frame after frame has sequence number 7", ""),
    Case("a fault of a later version", lambda: _Changed(STATUS, _key(11, lambda _: 0x200)), "fault bit 9"),
    Case("lines of text", _Text, "is it a text instrument"),
    Case("range upside down", lambda: _described(range_low=9999.0), "range 9999 to 440"),
    Case("a wrong unit", lambda: _described(unit="Cel"), "unit Cel does not fit mass", "Cel is no unit of mass"),
)  # fmt: skip


@contextlib.asynccontextmanager
async def on_socket(build: Callable[[], Any]) -> AsyncIterator[str]:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        device, loop = build(), asyncio.get_running_loop()
        began_s, reading = loop.time(), asyncio.ensure_future(reader.read(4096))
        with contextlib.suppress(ConnectionError):
            while True:
                await asyncio.wait({reading}, timeout=STEP_S)
                data = b""
                if reading.done():
                    if not (data := reading.result()):
                        break
                    reading = asyncio.ensure_future(reader.read(4096))
                writer.write(device.step(data, loop.time() - began_s))
                await writer.drain()
        reading.cancel()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}"
    finally:
        server.close()


def _rig(url: str, point: str = "cylinder_mass", index: int = 0, period_s: float | None = None) -> Rig:
    return Rig("test", (RigDevice("scale", url, None, (RigChannel(index, point),), period_s),))


async def _with(build: Callable[[], Any], use: Callable[[str], Coroutine[Any, Any, T]]) -> T:
    async with on_socket(build) as url:
        return await use(url)


def _all_said(checked: RigCheck) -> str:
    (device,) = checked.devices
    points = [str(point.value.problem) for point in device.points]
    return " | ".join([device.state, str(device.problem), str(device.trouble), *points])


@pytest.fixture(scope="module")
def said() -> dict[str, tuple[RigCheck, Found]]:
    """Of each case, all at the same time."""

    async def one(case: Case) -> tuple[RigCheck, Found]:
        return await asyncio.gather(
            _with(case.build, lambda url: check_rig(_rig(url), WAIT_S)), _with(case.build, lambda url: probe(url, 2.0))
        )

    async def everything() -> list[tuple[RigCheck, Found]]:
        return await asyncio.gather(*(one(case) for case in CASES))

    return dict(zip([case.name for case in CASES], asyncio.run(everything()), strict=True))


@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
def test_rig_check_and_find_say_what_is_wrong(case: Case, said: dict[str, tuple[RigCheck, Found]]) -> None:
    checked, found = said[case.name]
    assert checked.all_well == (case.says == "")
    assert case.says in _all_said(checked)
    find_says = case.says if case.find_says is None else case.find_says
    assert (found.problem is None) == (find_says == "")
    assert find_says in (found.problem or "")


def test_a_jumping_sequence_is_no_loss_of_millions_of_frames(said: dict[str, tuple[RigCheck, Found]]) -> None:
    checked, _ = said["a sequence that jumps"]
    assert "frames lost" not in checked.devices[0].state
    assert checked.devices[0].points[0].value.number is not None


def test_each_fault_bit_has_words() -> None:
    words = {fault_text(bit) for bit in Fault if bit}
    assert len(words) == 8
    assert fault_text(1 << 9) == "fault bit 9"


def test_a_rig_that_sets_a_period_passes() -> None:
    checked = asyncio.run(_with(lambda: Faulty(), lambda url: check_rig(_rig(url, period_s=0.5), 10.0)))
    assert checked.all_well, _all_said(checked)


def test_a_device_that_takes_no_period_is_said_to_keep_its_own() -> None:
    class Deaf(Faulty):
        def received(self, payload: bytes) -> bytes | None:
            return None if payload[0] == SET_PERIOD else payload

    checked = asyncio.run(_with(Deaf, lambda url: check_rig(_rig(url, period_s=0.7), 3.0)))
    assert "not every 0.7 s as the rig file asks" in _all_said(checked)


def test_a_vacuum_gauge_over_range_at_atmosphere_passes() -> None:
    def at_rest(point: str, t_s: float) -> float:
        return 101_325.0

    (board,) = (b for b in BOARDS if any(c.point == "vacuum" for c in b.channels))
    index = next(i for i, c in enumerate(board.channels) if c.point == "vacuum")
    build = partial(Device, board, at_rest, b"\x01\x02\x03\x04\x05\x06\x07\x08")
    checked = asyncio.run(_with(build, lambda url: check_rig(_rig(url, "vacuum", index), 10.0)))
    (point,) = checked.points
    assert (point.value.number, point.value.problem) == (None, "over range")
    assert checked.all_well
