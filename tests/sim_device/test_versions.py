"""Devices of other minor versions, and a line that sends back what it is sent."""

from dataclasses import replace

import pytest

from firmware_protocol.codes import DeviceState
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Hello
from firmware_protocol.requests import RequestHello
from logger.link import link_events as events
from logger.link.session.phases import Phase
from logger.link.session.session import Session
from logger.model.units import NS_PER_S
from sim_device.device import Device
from tests.protocol import reference
from tests.sim_device.host import Talk, device, only


def _of_minor(dev: Device, minor: int, **extra: object) -> Device:
    """The device as firmware of version 1.`minor`."""
    hello = dev._hello
    dev._hello = lambda request_id: replace(hello(request_id), minor=minor, **extra)  # type: ignore[method-assign,arg-type]
    dev._greeting = dev._frame(dev._hello(0))
    return dev


@pytest.mark.parametrize(("minor", "extra"), [(0, {}), (1, {}), (9, {"extra": {40: [1, "later"]}})])
def test_the_logger_works_with_every_minor_version(minor: int, extra: dict[str, object]) -> None:
    dev, session = _of_minor(device(), minor, **extra), Session()
    seen: list[events.SessionEvent] = []
    session.connected(0)
    for ms in range(0, 8000, 20):
        now_ns = ms * NS_PER_S // 1000
        data = dev.step(session.bytes_to_send(), ms / 1000)
        seen += session.bytes_received(data, now_ns) + session.tick(now_ns)
    assert session.phase is Phase.STREAMING
    assert session.hello is not None
    assert session.hello.minor == minor
    got = [event.samples.sequence for event in seen if isinstance(event, events.SamplesReceived)]
    assert got == list(range(len(got)))
    assert len(got) > 30
    assert not [event for event in seen if isinstance(event, events.BadFrameSeen | events.DeviceError)]


@pytest.mark.parametrize("minor_of_host", [(1, 0), (1, 9), (2, 0), (0, 0), (255, 255)])
def test_a_device_tells_every_host_who_it_is(minor_of_host: tuple[int, int]) -> None:
    major, minor = minor_of_host
    hello = only(Talk(device()).send(RequestHello(7, major, minor)), Hello, request_id=7)
    assert (hello.major, hello.minor) == (1, 1)


def test_a_device_does_not_answer_itself() -> None:
    """Everything that any device may say gets no reply, or a line that echoes would never be still again."""
    talk = Talk(device())
    talk.wait(0.5)
    said = [payload for _, payload, _ in reference.valid_rows() if payload[0] & 0x80]
    assert len(said) > 25
    assert talk.send(raw=b"".join(encode_frame(payload) for payload in said)) == []
    assert talk.device.state is DeviceState.IDLE


def test_an_echoing_line_falls_still() -> None:
    talk = Talk(device())
    back, sent = b"", 0
    for step in range(250):  # five seconds: a greeting and three statuses, each heard again
        back = talk.device.step(back, step * 0.02)
        sent += back.count(b"\0")
    assert sent <= 6
