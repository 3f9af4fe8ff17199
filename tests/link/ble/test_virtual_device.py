"""The virtual device talks to the logger's own session as any device does, and survives whatever is written."""

from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import Capability, DeviceState, ErrorCode, NoReading, Quantity, SampleType
from firmware_protocol.framing import Frame, FrameDecoder, encode_frame
from firmware_protocol.messages import Describe, ErrorMessage, Hello, Samples, decode_payload, encode_message
from firmware_protocol.requests import (
    Permit,
    RequestDescribe,
    RequestHello,
    RequestOutput,
    ResendFrom,
    SetPeriod,
    Start,
)
from logger.link import link_events as events
from logger.link.ble.virtual_device import VirtualDevice
from logger.link.session.phases import Phase
from logger.link.session.session import Session

MS = 1_000_000
ID = bytes(range(8))
PRESSURE = Describe(0, 0, Quantity.ABSOLUTE_PRESSURE, "Pa", SampleType.I32, -1, 1000, accuracy=0.1, label="Room")
WEIGHT = Describe(0, 1, Quantity.MASS, "kg", SampleType.I24, -3, 1000, accuracy=0.005)


def made(boot_count: int = 7) -> VirtualDevice:
    return VirtualDevice(
        ID, [PRESSURE, WEIGHT], firmware_name="Bluetooth SIG 181A+181D via host", firmware_version="ä" * 30,
        model="maker", boot_count=boot_count, begun_ns=0,
    )  # fmt: skip


class Talk:
    """A session and the device, joined without a port."""

    def __init__(self, device: VirtualDevice) -> None:
        self.device, self.session, self.now_ns = device, Session(expected_device_id=ID), 0
        self.events: list[events.SessionEvent] = []

    def connect(self) -> None:
        self.session.connected(self.now_ns)
        self.take(self.device.connected())

    def take(self, data: bytes) -> None:
        self.events += self.session.bytes_received(data, self.now_ns)

    def run(self, steps: int = 20) -> None:
        for _ in range(steps):
            self.now_ns += 10 * MS
            self.events += self.session.tick(self.now_ns)
            if asked := self.session.bytes_to_send():
                self.take(self.device.answer(asked, self.now_ns))

    def readings(self) -> list[tuple[int, object]]:
        return [r for e in self.events if isinstance(e, events.SamplesReceived) for r in e.readings or ()]


def test_session_describes_starts_and_takes_samples() -> None:
    talk = Talk(made())
    talk.connect()
    assert talk.device.samples({0: 1}, 1) == b""  # nobody has started it
    talk.run()
    assert talk.session.phase is Phase.STREAMING
    assert talk.session.hello is not None
    assert talk.session.hello.firmware_version == "ä" * 12  # 24 bytes
    assert talk.session.layout is not None
    assert talk.session.layout.channels[0].label == "Room"
    talk.take(talk.device.samples({0: 1_013_254}, talk.now_ns))
    talk.take(talk.device.samples({0: NoReading.OTHER, 1: 73_255}, talk.now_ns))
    assert talk.readings() == [(0, 1_013_254), (0, NoReading.OTHER), (1, 73_255)]
    ticks = [e.samples.tick for e in talk.events if isinstance(e, events.SamplesReceived)]
    assert ticks == [talk.now_ns // MS] * 2


def test_sequence_goes_on_over_a_lost_connection() -> None:
    talk = Talk(made())
    talk.connect()
    talk.run()
    talk.take(talk.device.samples({0: 1}, talk.now_ns))
    talk.events += talk.session.disconnected(talk.now_ns)
    talk.now_ns += 60_000 * MS
    talk.connect()
    talk.run()
    talk.take(talk.device.samples({0: 2}, talk.now_ns))
    assert [e.samples.sequence for e in talk.events if isinstance(e, events.SamplesReceived)] == [0, 1]
    assert not [e for e in talk.events if isinstance(e, events.GapLost | events.Rebooted)]


def test_another_unit_is_described_anew_before_its_samples_are_scaled() -> None:
    talk = Talk(made())
    talk.connect()
    talk.run()
    pounds = Describe(0, 1, Quantity.MASS, "[lb_av]", SampleType.I24, -2, 1000, accuracy=0.01)
    hello = talk.device.describe_anew([PRESSURE, pounds])
    assert talk.device.describe_anew([PRESSURE, pounds]) == b""
    talk.take(hello + talk.device.samples({1: 16_150}, talk.now_ns))
    assert talk.readings() == []
    talk.run()
    assert talk.readings() == [(1, 16_150)]
    assert talk.session.layout is not None
    assert talk.session.layout.channels[1].unit == "[lb_av]"


def test_a_period_is_set_for_all_or_one_and_bounded() -> None:
    device = made()
    answered(device, SetPeriod(1, 5000))
    assert [c.period_ms for c in device.channels] == [5000, 5000]
    answered(device, SetPeriod(2, 1, index=1))
    assert [c.period_ms for c in device.channels] == [5000, 100]
    (refused,) = answered(device, SetPeriod(3, 1000, index=9))
    assert isinstance(refused, ErrorMessage)
    assert refused.code == ErrorCode.NO_SUCH_CHANNEL


def test_what_it_cannot_do_is_refused() -> None:
    device = made()
    (hello,) = answered(device, RequestHello(1))
    assert isinstance(hello, Hello)
    assert hello.capabilities == Capability.SET_PERIOD
    assert (hello.buffer_frames, hello.outputs) == (0, 0)
    for request, code in (
        (RequestDescribe(2, 2), ErrorCode.NO_SUCH_CHANNEL),
        (RequestOutput(3, 0), ErrorCode.NOT_SUPPORTED),
        (ResendFrom(4, 0, 1), ErrorCode.NOT_SUPPORTED),
        (Permit(5, 0, 1, 3000, 7, 0), ErrorCode.NOT_SUPPORTED),
    ):
        (error,) = answered(device, request)
        assert isinstance(error, ErrorMessage)
        assert error.code == code
    (unknown,) = answered(device, b"\x7f\x09")
    assert isinstance(unknown, ErrorMessage)
    assert (unknown.code, unknown.request_id) == (ErrorCode.UNKNOWN_REQUEST, 9)
    assert device.state is DeviceState.IDLE


@given(st.binary(max_size=400))
@settings(max_examples=150, deadline=None)
def test_anything_may_be_written_to_it(data: bytes) -> None:
    device = made()
    device.answer(data, 5)
    device.answer(b"\0", 6)
    (hello,) = answered(device, RequestHello(1))
    assert isinstance(hello, Hello)


RAW = st.integers(-8_388_592, 8_388_607) | st.sampled_from(list(NoReading))


@given(st.lists(st.dictionaries(st.integers(0, 1), RAW, max_size=2), max_size=8))
@settings(max_examples=100, deadline=None)
def test_readings_come_out_as_they_went_in(frames: list[dict[int, int | NoReading]]) -> None:
    device = made()
    answered(device, Start(1))
    data = b"".join(device.samples(readings, i * MS) for i, readings in enumerate(frames))
    got = [decode_payload(block.payload) for block in FrameDecoder().feed(data) if isinstance(block, Frame)]
    samples = [m for m in got if isinstance(m, Samples)]
    assert [dict(device._layout.unpack(s)) for s in samples] == [f for f in frames if f]
    assert [s.sequence for s in samples] == list(range(len(samples)))


def answered(device: VirtualDevice, request: object) -> list[object]:
    payload = request if isinstance(request, bytes) else encode_message(request)  # type: ignore[arg-type]
    data = device.answer(encode_frame(payload), 1)
    return [decode_payload(block.payload) for block in FrameDecoder().feed(data) if isinstance(block, Frame)]
