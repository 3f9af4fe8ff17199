"""Outputs of the C library: permit, guard and trip as SPEC.md section 8 has them and the simulated device does it."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import DeviceState, ErrorCode, NoReading, OpenedBy, OutputState, PermitAction
from firmware_protocol.framing import encode_frame
from firmware_protocol.layout import Layout
from firmware_protocol.messages import (
    Accepted,
    DeviceMessage,
    ErrorMessage,
    Hello,
    OutputDescription,
    Status,
    encode_message,
)
from firmware_protocol.requests import Permit, Request, RequestHello, RequestStatus, SetPeriod, Start, Stop
from firmware_protocol.vectors import EXAMPLE_CHANNELS, EXAMPLE_LAYOUT
from sim_device.outputs import DeviceNow, Output
from tests.protocol.c.library import CDevice
from tests.protocol.c.test_c_device import device, line_ms, talk
from tests.sim_device.host import Talk, only, samples

RELAY = OutputDescription(0, 0, 5000, 1000, False, "Relay")
CLOSE = Permit(1, 0, PermitAction.HOLD_CLOSED, 3000, 7, 0)


def streaming() -> tuple[Talk, CDevice]:
    dev = device(outputs=(RELAY, replace(RELAY, index=1)))
    line = talk(dev)
    line.send(Start(1))
    line.wait(1.0)  # the delay is counted from the start too
    return line, dev


def permit(line: Talk, **fields: int) -> DeviceMessage:
    asked = replace(CLOSE, **({"tick": line_ms(line)} | fields))
    return next(m for m in line.send(asked) if isinstance(m, Accepted | ErrorMessage) and m.request_id == 1)


def state(line: Talk, index: int = 0) -> tuple[int, int, int]:
    return only(line.send(RequestStatus(9)), Status, request_id=9).outputs[index]


def refused(reply: DeviceMessage) -> int:
    assert isinstance(reply, ErrorMessage), reply
    return reply.code


def test_open_at_start_closed_by_permit_open_when_it_runs_out() -> None:
    line, dev = streaming()
    assert state(line) == (OutputState.OPEN, OpenedBy.START_UP, 0)
    assert isinstance(permit(line), Accepted)
    assert dev.closed() and not dev.closed(1)
    assert state(line) == (OutputState.CLOSED, OpenedBy.START_UP, 3000)
    line.wait(2.9)
    assert isinstance(permit(line), Accepted)  # each permit begins the time-out anew
    line.wait(2.999)
    assert dev.closed()
    told = [m for m in line.wait(0.001) if isinstance(m, Status)]  # at once, unasked
    assert not dev.closed()
    assert told[-1].outputs[0] == (OutputState.OPEN, OpenedBy.PERMIT_EXPIRED, 0)


@pytest.mark.parametrize(
    ("fields", "code"),
    [
        ({"index": 2}, ErrorCode.NO_SUCH_CHANNEL),
        ({"boot_count": 8}, ErrorCode.STALE_PERMIT),
        ({"timeout_ms": 0, "tick": 0}, ErrorCode.OUT_OF_RANGE),
        ({"timeout_ms": 5001}, ErrorCode.OUT_OF_RANGE),
        ({"tick": 0, "timeout_ms": 999}, ErrorCode.STALE_PERMIT),
        ({"tick": 1001}, ErrorCode.STALE_PERMIT),  # of the future: a permit of another time
        ({"guard_channel": 3}, ErrorCode.NO_SUCH_CHANNEL),
        ({"guard_channel": 2, "guard_layout_id": 5}, ErrorCode.OUT_OF_RANGE),
    ],
)
def test_refused_in_the_order_of_the_spec(fields: dict[str, int], code: ErrorCode) -> None:
    line, dev = streaming()
    assert refused(permit(line, **fields)) == code
    assert not dev.closed()


def test_the_delay_is_counted_from_the_start_too() -> None:
    line = talk(device(outputs=(RELAY,)))
    line.send(Start(1))
    line.wait(0.999)
    assert refused(permit(line)) == ErrorCode.BUSY
    line.wait(0.001)
    assert isinstance(permit(line), Accepted)


def test_needs_the_stream_re_arming_and_the_delay() -> None:
    line, dev = streaming()
    line.send(Stop(2))
    assert refused(permit(line)) == ErrorCode.NOT_STREAMING
    line.send(Start(3))
    permit(line)
    line.wait(4.0)
    assert refused(permit(line)) == ErrorCode.MUST_REARM
    assert isinstance(permit(line, action=PermitAction.OPEN, boot_count=99, tick=1, guard_channel=63), Accepted)
    assert isinstance(permit(line), Accepted)  # opened by itself more than a second ago, and re-armed
    assert isinstance(permit(line, action=PermitAction.OPEN), Accepted)
    assert not dev.closed()
    assert refused(permit(line)) == ErrorCode.BUSY
    line.wait(0.999)
    assert refused(permit(line)) == ErrorCode.BUSY
    line.wait(0.001)
    assert isinstance(permit(line), Accepted)  # opened by the host: no re-arming


GUARD = {"guard_channel": 2, "guard_layout_id": EXAMPLE_LAYOUT.layout_id, "guard_low": -5, "guard_high": 32_000}


@pytest.mark.parametrize(
    ("reading", "why"),
    [
        (32_001, OpenedBy.GUARD_LIMIT),
        (-6, OpenedBy.GUARD_LIMIT),
        (NoReading.OPEN_CIRCUIT, OpenedBy.GUARD_NO_READING),
        (NoReading.NOT_READY, OpenedBy.GUARD_NO_READING),
        (2**23, OpenedBy.GUARD_NO_READING),  # does not fit the sample: over range
        (-(2**23) + 15, OpenedBy.GUARD_NO_READING),
        (32_000, None),
        (-5, None),
    ],
)
def test_guard_is_held_to_every_sample(reading: Any, why: OpenedBy | None) -> None:
    line, dev = streaming()
    assert isinstance(permit(line, **GUARD), Accepted)
    line.wait(0.5)
    assert dev.closed()
    dev.set_reading(2, reading)
    line.wait(0.2)
    assert dev.closed() is (why is None)
    if why is not None:
        assert state(line) == (OutputState.OPEN, why, 0)


def test_guard_watches_its_channel_alone_and_ff_none() -> None:
    line, dev = streaming()
    permit(line, **GUARD)
    permit(line, index=1, guard_channel=0xFF, guard_layout_id=1, guard_low=1, guard_high=-1)
    dev.set_reading(0, NoReading.SHORT_CIRCUIT)
    line.wait(0.5)
    assert dev.closed() and dev.closed(1)
    line.send(SetPeriod(3, 150, 0))
    assert not dev.closed() and dev.closed(1)
    assert state(line) == (OutputState.OPEN, OpenedBy.LAYOUT_CHANGED, 0)


def test_stop_and_a_fault_open_too() -> None:
    line, dev = streaming()
    permit(line)
    assert only(line.send(Stop(2)), Status).outputs[0] == (OutputState.OPEN, OpenedBy.STREAM_STOPPED, 0)
    line, dev = streaming()
    permit(line)
    dev.trip()
    assert not dev.closed()
    assert state(line) == (OutputState.OPEN, OpenedBy.DEVICE_FAULT, 0)


def test_opens_at_once_while_another_request_waits_for_its_reply() -> None:
    line, dev = streaming()
    permit(line)
    now_ms = line_ms(line)
    dev.set_line(0)
    dev.poll(now_ms + 1)
    dev.input(encode_frame(encode_message(RequestHello(44))))
    dev.poll(now_ms + 2)
    dev.input(encode_frame(encode_message(RequestStatus(45))))  # takes the place of hello, which the line blocks
    dev.input(encode_frame(encode_message(replace(CLOSE, request_id=46, action=PermitAction.OPEN))))
    assert not dev.closed()
    dev.set_line()
    got = line.take(dev.poll(now_ms + 3))
    answers = {m.request_id: type(m) for m in got if isinstance(m, Hello | Status | Accepted) and m.request_id}
    assert answers == {44: Hello, 45: Status, 46: Accepted} or answers == {45: Status, 46: Accepted}


ACTS = st.one_of(
    st.tuples(st.just("wait"), st.integers(0, 120)),
    st.tuples(st.just("permit"), st.fixed_dictionaries({}, optional={
        "action": st.sampled_from([0, 0, 1]), "timeout_ms": st.sampled_from([0, 1, 100, 600, 5000, 5001]),
        "boot_count": st.just(8), "age": st.sampled_from([0, 50, 700, -1]),
        "guard_channel": st.sampled_from([0, 1, 2, 3]),
        "guard_layout_id": st.just(5), "guard_low": st.sampled_from([-10, 0, 10]),
        "guard_high": st.sampled_from([10, 20, 2**31 - 1]),
    })),
    st.tuples(st.just("reading"), st.tuples(
        st.integers(0, 2), st.sampled_from([-11, -10, 0, 10, 20, 21, NoReading.OPEN_CIRCUIT, 2**30]))),
    st.tuples(st.just("stop"), st.none()),
    st.tuples(st.just("start"), st.none()),
    st.tuples(st.just("period"), st.sampled_from([100, 150])),
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.lists(ACTS, max_size=25))
def test_decides_as_the_simulated_device_does(acts: list[tuple[str, Any]]) -> None:
    """Two implementations: what one accepts the other does, and both open at the same instant for the same reason."""
    dev = device(outputs=(RELAY,))
    line = talk(dev)
    line.send(Start(1))
    model = Output(0, "Relay", 5000, 1000)
    layout, streams, now_ms = EXAMPLE_LAYOUT, True, 0
    for act, value in acts:
        if act == "wait":
            for now_ms in range(now_ms + 10, now_ms + 10 * value + 1, 10):  # noqa: B020
                got = line.take(dev.poll(now_ms))
                model.watch_time(now_ms)
                for sample in samples(got):
                    model.watch_samples(dict(layout.unpack(sample)), layout, now_ms)
        elif act == "permit":
            age = value.get("age", 0)
            fields = {"tick": (now_ms - age) % 2**32, "guard_layout_id": layout.layout_id} | value
            fields.pop("age", None)
            asked = replace(CLOSE, **fields)
            if asked.guard_low > asked.guard_high:  # the codec sends no such thing
                continue
            state_now = DeviceState.STREAMING if streams else DeviceState.IDLE
            expected = model.permit(asked, DeviceNow(state_now, 7, now_ms, 1000, now_ms, layout))
            dev.input(encode_frame(encode_message(asked)))
            replies = [m for m in line.take(dev.poll(now_ms)) if isinstance(m, Accepted | ErrorMessage)]
            assert [m.code if isinstance(m, ErrorMessage) else None for m in replies] == [expected and expected[0]]
        elif act == "reading":
            dev.set_reading(*value)
        else:
            asks: dict[str, Request] = {"stop": Stop(2), "start": Start(3), "period": SetPeriod(4, value or 1, 0)}
            request = asks[act]
            dev.input(encode_frame(encode_message(request)))
            if act == "stop":
                streams = False
                model.trip(OpenedBy.STREAM_STOPPED, now_ms)
            elif act == "start":
                streams = True
            else:
                layout = Layout([replace(EXAMPLE_CHANNELS[0], period_ms=value), *EXAMPLE_CHANNELS[1:]])
                model.watch_samples({}, layout, now_ms)
            for sample in samples(line.take(dev.poll(now_ms))):
                model.watch_samples(dict(layout.unpack(sample)), layout, now_ms)
        assert dev.closed() is model.closed, (act, value)
        dev.input(encode_frame(encode_message(RequestStatus(9))))
        told = only(line.take(dev.poll(now_ms)), Status, request_id=9)
        assert told.outputs[0] == model.status(now_ms)
