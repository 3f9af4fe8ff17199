"""Each sequence number is delivered once, and what is missing is exactly what has not come."""

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.sequence import MAX_RANGES, Arrival, SequenceTracker

fast = settings(max_examples=200, deadline=None)
WRAP = 2**32


@fast
@given(
    st.sampled_from([0, 1, WRAP - 5, WRAP - 1, WRAP + 7]),
    st.lists(st.integers(-5, 40), max_size=60),
    st.lists(st.integers(0, 45), max_size=5),
)
def test_against_a_set(start: int, arrivals: list[int], announcements: list[int]) -> None:
    """Arrivals in any order, with repeats, across the wrap, mixed with announcements."""
    tracker = SequenceTracker(start)
    came: set[int] = set()
    known = start  # all below are known to exist
    steps = [("frame", n) for n in arrivals] + [("announced", n) for n in announcements]
    for what, offset in steps:
        number = start + offset
        if what == "announced":
            tracker.announced(number % WRAP)
            known = max(known, number)
        else:
            expected = (
                Arrival.LIVE
                if number >= known
                else Arrival.BACKFILLED
                if number >= start and number not in came
                else Arrival.DUPLICATE
            )
            assert tracker.arrived(number % WRAP) is expected
            if number >= start:
                came.add(number)
                known = max(known, number + 1)
        assert tracker.next == known
        missing = [n for first, last in tracker.missing for n in range(first, last + 1)]
        assert missing == sorted(set(range(start, known)) - came)
        assert all(a[1] + 1 < b[0] for a, b in zip(tracker.missing, tracker.missing[1:], strict=False))


@fast
@given(st.lists(st.integers(0, 60), max_size=30), st.integers(0, 60), st.integers(0, 60))
def test_giving_up_returns_exactly_what_was_missing(arrivals: list[int], first: int, last: int) -> None:
    tracker = SequenceTracker(0)
    for number in arrivals:
        tracker.arrived(number)
    tracker.announced(61)
    before = {n for a, b in tracker.missing for n in range(a, b + 1)}
    given_up = {n for a, b in tracker.give_up(first, last) for n in range(a, b + 1)}
    after = {n for a, b in tracker.missing for n in range(a, b + 1)}
    assert given_up == before & set(range(first, last + 1))
    assert after == before - given_up


def test_holes_are_bounded() -> None:
    tracker = SequenceTracker(0)
    for number in range(1, 2 * MAX_RANGES + 20, 2):
        tracker.arrived(number)
    assert tracker.overflow() == [(2 * i, 2 * i) for i in range(10)]
    assert len(tracker.missing) == MAX_RANGES
