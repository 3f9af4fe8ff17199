"""Devices that keep to SPEC.md have no fault, and each of many faults is named by its rule."""

import zlib
from collections.abc import Callable
from typing import Any, Protocol

import pytest

from firmware_protocol.framing import encode_frame
from logger.conformance.check import ConformanceCheck, recorded
from logger.conformance.protocol_rules import RULES
from tests.conformance.faulty import CASES, Faulty
from tests.sim_device.host import device

STEP_MS = 20


class Stepped(Protocol):
    def step(self, data: bytes, now_s: float) -> bytes:
        """On to now_s with `data` received; what is sent."""


def checked(
    dev: Any, step_ms: int = STEP_MS, busy: Callable[[int], bool] = lambda ms: False, **options: Any
) -> ConformanceCheck:
    """A whole check in simulated time. busy: at which times this computer does not come to it; the device goes on."""
    options.setdefault("ask_reset", getattr(dev, "reset", getattr(dev, "reboot", None)))
    check = ConformanceCheck(close_outputs=True, slack_ms=2 * step_ms, **options)
    waiting = b""
    for ms in range(0, 300_000, step_ms):
        now_ns = ms * 1_000_000
        if busy(ms):
            waiting += dev.step(b"", ms / 1000)
            continue
        if waiting:
            check.data(waiting, now_ns)
            waiting = b""
        check.passed(now_ns)
        if out := dev.step(check.to_send(), ms / 1000):
            check.data(out, now_ns)
        if check.done:
            return check
    raise AssertionError(f"the check does not end: {check.step}")


@pytest.mark.parametrize("board", ["scale", "recovery board", "vacuum board", "machine board"])
def test_the_simulated_device_has_no_fault(board: str) -> None:
    check = checked(device(board))
    assert check.faults == []
    assert check.step == "reset"
    assert len(check.received) > 80


@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
def test_each_fault_is_named(case: Any) -> None:
    check = checked(case.build())
    assert case.rule in check.observer.faults, [(f.rule, f.found) for f in check.faults]


def test_every_rule_has_a_fault_that_breaks_it() -> None:
    assert {case.rule for case in CASES} | {"frame.recovery"} == set(RULES)
    assert len(CASES) > 60


@pytest.mark.parametrize(("every_ms", "for_ms"), [(1700, 900), (2300, 1200), (700, 400), (5000, 3500)])
def test_a_computer_that_is_too_slow_blames_no_device(every_ms: int, for_ms: int) -> None:
    """It comes to nothing for `for_ms` of `every_ms`; the device goes on."""
    check = checked(device("scale"), busy=lambda ms: ms % every_ms >= every_ms - for_ms)
    assert [(fault.rule, fault.found) for fault in check.faults] == []


def test_a_permit_that_cannot_be_sent_in_time_is_said_not_to_be_tested() -> None:
    def late(ms: int) -> bool:
        """Whenever a contact is closed: longer than the longest time-out."""
        return bool(output.closed)

    dev = device("scale")
    output = dev.outputs[0]
    check = checked(dev, busy=late)
    assert [(fault.rule, fault.found) for fault in check.faults] == []
    assert any(note.startswith("could not be tested, this computer was too slow") for note in check.observer.notes)


@pytest.mark.parametrize("order", ["big", "none", "wrong"])
def test_a_wrong_crc_in_every_frame_is_shown_in_hex(order: str) -> None:
    class WrongCrc(Faulty):
        def said(self, payload: bytes) -> list[bytes]:
            crc = {"big": zlib.crc32(payload).to_bytes(4, "big"), "none": b"", "wrong": b"\1\2\3\4"}[order]
            runs = (payload + crc).split(b"\0")
            return [b"".join(bytes((len(run) + 1,)) + run for run in runs) + b"\0"]

    check = checked(WrongCrc())
    assert [fault.rule for fault in check.faults] == ["frame.crc"]
    [fault] = check.faults
    assert fault.payload[1:2] in (b"\x81", b"\x84")
    words = {"big": "most significant byte first", "none": "no CRC at all", "wrong": "01 02 03 04"}
    assert words[order] in fault.found


def test_a_damaged_frame_now_and_then_is_the_only_thing_that_is_named() -> None:
    class Noisy(Faulty):
        def said(self, payload: bytes) -> list[bytes]:
            self.count += payload[0] == 0x90
            frame = encode_frame(payload)
            damaged = payload[0] == 0x90 and self.count % 20 == 7
            return [frame[:-2] + bytes((frame[-2] ^ 3 or 9,)) + b"\0" if damaged else frame]

    assert [fault.rule for fault in checked(Noisy()).faults] == ["frame.crc"]


@pytest.mark.parametrize(
    ("name", "only"),
    [
        ("a layout id that nothing makes", {"layout.id", "samples.layout", "status.layout", "period.accepted"}),
        ("a frame more than was asked for", {"resend.count"}),
        ("a not-a-number", {"cbor.form"}),
        ("a byte after the map", {"cbor.form"}),
        ("the same boot count again", {"start.boot"}),
    ],
)
def test_what_follows_from_a_fault_is_not_named_too(name: str, only: set[str]) -> None:
    case = next(case for case in CASES if case.name == name)
    assert {fault.rule for fault in checked(case.build()).faults} <= only


class _Silent:
    def step(self, data: bytes, now_s: float) -> bytes:
        return b""


class _DeafAfterGarbage:
    """Never finds back to a frame."""

    def __init__(self) -> None:
        self._device, self._lost = device(), False

    def step(self, data: bytes, now_s: float) -> bytes:
        self._lost = self._lost or b"garbage" in data
        return self._device.step(b"" if self._lost else data, now_s)


def test_a_device_that_says_nothing_is_said_so_and_ends_the_check() -> None:
    check = checked(_Silent())
    assert [fault.rule for fault in check.faults] == ["reply.none"]
    assert check.step == "greeting"


def test_a_device_that_does_not_recover_from_garbage() -> None:
    assert "frame.recovery" in checked(_DeafAfterGarbage()).observer.faults


def test_recorded_bytes_are_checked_without_requests() -> None:
    dev = device()
    said = [dev.step(b"", 0.1)]
    said += [dev.step(b"", second) for second in range(1, 30)]
    assert recorded(said).faults == {}
    broken = b"".join(said).replace(b"\x84", b"\x94")  # the type of a status: its CRC no longer holds
    assert set(recorded([broken]).faults) == {"frame.crc"}
