"""The conversation in virtual time, on bytes: what goes well, what goes wrong, and what must never happen."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol import cbor
from firmware_protocol.codes import Capability, ErrorCode
from firmware_protocol.errors import MessageError
from firmware_protocol.framing import Frame, FrameDecoder, encode_frame
from firmware_protocol.messages import (
    Accepted,
    ErrorMessage,
    OutputDescription,
    Status,
    TimeMarked,
    decode_payload,
    encode_message,
)
from firmware_protocol.requests import Permit, RequestHello, RequestStatus, SetPeriod, Start, Stop
from logger.decode.device_model import ProtocolDevice
from logger.link import link_events as events
from logger.link.errors import NO_ANSWER, UNUSABLE, LinkLost
from logger.link.session.phases import TABLE, TALKING, Phase, Signal
from logger.link.session.session import Session, Settings
from logger.model.sequence import SequenceTracker
from logger.model.units import NS_PER_S
from tests.link.fake_device import DEVICE_ID, MS, FakeDevice, reading
from tests.link.line import Line
from tests.protocol import strategies


def started(session: Session | None = None, before: Line | None = None, **device_options: Any) -> Line:
    """A line on which the device streams. before: go on with its device and its time."""
    device = before.device if before else FakeDevice(**device_options)
    line = Line(session or Session(), device, now_ns=before.now_ns if before else NS_PER_S)
    line.connect()
    line.run(3, lambda: line.session.phase is Phase.STREAMING)
    assert line.session.phase is Phase.STREAMING
    return line


def sequences(line: Line) -> list[int]:
    """Of all samples delivered; every reading is checked on the way."""
    delivered = line.of(events.SamplesReceived)
    for event in delivered:
        sequence = event.samples.sequence
        assert event.readings == [(i, reading(sequence, i)) for i in range(len(event.readings or ()))]
        assert event.layout is not None
        assert event.layout.layout_id == event.samples.layout_id
    return [event.samples.sequence for event in delivered]


def next_of(model: ProtocolDevice) -> int:
    """The sequence number after the newest that came."""
    assert model.sequence is not None
    return model.sequence.next


def test_the_handshake_and_the_stream() -> None:
    line = started()
    line.run(2)
    kinds = [type(event).__name__ for event in line.events if not isinstance(event, events.StatusReceived)]
    # hello twice: the device's own at start-up, and the reply to the host's
    assert kinds[:4] == ["HelloReceived", "HelloReceived", "Described", "Started"]
    assert "TimeMarked" in kinds
    (described,) = line.of(events.Described)
    assert described.layout.layout_id == line.device.layout.layout_id
    assert [c.label for c in described.layout.channels] == ["channel 0", "channel 1", "channel 2"]
    assert len(described.raws) == 4
    assert [output.label for output in described.outputs] == ["relay"]
    assert sequences(line) == list(range(line.device.sequence))
    assert not any(event.backfilled for event in line.of(events.SamplesReceived))
    assert not line.of(events.BadFrameSeen)


def test_every_frame_is_in_some_event_as_it_came() -> None:
    line = started()
    heard: list[bytes] = []
    step = line.device.step
    line.device.step = lambda now_ns: heard.append(data := step(now_ns)) or data  # type: ignore[method-assign,func-returns-value]
    before = len(line.events)
    line.run(20)
    raws = b"".join(event.raw for event in line.events[before:] if hasattr(event, "raw"))
    assert raws == b"".join(heard)


def test_a_time_mark_pairs_host_and_device_time() -> None:
    line = started()
    line.run(40)
    marks = line.of(events.TimeMarked)
    assert len(marks) == 3
    for mark in marks:
        assert mark.reply.host_time == mark.sent_ns <= mark.at_ns
        assert line.device.tick(mark.sent_ns) <= mark.tick <= line.device.tick(mark.at_ns)


@pytest.mark.parametrize(
    "garbage", [b"rst:0x1 (POWERON_RESET),boot:0x13\r\n" * 20, bytes(range(256)) * 9, b"\xff" * 5000]
)
def test_text_and_baud_garbage_before_the_first_frame(garbage: bytes) -> None:
    line = started(boot_text=garbage)
    line.run(1)
    assert sequences(line) == list(range(line.device.sequence))
    assert line.of(events.BadFrameSeen)


def test_a_device_that_streams_already_loses_nothing() -> None:
    first = started()
    first.run(5)
    made = first.device.sequence
    line = started(before=first)
    line.run(1)
    numbers = sequences(line)
    assert numbers == list(range(numbers[0], line.device.sequence))
    assert numbers[0] <= made + 1


@pytest.mark.parametrize("seed", [1, 2])
def test_ten_minutes_of_one_percent_flipped_and_one_percent_dropped(seed: int) -> None:
    """Per byte, both ways, so that six in ten frames are destroyed. None is misread, none is missing in the end."""
    line = Line(Session(), FakeDevice(), seed=seed)
    for faults in (line.to_host, line.to_device):
        faults.flip = faults.drop = 0.01
    line.connect()
    line.run(600)
    bad = line.session.decoder.bad_frames
    assert sum(bad.values()) > 3000
    for faults in (line.to_host, line.to_device):
        faults.flip = faults.drop = 0
    line.run(30)
    numbers = sequences(line)
    assert sorted(numbers) == list(range(line.device.sequence))
    assert len(numbers) > 5000
    assert not line.of(events.GapLost)
    assert any(event.backfilled for event in line.of(events.SamplesReceived))
    assert not line.of(events.Rebooted)


def test_inserted_bytes_too() -> None:
    line = started()
    line.to_host.insert = line.to_host.flip = line.to_host.drop = 0.003
    line.run(120)
    line.to_host.insert = line.to_host.flip = line.to_host.drop = 0
    line.run(10)
    assert sorted(sequences(line)) == list(range(line.device.sequence))


def test_a_cut_is_bridged_by_the_buffer() -> None:
    line = started()
    line.run(2)
    line.disconnect()
    line.run(60)
    line.connect()
    line.run(15)
    numbers = sequences(line)
    assert sorted(numbers) == list(range(line.device.sequence))
    backfilled = [e.samples.sequence for e in line.of(events.SamplesReceived) if e.backfilled]
    assert 590 <= len(backfilled) <= 610
    assert backfilled == sorted(backfilled)
    assert not line.of(events.Rebooted)


def test_a_cut_longer_than_the_buffer_says_exactly_what_is_lost() -> None:
    line = started(buffer_frames=100)
    line.run(2)
    line.disconnect()
    before = line.device.sequence
    line.run(60)
    line.connect()
    line.run(15)
    numbers = set(sequences(line))
    lost = {n for gap in line.of(events.GapLost) for n in range(gap.first, gap.last + 1)}
    assert numbers | lost == set(range(line.device.sequence))
    assert not numbers & lost
    assert min(lost) == before
    assert 450 < len(lost) < 520
    assert {gap.boot_count for gap in line.of(events.GapLost)} == {line.device.boot_count}


def test_a_device_that_cannot_resend() -> None:
    line = started(capabilities=Capability.NONE)
    line.run(2)
    line.to_host.silent = True
    line.run(1)
    line.to_host.silent = False
    line.run(2)
    lost = {n for gap in line.of(events.GapLost) for n in range(gap.first, gap.last + 1)}
    assert set(sequences(line)) | lost == set(range(line.device.sequence))
    assert 8 <= len(lost) <= 12


def test_losing_the_last_frame_before_a_pause_is_found_by_the_status() -> None:
    line = started(period_ms=4000)
    line.run(9)
    count = line.device.sequence
    line.to_host.silent = True
    line.run(3, lambda: line.device.sequence > count)
    line.to_host.silent = False
    line.run(2)  # before the next sample
    assert line.device.sequence == count + 1
    assert sequences(line)[-1] == count
    assert line.of(events.SamplesReceived)[-1].backfilled


def test_a_reboot_is_told_and_the_stream_goes_on() -> None:
    line = started()
    line.run(3)
    old_boot, made = line.device.boot_count, line.device.sequence
    line.device.boot(line.now_ns)
    line.run(3)
    (rebooted,) = line.of(events.Rebooted)
    assert (rebooted.old_boot_count, rebooted.new_boot_count) == (old_boot, old_boot + 1)
    numbers = sequences(line)
    assert numbers[:made] == list(range(made))
    assert numbers[made:] == list(range(line.device.sequence))
    assert {e.boot_count for e in line.of(events.SamplesReceived)} == {old_boot, old_boot + 1}


def test_a_reboot_whose_hello_is_lost_is_found_by_silence() -> None:
    line = started()
    line.run(3)
    line.to_host.silent = True
    line.device.boot(line.now_ns)
    line.run(0.5)
    line.to_host.silent = False
    line.device.status_every_ns = 1000 * NS_PER_S
    line.device.next_status_ns += 1000 * NS_PER_S
    line.run(8)
    assert line.of(events.Silent)
    assert len(line.of(events.Rebooted)) == 1
    assert line.session.phase is Phase.STREAMING


def test_a_reboot_during_a_cut_gives_the_missing_up() -> None:
    line = started()
    line.run(2)
    line.to_host.silent = True
    line.run(1)
    line.disconnect()
    line.to_host.silent = False
    line.device.boot(line.now_ns)
    line.connect()
    line.run(3)
    assert len(line.of(events.Rebooted)) == 1
    assert sequences(line)[-1] == line.device.sequence - 1


def test_a_device_without_a_boot_counter_that_starts_again() -> None:
    line = started()
    line.run(5)
    line.device.boot_count -= 1
    line.device.boot(line.now_ns)
    line.run(8)
    assert line.session.phase is Phase.STREAMING
    assert sequences(line)[-20:] == list(range(line.device.sequence))[-20:]


def test_a_changed_layout_never_scales_a_sample_wrongly_and_loses_none() -> None:
    line = started()
    line.run(2)
    for _ in range(3):
        line.device.change_scale()
        line.run(2)
    numbers = sequences(line)  # checks that each was cut by its own layout
    assert numbers == list(range(line.device.sequence))
    assert len({e.samples.layout_id for e in line.of(events.SamplesReceived)}) == 4
    assert len(line.of(events.Described)) == 4


def test_a_changed_layout_whose_hello_is_lost() -> None:
    line = started()
    line.run(2)
    line.to_host.silent = True
    line.device.change_scale()
    line.run(0.3)
    line.to_host.silent = False
    line.run(3)
    assert sorted(sequences(line)) == list(range(line.device.sequence))


def test_frames_from_before_a_change_are_resent_under_their_own_layout() -> None:
    line = started()
    line.run(2)
    line.disconnect()
    line.run(5)
    line.device.change_scale()
    line.run(5)
    line.connect()
    line.run(10)
    assert sorted(sequences(line)) == list(range(line.device.sequence))


def test_a_layout_nobody_can_describe_any_more_stays_raw() -> None:
    """The daemon was restarted, the device changed meanwhile, and its buffer holds frames of before."""
    first = started()
    first.run(2)
    known, model = first.session.model, ProtocolDevice()
    model.hello, model.sequence = known.hello, known.sequence  # its descriptions are not in the record's last hour
    resumed = next_of(model)
    first.disconnect()
    first.run(3)
    first.device.change_scale()
    line = started(Session(model=model), first)
    line.run(10)
    delivered = line.of(events.SamplesReceived)
    assert sorted(e.samples.sequence for e in delivered) == list(range(resumed, line.device.sequence))
    for event in delivered:
        assert (event.readings is None) == (event.samples.layout_id != line.device.layout.layout_id)
    assert any(event.readings is None for event in delivered)
    assert len(line.of(events.Described)) <= 3


def test_a_layout_that_the_record_describes_explains_what_was_made_under_it() -> None:
    first = started()
    first.run(2)
    model, resumed = first.session.model, next_of(first.session.model)
    first.disconnect()
    first.run(3)
    first.device.change_scale()
    line = started(Session(model=model), first)
    line.run(10)
    assert sorted(sequences(line)) == list(range(resumed, line.device.sequence))  # each cut by its own layout
    assert len({e.samples.layout_id for e in line.of(events.SamplesReceived)}) == 2


def test_a_new_session_resumes_where_the_old_one_ended() -> None:
    first = started()
    first.run(5)
    model = first.session.model
    assert model.hello is not None and model.hello.device_id == DEVICE_ID
    assert model.hello.boot_count == first.device.boot_count
    resumed = next_of(model)
    assert resumed == first.device.sequence
    first.disconnect()
    first.run(20)
    line = started(Session(model=model), first)
    line.run(10)
    numbers = sequences(line)
    assert sorted(numbers) == list(range(resumed, line.device.sequence))


def test_a_host_that_stood_still_does_not_take_the_device_for_silent() -> None:
    line = started()
    line.run(2)
    line.now_ns += 60 * NS_PER_S  # nobody called tick, and the bytes of that time are still to be read
    line.events += line.session.tick(line.now_ns)
    line.run(3)
    assert not line.of(events.Silent)
    line.to_host.silent = True
    before_ns = line.now_ns
    line.run(20, until=lambda: bool(line.of(events.Silent)))
    assert line.now_ns - before_ns < 7 * NS_PER_S  # a real silence is told in its time


def test_a_session_that_ends_amid_its_holes_hands_them_on() -> None:
    first = started()
    first.to_host.drop = 0.02
    first.run(5)
    model = first.session.model
    assert model.sequence is not None and model.sequence.missing
    missing, resumed = model.sequence.missing, model.sequence.next
    had = {e.samples.sequence for e in first.of(events.SamplesReceived)}
    first.disconnect()
    first.to_host.drop = 0.0
    first.run(5)
    line = started(Session(model=model), first)
    line.run(10)
    missed = {n for low, high in missing for n in range(low, high + 1)}
    assert not missed & had
    assert sorted(sequences(line)) == sorted({*missed, *range(resumed, line.device.sequence)})


def test_what_was_asked_for_is_not_too_much(asked: int = 400) -> None:
    """A fast link brings what was missed in a moment, beyond the rate that a device may have by itself."""
    first = started()
    first.run(2)
    model, resumed = first.session.model, next_of(first.session.model)
    first.disconnect()
    first.run(asked / 10)
    settings_ = Settings(most_frames_per_s=20.0)
    line = started(Session(model=model, settings=settings_), first)
    line.run(20)
    assert sorted(sequences(line)) == list(range(resumed, line.device.sequence))
    assert not line.of(events.TooManyFrames)


def of_boot(boot_count: int, sequence: SequenceTracker, **device_options: Any) -> ProtocolDevice:
    """What the record tells of an earlier boot."""
    model = ProtocolDevice()
    model.hello = replace(FakeDevice(**device_options)._hello(0), boot_count=boot_count)
    model.sequence = sequence
    return model


def test_a_model_of_an_earlier_boot_only_tells_of_the_reboot() -> None:
    line = started(Session(model=of_boot(7, SequenceTracker(1000))))
    line.run(2)
    (rebooted,) = line.of(events.Rebooted)
    assert rebooted.old_boot_count == 7
    assert sequences(line) == list(range(line.device.sequence))
    assert not line.of(events.GapLost)


def test_what_was_missing_of_an_earlier_boot_is_lost() -> None:
    line = started(Session(model=of_boot(7, SequenceTracker(1000, [(990, 994)]))))
    line.run(2)
    (gap,) = line.of(events.GapLost)
    assert (gap.boot_count, gap.first, gap.last) == (7, 990, 994)
    assert sequences(line) == list(range(line.device.sequence))


def test_a_model_of_another_device_tells_nothing() -> None:
    line = started(Session(model=of_boot(7, SequenceTracker(1000, [(990, 994)]), device_id=b"another!")))
    line.run(2)
    assert not line.of(events.Rebooted) and not line.of(events.GapLost)
    assert sequences(line) == list(range(line.device.sequence))


def test_sequence_numbers_across_the_wrap() -> None:
    line = started(first_sequence=2**32 - 30)
    line.run(2)
    line.disconnect()
    line.run(3)
    line.connect()
    line.run(5)
    numbers = sequences(line)
    assert len(numbers) == len(set(numbers)) > 90
    assert {(n + 30) % 2**32 for n in numbers} == set(range(len(numbers)))


def test_silence_is_told_and_ends_the_connection() -> None:
    line = started()
    line.run(2)
    line.device.mute = True
    line.run(60, lambda: line.session.over)
    (silent,) = line.of(events.Silent)
    assert 2.9 < (silent.at_ns - silent.since_ns) / NS_PER_S < 3.2
    assert line.session.phase is Phase.DEAD
    assert line.now_ns - silent.since_ns < 10.5 * NS_PER_S


def test_one_that_stops_inside_a_frame() -> None:
    line = started()
    line.run(2)
    line.to_host.cut_after = 50
    line.run(60, lambda: line.session.over)
    assert line.of(events.Silent)
    line.disconnect()
    line.to_host.cut_after = None
    line.connect()
    line.run(5)
    assert sorted(sequences(line)) == list(range(line.device.sequence))


def test_a_port_that_never_answers() -> None:
    line = Line(Session(), FakeDevice())
    line.device.mute = True
    line.connect()
    line.run(20, lambda: line.session.over)
    assert line.session.phase is Phase.DEAD
    assert 5.9 < (line.now_ns - NS_PER_S) / NS_PER_S < 6.3


def test_a_newer_major_version_is_refused_clearly() -> None:
    session = Session()
    session.connected(0)
    (refused,) = session.bytes_received(encode_frame(b"\x81\x01" + cbor.dumps({0: 2, 1: 4})), 5)
    assert isinstance(refused, events.DeviceRefused) and refused.code == "other-version"
    assert "version 2.4" in refused.reason
    assert session.over
    assert session.bytes_received(encode_frame(b"\x05\x01"), 6) == []


def test_another_device_than_expected_is_refused() -> None:
    line = Line(Session(expected_device_id=b"someone else"), FakeDevice())
    line.connect()
    line.run(2)
    (refused,) = line.of(events.DeviceRefused)
    assert refused.code == "other-device"
    assert DEVICE_ID.hex() in refused.reason
    assert b"someone else".hex() in refused.reason
    assert not line.of(events.SamplesReceived)


def test_another_device_on_the_same_port_later_is_refused() -> None:
    line = started()
    line.disconnect()
    line.device = FakeDevice(b"another!", now_ns=line.now_ns)
    line.connect()
    line.run(2)
    assert line.of(events.DeviceRefused)
    assert {e.hello.device_id for e in line.of(events.HelloReceived)} == {DEVICE_ID}


def test_descriptions_that_do_not_match_the_layout_id_end_in_a_refusal() -> None:
    device = FakeDevice()
    device.channels = device.layout.channels  # type: ignore[assignment]
    device.layout = replace_layout_id(device)
    line = Line(Session(), device)
    line.connect()
    line.run(30, lambda: line.session.over)
    refused = line.of(events.DeviceRefused)[0]
    assert refused.code == "bad-descriptions" and "descriptions cannot be used" in refused.reason
    assert not line.of(events.SamplesReceived)


def replace_layout_id(device: FakeDevice) -> Any:
    from firmware_protocol.layout import Layout

    return Layout(device.channels, layout_id=0x1234)


# -- how long anything is waited for


@pytest.mark.parametrize(("period_ms", "silence_s"), [(100, 3.0), (1000, 3.0), (1500, 4.5), (4000, 6.0)])
def test_silence_is_three_periods_within_its_bounds(period_ms: int, silence_s: float) -> None:
    line = started(period_ms=period_ms)
    line.run(5)
    line.device.mute = True
    heard_ns = line.session._last_good_ns
    line.run(10, lambda: bool(line.of(events.Silent)))
    (silent,) = line.of(events.Silent)
    assert silent.since_ns == heard_ns
    assert silence_s < (silent.at_ns - silent.since_ns) / NS_PER_S <= silence_s + 0.011
    assert line.session.phase is Phase.GREETING


def greeted(**changes: Any) -> tuple[Session, list[Any]]:
    """A session that has taken the hello of a device with one channel and no output, and what it then asked."""
    session = Session()
    session.connected(0)
    asked(session)
    hello = replace(FakeDevice(channels=1)._hello(1), outputs=0, **changes)
    got = session.bytes_received(encode_frame(encode_message(hello)), MS)
    assert [type(event) for event in got] == [events.HelloReceived]
    return session, asked(session)


def asked(session: Session) -> list[Any]:
    """Requests that the session has for the device now."""
    decoded = FrameDecoder().feed(session.bytes_to_send())
    return [decode_payload(item.payload) for item in decoded if isinstance(item, Frame)]


def take_in(session: Session, message: Any, now_ns: int) -> list[Any]:
    return list(session.bytes_received(encode_frame(encode_message(message)), now_ns))


def test_a_device_that_refuses_the_handshake_is_asked_again_for_a_minute_and_then_told_of() -> None:
    session, requests = greeted()
    asked_at: list[int] = []
    for now_ns in range(MS, 61 * NS_PER_S, 10 * MS):
        for request in requests:
            asked_at.append(now_ns)
            take_in(session, ErrorMessage(request.request_id, ErrorCode.BUSY, "later"), now_ns)
        session.tick(now_ns)
        if session.over:
            break
        requests = asked(session)
    assert 60.0 < now_ns / NS_PER_S < 60.02
    assert session.phase is Phase.DEAD
    ending = session.ending
    assert ending is not None and ending.code == UNUSABLE
    assert str(ending) == "it answers, but cannot be used: asked for a channel's description it refuses: busy, later"
    apart = {after - before for before, after in pairwise(asked_at)}
    assert apart == {510 * MS}, "half a second between two attempts, and a step of this test"


def test_why_a_line_came_to_nothing() -> None:
    for data, why in (
        (b"", "no answer"),
        (b"\x05\x01\x02\x00", "bytes come, but no valid frame: 1 bad frame (too short, newest 05 01 02 00)"),
        (
            b"P=12 kPa\r\n",
            'bytes come, but no valid frame and no 0x00: "P=12 kPa"; is it a text instrument, or at another baud rate?',
        ),
        (
            b"\x05\x81",
            "bytes come, but no valid frame and no 0x00: 05 81; is it a text instrument, or at another baud rate?",
        ),
        (encode_frame(b"\xa7\x01"), "no answer"),  # of a later version: heard, and not a word of ours
        (encode_frame(encode_message(Accepted(9, 5, 1, 1, 0, 0))), "no answer"),
    ):
        session = Session()
        session.connected(0)
        assert session.ending is None
        session.bytes_received(data, 0)
        for step in range(1, 13):
            session.tick(step * NS_PER_S // 2)
        assert not session.over
        session.tick(6 * NS_PER_S + 1)
        assert session.ending is not None and (session.ending.code, str(session.ending)) == (NO_ANSWER, why)


@pytest.mark.parametrize(("back", "says"), [(1, "comes later than after 1 s"), (100, "not that of the request")])
def test_replies_with_another_id_are_named_once_they_are_no_chance(back: int, says: str) -> None:
    session, requests = greeted()
    said = []
    for now_ns in range(MS, 4 * NS_PER_S, 10 * MS):
        for request in requests:
            take_in(session, TimeMarked((request.request_id - back) % 255 or 255, 1, 0, 0, 0), now_ns)
        said += [event for event in session.tick(now_ns) if isinstance(event, events.Contradiction)]
        requests = asked(session)
    assert said and says in said[0].reason and said[0].at_ns > 3 * NS_PER_S


def test_what_nobody_looked_at_is_no_silence_of_a_device_that_is_greeted() -> None:
    session = Session()
    session.connected(0)
    session.tick(30 * NS_PER_S)
    assert not session.over
    for step in range(31, 37):
        session.tick(step * NS_PER_S)
    assert not session.over
    session.tick(37 * NS_PER_S)
    assert session.phase is Phase.DEAD


# -- what is not as it was said


def test_half_a_frame_of_the_connection_before_spoils_nothing() -> None:
    line = started()
    line.session.bytes_received(encode_frame(encode_message(Start(9)))[:3], line.now_ns)
    line.disconnect()
    line.session.connected(line.now_ns)
    line.open = True
    got = line.session.bytes_received(encode_frame(encode_message(line.device._hello(0))), line.now_ns)
    assert [type(event) for event in got] == [events.HelloReceived]


def test_descriptions_that_do_not_make_the_layout_are_asked_for_five_times() -> None:
    device = FakeDevice()
    device.channels = device.layout.channels  # type: ignore[assignment]
    device.layout = replace_layout_id(device)
    line = Line(Session(), device)
    line.connect()
    line.run(30, lambda: line.session.over)
    told = line.of(events.Contradiction)
    assert [event.code for event in told] == ["layout"] * 5
    assert "they make layout 0x" in told[0].reason and "its hello says 0x00001234" in told[0].reason


def test_another_boot_or_layout_in_a_reply_is_a_contradiction_only_before_it_streams() -> None:
    for name, code in (("boot_count", "boot"), ("layout_id", "layout")):
        session, requests = greeted()
        device = FakeDevice(channels=1)
        take_in(session, replace(device.channels[0], request_id=requests[0].request_id), 2 * MS)
        assert session.phase.name == "STARTING"
        other: Any = {name: 77}
        status = replace(device._status(0, 0), **other)
        found = [event for event in take_in(session, status, 3 * MS) if isinstance(event, events.Contradiction)]
        assert [event.code for event in found] == [code] and "status says" in found[0].reason
        assert session.phase is Phase.GREETING
        line = started()
        status = replace(line.device._status(0, line.now_ns), **other)
        got = take_in(line.session, status, line.now_ns)
        assert [type(event) for event in got] == [events.StatusReceived]
        assert line.session.phase is Phase.GREETING


def test_a_status_of_fewer_frames_than_have_come_is_a_contradiction() -> None:
    line = started()
    line.run(2)
    status = line.device._status(0, line.now_ns)
    assert line.session.live
    assert [type(event) for event in take_in(line.session, status, line.now_ns)] == [events.StatusReceived]
    overtaken = replace(status, next_sequence=status.next_sequence - 16)
    assert [type(event) for event in take_in(line.session, overtaken, line.now_ns)] == [events.StatusReceived]
    back = replace(status, next_sequence=status.next_sequence - 17)
    (told,) = [event for event in take_in(line.session, back, line.now_ns) if isinstance(event, events.Contradiction)]
    assert told.code == "sequence"
    assert line.session.phase is Phase.GREETING


def test_a_device_that_restarts_without_end_is_cut_down_and_reported() -> None:
    line = started()
    line.events.clear()
    for boot in range(200):
        line.now_ns += 100 * MS
        tell_hello = replace(line.device._hello(0), boot_count=1000 + boot)
        line.events += take_in(line.session, tell_hello, line.now_ns)
    told = line.of(events.Rebooted)
    assert len(told) == 20 + 9  # at once, and one each two seconds
    reports = line.of(events.TooManyFrames)
    assert {report.reason for report in reports} == {"device restarts again and again"}
    assert sum(report.dropped for report in reports) + line.session._restarts.refused == 171
    assert len(reports) <= 20


@pytest.mark.parametrize(
    ("message", "why"),
    [
        (Start(9), "a request; does the line send back what it is sent?"),
        (replace(FakeDevice().channels[0], request_id=9), "a late description"),
        (OutputDescription(9, 0, 5000), "a late reply"),
    ],
)
def test_what_nobody_asked_for_is_set_aside(message: Any, why: str) -> None:
    line = started()
    (ignored,) = take_in(line.session, message, line.now_ns)
    assert isinstance(ignored, events.Ignored) and ignored.reason == why
    assert line.session.phase is Phase.STREAMING


def test_a_device_that_is_not_admitted_is_refused_with_the_reason() -> None:
    session = Session()
    session.admit = lambda device_id, now_ns: LinkLost("twin", f"{device_id.hex()} at {now_ns}")
    session.connected(0)
    (refused,) = take_in(session, FakeDevice()._hello(0), 5)
    assert isinstance(refused, events.DeviceRefused)
    assert (refused.code, refused.reason) == ("twin", f"{DEVICE_ID.hex()} at 5")
    assert session.phase is Phase.REFUSED and session.hello is None


def test_an_opening_goes_out_with_the_next_bytes_while_anything_is_outstanding_but_not_into_nothing() -> None:
    permit = Permit(0, 0, 0, 0, 0, 0)
    session = Session()
    session.open_output(permit)
    assert session.bytes_to_send() == b""
    session.connected(0)  # hello is asked for, and not answered
    session.open_output(permit)
    assert [type(request) for request in asked(session)] == [RequestHello, Permit]


def test_a_cancelled_request_is_not_sent() -> None:
    line = started()
    line.run(1)
    first, second = (line.session.request(RequestStatus(0)) for _ in range(2))
    line.session.cancel(first)
    line.run(1)
    assert [event.ticket for event in line.of(events.Replied) if event.ticket is not None] == [second]


# -- requests of the user


def test_a_period_is_set_and_the_new_layout_is_learned() -> None:
    line = started()
    ticket = line.session.request(SetPeriod(0, 200))
    line.run(3)
    replied = [e for e in line.of(events.Replied) if e.ticket == ticket]
    assert len(replied) == 1
    assert isinstance(replied[0].reply, Accepted)
    assert line.session.layout is not None
    assert {c.period_ms for c in line.session.layout.channels} == {200}
    assert sequences(line) == list(range(line.device.sequence))


def test_a_refused_request_carries_the_error() -> None:
    line = started()
    ticket = line.session.request(Permit(0, 0, 1, 3000, 1, 1))
    line.run(2)
    (replied,) = [e for e in line.of(events.Replied) if e.ticket == ticket]
    assert isinstance(replied.reply, ErrorMessage)
    assert replied.reply.code == ErrorCode.NOT_SUPPORTED


def test_a_request_is_tried_three_times() -> None:
    line = started()
    line.run(1)
    line.to_device.silent = True
    ticket = line.session.request(RequestStatus(0))
    line.run(5)
    assert [e.ticket for e in line.of(events.NoReply)] == [ticket]
    line.to_device.silent = False
    line.run(1)
    assert not [e for e in line.of(events.Replied) if e.ticket == ticket]


def test_waiting_requests_end_with_the_connection() -> None:
    session = Session()
    tickets = [session.request(RequestStatus(0)) for _ in range(16)]
    with pytest.raises(ValueError, match="16 requests"):
        session.request(RequestStatus(0))
    ended = session.disconnected(1)
    assert [e.ticket for e in ended if isinstance(e, events.NoReply)] == tickets


def test_what_cannot_be_asked() -> None:
    session = Session()
    with pytest.raises(ValueError, match="starts the device itself"):
        session.request(Start(0))
    with pytest.raises(ValueError, match="starts the device itself"):
        session.request(Stop(0))
    with pytest.raises(MessageError, match="period is 0"):
        session.request(SetPeriod(0, 0))


def test_one_request_is_outstanding_and_each_attempt_has_its_own_id() -> None:
    session = Session()
    session.connected(0)
    sent: list[tuple[int, bytes]] = []
    for step in range(60):
        now_ns = step * NS_PER_S // 10
        session.tick(now_ns)
        if data := session.bytes_to_send():
            sent.append((now_ns, data))
    assert [at // NS_PER_S for at, _ in sent] == [0, 1, 2, 3, 4, 5]
    assert len({data for _, data in sent}) == 6
    assert all(data.startswith(b"\x00") for _, data in sent)


def test_a_late_reply_is_not_taken_for_the_wanted_one() -> None:
    line = started()
    line.run(1)
    late = encode_frame(encode_message(Accepted(250, 5, line.device.boot_count, line.device.layout.layout_id, 0, 0)))
    got = line.session.bytes_received(late, line.now_ns)
    assert [type(e) for e in got] == [events.Ignored]
    assert line.session.phase is Phase.STREAMING


# -- floods and hostility


def test_a_device_that_talks_too_much_is_cut_down_and_reported() -> None:
    settings_ = Settings(most_frames_per_s=50)
    line = started(Session(settings=settings_), period_ms=2)
    line.run(10)
    assert line.of(events.TooManyFrames)
    assert sum(event.dropped for event in line.of(events.TooManyFrames)) > 4000
    assert len(line.of(events.SamplesReceived)) < 50 * 10 + 120
    line.device.channels = [replace(c, period_ms=100) for c in line.device.channels]
    line.device._layout_changed()
    line.run(5)
    assert line.session.phase is Phase.STREAMING
    assert line.device.sequence - 1 in sequences(line)


def test_bad_frames_do_not_flood_the_events_but_are_all_counted() -> None:
    session = Session()
    session.connected(0)
    got: list[Any] = []
    for step in range(1000):
        got += session.bytes_received(b"\x05\x01\x02\x00" * 10, step * NS_PER_S // 100)
    told = [e for e in got if isinstance(e, events.BadFrameSeen)]
    assert sum(session.decoder.bad_frames.values()) == 10_000
    assert len(told) <= 10 * 10 + 21
    assert sum(e.suppressed for e in told) + len(told) <= 10_000
    assert sum(e.suppressed for e in told) > 9000


@settings(max_examples=40, deadline=None)
@given(
    st.lists(strategies.device_messages | strategies.requests | st.binary(max_size=60), max_size=40), st.integers(0, 3)
)
def test_whatever_a_device_sends_the_session_goes_on(sent: list[Any], seconds: int) -> None:
    """Any messages in any order, while it streams: the real device still gets through, unless it is refused."""
    line = started()
    for item in sent:
        try:
            data = item if isinstance(item, bytes) else encode_frame(encode_message(item))
        except Exception:
            continue  # too long for a frame
        line.events += line.session.bytes_received(data, line.now_ns)
        line.run(seconds / 10)
        if line.session.over:
            assert line.of(events.DeviceRefused) or line.session.ending is not None
            return
    line.events.clear()

    def newest_came() -> bool:
        """Not one of those sent above, with a number that the device has yet to come to."""
        got = line.of(events.SamplesReceived)
        return bool(got) and got[-1].samples.sequence == line.device.sequence - 1

    line.run(60, lambda: line.session.live and newest_came())
    assert line.session.live and newest_came()
    assert len(line.session._delivery._held) <= 1000


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(strategies.device_messages, st.integers(0, 2_000_000_000)), max_size=60))
def test_whatever_a_device_sends_from_the_start(sent: list[tuple[Any, int]]) -> None:
    session = Session()
    session.connected(0)
    now_ns = 0
    came, told = list[bytes](), list[events.SessionEvent]()
    for message, wait_ns in sent:
        now_ns += wait_ns
        try:
            data = encode_frame(encode_message(message))
        except Exception:
            continue
        came += [] if session.over else [data]
        told += session.bytes_received(data, now_ns)
        told += session.tick(now_ns)
        session.bytes_to_send()
    told += session.disconnected(now_ns)
    assert session.phase is Phase.CLOSED
    # Each frame is told of as it came, and no other; after a refusal nothing more is taken.
    assert {getattr(event, "raw", b"") for event in told} <= {b"", *came}
    refusals = [i for i, event in enumerate(told) if isinstance(event, events.DeviceRefused)]
    assert not refusals or not any(isinstance(e, events.SamplesReceived) for e in told[refusals[0] + 1 :])


def test_nothing_grows_over_hours_of_trouble() -> None:
    """Cuts, reboots, changed layouts and noise for 3 h of virtual time at 1 Hz."""
    line = started(period_ms=1000, buffer_frames=50)
    line.step_ns = NS_PER_S // 2
    rng = line.to_host.rng
    for _ in range(3 * 6):
        match rng.randrange(5):
            case 0:
                line.disconnect()
                line.run(rng.randrange(1, 300))
                line.connect()
            case 1:
                line.device.boot(line.now_ns)
            case 2:
                line.device.change_scale() if line.device.channels[0].exponent > -17 else None
            case 3:
                line.to_host.flip = rng.choice([0.0, 0.02])
            case _:
                pass
        line.run(400)
        line.events.clear()
        if line.session.over:
            line.disconnect()
            line.connect()
    session = line.session
    assert len(session.model.layouts) <= 8
    assert len(session._delivery._held) <= 1000
    assert len(session.decoder.tail) < 242
    assert session.missing < 2000


# -- the table


def cells() -> Iterator[tuple[Phase, Signal]]:
    return iter(TABLE)


def test_every_phase_can_be_left_and_closed() -> None:
    for phase in Phase:
        assert TABLE[(phase, Signal.CLOSED)] is Phase.CLOSED
    for phase in TALKING:
        assert TABLE[(phase, Signal.NO_ANSWER)] is Phase.DEAD
        assert TABLE[(phase, Signal.WRONG_DEVICE)] is Phase.REFUSED
    reached = {Phase.CLOSED} | {after for (before, _), after in TABLE.items() if before is not after}
    assert reached == set(Phase)
    assert {signal for _, signal in cells()} == set(Signal)


def test_status_of_an_idle_device_starts_it_again() -> None:
    line = started()
    line.run(2)
    line.device.feed(b"\0" + encode_frame(encode_message(Stop(99))), line.now_ns)
    line.run(4)
    assert line.session.phase is Phase.STREAMING
    assert len(line.of(events.Started)) == 2
    assert isinstance(line.of(events.StatusReceived)[-1].status, Status)
    assert sequences(line) == list(range(line.device.sequence))
