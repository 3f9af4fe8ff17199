"""Clocks that lie, and lines that hold frames up: which ticks are believed, and how old a reading may look."""

import random
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decode.device_clock import TRUST_S, DeviceClock
from logger.model.units import NS_PER_S

START = 1_780_000_000 * NS_PER_S
HZ, PERIOD_S = 1000, 0.1
STALE_S = 3.0  # a 10 Hz reading older than that is unknown
WRAP = 1 << 32


def ns(t_s: float) -> int:
    return START + round(t_s * NS_PER_S)


def seed_of(name: str) -> random.Random:
    return random.Random(name)


NOISE = seed_of("noise")
LIES: dict[str, Callable[[float], int]] = {
    "stuck": lambda t: 5000,
    "stuck after a minute": lambda t: int(HZ * min(t, 60.0)),
    "backward": lambda t: int(HZ * (10_000 - t)),
    "backward after a minute": lambda t: int(HZ * (t if t < 60 else 120 - t)),
    "a fiftieth": lambda t: int(HZ * t / 50),
    "half": lambda t: int(HZ * t / 2),
    "fifty times": lambda t: int(HZ * t * 50),
    "noise": lambda t: NOISE.randrange(WRAP),
    "a little noise": lambda t: NOISE.randrange(5000),
    "an hour ahead": lambda t: int(HZ * (t if t < 60 else t + 3600)),
    "an hour back": lambda t: int(HZ * (t + 3600 if t < 60 else t)),
}


@pytest.mark.parametrize("lie", LIES)
def test_no_reading_waits_for_a_clock_that_lies(lie: str) -> None:
    clock, last, said = DeviceClock(HZ), 0, set()
    for i in range(3000):
        t = i * PERIOD_S
        stamp = clock.live(i, LIES[lie](t) % WRAP, ns(t + 0.01))
        assert last <= stamp <= ns(t + 0.01)
        assert ns(t + 0.01) - stamp < (STALE_S - 0.5) * NS_PER_S, f"{t} s"
        last = stamp
        said.add(clock.problem)
    assert said != {None}, "and it is told"


@pytest.mark.parametrize("lie", ["stuck after a minute", "an hour ahead", "an hour back"])
def test_a_clock_that_is_good_again_is_believed_again(lie: str) -> None:
    clock = DeviceClock(HZ)
    for i in range(900):
        clock.live(i, LIES[lie](i * PERIOD_S), ns(i * PERIOD_S))
    told = clock.problem
    assert told is not None
    for i in range(900, 900 + int(2 * TRUST_S / PERIOD_S)):
        clock.live(i, int(HZ * i * PERIOD_S) + 7_200_000, ns(i * PERIOD_S))
    assert clock.problem is None


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.5, 60.0), st.floats(0.0, 30.0)), max_size=5),
    st.floats(-0.02, 0.02),
    st.floats(0.0, 0.15),
    st.integers(0, 1000),
)
def test_a_line_that_holds_frames_up_is_no_clock_that_lies(
    stalls: list[tuple[float, float]], drift: float, jitter_s: float, seed: int
) -> None:
    """The computer stands still, or the line does, and then all that waited comes at once, or as fast as it can."""
    rng, clock = random.Random(seed), DeviceClock(HZ)
    held: list[tuple[float, float]] = []
    for begins, lasts in stalls:
        held.append((begins + (held[-1][1] if held else 0.0), begins + lasts + (held[-1][1] if held else 0.0)))
    last_arrival = 0.0
    for i in range(1500):
        t = i * PERIOD_S
        free = next((end for begin, end in held if begin <= t < end), t)
        last_arrival = max(free + rng.random() * jitter_s, last_arrival + 0.002)
        stamp = clock.live(i, int(HZ * t * (1 + drift)), ns(last_arrival))
        assert clock.problem is None
        if t > 30 and not held:
            assert abs(stamp - ns(t)) < (jitter_s + 0.25) * NS_PER_S


def test_what_is_sent_again_lies_where_it_was_made_although_the_clock_lies() -> None:
    clock = DeviceClock(HZ)
    for i in range(1000):
        if not 300 <= i < 400:  # lost on the way
            clock.live(i, 5000, ns(i * PERIOD_S))
    assert clock.problem is not None
    for i in range(300, 400):
        stamp = clock.resent(i, 5000, ns(100.0 + i * 0.01))
        assert abs(stamp - ns(i * PERIOD_S)) < 0.05 * NS_PER_S


def test_what_is_sent_again_is_never_newer_than_what_came() -> None:
    clock = DeviceClock(HZ)
    newest = max(clock.live(i, int(HZ * i * PERIOD_S), ns(i * PERIOD_S)) for i in range(100))
    assert clock.resent(40, 4000, ns(20)) == pytest.approx(ns(4.0), abs=NS_PER_S // 10)
    assert clock.resent(41, 900_000, ns(20)) <= newest


def test_a_simulated_job_that_runs_faster_is_given_its_patience() -> None:
    """At a hundred times real time a computer that looks away for 50 ms makes readings seem 5 s late."""
    rng, clock = random.Random(3), DeviceClock(HZ, speed=100.0)
    arrival = 0.0
    for i in range(3000):
        t = i * PERIOD_S
        arrival = max(t + 5.0 * rng.random(), arrival)
        clock.live(i, int(HZ * t), ns(arrival))
        assert clock.problem is None


@pytest.mark.parametrize("jump_s", [-24 * 86_400, 3600, -3600, 20, 3])
def test_what_is_sent_again_from_before_a_jump_lies_in_its_gap(jump_s: int) -> None:
    """Frames 900 to 950 are lost, at 100 s the clock jumps, they are sent again when it is believed again."""

    def tick(i: int) -> int:
        return int(HZ * (i * PERIOD_S + (jump_s if i >= 1000 else 0))) % WRAP

    clock, lost = DeviceClock(HZ), range(900, 950)
    for i in range(3000):
        if i not in lost:
            clock.live(i, tick(i), ns(i * PERIOD_S + 0.01))
    assert clock.problem is None
    for i in lost:
        off_s = abs(clock.resent(i, tick(i), ns(301)) - ns(i * PERIOD_S)) / NS_PER_S
        assert off_s < (1.1 if abs(jump_s) > 5 else 3.1), "a jump shorter than the gap cannot be seen in it"
    for i in (970, 1010):
        assert abs(clock.resent(i, tick(i), ns(301)) - ns(i * PERIOD_S)) < 5.1 * NS_PER_S


def test_the_neighbors_are_few_after_a_night() -> None:
    clock = DeviceClock(HZ)
    for i in range(40_000):  # each 2 s, every second one lost
        clock.live(2 * i, HZ * 2 * i % WRAP, ns(2.0 * i))
    assert len(clock._places) == len(clock._numbers) <= 4096
    assert abs(clock.resent(3, HZ * 3 % WRAP, ns(80_001)) - ns(3.0)) < NS_PER_S
