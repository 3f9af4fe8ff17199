"""Device ticks to UTC, against simulated clocks whose truth is known."""

import math
import random
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decode.tick_fit import BINS, TickFit, _line_under
from logger.model.units import NS_PER_S

START = 1_780_000_000 * NS_PER_S
WRAP = 1 << 32


@dataclass
class Device:
    """A clock that is off by `drift`, wanders by `wander` over two hours, and frames that come late."""

    hz: int
    drift: float
    seed: int = 1
    first_tick: int = 0
    wander: float = 0.0
    least_s: float = 0.003
    jitter_s: float = 0.01
    burst: float = 0.02

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)

    def tick(self, t_s: float) -> int:
        wandered = self.wander * 7200 / math.tau * math.sin(math.tau * t_s / 7200)
        return int(self.first_tick + self.hz * ((1 - self.drift) * t_s - wandered)) % WRAP

    def delay_s(self) -> float:
        late = self.random.uniform(0.1, 0.5) if self.random.random() < self.burst else 0.0
        return self.least_s + self.random.expovariate(1 / self.jitter_s) + late


def ns(t_s: float) -> int:
    return START + round(t_s * NS_PER_S)


@settings(max_examples=30, deadline=None)
@given(
    st.sampled_from([100, 1000, 32768, 1_000_000]),
    st.floats(-2000e-6, 2000e-6),
    st.floats(0, 3e-6),
    st.floats(0.0, 0.02),
    st.integers(0, WRAP - 1),
    st.integers(0, 1000),
)
def test_stamps_are_within_the_stated_error(
    hz: int, drift: float, wander: float, jitter: float, first: int, seed: int
) -> None:
    """20 min at 2 Hz: off by no more than the stated error, one tick, and the least delay that cannot be seen."""
    device = Device(hz, drift, seed, first, wander, jitter_s=jitter + 1e-6)
    fit = TickFit(hz)
    last, last_arrival = 0, 0
    for i in range(2400):
        t = i * 0.5
        arrival = max(ns(t + device.delay_s()), last_arrival)
        last_arrival = arrival
        stamp = fit.stamp(device.tick(t), arrival)
        assert last <= stamp <= arrival
        last = stamp
        if i > 240:
            error = fit.error_ns(device.tick(t))
            assert error is not None
            one_tick = NS_PER_S // hz
            assert abs(stamp - ns(t + device.least_s)) <= error + 2 * one_tick
            assert error < 4 * jitter * NS_PER_S + 5 * one_tick + 0.01 * NS_PER_S
    assert fit.line is not None
    assert fit.line.drift == pytest.approx(drift, abs=20e-6 + 3 / hz / 1000 + wander)
    assert fit.line.delay_ns is None


@settings(max_examples=20, deadline=None)
@given(st.floats(-500e-6, 500e-6), st.floats(0.001, 0.05), st.floats(0.001, 0.05), st.integers(0, 1000))
def test_time_marks_bound_the_truth(drift: float, there_s: float, back_s: float, seed: int) -> None:
    """However unequal the two ways are, the truth lies within the stated error."""
    device = Device(1_000_000, drift, seed, least_s=back_s, jitter_s=0.003)
    fit = TickFit(1_000_000)
    for i in range(600):
        t = i * 1.0
        fit.stamp(device.tick(t), ns(t + device.delay_s()))
        if i % 20 == 5:
            sent = t + 0.2
            taken = sent + there_s + device.random.expovariate(1 / 0.003)
            fit.mark(ns(sent), device.tick(taken), device.tick(taken + 0.001), ns(taken + 0.001 + device.delay_s()))
        if i > 100:
            error = fit.error_ns(device.tick(t))
            at = fit.utc_ns(device.tick(t))
            assert error is not None
            assert at is not None
            assert abs(at - ns(t)) <= error + 1000
    assert fit.line is not None
    assert fit.line.delay_ns == pytest.approx((there_s + back_s) / 2 * NS_PER_S, abs=0.006 * NS_PER_S)


@pytest.mark.parametrize(("hz", "silence_s"), [(1000, 60 * 86400), (1_000_000, 3 * 86400), (1_000_000, 5000)])
def test_wraps_in_a_long_silence_are_counted(hz: int, silence_s: int) -> None:
    device = Device(hz, 50e-6, first_tick=WRAP - 1000)
    fit = TickFit(hz)
    for i in range(1000):
        fit.stamp(device.tick(i), ns(i + 0.01))
    t = 1000.0 + silence_s
    stamp = fit.stamp(device.tick(t), ns(t + 0.01))
    assert abs(stamp - ns(t)) < 0.02 * NS_PER_S + silence_s * 2e-6 * NS_PER_S


def test_a_resent_frame_gets_the_time_of_its_measurement() -> None:
    device = Device(1000, 100e-6)
    fit = TickFit(1000)
    for i in range(900):
        if not 300 <= i < 600:  # ten minutes later the lost five minutes are fetched
            fit.stamp(device.tick(i), ns(i + device.delay_s()))
    for i in range(300, 600):
        tick = device.tick(i)
        assert fit.is_late(tick)
        at, error = fit.utc_ns(tick), fit.error_ns(tick)
        assert at is not None
        assert error is not None
        assert abs(at - ns(i + device.least_s)) <= error + 2_000_000
        before = fit.line
        stamped = fit.stamp(tick, ns(901))
        assert abs(stamped - at) <= 1
        assert fit.line is before  # late frames do not bend the line


def test_the_error_is_told_only_when_known_and_grows_outside() -> None:
    fit = TickFit(1000)
    assert fit.line is None
    assert fit.utc_ns(0) is None
    fit.stamp(0, ns(0))
    assert fit.error_ns(0) is None
    for i in range(1, 60):
        fit.stamp(i * 1000, ns(i + (i % 7) * 0.001))
    inside, outside = fit.error_ns(30_000), fit.error_ns(3_600_000)
    assert inside is not None
    assert outside is not None
    assert outside > 50 * max(inside, 1) or inside == 0


def test_memory_is_bounded() -> None:
    fit = TickFit(1000)
    for i in range(20_000):
        fit.stamp(i * 1000, ns(i))
        if i % 10 == 0:
            fit.mark(ns(i + 0.1), i * 1000 + 105, i * 1000 + 106, ns(i + 0.11))
    assert fit.line is not None
    assert fit.line.bins == BINS
    assert len(fit._sent) <= BINS


def test_numbers_that_are_no_clock_do_not_make_a_line() -> None:
    fit = TickFit(1000)
    fit.stamp(0, ns(0))
    fit.stamp(20_000, ns(3600))
    assert fit.line is not None
    assert fit.line.drift == 0.0
    with pytest.raises(ValueError, match="above zero"):
        TickFit(0)


def test_an_impossible_mark_is_left_out() -> None:
    fit = TickFit(1000)
    fit.stamp(0, ns(0))
    fit.mark(ns(5), 4000, 4001, ns(4))
    assert fit.line is not None
    assert fit.line.delay_ns is None


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(-1000, 1000), st.integers(-1000, 1000)), min_size=1, max_size=30, unique_by=lambda p: p[0]
    )
)
def test_the_line_lies_under_every_point_and_no_other_is_nearer(points: list[tuple[int, int]]) -> None:
    points.sort()
    xs, ys = [float(x) for x, _ in points], [float(y) for _, y in points]
    offset, slope = _line_under(xs, ys)
    gap = [y - offset - slope * x for x, y in zip(xs, ys, strict=True)]
    assert min(gap) >= -1e-6
    if len(xs) < 2:
        return
    for i in range(len(xs)):  # every line through two points that lies under all
        for j in range(i):
            m = (ys[i] - ys[j]) / (xs[i] - xs[j])
            other = [y - (ys[i] + m * (x - xs[i])) for x, y in zip(xs, ys, strict=True)]
            if min(other) >= -1e-9:
                assert sum(gap) <= sum(other) + 1e-6
