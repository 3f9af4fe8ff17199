"""The relay opens by itself: permits, their time-out, their guard, and re-arming (SPEC.md section 8)."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import Capability, ErrorCode, OpenedBy, OutputState, PermitAction
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Accepted, ErrorMessage, Hello, OutputDescription, Status, encode_message
from firmware_protocol.requests import Permit, RequestHello, RequestOutput, RequestStatus, SetPeriod, Start, Stop
from sim_device.rig import Rig
from tests.sim_device.host import Talk, device, only

_CLOSE = Permit(1, 0, PermitAction.HOLD_CLOSED, 3000, boot_count=1, tick=0)


def _streaming(name: str = "scale") -> Talk:
    talk = Talk(device(name))
    talk.send(Start(1))
    talk.wait(3.0)  # the reopen delay, which is counted from the start-up too
    return talk


def _close(talk: Talk, **kw: int) -> object:
    """The reply to a permit given with the newest tick."""
    permit = replace(_CLOSE, **({"tick": int(talk.now_s * 1000)} | kw))
    return next(m for m in talk.send(permit) if isinstance(m, Accepted | ErrorMessage))


def _state(talk: Talk) -> tuple[int, int, int]:
    return only(talk.send(RequestStatus(9)), Status, request_id=9).outputs[0]


def test_announced_and_described() -> None:
    talk = Talk(device())
    hello = only(talk.send(RequestHello(1)), Hello, request_id=1)
    assert hello.outputs == 1
    assert hello.capabilities & Capability.OUTPUTS
    assert only(talk.send(RequestOutput(2, 0)), OutputDescription).longest_timeout_ms == 60_000
    assert not only(Talk(device("vacuum board")).send(RequestHello(1)), Hello, request_id=1).outputs


def test_open_at_start_closed_by_permit_open_when_it_runs_out() -> None:
    talk = _streaming()
    assert _state(talk) == (OutputState.OPEN, OpenedBy.START_UP, 0)
    assert isinstance(_close(talk), Accepted)
    assert _state(talk) == (OutputState.CLOSED, OpenedBy.START_UP, 3000)
    talk.wait(2.9)
    assert talk.device.outputs[0].closed
    assert isinstance(_close(talk), Accepted)  # each permit begins the time-out anew
    talk.wait(2.9)
    assert talk.device.outputs[0].closed
    told = [m for m in talk.wait(0.2) if isinstance(m, Status)]  # at once, unasked
    assert told[0].outputs[0] == (OutputState.OPEN, OpenedBy.PERMIT_EXPIRED, 0)


def test_tripped_until_re_armed_and_not_closed_within_the_delay() -> None:
    talk = _streaming()
    _close(talk)
    talk.wait(5.0)
    refused = _close(talk)
    assert isinstance(refused, ErrorMessage)
    assert refused.code == ErrorCode.MUST_REARM
    assert isinstance(_close(talk, action=PermitAction.OPEN, tick=0, boot_count=99), Accepted)  # always carried out
    talk.wait(1.5)
    assert isinstance(_close(talk), Accepted)
    assert isinstance(_close(talk, action=PermitAction.OPEN), Accepted)
    again = _close(talk)
    assert isinstance(again, ErrorMessage)
    assert again.code == ErrorCode.BUSY
    talk.wait(3.1)
    assert isinstance(_close(talk), Accepted)  # opened by the host: no re-arming


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"boot_count": 2}, ErrorCode.STALE_PERMIT),
        ({"tick": 0}, ErrorCode.STALE_PERMIT),
        ({"timeout_ms": 61_000}, ErrorCode.OUT_OF_RANGE),
        ({"index": 3}, ErrorCode.NO_SUCH_CHANNEL),
        ({"timeout_ms": 0, "tick": 0}, ErrorCode.OUT_OF_RANGE),
        ({"boot_count": 2, "timeout_ms": 0}, ErrorCode.STALE_PERMIT),
        ({"timeout_ms": 61_000, "tick": 0x8000_0000}, ErrorCode.OUT_OF_RANGE),
        ({"guard_channel": 5, "guard_low": 0, "guard_high": 9}, ErrorCode.NO_SUCH_CHANNEL),
        ({"guard_channel": 0, "guard_low": 0, "guard_high": 9, "guard_layout_id": 1}, ErrorCode.OUT_OF_RANGE),
    ],
)
def test_refused_permits_leave_it_open(change: dict[str, int], code: ErrorCode) -> None:
    talk = _streaming()
    talk.wait(5.0)
    reply = _close(talk, **change)
    assert isinstance(reply, ErrorMessage)
    assert reply.code == code
    assert not talk.device.outputs[0].closed


def test_a_permit_with_another_action_is_malformed_and_changes_nothing() -> None:
    talk = _streaming()
    payload = bytearray(encode_message(replace(_CLOSE, tick=int(talk.now_s * 1000))))
    payload[3] = 2
    for closed in (False, True):
        if closed:
            assert isinstance(_close(talk), Accepted)
        refused = only(talk.send(raw=encode_frame(bytes(payload))), ErrorMessage)
        assert (refused.code, refused.request_type) == (ErrorCode.MALFORMED, 0x0A)
        assert talk.device.outputs[0].closed is closed


def test_open_is_carried_out_whatever_its_other_fields_say() -> None:
    talk = _streaming()
    _close(talk)
    senseless = replace(_CLOSE, action=PermitAction.OPEN, timeout_ms=0xFFFF, boot_count=99, tick=1, guard_channel=63,
                        guard_layout_id=1, guard_low=1, guard_high=-1)  # fmt: skip
    assert only(talk.send(senseless), Accepted)
    assert not talk.device.outputs[0].closed


def test_guard_channel_ff_watches_nothing() -> None:
    talk = _streaming()
    accepted = _close(talk, guard_channel=0xFF, guard_layout_id=1, guard_low=1, guard_high=-1)
    assert isinstance(accepted, Accepted)
    talk.send(SetPeriod(3, 500))
    talk.wait(1.0)
    assert talk.device.outputs[0].closed


def test_a_device_without_outputs_does_not_support_them() -> None:
    talk = _streaming("vacuum board")
    for request in (RequestOutput(2, 0), replace(_CLOSE, action=PermitAction.OPEN), _CLOSE):
        assert only(talk.send(request), ErrorMessage).code == ErrorCode.NOT_SUPPORTED


def test_needs_the_stream() -> None:
    talk = Talk(device())
    talk.wait(0.5)
    reply = _close(talk)
    assert isinstance(reply, ErrorMessage)
    assert reply.code == ErrorCode.NOT_STREAMING


def _guarded(talk: Talk, high: int) -> object:
    layout_id = talk.layout().layout_id
    return _close(talk, timeout_ms=60_000, guard_channel=0, guard_low=-1000, guard_high=high, guard_layout_id=layout_id)


def test_guard_opens_at_the_first_sample_over_its_limit() -> None:
    talk = _streaming()
    # the mass is t/1000 kg: 0.25 lb, which rounds to 0.3 lb, comes after 113 s, less the noise of some samples
    assert isinstance(_guarded(talk, high=2), Accepted)
    talk.wait(50.0)
    assert isinstance(_guarded(talk, high=2), Accepted)
    talk.wait(58.0)
    assert talk.device.outputs[0].status(0)[:2] == (OutputState.OPEN, OpenedBy.GUARD_LIMIT)


def test_guard_opens_when_its_sensor_fails() -> None:
    talk = _streaming()
    assert isinstance(_guarded(talk, high=10_000), Accepted)
    talk.wait(1.0)
    assert talk.device.outputs[0].closed
    talk.device.sensors[0].wire = "open"
    told = [m for m in talk.wait(0.2) if isinstance(m, Status)]
    assert told[0].outputs[0][1] == OpenedBy.GUARD_NO_READING


def test_guard_opens_when_its_layout_changes_and_stop_and_reboot_open_too() -> None:
    talk = _streaming()
    _guarded(talk, high=10_000)
    talk.send(SetPeriod(3, 500))
    assert talk.device.outputs[0].opened_by is OpenedBy.LAYOUT_CHANGED
    talk = _streaming()
    _close(talk)
    told = only(talk.send(Stop(4)), Status)
    assert told.outputs[0][:2] == (OutputState.OPEN, OpenedBy.STREAM_STOPPED)
    talk = _streaming()
    _close(talk)
    talk.device.reboot()
    assert not talk.device.outputs[0].closed
    talk.wait(2.0)
    assert _state(talk)[:2] == (OutputState.OPEN, OpenedBy.START_UP)


@settings(max_examples=60, deadline=None)
@given(
    acts=st.lists(
        st.one_of(
            st.tuples(st.just("wait"), st.integers(0, 9000)),
            st.tuples(st.just("close"), st.integers(100, 5000)),
            st.tuples(st.just("open"), st.just(0)),
            st.tuples(st.just("stop"), st.just(0)),
            st.tuples(st.just("start"), st.just(0)),
            st.tuples(st.just("reboot"), st.just(0)),
        ),
        max_size=25,
    )
)
def test_never_closed_without_a_permit_in_force(acts: list[tuple[str, int]]) -> None:
    """Whatever happens: closed means that a permit was accepted within its own time-out, since the last start."""
    talk = _streaming()
    in_force_until_s = -1.0
    for act, number in acts:
        if act == "wait":
            talk.wait(number / 1000)
        elif act == "close":
            reply = [m for m in talk.send(replace(
                _CLOSE, tick=talk.device._tick(talk.device._ms), timeout_ms=number, boot_count=talk.device.boot_count
            )) if isinstance(m, Accepted)]  # fmt: skip
            if reply:
                in_force_until_s = talk.now_s + number / 1000
        elif act == "open":
            talk.send(replace(_CLOSE, action=PermitAction.OPEN))
            in_force_until_s = -1.0
        elif act == "stop":
            talk.send(Stop(5))
            in_force_until_s = -1.0
        elif act == "start":
            talk.send(Start(6))
        else:
            talk.device.reboot()
            in_force_until_s = -1.0
        if talk.device.outputs[0].closed:
            assert talk.now_s < in_force_until_s + 2e-3


def test_wired_relay_stops_the_recovery_machine() -> None:
    """Host gone: the permit runs out and the machine stops, in the plant itself."""
    rig = Rig("recovery", 1, relay=True)
    scale = rig.device("scale")
    rig.step("scale", encode_frame(encode_message(Start(1))), 0.0)
    rig.step("scale", b"", 40.0)
    assert rig.plant.machine.running
    permit = replace(_CLOSE, tick=40_000, timeout_ms=10_000)
    rig.step("scale", encode_frame(encode_message(permit)), 40.2)
    assert scale.outputs[0].closed
    rig.step("scale", b"", 49.0)
    assert rig.plant.machine.running
    rig.step("scale", b"", 51.0)
    assert not scale.outputs[0].closed
    assert not rig.plant.machine.running
    assert rig.plant.done[-1].action == "stop_recovery"
