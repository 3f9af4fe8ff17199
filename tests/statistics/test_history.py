"""Histories: bounded, honest about gaps, the same whatever the order of late readings."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.units import NS_PER_S
from logger.statistics.history import History

READINGS = st.lists(
    st.tuples(st.integers(0, 4000 * NS_PER_S), st.floats(-1e6, 1e6)), min_size=1, max_size=300, unique_by=lambda r: r[0]
)


@given(readings=READINGS, cap=st.integers(4, 64), sizes=st.lists(st.integers(1, 60)), late=st.booleans())
@settings(max_examples=60, deadline=None)
def test_many_at_once_are_as_one_by_one(
    readings: list[tuple[int, float]], cap: int, sizes: list[int], late: bool
) -> None:
    one, many = (History("vacuum", 500 * NS_PER_S, max_buckets=cap) for _ in range(2))
    rows = readings if late else sorted(readings)
    for t, v in rows:
        one.add(t, v)
    at = 0
    for size in [*sizes, len(rows)]:
        part = rows[at : at + size]
        times = [t for t, _ in part]
        many.add_all(times, [v for _, v in part], times == sorted(times))
        at += size
    assert (many.buckets(), many.width_s, many.newest_ns) == (one.buckets(), one.width_s, one.newest_ns)


@given(readings=READINGS, cap=st.integers(4, 64), seed=st.integers(0, 9))
@settings(max_examples=60, deadline=None)
def test_bounded_and_independent_of_order(readings: list[tuple[int, float]], cap: int, seed: int) -> None:
    first, second = (History("vacuum", 0, max_buckets=cap) for _ in range(2))
    shuffled = random.Random(seed).sample(readings, len(readings))
    for t, v in readings:
        first.add(t, v)
    for t, v in shuffled:
        second.add(t, v)
    assert len(first) <= cap
    low, high = min(v for _, v in readings), max(v for _, v in readings)
    assert min(b.low for b in first.buckets()) == low
    assert max(b.high for b in first.buckets()) == high
    # Decimation may set in at another moment, never to another truth.
    if first.width_s == second.width_s:
        assert [(b.start_s, b.low, b.high) for b in first.buckets()] == [
            (b.start_s, b.low, b.high) for b in second.buckets()
        ]
    starts = [b.start_s for b in second.buckets()]
    assert starts == sorted(set(starts))


def test_a_gap_is_told_with_its_reason() -> None:
    history = History("vacuum", 0)
    for s in [*range(20), *range(60, 80)]:
        history.add(s * NS_PER_S, 50.0)
    history.fault(30 * NS_PER_S, "device lost")
    series = history.series(until_s=100.0)
    assert [(round(g.start_s), round(g.end_s), g.reason) for g in series.gaps] == [
        (20, 60, "device lost"),
        (80, 100, "device lost"),
    ]
    assert series.duration_s == pytest.approx(79.0)


def test_a_reading_before_the_window_is_left_out() -> None:
    history = History("vacuum", 10 * NS_PER_S)
    history.add(9 * NS_PER_S, 1.0)
    assert len(history) == 0
