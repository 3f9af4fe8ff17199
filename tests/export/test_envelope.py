"""Thinning hides no spike and invents nothing."""

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decode.channel import OVER_RANGE
from logger.export.report.envelope import Envelope

READINGS = st.lists(st.tuples(st.integers(0, 1_000_000), st.floats(-1e6, 1e6)), min_size=1, max_size=200)


@given(READINGS, st.integers(1, 20))
@settings(max_examples=150, deadline=None)
def test_extremes_and_ends_survive(readings: list[tuple[int, float]], buckets: int) -> None:
    envelope = Envelope(0, 1_000_000, buckets)
    for t, v in readings:
        envelope.add(t, v)
    points = envelope.points()
    assert set(points) <= set(readings)
    assert points == sorted(points)
    assert len(points) <= 4 * buckets
    values = [v for _, v in readings]
    assert {min(values), max(values)} <= {v for _, v in points}
    assert {min(t for t, _ in readings), max(t for t, _ in readings)} <= {t for t, _ in points}
    assert envelope.low is not None and envelope.low[1] == min(values)
    assert envelope.high is not None and envelope.high[1] == max(values)
    assert sum(len(piece) for piece in envelope.pieces()) == len(points)


def test_a_line_breaks_where_readings_stay_out_and_only_there() -> None:
    envelope = Envelope(0, 1000, 100)
    for t in [*range(0, 400, 10), *range(600, 1001, 10)]:
        envelope.add(t, 1.0)
    pieces = envelope.pieces()
    assert [(p[0][0], p[-1][0]) for p in pieces] == [(0, 390), (600, 1000)]


def test_sparse_readings_are_one_line() -> None:
    envelope = Envelope(0, 100_000, 400)
    for t in range(0, 100_001, 5000):
        envelope.add(t, float(t))
    assert len(envelope.pieces()) == 1


def test_missing_readings_are_counted_apart() -> None:
    envelope = Envelope(0, 10)
    envelope.add(1, None)
    envelope.add(2, 5.0)
    assert (envelope.count, envelope.missing, envelope.first, envelope.last) == (1, 1, (2, 5.0), (2, 5.0))
    assert Envelope(0, 10).low is None and Envelope(0, 10).pieces() == ()


def test_where_only_readings_out_of_range_came_is_told() -> None:
    envelope = Envelope(0, 1000, 100)
    for t in range(0, 300, 10):
        envelope.add(t, None, OVER_RANGE)
    for t in range(300, 1000, 10):
        envelope.add(t, 1.0)
    envelope.add(655, None, OVER_RANGE)  # beside a good one
    ((begin, end, said),) = envelope.out_of_range()
    assert (begin, end) == (0, 290) and said == OVER_RANGE


def test_a_slow_gauge_out_of_range_is_one_span_and_a_gap_between_two() -> None:
    """One reading in several buckets."""
    envelope = Envelope(0, 1000, 400)
    for t in (*range(0, 200, 10), *range(600, 800, 10)):
        envelope.add(t, None, OVER_RANGE)
    envelope.add(905, 1.0)
    assert [span[:2] for span in envelope.out_of_range()] == [(0, 190), (600, 790)]
