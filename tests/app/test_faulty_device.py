"""A device that restarts, forgets its channels or jumps in its count all night: what becomes of it in the record."""

from collections import Counter
from dataclasses import replace

from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import encode_message
from logger.app.device_feed import DeviceFeed
from logger.app.event_budget import BURST, PER_S
from logger.clock import Clock
from logger.link.link_events import GapLost, HelloReceived, LinkDown
from logger.link.session.session import Session, Settings
from logger.model.events import DeviceHello, Event, GapNoted, RigLoaded
from logger.model.rig import Rig, RigDevice
from logger.model.units import NS_PER_S
from logger.pipeline.engine import Engine
from tests.decode.test_device_model import LAYOUTS, hello
from tests.link.fake_device import DEVICE_ID, FakeDevice
from tests.link.line import Line

MINUTE_S = 60


class Record:
    """A device's feed and what it stores, on a clock that goes as told."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self.frames = 0
        engine = Engine()
        device = RigDevice("scale", "/dev/none", DEVICE_ID.hex())
        engine.apply(RigLoaded(t_ns=1, rig=Rig("r", (device,))))
        self.feed = DeviceFeed(device, engine, Clock(), 1.0, self._emit, self._keep)
        self.feed.utc_ns = lambda at_ns: at_ns  # type: ignore[method-assign]
        self.engine = engine

    def _emit(self, event: Event) -> None:
        self.engine.apply(event)
        self.events.append(event)

    def _keep(self, *_: object) -> None:
        self.frames += 1


def test_a_reboot_loop_without_end_is_bounded_told_and_counted() -> None:
    """Fifty hellos a second, each of another start."""
    session, record, told = Session(), Record(), 0
    session.connected(0)
    for i in range(50 * MINUTE_S):
        now_ns = i * NS_PER_S // 50
        raw = encode_frame(encode_message(replace(hello(LAYOUTS[0]), boot_count=i)))
        for event in session.bytes_received(raw, now_ns):
            told += isinstance(event, HelloReceived)
            record.feed.take(event)
        if i % 50 == 0:
            record.feed.settle(now_ns)
    record.feed.settle(MINUTE_S * NS_PER_S, at_once=True)
    settings = Settings()
    assert told <= settings.most_restarts_at_once + settings.most_restarts_per_s * MINUTE_S + 1
    assert len(record.events) <= BURST + PER_S * MINUTE_S + 4
    assert record.frames <= told
    merged = [e for e in record.events if isinstance(e, GapNoted) and e.cause.startswith("faulty device")]
    assert merged
    assert "device restarted" in merged[-1].cause


def test_a_count_that_jumps_without_end_is_bounded_and_every_lost_frame_is_counted() -> None:
    record, lost = Record(), 0
    for i in range(2000):
        record.feed.take(GapLost(i * NS_PER_S // 100, 7, 10 * i, 10 * i + 8, "not kept by the device"))
        lost += 9
    record.feed.settle(100 * NS_PER_S, at_once=True)
    assert len(record.events) <= BURST + PER_S * 20 + 2
    assert sum(e.frames or 0 for e in record.events if isinstance(e, GapNoted)) == lost


def test_a_hello_said_again_is_no_news() -> None:
    record = Record()
    record.feed.connected = True
    message = hello(LAYOUTS[0])
    raw = encode_frame(encode_message(message))
    for i in range(500):
        event = HelloReceived(i, raw, replace(message, request_id=i), Session()._explained(raw, message))
        record.feed.take(event)
    assert Counter(type(e) for e in record.events) == {DeviceHello: 1}
    assert record.frames == 1


def test_a_line_that_comes_and_goes_all_night_is_bounded() -> None:
    record = Record()
    for i in range(5000):
        record.feed.connected = True
        record.feed.take(LinkDown(i * NS_PER_S, "/dev/none", "closed", "pulled", 0.5))
        if i % 10 == 0:
            record.feed.settle(i * NS_PER_S)
    assert len(record.events) < BURST + PER_S * 5000 + 5000 / 60 + 2


def test_one_that_restarts_a_few_times_is_read_each_time() -> None:
    """The bound does not touch a device that is switched off and on by hand."""
    line = Line(Session(), FakeDevice())
    line.connect()
    for _ in range(8):
        line.run(4.0)
        line.device.boot(line.now_ns)
    line.run(4.0)
    assert len({e.hello.boot_count for e in line.of(HelloReceived)}) == 9
    assert line.session.live
