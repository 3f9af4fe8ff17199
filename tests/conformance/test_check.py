"""Devices that keep to SPEC.md have no fault, and each of many faults is named by its rule."""

from typing import Any, Protocol

import pytest

from logger.conformance.check import ConformanceCheck, recorded
from logger.conformance.protocol_rules import RULES
from tests.conformance.faulty import CASES
from tests.sim_device.host import device

STEP_MS = 20


class Stepped(Protocol):
    def step(self, data: bytes, now_s: float) -> bytes:
        """On to now_s with `data` received; what is sent."""


def checked(dev: Any, step_ms: int = STEP_MS, **options: Any) -> ConformanceCheck:
    """A whole check in simulated time."""
    options.setdefault("ask_reset", getattr(dev, "reset", getattr(dev, "reboot", None)))
    check = ConformanceCheck(close_outputs=True, slack_ms=2 * step_ms, **options)
    for ms in range(0, 300_000, step_ms):
        now_ns = ms * 1_000_000
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
