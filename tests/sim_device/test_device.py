"""The simulated device keeps to SPEC.md: conversation, sequence, resend, periods, clock, restart."""

import random
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import Capability, DeviceState, ErrorCode, Fault, MessageType
from firmware_protocol.conversion import measured
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import (
    Accepted,
    ErrorMessage,
    Hello,
    Resending,
    Samples,
    Status,
    TimeMarked,
    decode_payload,
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
from sim_device.rig import Rig, device_id
from tests.sim_device.host import Talk, device, only, samples, unpacked


def test_greets_once_then_waits() -> None:
    talk = Talk(device(boot_count=7))
    hello = only(talk.wait(0.1), Hello)
    assert (hello.request_id, hello.boot_count, hello.channels) == (0, 7, 1)
    assert hello.capabilities & Capability.RESEND
    later = talk.wait(30.0)
    assert not samples(later)
    assert not [m for m in later if isinstance(m, Hello)]
    beats = [m for m in later if isinstance(m, Status)]
    assert {s.state for s in beats} == {DeviceState.IDLE}
    gaps = [b.tick - a.tick for a, b in pairwise(beats)]
    assert max(gaps) <= 5000


def test_streams_what_the_plant_was_at_each_tick() -> None:
    talk = Talk(device(), now_s=3.0)
    layout = talk.layout()
    accepted = only(talk.send(Start(9)), Accepted)
    assert (accepted.request_id, accepted.request_type, accepted.next_sequence) == (9, MessageType.START, 0)
    got = talk.wait(20.0)
    taken = samples(got)
    assert [s.sequence for s in taken] == list(range(100))
    assert {b.tick - a.tick for a, b in pairwise(taken)} == {200}
    for s, values in zip(taken, unpacked(layout, got), strict=True):
        raw = values[0]
        assert isinstance(raw, int)
        pounds = measured(layout.channels[0], raw)
        assert pounds is not None
        assert pounds == pytest.approx(s.tick / 1000 / 1000.0 / 0.45359237, abs=0.25)


def test_start_and_stop_may_be_repeated() -> None:
    talk = Talk(device())
    talk.send(Start(1))
    talk.wait(1.0)
    assert only(talk.send(Start(2)), Accepted).next_sequence == 5
    assert only(talk.send(Stop(3)), Accepted, request_id=3).next_sequence == 5
    assert not samples(talk.wait(5.0))
    only(talk.send(Stop(4)), Accepted)
    talk.send(Start(5))
    assert samples(talk.wait(0.5))[0].sequence == 5


def test_resends_byte_for_byte_and_says_what_is_gone() -> None:
    talk = Talk(device())
    talk.send(Start(1))
    talk.wait(10.0)
    first = {decode_samples(f.payload).sequence: f.raw for f in talk.frames}
    talk.frames.clear()
    got = talk.send(ResendFrom(2, 10, 8))
    got += talk.wait(0.1)
    resending = only(got, Resending)
    assert (resending.first, resending.count, resending.oldest) == (10, 8, 0)
    again = {decode_samples(f.payload).sequence: f.raw for f in talk.frames}
    assert {s: again[s] for s in range(10, 18)} == {s: first[s] for s in range(10, 18)}
    assert only(talk.send(ResendFrom(3, 1000, 5)), Resending).count == 0
    assert only(talk.send(ResendFrom(4, 48, 500)), Resending).count <= 4


def decode_samples(payload: bytes) -> Samples:
    message = decode_payload(payload)
    assert isinstance(message, Samples)
    return message


def test_resends_after_stop_and_start_and_while_idle() -> None:
    talk = Talk(device())
    talk.send(Start(1))
    talk.wait(2.0)
    first = [f.raw for f in talk.frames]
    talk.send(Stop(2))
    del talk.frames[:]
    assert only(talk.send(ResendFrom(3, 0, 4)), Resending).count == 4
    talk.send(Start(4), Stop(5))
    talk.wait(1.0)
    assert [f.raw for f in talk.frames] == first[:4]


def test_frames_overwritten_while_they_wait_to_be_resent_are_skipped() -> None:
    small = device()
    small.board = replace(small.board, buffer_frames=400)
    small.reboot(0.1)
    talk = Talk(small)
    talk.wait(0.5)
    talk.send(Start(1))
    talk.wait(100.0)
    made = [f.raw for f in talk.frames]
    del talk.frames[:]
    assert only(talk.send(ResendFrom(2, 0, 500)), Resending).count == 400
    begun = len(talk.frames)  # some went out with the reply; then the line is held for 50 s
    small.step(b"", talk.now_s + 50.0, linked=False)
    talk.now_s += 50.0
    talk.wait(5.0)
    resent = [f.raw for f in talk.frames if f.raw in made]
    assert 0 < begun < len(resent) < 400
    assert resent[begun:] == made[-(len(resent) - begun) :]


def test_the_first_sample_comes_within_a_period_and_not_before_the_start() -> None:
    talk = Talk(device("machine board"))
    talk.wait(3.3)
    accepted = only(talk.send(Start(1)), Accepted)
    (first, *_) = samples(talk.wait(0.5))
    assert 0 <= first.tick - accepted.tick <= 500


def test_unlinked_it_samples_on_and_the_buffer_gives_it_back() -> None:
    dev = device()
    talk = Talk(dev)
    talk.send(Start(1))
    talk.wait(2.0)
    assert dev.step(b"", 62.0, linked=False) == b""
    talk.now_s = 62.0
    status = only(talk.send(RequestStatus(5)), Status)
    assert status.dropped == 300
    assert status.buffer_held == status.next_sequence == 310
    talk.frames.clear()
    talk.send(ResendFrom(6, 10, 300))
    for _ in range(50):
        talk.wait(0.2)
    sequences = [decode_samples(f.payload).sequence for f in talk.frames]
    assert set(range(10, 310)) <= set(sequences)


def test_resending_leaves_the_live_samples_their_half_of_the_link() -> None:
    dev = device("recovery board")
    talk = Talk(dev)
    talk.send(Start(1))
    dev.step(b"", 2000.0, linked=False)
    talk.now_s = 2000.0
    talk.send(ResendFrom(2, 0, 10000))
    sizes = [len(dev.step(b"", 2000.0 + 0.2 * i)) for i in range(1, 50)]
    assert max(sizes[10:]) < 0.2 * 11520
    assert min(sizes[10:]) > 0


def test_period_changes_layout_and_old_frames_keep_theirs() -> None:
    talk = Talk(device("recovery board"))
    old = talk.layout()
    talk.send(Start(1))
    talk.wait(2.0)
    got = talk.send(SetPeriod(2, 1003, 0))
    accepted, hello = only(got, Accepted), only(got, Hello)
    assert accepted.layout_id == hello.layout_id != old.layout_id
    new = talk.layout()
    assert new.channels[0].period_ms == 1000
    got = talk.wait(10.0)
    assert {s.layout_id for s in samples(got)} == {new.layout_id}
    assert sum(0 in values for values in unpacked(new, got)) == 10
    talk.frames.clear()
    talk.send(ResendFrom(3, 0, 3))
    talk.wait(0.1)
    assert decode_samples(talk.frames[0].payload).layout_id == old.layout_id
    refused = only(talk.send(SetPeriod(4, 100, 60)), ErrorMessage)
    assert refused.code == ErrorCode.NO_SUCH_CHANNEL


def test_channels_of_several_periods_share_a_frame_when_due_together() -> None:
    talk = Talk(device("recovery board"))
    layout = talk.layout()
    talk.send(Start(1))
    rows = unpacked(layout, talk.wait(3.0))
    assert [5 in row for row in rows] == [i % 5 == 0 for i in range(len(rows))]
    assert all(0 in row for row in rows)


@pytest.mark.parametrize("ppm", [-300.0, 0.0, 300.0])
def test_clock_drifts_and_time_marks_tell(ppm: float) -> None:
    talk = Talk(device(drift_ppm=ppm, tick0=0xFFFFFF00))
    talk.wait(1.0)
    one = only(talk.send(TimeMark(1, 123456789)), TimeMarked)
    talk.wait(10_000.0)
    two = only(talk.send(TimeMark(2, 2**64 - 1)), TimeMarked)
    assert (one.host_time, two.host_time) == (123456789, 2**64 - 1)
    elapsed = (two.tick_received - one.tick_received) & 0xFFFFFFFF
    assert elapsed == pytest.approx(10_000_000 * (1 + ppm * 1e-6), abs=2)


def test_drift_set_later_changes_only_the_rate() -> None:
    dev = device()
    talk = Talk(dev)
    talk.wait(100.0)
    dev.set_drift(1000.0)
    assert only(talk.send(TimeMark(1, 0)), TimeMarked).tick_received == pytest.approx(100_000, abs=1)
    talk.wait(100.0)
    assert only(talk.send(TimeMark(2, 0)), TimeMarked).tick_received == pytest.approx(200_100, abs=2)


def test_reboot_forgets_all_but_its_count() -> None:
    dev = device(boot_count=3)
    talk = Talk(dev)
    talk.send(Start(1), SetPeriod(2, 1000))
    talk.wait(5.0)
    dev.reboot(down_s=2.0, watchdog=True)
    assert talk.wait(1.0) == []
    assert talk.send(RequestHello(9)) == []  # still down
    back = only(talk.wait(1.5), Hello)
    assert (back.request_id, back.boot_count) == (0, 4)
    assert not samples(talk.wait(5.0))
    status = only(talk.send(RequestStatus(3)), Status)
    assert (status.state, status.next_sequence, status.buffer_held) == (DeviceState.IDLE, 0, 0)
    assert status.faults & Fault.WATCHDOG_RESET
    assert talk.layout().channels[0].period_ms == 200


def test_bad_requests_get_their_error_and_bad_frames_none() -> None:
    talk = Talk(device())
    talk.wait(0.1)
    assert only(talk.send(RequestDescribe(4, 9)), ErrorMessage).code == ErrorCode.NO_SUCH_CHANNEL
    assert only(talk.send(RequestOutput(4, 9)), ErrorMessage).code == ErrorCode.NO_SUCH_CHANNEL
    unknown = only(talk.send(raw=encode_frame(b"\x33\x07rest")), ErrorMessage)
    assert (unknown.code, unknown.request_id, unknown.request_type) == (ErrorCode.UNKNOWN_REQUEST, 7, 0x33)
    short = only(talk.send(raw=encode_frame(b"\x02\x08")), ErrorMessage)
    assert (short.code, short.request_id) == (ErrorCode.MALFORMED, 8)
    assert talk.send(raw=encode_frame(encode_message(Accepted(5, 5, 1, 2, 3, 4)))) == []  # its own, sent back
    assert talk.send(raw=b"garbage that is no frame\x00" * 3) == []
    assert only(talk.send(RequestStatus(1)), Status).bad_frames == 3
    assert only(talk.send(RequestHello(2, major=9)), Hello).major == 1


@settings(max_examples=150, deadline=None)
@given(
    chunks=st.lists(
        st.one_of(st.binary(max_size=60), st.binary(min_size=1, max_size=40).map(encode_frame)), max_size=12
    ),
    step_s=st.floats(0.0, 3.0),
)
def test_no_bytes_upset_it(chunks: list[bytes], step_s: float) -> None:
    talk = Talk(device("recovery board"))
    talk.send(Start(1))
    for chunk in chunks:
        talk.now_s += step_s
        talk.take(talk.device.step(chunk, talk.now_s))
    talk.send(raw=b"\x00")  # what a host sends before a request
    assert talk.bad == []
    assert [m for m in talk.send(RequestHello(77)) if isinstance(m, Hello) and m.request_id == 77]


def test_same_seed_same_bytes_whole_rig() -> None:
    def bytes_of(seed: int, cuts: int) -> dict[str, bytes]:
        rig = Rig("brewery", seed)
        out = dict.fromkeys(rig.devices, b"")
        start = encode_frame(encode_message(Start(1)))
        rng = random.Random(cuts)
        now_s = 0.0
        for name in rig.devices:
            out[name] += rig.step(name, start, 0.0)
        while now_s < 120.0:
            now_s = min(120.0, now_s + rng.uniform(0.05, 9.0))
            for name in rig.devices:
                out[name] += rig.step(name, b"", now_s)
        return out

    one = bytes_of(3, cuts=1)
    assert one == bytes_of(3, cuts=2)
    assert one != bytes_of(4, cuts=1)
    assert len({device_id(n, s) for n in one for s in range(50)}) == 200
