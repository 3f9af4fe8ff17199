"""Frames gathered into records: none lost, none twice, in order, bounded, whatever the clock does."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.evidence.chain import frames_of
from logger.evidence.errors import ChainError
from logger.evidence.segments import MAX_FRAME, SegmentBuilder
from logger.model.records import NewRecord
from logger.model.units import NS_PER_S

T0_NS = 1_764_000_000_000_000_000


def frames_by_device(records: list[NewRecord]) -> dict[str, list[tuple[int, bytes]]]:
    out: dict[str, list[tuple[int, bytes]]] = {}
    for record in records:
        out.setdefault(record.device, []).extend(frames_of(record))
    return out


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(["a", "b"]), st.integers(-3_000_000, 3_000_000), st.binary(max_size=20)), max_size=40
    )
)
def test_every_frame_comes_out_once_in_order_with_its_microsecond(steps: list[tuple[str, int, bytes]]) -> None:
    """Times jump forwards and backwards at will (microseconds here), as after a set clock or a resend."""
    builder = SegmentBuilder()
    given_frames: dict[str, list[tuple[int, bytes]]] = {}
    records: list[NewRecord] = []
    now_ns = T0_NS
    for device, jump_us, raw in steps:
        now_ns += 1000 * jump_us
        builder.add(device, now_ns, raw)
        given_frames.setdefault(device, []).append((now_ns, raw))
        records += builder.flush(now_ns)
    records += builder.flush(now_ns, force=True)
    assert frames_by_device(records) == given_frames
    assert all(record.n > 0 for record in records)
    assert builder.flush(now_ns, force=True) == []


def test_once_a_second_all_devices_together() -> None:
    builder = SegmentBuilder()
    out: list[list[NewRecord]] = []
    for tick in range(100):  # ten seconds of ten scans of two devices
        now_ns = T0_NS + tick * NS_PER_S // 10
        builder.add("a", now_ns, b"scan")
        builder.add("b", now_ns + 20_000_000, b"other")
        if flushed := builder.flush(now_ns + 50_000_000):
            out.append(flushed)
    assert [len(flushed) for flushed in out] == [2] * 9
    assert {record.n for flushed in out[1:] for record in flushed} == {10}
    assert max(frames_of(r)[-1][0] - r.t0_ns for flushed in out for r in flushed) <= 1.1 * NS_PER_S


def test_a_clock_set_back_does_not_hold_frames_back() -> None:
    builder = SegmentBuilder()
    builder.flush(T0_NS)
    builder.add("a", T0_NS + 1, b"before")
    back_ns = T0_NS - 3600 * NS_PER_S
    builder.add("a", back_ns, b"after")
    records = builder.flush(back_ns + 1)
    assert [(r.t0_ns, r.payload) for r in records] == [(T0_NS + 1, b"before"), (back_ns, b"after")]


def test_a_device_that_talks_too_much_is_cut_into_bounded_records() -> None:
    builder = SegmentBuilder()
    for _ in range(1000):
        builder.add("a", T0_NS, bytes(1000))
    records = builder.flush(T0_NS, force=True)
    assert sum(record.n for record in records) == 1000
    assert max(len(record.payload) for record in records) <= 65_536


def test_a_frame_no_record_can_hold_is_refused() -> None:
    builder = SegmentBuilder()
    with pytest.raises(ChainError):
        builder.add("a", T0_NS, bytes(MAX_FRAME + 1))
    with pytest.raises(ChainError):
        builder.add("x" * 256, T0_NS, b"")
