"""The ring: bounded, in order, and what it gives up is counted and told."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.evidence.chain import event_data
from logger.model.records import EVENT, FRAMES, GAP, NewRecord
from logger.model.units import NS_PER_S
from logger.store.ring import Ring
from tests.store.making import T0_NS, note, readings, second

LIMIT = 40_000


@settings(max_examples=150, deadline=None)
@given(st.lists(st.sampled_from(["frames", "frames", "frames", "event", "done", "failed"]), max_size=150))
def test_everything_is_written_once_in_order_or_counted_as_lost(steps: list[str]) -> None:
    ring = Ring(LIMIT)
    written: list[NewRecord] = []
    submitted: list[NewRecord] = []
    told_lost = 0

    def write() -> None:
        nonlocal told_lost
        records, _, _ = ring.take(10_000)
        for record in records:
            if record.kind == EVENT and event_data(record)["type"] == GAP:
                told_lost += event_data(record)["records_lost"]
            else:
                written.append(record)
        ring.done()

    for k, step in enumerate(steps):
        if step in ("frames", "event"):
            new = second(k) if step == "frames" else note(k)
            submitted.append(new)
            ring.add([new], readings(k) if step == "frames" else [], float(k))
        elif step == "done":
            write()
        else:
            ring.take(10_000)
            ring.failed()
        assert ring.size <= LIMIT + 30_000  # the newest chunk is never given up as a whole
    while ring.since_s is not None:
        write()
    assert [r for r in submitted if r in written] == written
    assert len(written) + told_lost == len(submitted)
    assert [r for r in written if r.kind == EVENT] == [r for r in submitted if r.kind == EVENT]
    assert (ring.size, ring.records) == (0, 0)


def test_when_nothing_can_be_written_the_oldest_frames_go_and_every_event_stays() -> None:
    ring = Ring(200_000)
    ring.cause = "disk full"
    for k in range(1000):
        ring.add([second(k)], readings(k), 0.0)
        if k % 100 == 0:
            ring.add([note(k)], (), 0.0)
    assert ring.size <= 200_000
    records: list[NewRecord] = []
    bins = {}
    while ring.since_s is not None:
        some, more, _ = ring.take(1 << 20)
        records += some
        bins.update(more)
        ring.done()
    gap = event_data(records[0])
    frames = [r for r in records if r.kind == FRAMES]
    kept = len(frames)
    assert 50 < kept < 300
    assert frames == [second(k) for k in range(1000 - kept, 1000)]  # the newest
    assert [event_data(r)["type"] for r in records if r.kind == EVENT] == [GAP] + ["note"] * 10
    assert gap["cause"] == "disk full"
    assert gap["frames_lost"] == 10 * (1000 - kept) == ring.lost_frames
    assert gap["from_ns"] == T0_NS
    assert gap["to_ns"] == T0_NS + (999 - kept) * NS_PER_S + 9 * NS_PER_S // 10
    # The overview tells only of what is kept, up to the ten seconds that a chunk may share with a lost one.
    assert min(number for number, _ in bins) == (T0_NS // NS_PER_S + 1000 - kept) // 10


def test_even_events_are_bounded_and_their_loss_is_told() -> None:
    ring = Ring(100_000)
    for k in range(2000):
        ring.add([note(k, "x" * 100)], (), 0.0)
    assert ring.size <= 100_000
    records: list[NewRecord] = []
    while ring.since_s is not None:
        records += ring.take(1 << 20)[0]
        ring.done()
    assert event_data(records[0])["records_lost"] == 2000 - len(records) + 1
    assert records[-1] == note(1999, "x" * 100)


def test_a_loss_while_a_commit_is_under_way_is_told_with_the_next() -> None:
    ring = Ring(50_000)
    for k in range(30):
        ring.add([second(k)], (), 0.0)
    taken, _, _ = ring.take(10_000)
    for k in range(30, 200):
        ring.add([second(k)], (), 0.0)
    ring.failed()
    told = event_data(ring.take(1)[0][0])["records_lost"]
    ring.failed()
    again = event_data(ring.take(1)[0][0])["records_lost"]
    assert told == again == 200 - ring.records
    assert taken[0] in (second(0),)
    ring.done()
    assert ring.take(1 << 20)[0][0].kind == FRAMES  # told once


def test_since_is_the_age_of_the_oldest() -> None:
    ring = Ring(LIMIT)
    assert ring.since_s is None
    ring.add([second(1)], (), 5.0)
    ring.add([second(2)], (), 6.0)
    assert ring.since_s == pytest.approx(5.0)
    ring.take(1)
    assert ring.since_s == pytest.approx(5.0)
    ring.done()
    assert ring.since_s is None
