"""Overviews against a plain computation over the same readings, in any order and any pieces."""

import math
import sqlite3
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.model.sample import PointSample, scans
from logger.model.units import NS_PER_S
from logger.store.database import connect_writer
from logger.store.rollup import Bins, OverviewBucket, fold, overview, rebuild, store_bins
from tests.store.making import JOB_ID, T0_NS

END_NS = T0_NS + 400 * NS_PER_S

samples = st.lists(
    st.builds(
        lambda t, point, value: PointSample(T0_NS + t, point, value, None if value is not None else "open circuit"),
        st.integers(0, 400 * NS_PER_S - 1),
        st.sampled_from(["vacuum", "cylinder_mass"]),
        st.none() | st.floats(-1e6, 1e6),
    ),
    max_size=60,
)


@pytest.fixture
def connection(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    opened = connect_writer(tmp_path / "job.rimelog", JOB_ID, T0_NS)
    yield opened
    opened.close()


def expected(readings: list[PointSample], point: str, bucket: OverviewBucket) -> OverviewBucket:
    values = [
        s.value for s in readings if s.point == point and s.value is not None and bucket.t0_ns <= s.t_ns < bucket.t1_ns
    ]
    if not values:
        return OverviewBucket(bucket.t0_ns, bucket.t1_ns, 0, None, None, None)
    return OverviewBucket(
        bucket.t0_ns, bucket.t1_ns, len(values), min(values), max(values), math.fsum(values) / len(values)
    )


def close(found: OverviewBucket, wanted: OverviewBucket) -> bool:
    if found.mean is None or wanted.mean is None:
        return found == wanted
    same = (found.n, found.min, found.max) == (wanted.n, wanted.min, wanted.max)
    return same and math.isclose(found.mean, wanted.mean, rel_tol=1e-9, abs_tol=1e-6)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(samples, st.integers(1, 7), st.integers(1, 60), st.integers(0, 300), st.integers(1, 400))
def test_every_bucket_is_what_the_readings_say(
    connection: sqlite3.Connection, readings: list[PointSample], pieces: int, buckets: int, start_s: int, span_s: int
) -> None:
    connection.execute("BEGIN")
    connection.execute("DELETE FROM rollup")
    for k in range(pieces):  # committed in pieces, late ones last
        bins: Bins = {}
        fold(bins, scans(readings[k::pieces]))
        store_bins(connection, bins, {})
    connection.execute("COMMIT")
    t0_ns, t1_ns = T0_NS + start_s * NS_PER_S, T0_NS + (start_s + span_s) * NS_PER_S
    found = overview(connection, "vacuum", t0_ns, t1_ns, buckets)
    assert 1 <= len(found) <= buckets
    assert found[0].t0_ns <= t0_ns < found[0].t1_ns
    assert found[-1].t0_ns < t1_ns <= found[-1].t1_ns
    assert all(before.t1_ns == after.t0_ns for before, after in pairwise(found))
    assert len({b.t1_ns - b.t0_ns for b in found}) == 1
    for bucket in found:
        assert close(bucket, expected(readings, "vacuum", bucket))


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(samples)
def test_rebuilding_gives_the_same(connection: sqlite3.Connection, readings: list[PointSample]) -> None:
    connection.execute("BEGIN")
    connection.execute("DELETE FROM rollup")
    bins: Bins = {}
    fold(bins, scans(readings))
    store_bins(connection, bins, {})
    before = overview(connection, "cylinder_mass", T0_NS, END_NS, 40)
    assert rebuild(connection, scans(readings)) == sum(s.value is not None for s in readings)
    after = overview(connection, "cylinder_mass", T0_NS, END_NS, 40)
    connection.execute("COMMIT")
    assert all(map(close, after, before))


def test_a_long_night_is_as_few_buckets_as_asked(connection: sqlite3.Connection) -> None:
    day_ns = 86_400 * NS_PER_S
    found = overview(connection, "vacuum", T0_NS, T0_NS + 3 * day_ns, 300)
    assert 250 <= len(found) <= 300
    assert overview(connection, "vacuum", T0_NS, T0_NS, 10) == []
    assert overview(connection, "vacuum", T0_NS, END_NS, 0) == []


def test_a_number_that_is_none_is_left_out_not_stored(connection: sqlite3.Connection) -> None:
    bins: Bins = {}
    fold(bins, scans([PointSample(T0_NS, "vacuum", math.nan), PointSample(T0_NS, "cylinder_mass", 5.0)]))
    connection.execute("BEGIN")
    store_bins(connection, bins, {})
    connection.execute("COMMIT")
    assert overview(connection, "vacuum", T0_NS, END_NS, 1)[0].n == 0
    assert overview(connection, "cylinder_mass", T0_NS, END_NS, 1)[0].mean == pytest.approx(5.0)
