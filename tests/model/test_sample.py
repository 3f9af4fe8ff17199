"""Scans: the trusted readings, none lost, none moved to another time."""

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.sample import PointSample, Scan, scans

readings = st.lists(
    st.builds(PointSample, st.integers(0, 3), st.sampled_from(["vacuum", "cylinder_mass"]), st.none() | st.floats()),
    max_size=20,
)


@settings(max_examples=100, deadline=None)
@given(readings)
def test_every_trusted_reading_is_in_a_scan_in_order(given_samples: list[PointSample]) -> None:
    back = [
        (scan.t_ns, point, value)
        for scan in scans(given_samples)
        for point, value in zip(scan.points, scan.values, strict=True)
    ]
    assert repr(back) == repr([tuple(s[:3]) for s in given_samples if s.value is not None])  # repr: NaN is not itself


def test_readings_of_one_time_are_one_scan_and_one_without_a_value_is_left_out() -> None:
    samples = [
        PointSample(5, "vacuum", 40.0),
        PointSample(5, "cylinder_mass", None, "open circuit"),
        PointSample(5, "barometer", 1e5),
        PointSample(6, "vacuum", None, "short"),
        PointSample(7, "vacuum", 41.0),
    ]
    assert list(scans(samples)) == [Scan(5, ("vacuum", "barometer"), (40.0, 1e5)), Scan(7, ("vacuum",), (41.0,))]
