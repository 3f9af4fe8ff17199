"""The host's side for tests: requests in, messages out."""

from typing import TypeVar

from firmware_protocol.framing import BadFrame, Frame, FrameDecoder, encode_frame
from firmware_protocol.layout import Layout, Reading
from firmware_protocol.messages import (
    Describe,
    DeviceMessage,
    Hello,
    Message,
    Samples,
    decode_payload,
    encode_message,
)
from firmware_protocol.requests import RequestDescribe, RequestHello
from sim_device.boards import boards
from sim_device.device import Device
from sim_device.scenarios import SCENARIOS

M = TypeVar("M", bound=DeviceMessage)
POINT = "cylinder_mass"


def steady(point: str, t_s: float) -> float:
    """A plant in which only time goes by: the mass on the scale is t/1000 kg."""
    if point == "cylinder_mass":
        return t_s / 1000.0
    return 101325.0 if "pressure" in point or point == "barometer" else 293.15 if "temperature" in point else 0.5


def device(name: str = "scale", **kw: object) -> Device:
    board = next(b for b in boards(SCENARIOS["brewery"]) if b.name == name)
    return Device(board, steady, b"\x01\x02\x03\x04\x05\x06\x07\x08", **kw)  # type: ignore[arg-type]


class Talk:
    """A host on a perfect line to one device."""

    def __init__(self, dev: Device, now_s: float = 0.0) -> None:
        self.device, self.now_s = dev, now_s
        self._decoder = FrameDecoder()
        self.frames: list[Frame] = []  # as received, of samples
        self.bad: list[BadFrame] = []

    def send(self, *messages: Message, raw: bytes = b"") -> list[DeviceMessage]:
        data = raw + b"".join(encode_frame(encode_message(m)) for m in messages)
        return self.take(self.device.step(data, self.now_s))

    def wait(self, seconds: float) -> list[DeviceMessage]:
        self.now_s += seconds
        return self.take(self.device.step(b"", self.now_s))

    def take(self, data: bytes) -> list[DeviceMessage]:
        out: list[DeviceMessage] = []
        for block in self._decoder.feed(data):
            if isinstance(block, BadFrame):
                self.bad.append(block)
                continue
            message = decode_payload(block.payload)
            if isinstance(message, Samples):
                self.frames.append(block)
            out.append(message)  # type: ignore[arg-type]
        return out

    def layout(self) -> Layout:
        hello = only(self.send(RequestHello(1)), Hello, request_id=1)
        described = [only(self.send(RequestDescribe(2, i)), Describe) for i in range(hello.channels)]
        layout = Layout(described)
        assert layout.layout_id == hello.layout_id
        return layout


def only(messages: list[DeviceMessage], kind: type[M], request_id: int | None = None) -> M:
    found = [m for m in messages if isinstance(m, kind) and request_id in (None, getattr(m, "request_id", None))]
    assert len(found) == 1, messages
    return found[0]


def samples(messages: list[DeviceMessage]) -> list[Samples]:
    return [m for m in messages if isinstance(m, Samples)]


def unpacked(layout: Layout, messages: list[DeviceMessage]) -> list[dict[int, Reading]]:
    return [dict(layout.unpack(s)) for s in samples(messages)]
