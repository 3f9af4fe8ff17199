"""The one clock, with clocks that are given and once with a real stopped process."""

import os
import signal
import subprocess
import sys
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.clock import (
    MAX_SLEW,
    MIN_CLOCK_NS,
    Clock,
    ClockReading,
    GapWatch,
    Trouble,
    TroubleKind,
    read_system,
    utc_text,
)
from logger.model.units import NS_PER_S

START = MIN_CLOCK_NS + 1000 * NS_PER_S


class Computer:
    """Clocks of a computer that drifts, sleeps and gets its clock set."""

    def __init__(self, wall_ns: int = START) -> None:
        self.utc = wall_ns
        self.mono, self.boot, self.error = 50 * NS_PER_S, 90 * NS_PER_S, 0

    def read(self) -> ClockReading:
        return ClockReading(self.utc + self.error, self.mono, self.boot)

    def run(self, seconds: float, drift: float = 0.0) -> None:
        """drift: how much faster than UTC the counters run."""
        self.utc += int(seconds * NS_PER_S)
        self.mono += int(seconds * NS_PER_S * (1 + drift))
        self.boot += int(seconds * NS_PER_S * (1 + drift))

    def sleep(self, seconds: float) -> None:
        self.utc += int(seconds * NS_PER_S)
        self.boot += int(seconds * NS_PER_S)

    def set_clock(self, by_s: float) -> None:
        self.error += int(by_s * NS_PER_S)


def kinds(found: list[Trouble]) -> list[tuple[str, float]]:
    return [(str(t.kind), round(t.seconds, 2)) for t in found]


def test_sleep_stall_and_step_are_told_apart() -> None:
    computer = Computer()
    clock = Clock(computer.read, period_s=1.0)
    computer.run(1)
    assert clock.tick() == []
    computer.sleep(3600)
    computer.run(1)
    assert kinds(clock.tick()) == [("sleep", 3600.0)]
    computer.run(8)
    assert kinds(clock.tick()) == [("stall", 8.0)]
    computer.run(1)
    computer.set_clock(-7200)
    assert kinds(clock.tick()) == [("clock step", -7200.0)]
    computer.sleep(600)
    computer.set_clock(30)
    computer.run(5)
    assert kinds(clock.tick()) == [("sleep", 600.0), ("stall", 5.0), ("clock step", 30.0)]
    computer.run(1)
    assert clock.tick() == []


def test_a_step_is_told_and_not_followed() -> None:
    computer = Computer()
    clock = Clock(computer.read)
    for _ in range(10):
        computer.run(1)
        clock.tick()
    before = clock.now_ns()
    computer.set_clock(3600)
    (step,) = clock.tick()
    assert clock.now_ns() == before
    assert clock.offset_ns == 3600 * NS_PER_S
    assert step.text == "the computer's clock was set forwards by 60 min; the record's time continues unchanged"
    for _ in range(100):
        computer.run(1)
        assert clock.tick() == []
    assert abs(clock.now_ns() - computer.utc) < 1000


@pytest.mark.parametrize("smeared", [False, True], ids=["repeated", "smeared"])
def test_a_leap_second_makes_no_time_twice(smeared: bool) -> None:
    """UTC's 23:59:60: a computer repeats a second, or spreads it over a day; the record's time does neither."""
    computer = Computer()
    clock = Clock(computer.read, period_s=60.0)
    found: list[Trouble] = []
    last_ns, day_min = clock.now_ns(), 24 * 60
    for minute in range(2 * day_min):
        computer.run(60)
        if smeared and minute < day_min:
            computer.set_clock(-1 / day_min)
        if not smeared and minute == day_min // 2:
            computer.set_clock(-1)
        found += clock.tick()
        assert 59.9 * NS_PER_S < clock.now_ns() - last_ns < 60.1 * NS_PER_S
        last_ns = clock.now_ns()
    assert kinds(found) == ([] if smeared else [("clock step", -1.0)])
    true_ns = computer.utc + (computer.error if smeared else 0)  # a smeared second is followed as a drift is
    assert abs(clock.now_ns() - true_ns) < 20_000_000


@pytest.mark.parametrize("drift_ppm", [-200, -20, 0, 20, 200])
def test_true_in_utc_through_a_night_of_drift_and_sleep(drift_ppm: float) -> None:
    """72 h with counters that drift, and a sleep of 8 h: within 10 ms of UTC, and not one step told."""
    computer = Computer()
    clock = Clock(computer.read, period_s=5.0)
    worst = 0
    for _ in range(72 * 3600 // 5):
        computer.run(5.0, drift_ppm * 1e-6)
        assert all(t.kind is not TroubleKind.STEP for t in clock.tick())
        worst = max(worst, abs(clock.now_ns() - computer.utc))
    assert worst < 10_000_000
    computer.sleep(8 * 3600)
    computer.run(1)
    assert kinds(clock.tick()) == [("sleep", 8 * 3600.0)]
    assert abs(clock.now_ns() - computer.utc) < 10_000_000


acts = st.lists(
    st.tuples(
        st.sampled_from(["run", "sleep", "set", "tick", "small set"]),
        st.floats(0, 1e5, allow_nan=False),
        st.floats(-300e-6, 300e-6),
    ),
    max_size=60,
)


@settings(max_examples=200, deadline=None)
@given(acts, st.booleans())
def test_monotonic_and_at_the_counters_rate_whatever_happens(
    acts: list[tuple[str, float, float]], record_ahead: bool
) -> None:
    computer = Computer()
    clock = Clock(computer.read, not_before_ns=START + 5000 * NS_PER_S if record_ahead else 0)
    last, last_boot = clock.now_ns(), computer.boot
    for act, size, drift in acts:
        if act == "run":
            computer.run(size, drift)
        elif act == "sleep":
            computer.sleep(size)
        elif act == "set":
            computer.set_clock(size - 5e4)
        elif act == "small set":
            computer.set_clock(size / 1e6 - 0.05)
        else:
            clock.tick()
        now = clock.now_ns()
        went = computer.boot - last_boot
        assert now >= last
        assert abs((now - last) - went) <= went * MAX_SLEW + 1
        last, last_boot = now, computer.boot


def test_a_clock_behind_the_record_goes_on_from_there_and_says_so() -> None:
    computer = Computer()
    clock = Clock(computer.read, not_before_ns=START + 3 * 3600 * NS_PER_S)
    assert clock.now_ns() == START + 3 * 3600 * NS_PER_S + 1
    assert clock.problem is not None
    assert "3.0 h behind the newest record" in clock.problem
    for _ in range(100):
        computer.run(1)
        assert clock.tick() == []
    assert clock.now_ns() == START + (3 * 3600 + 100) * NS_PER_S + 1  # no slewing back
    assert Clock(computer.read).problem is None


def test_a_record_opened_later_is_gone_on_after_too() -> None:
    computer = Computer()
    clock = Clock(computer.read)
    computer.run(5)
    clock.resume_after(START + 2 * NS_PER_S)  # already past it: nothing to do
    assert (clock.now_ns(), clock.problem) == (START + 5 * NS_PER_S, None)
    clock.resume_after(START + 100 * NS_PER_S)
    assert clock.now_ns() == START + 100 * NS_PER_S + 1
    assert clock.problem is not None
    assert clock.offset_ns == -95 * NS_PER_S - 1
    computer.run(1)
    assert clock.tick() == []
    assert clock.now_ns() == START + 101 * NS_PER_S + 1


def test_a_clock_that_was_never_set_is_named() -> None:
    clock = Clock(Computer(946_684_800 * NS_PER_S).read)
    assert clock.problem is not None
    assert "2000-01-01T00:00:00Z" in clock.problem


def test_troubles_in_words() -> None:
    said = [
        Trouble(kind, s, 0, 0).text
        for kind, s in ((TroubleKind.SLEEP, 5400.0), (TroubleKind.STALL, 3.2), (TroubleKind.STEP, -10000.0))
    ]
    assert said == [
        "the computer slept for 90 min",
        "the program was stopped for 3.2 s",
        "the computer's clock was set back by 2.8 h; the record's time continues unchanged",
    ]
    assert [Trouble(kind, 1.0, 0, 0).is_gap for kind in TroubleKind] == [True, True, False]


def test_the_system_clocks_agree_with_python() -> None:
    a, b = read_system(), read_system()
    assert abs(a.wall_ns - time.time_ns()) < NS_PER_S
    assert b.mono_ns >= a.mono_ns
    assert b.boot_ns >= b.mono_ns  # on this system the counters begin together, and only one of them sleeps
    assert utc_text(a.wall_ns) == time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(a.wall_ns // NS_PER_S))


def test_first_tick_knows_nothing() -> None:
    assert GapWatch(1.0).tick(ClockReading(0, 0, 0), 0) == []


_CHILD = """
import time
from logger.clock import Clock
clock = Clock(period_s=0.05)
print("begun", flush=True)
for _ in range(2000):
    for trouble in clock.tick():
        print(trouble.kind, round(trouble.seconds, 1), flush=True)
    time.sleep(0.05)
"""


@pytest.mark.skipif(os.name != "posix", reason="stopping a process by signal is POSIX; the rest runs everywhere")
def test_a_stopped_process_says_it_stalled() -> None:
    child = subprocess.Popen([sys.executable, "-c", _CHILD], stdout=subprocess.PIPE, text=True)
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "begun\n"
        time.sleep(0.2)
        child.send_signal(signal.SIGSTOP)
        time.sleep(0.7)
        child.send_signal(signal.SIGCONT)
        seconds = 0.0
        while seconds < 0.6:  # a busy machine makes small ones of its own
            kind, said = child.stdout.readline().split()
            assert kind == "stall"
            seconds = float(said)
        assert seconds <= 60.0
    finally:
        child.kill()
        child.communicate()
