"""Devices of the C library keep to SPEC.md: what they say byte for byte, the conversation, samples, resending, time."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import Capability, DeviceState, ErrorCode, Fault, NoReading, SampleType
from firmware_protocol.framing import encode_frame
from firmware_protocol.layout import Layout, Reading, highest_reading, lowest_reading
from firmware_protocol.messages import (
    Accepted,
    Describe,
    DeviceMessage,
    ErrorMessage,
    Hello,
    OutputDescription,
    Resending,
    Status,
    TimeMarked,
    encode_message,
)
from firmware_protocol.requests import (
    RequestDescribe,
    RequestHello,
    RequestOutput,
    RequestStatus,
    ResendFrom,
    SetPeriod,
    Start,
    Stop,
    TimeMark,
)
from firmware_protocol.vectors import EXAMPLE_CHANNELS, EXAMPLE_HELLO, EXAMPLE_LAYOUT, EXAMPLE_OUTPUT
from tests.protocol import reference
from tests.protocol.c.library import CDevice, library
from tests.protocol.strategies import device_messages
from tests.sim_device.host import Talk, only, samples

SLOT = 13 + 1 + 2 + 3 + 3 + 6  # bytes of the example device's longest samples frame
OUTPUT = replace(EXAMPLE_OUTPUT, request_id=0)


def device(channels: Sequence[Describe] = EXAMPLE_CHANNELS, outputs: Sequence[OutputDescription] = (OUTPUT,),
           hello: Hello = EXAMPLE_HELLO, at_ms: int = 0, **options: int) -> CDevice:  # fmt: skip
    made = CDevice(hello, channels, outputs, **options)
    assert made.start_up(at_ms) == 0
    return made


def talk(dev: CDevice | None = None, now_s: float = 0.0) -> Talk:
    return Talk(dev or device(), now_s)  # type: ignore[arg-type]


def streaming(dev: CDevice | None = None) -> Talk:
    line = talk(dev)
    only(line.send(Start(1)), Accepted)
    return line


# -- what it says ------------------------------------------------------------------------------------------------


def test_example_device_says_the_vectors() -> None:
    rows = {name: payload for name, payload, _ in reference.valid_rows()}
    line = talk(device(ring_size=600 * SLOT))
    greeting = only(line.send(), Hello)
    assert greeting == replace(EXAMPLE_HELLO, request_id=0)
    assert encode_message(only(line.send(RequestHello(1)), Hello)) == rows["msg-hello"]
    for i in range(3):
        assert encode_message(only(line.send(RequestDescribe(2 + i, i)), Describe)) == rows[f"msg-describe-{i}"]
    assert encode_message(only(line.send(RequestOutput(5, 0)), OutputDescription)) == rows["msg-output-0"]
    line.device.set_reading(0, 2888)  # type: ignore[attr-defined]
    line.device.set_reading(1, 11_992)  # type: ignore[attr-defined]
    line.device.set_reading(2, 31_815)  # type: ignore[attr-defined]
    line.wait(12.0)
    accepted = only(got := line.send(Start(6)), Accepted)
    assert encode_message(replace(accepted, tick=12_000)) == rows["msg-accepted-start"]
    (first,) = samples(got + line.wait(0.01))
    assert encode_message(replace(first, tick=12_100)) == rows["msg-samples-0"]


def c_texts(longest: int) -> st.SearchStrategy[str]:
    """Without characters that the codec replaces, and never longer than so many bytes."""
    usual = st.characters(codec="utf-8", exclude_categories=("Cc", "Cf", "Cs", "Co", "Zl", "Zp"))
    return st.text(usual, max_size=longest // 4) | st.text("azAZ09 -", max_size=longest)


def _as_written(number: float) -> float:
    """A whole number below 2^31 is written as an integer."""
    return int(number) if number.is_integer() and abs(number) < 2**31 else number


numbers = (st.floats(1e-30, 1e30) | st.floats(-1e30, -1e-30) | st.integers(-(2**40), 2**40).map(float)).map(_as_written)
tolerances = st.none() | st.floats(1e-6, 1e6).map(_as_written)
ranges = st.just((None, None)) | st.tuples(numbers, st.floats(1, 1e6).map(_as_written))


def c_describes(index: int) -> st.SearchStrategy[Describe]:
    """What the library can describe: up to 4 parameters, both ends of a range or none."""

    def made(span: tuple[float | None, float | None], *rest: Any) -> Describe:
        quantity, unit, sample_type, exponent, period, offset, kind, parameters, a, b, label = rest
        return Describe(
            0, index, quantity, unit, sample_type, exponent, period, offset, kind, tuple(parameters), *span, a, b, label
        )

    return st.builds(
        made, ranges, st.integers(1, 255), st.sampled_from(["Pa", "[psi]", "Cel", "kg", "um[Hg]", "x" * 16]),
        st.sampled_from(SampleType), st.integers(-18, 18), st.integers(1, 86_400_000),
        st.just(0) | st.integers(-(2**31), 2**31 - 1), st.integers(0, 255), st.lists(numbers, max_size=4), tolerances,
        tolerances, c_texts(32),
    )  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(
    channels=st.integers(0, 10).flatmap(lambda n: st.tuples(*(c_describes(i) for i in range(n)))),
    outputs=st.lists(
        st.builds(OutputDescription, st.just(0), st.just(0), st.integers(100, 60_000), st.integers(0, 2**32 - 1),
                  st.booleans(), c_texts(32)), max_size=8),
    hello=st.builds(Hello, st.just(0), st.binary(min_size=8, max_size=16), c_texts(32), c_texts(24),
                    st.integers(0, 2**32 - 1), st.just(1000), st.just(0), st.just(0), model=c_texts(32)),
    asked=st.integers(1, 255),
)  # fmt: skip
def test_any_device_says_what_python_would(
    channels: tuple[Describe, ...], outputs: list[OutputDescription], hello: Hello, asked: int
) -> None:
    outputs = [replace(output, index=i) for i, output in enumerate(outputs)]
    line = talk(device(channels, outputs, hello, ring_size=3000))
    layout = Layout(channels)
    can = Capability.RESEND | Capability.SET_PERIOD | (Capability.OUTPUTS if outputs else Capability.NONE)
    slot = 19 + (len(channels) + 7) // 8 + sum(channel.sample_type for channel in channels)
    expected = replace(
        hello, request_id=asked, channels=len(channels), layout_id=layout.layout_id, capabilities=can,
        outputs=len(outputs), buffer_frames=3000 // slot,
    )  # fmt: skip
    said = only(line.send(RequestHello(asked)), Hello, request_id=asked)
    assert encode_message(said) == encode_message(expected)
    for i, channel in enumerate(channels):
        got = only(line.send(RequestDescribe(asked, i)), Describe)
        assert encode_message(got) == encode_message(replace(channel, request_id=asked))
    for i, output in enumerate(outputs):
        assert only(line.send(RequestOutput(asked, i)), OutputDescription) == replace(output, request_id=asked)
    assert only(line.send(RequestStatus(asked)), Status).outputs == ((0, 0, 0),) * len(outputs)


def readings_of(sample_type: SampleType) -> st.SearchStrategy[Reading]:
    named = st.sampled_from(NoReading)
    return named | st.integers(lowest_reading(sample_type), highest_reading(sample_type))


@settings(max_examples=150, deadline=None)
@given(st.lists(st.sampled_from(SampleType), max_size=20).flatmap(
    lambda types: st.tuples(st.just(types), st.tuples(*(readings_of(t) for t in types)))))  # fmt: skip
def test_samples_are_packed_as_in_python(example: tuple[list[SampleType], tuple[Reading, ...]]) -> None:
    types, values = example
    channels = [
        replace(EXAMPLE_CHANNELS[2], request_id=0, index=i, sample_type=sample_type)
        for i, sample_type in enumerate(types)
    ]
    dev = device(channels, ring_size=1000)
    for i, value in enumerate(values):
        dev.set_reading(i, value)
    got = samples(talk(dev).send(Start(1)))
    if types:
        expected = Layout(channels).pack(dict(enumerate(values)), 0, got[0].tick)
        assert encode_message(got[0]) == encode_message(expected)
    else:
        assert not got


def test_channels_of_several_periods_share_a_frame_when_due_together() -> None:
    line = talk()  # 100, 1000 and 200 ms
    got = samples(line.send(Start(1)) + line.wait(3.0))
    present = [set(dict(EXAMPLE_LAYOUT.unpack(sample))) for sample in got]
    assert [s.tick for s in got] == [got[0].tick + 100 * i for i in range(len(got))]
    for i, channels in enumerate(present):
        assert channels == {0} | ({1} if i % 10 == 0 else set()) | ({2} if i % 2 == 0 else set())


# -- the conversation --------------------------------------------------------------------------------------------


def test_greets_once_then_waits_with_a_status_every_two_seconds() -> None:
    line = talk()
    said = line.wait(30.0)
    assert len([m for m in said if isinstance(m, Hello)]) == 1
    beats = [m for m in said if isinstance(m, Status)]
    assert [(b.uptime_s, b.tick) for b in beats] == [(2 * i, 2000 * i) for i in range(1, 16)]
    assert {b.state for b in beats} == {DeviceState.IDLE}
    assert not samples(said)


def test_start_and_stop_may_be_repeated_and_keep_the_sequence() -> None:
    line = streaming()
    line.wait(1.0)
    assert only(line.send(Start(2)), Accepted).next_sequence > 5
    at = only(line.send(Stop(3)), Accepted, request_id=3).next_sequence
    assert not samples(line.wait(5.0))
    assert only(line.send(Stop(4)), Accepted).next_sequence == at
    assert samples(line.send(Start(5)))[0].sequence == at


def test_bad_requests_get_their_error_and_bad_frames_none() -> None:
    line = talk()
    line.wait(0.1)
    for request, code in (
        (RequestDescribe(4, 9), ErrorCode.NO_SUCH_CHANNEL), (RequestOutput(4, 1), ErrorCode.NO_SUCH_CHANNEL),
        (SetPeriod(4, 100, 9), ErrorCode.NO_SUCH_CHANNEL),
    ):  # fmt: skip
        error = only(line.send(request), ErrorMessage)
        assert (error.code, error.request_id, error.request_type) == (code, 4, encode_message(request)[0])
    for payload, code, request_id in (
        (b"\x33\x07rest", ErrorCode.UNKNOWN_REQUEST, 7), (b"\x02\x08", ErrorCode.MALFORMED, 8),
        (b"\x05", ErrorCode.MALFORMED, 0), (b"\x05\x00", ErrorCode.MALFORMED, 0),
    ):  # fmt: skip
        error = only(line.send(raw=encode_frame(payload)), ErrorMessage)
        assert (error.code, error.request_id, error.request_type) == (code, request_id, payload[0])
    assert line.send(raw=b"garbage that is no frame\x00" * 3) == []
    assert only(line.send(RequestStatus(1)), Status).bad_frames == 3
    assert line.send(raw=b"\x01" * 2000) == []
    assert only(line.send(RequestStatus(1), raw=b"\0"), Status).bad_frames == 4


@settings(max_examples=50, deadline=None)
@given(st.lists(device_messages, min_size=1, max_size=5))
def test_it_does_not_answer_itself(messages: list[DeviceMessage]) -> None:
    line = talk()
    line.wait(0.1)
    assert line.send(*messages) == []


def test_without_outputs_they_are_not_supported() -> None:
    line = streaming(device(outputs=()))
    hello = only(line.send(RequestHello(2)), Hello, request_id=2)
    assert (hello.outputs, hello.capabilities) == (0, Capability.RESEND | Capability.SET_PERIOD)
    assert only(line.send(RequestOutput(3, 0)), ErrorMessage).code == ErrorCode.NOT_SUPPORTED
    assert only(line.send(RequestStatus(4)), Status, request_id=4).outputs == ()


def test_time_mark_tells_receipt_and_reply_on_a_line_that_was_blocked() -> None:
    dev = device()
    line = talk(dev)
    line.wait(1.0)
    marked = only(line.send(TimeMark(9, 0x0102_0304_0506_0708)), TimeMarked)
    assert (marked.host_time, marked.tick_received, marked.tick_replied) == (0x0102_0304_0506_0708, 1000, 1000)
    dev.set_line(0)
    dev.poll(1500)
    dev.input(encode_frame(encode_message(TimeMark(10, 2**64 - 1))))
    assert dev.poll(1540) == b""
    dev.set_line()
    (late,) = [m for m in line.take(dev.poll(1542)) if isinstance(m, TimeMarked)]
    assert (late.request_id, late.host_time, late.tick_received) == (10, 2**64 - 1, 1500)
    assert 1500 <= late.tick_replied <= 1542


def test_health_is_told() -> None:
    dev = device()
    dev.set_health(Fault.SUPPLY_LOW | Fault.WATCHDOG_RESET, 4980, 87)
    status = only(talk(dev).send(RequestStatus(13)), Status)
    assert (status.faults, status.supply_mv, status.battery_percent) == (0x81, 4980, 87)


def test_period_changes_layout_and_old_frames_keep_theirs() -> None:
    line = streaming()
    line.wait(0.35)
    old = [f.raw for f in line.frames]
    got = line.send(SetPeriod(2, 250, 2))
    accepted, hello = only(got, Accepted), only(got, Hello)
    layout = Layout([*EXAMPLE_CHANNELS[:2], replace(EXAMPLE_CHANNELS[2], period_ms=250)])
    assert accepted.layout_id == hello.layout_id == layout.layout_id != EXAMPLE_LAYOUT.layout_id
    assert hello.request_id == 0
    assert all(sample.layout_id == layout.layout_id for sample in samples(line.wait(1.0)))
    again = line.send(SetPeriod(3, 250, 2))
    assert not [m for m in again if isinstance(m, Hello)]
    assert only(again, Accepted).layout_id == layout.layout_id
    del line.frames[:]
    line.send(ResendFrom(4, 0, len(old)))
    line.wait(1.0)
    assert set(old) <= {f.raw for f in line.frames}
    assert only(line.send(SetPeriod(5, 1)), Accepted)  # the shortest is 10 ms
    assert {only(line.send(RequestDescribe(6, i)), Describe).period_ms for i in range(3)} == {10}
    assert only(line.send(SetPeriod(7, 2**32 - 1)), Accepted)
    assert only(line.send(RequestDescribe(6, 0)), Describe).period_ms == 86_400_000


# -- resending ---------------------------------------------------------------------------------------------------


def test_resends_byte_for_byte_and_says_what_is_gone() -> None:
    line = streaming(device(ring_size=SLOT * 20))
    line.wait(5.0)
    made = [f.raw for f in line.frames]
    del line.frames[:]
    oldest = len(made) - 20
    for first, count, expected in (
        (oldest + 3, 5, (oldest + 3, 5)), (0, 10, (oldest, 0)), (oldest - 4, 10, (oldest, 6)),
        (oldest + 18, 100, (oldest + 18, 2)), (len(made) + 7, 3, None), (oldest - 1, 1, (oldest, 0)),
    ):  # fmt: skip
        now_s = line.now_s
        resending = only(line.send(ResendFrom(2, first, count)), Resending)
        if expected is None:
            assert resending.count == 0
        else:
            assert (resending.first, resending.count) == expected
            assert (resending.oldest, resending.next_sequence) == (oldest, len(made))
        assert line.now_s == now_s
    line.send(Stop(3))
    del line.frames[:]
    line.send(ResendFrom(4, oldest, 20))
    line.wait(1.0)
    assert [f.raw for f in line.frames] == made[oldest:]


def test_resending_goes_on_across_stop_and_start_and_a_newer_one_replaces_it() -> None:
    line = streaming(device(ring_size=SLOT * 50))
    line.wait(4.0)
    made = [f.raw for f in line.frames]
    del line.frames[:]
    line.send(ResendFrom(2, 0, 40))
    line.send(Stop(3))
    line.send(ResendFrom(4, 30, 10))
    line.wait(2.0)
    resent = [f.raw for f in line.frames]
    assert resent[-10:] == made[30:40]
    assert resent[:-10] == made[: len(resent) - 10]
    assert len(resent) - 10 < 5


def test_resending_takes_half_of_the_line_and_lets_live_samples_first() -> None:
    line = streaming(device(ring_size=SLOT * 200))
    line.wait(15.0)
    made = len(line.frames)
    del line.frames[:]
    got = samples(line.send(ResendFrom(2, 0, made)) + line.wait(0.5))
    live = [s for s in got if s.sequence >= made]
    resent = [s for s in got if s.sequence < made]
    assert len(live) == 5
    assert [s.sequence for s in resent] == list(range(len(resent)))
    assert 0.5 * 2000 < sum(len(frame.raw) for frame in line.frames) < 0.5 * 5760


def test_frames_overwritten_before_their_turn_are_skipped() -> None:
    dev = device(ring_size=SLOT * 20)
    line = streaming(dev)
    line.wait(1.85)
    made = [f.raw for f in line.frames]
    assert len(made) == 19
    dev.set_line(27)  # the reply, and no more
    dev.input(encode_frame(encode_message(ResendFrom(2, 0, 19))))
    assert only(line.take(dev.poll(1850)), Resending).count == 19
    dev.set_line(0)
    for tenths in range(1, 12):  # eleven more frames are made, the first of the resent ones waits to go out
        dev.poll(1850 + 100 * tenths)
    dev.set_line()
    del line.frames[:]
    line.now_s = 2.95
    line.wait(0.5)
    assert sorted(f.raw for f in line.frames if f.raw in made) == sorted([made[0], *made[10:]])


def line_ms(line: Talk) -> int:
    return round(line.now_s * 1000)


def test_a_blocked_line_drops_whole_frames_and_counts_them() -> None:
    dev = device(ring_size=SLOT * 10)
    line = streaming(dev)
    line.wait(1.0)
    seen = len(line.frames)
    dev.set_line(7)
    line.take(dev.poll(line_ms(line)))
    dev.set_line(0)
    for ms in range(line_ms(line), line_ms(line) + 3000):
        line.take(dev.poll(ms))
    dev.set_line()
    line.now_s += 3.0
    got = samples(line.wait(0.1))
    assert not line.bad
    status = only(line.send(RequestStatus(3)), Status, request_id=3)
    assert status.dropped > 15
    lost = set(range(got[-1].sequence + 1)) - {s.sequence for s in got} - set(range(seen))
    assert len(lost) == status.dropped
    assert [s.sequence for s in got] == sorted(s.sequence for s in got)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 400)), min_size=1, max_size=30))
def test_every_frame_before_the_next_sequence_was_sent_or_dropped(steps: list[tuple[int, int]]) -> None:
    dev = device(ring_size=SLOT * 8)
    line = streaming(dev)
    now_ms, sent = 0, len(line.frames)
    for room, wait_ms in steps:
        dev.set_line(room)
        for _ in range(0, wait_ms, 20):
            now_ms += 20
            sent += len(samples(line.take(dev.poll(now_ms))))
    dev.set_line()
    for ms in (1, 2, 3):
        sent += len(samples(line.take(dev.poll(now_ms + ms))))
    line.now_s = (now_ms + 4) / 1000
    got = line.send(RequestStatus(9))
    status = only(got, Status, request_id=9)
    assert status.next_sequence == sent + len(samples(got)) + status.dropped
    assert not line.bad


def test_link_up_forgets_what_was_begun_and_sends_what_is_held() -> None:
    dev = device(ring_size=SLOT * 50)
    line = streaming(dev)
    line.wait(1.0)
    dev.set_line(5)
    dev.input(encode_frame(encode_message(RequestHello(2)))[:4])
    for ms in range(1000, 4000):
        dev.poll(ms)
        dev.set_line(0)
    dev.link_up()
    dev.set_line()
    dev.poll(4000)
    fresh = talk(dev, 4.0)
    hello = only(fresh.send(RequestHello(3)), Hello)
    assert hello.request_id == 3
    assert [s.sequence for s in samples(fresh.wait(0.5))][-1] > 40
    assert not fresh.bad


# -- time --------------------------------------------------------------------------------------------------------


def test_milliseconds_and_sequence_run_over() -> None:
    start = 2**32 - 5000
    dev = device(at_ms=start)
    dev.set_made(2**32 - 20)
    line = talk(dev, start / 1000)
    line.send(Start(1))
    got = samples(line.wait(10.0))
    assert len(got) >= 99
    assert all((b.tick - a.tick) % 2**32 == 100 for a, b in pairwise(got))
    assert all((b.sequence - a.sequence) % 2**32 == 1 for a, b in pairwise(got))
    assert {0, 2**32 - 1} <= {s.sequence for s in got}
    assert only(line.send(RequestStatus(2)), Status, request_id=2).uptime_s == 10
    at = got[-1].sequence
    resending = only(line.send(ResendFrom(3, (at - 95) % 2**32, 3)), Resending)
    assert (resending.first, resending.count) == ((at - 95) % 2**32, 0) or resending.count <= 3


@pytest.mark.parametrize("every_ms", [1, 7, 20])
def test_a_slow_loop_keeps_the_pace(every_ms: int) -> None:
    dev = device()
    line = streaming(dev)
    got = samples(line.take(dev.step(b"", 20.0, every_ms)))
    assert 199 <= len(got) <= 201
    assert all(abs(b.tick - a.tick - 100) <= every_ms for a, b in pairwise(got))


def test_after_a_standstill_one_sample_follows_not_a_burst() -> None:
    dev = device()
    line = streaming(dev)
    line.wait(0.5)
    got = samples(line.take(dev.poll(30_000)) + line.take(dev.poll(30_001)) + line.take(dev.poll(30_002)))
    assert len(got) == 1
    assert [s.tick for s in samples(line.take(dev.step(b"", 30.25)))] == [30_100, 30_200]


def test_uptime_goes_on_beyond_the_milliseconds() -> None:
    dev = device()
    days = 60 * 24 * 3600
    for half in range(1, 5):  # a poll a minute; the milliseconds run over after 49.7 days
        dev.step(b"", half * days / 4 % (2**32 / 1000), every_ms=60_000)
    line = talk(dev)
    dev.input(encode_frame(encode_message(RequestStatus(1))))
    status = only(line.take(dev.poll(days * 1000 % 2**32)), Status, request_id=1)
    assert status.uptime_s == days


# -- what it is given --------------------------------------------------------------------------------------------


def test_buffers_that_are_too_small_are_refused() -> None:
    for options in ({"ring_size": SLOT - 1}, {"frame_size": SLOT}):
        assert CDevice(EXAMPLE_HELLO, EXAMPLE_CHANNELS, (), **options).start_up() == -8
    many = [replace(EXAMPLE_CHANNELS[2], request_id=0, index=i, sample_type=SampleType.I32) for i in range(60)]
    assert CDevice(EXAMPLE_HELLO, many, (), ring_size=5000).start_up() == -8


def test_check_settings_names_the_frame_bytes_needed() -> None:
    dev = device()
    needed = dev.check_settings()
    u32 = 2**32 - 1
    status = Status(0, u32, u32, 1, u32, u32, u32, u32, u32, u32, 0xFFFF, 100, Fault(0xFF), ((1, 7, 60_000),))
    longest = max(len(encode_frame(encode_message(m))) for m in (*EXAMPLE_CHANNELS, EXAMPLE_HELLO, status))
    assert longest + 1 == needed
    exact = talk(device(frame_size=needed))
    assert [m for i in range(3) for m in exact.send(RequestDescribe(1, i)) if isinstance(m, Describe)]
    line = streaming(exact.device)  # type: ignore[arg-type]
    line.wait(3.0)
    assert only(line.send(RequestStatus(3)), Status, request_id=3)


@pytest.mark.parametrize(
    "channel",
    [
        replace(EXAMPLE_CHANNELS[0], exponent=19),
        replace(EXAMPLE_CHANNELS[0], period_ms=0),
        replace(EXAMPLE_CHANNELS[0], period_ms=86_400_001),
        replace(EXAMPLE_CHANNELS[0], unit=""),
        replace(EXAMPLE_CHANNELS[0], label="x" * 33),
    ],
)
def test_check_settings_finds_what_the_spec_forbids(channel: Describe) -> None:
    dev = CDevice(EXAMPLE_HELLO, [replace(channel, index=0)], ())
    dev.start_up()
    assert dev.check_settings() == -9


@pytest.mark.parametrize(
    ("hello", "outputs"),
    [
        (replace(EXAMPLE_HELLO, device_id=b"1234567"), ()),
        (replace(EXAMPLE_HELLO, firmware_version="v" * 25), ()),
        (EXAMPLE_HELLO, (replace(OUTPUT, longest_timeout_ms=99),)),
        (EXAMPLE_HELLO, (replace(OUTPUT, longest_timeout_ms=60_001),)),
    ],
)
def test_check_settings_looks_at_hello_and_outputs(hello: Hello, outputs: Sequence[OutputDescription]) -> None:
    dev = CDevice(hello, EXAMPLE_CHANNELS, outputs)
    dev.start_up()
    assert dev.check_settings() == -9


def test_its_own_ram_is_bounded() -> None:
    assert library().bench_ram() <= 600  # pointers of 8 bytes; on an AVR test_c_sizes measures it
