"""The chain: every change of any record is caught; what cannot be caught inside it is caught by checkpoints."""

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.evidence.chain import (
    GENESIS,
    ChainReport,
    chained,
    decode_offsets,
    encode_offsets,
    event_data,
    event_of,
    frames_of,
    header_bytes,
    new_event,
    verify_chain,
)
from logger.evidence.checkpoint import Checkpoint
from logger.evidence.errors import ChainError
from logger.model.codec import event_bytes, event_from_json
from logger.model.errors import EventError
from logger.model.events import GapNoted, NoteWritten
from logger.model.records import EVENT, FRAMES, NOTE, NewRecord, Record

PATIENT = settings(max_examples=150, deadline=None)

frames = st.builds(
    lambda device, t0, raws: NewRecord(
        FRAMES,
        device,
        t0,
        len(raws),
        encode_offsets([(1000 * k, len(raw)) for k, raw in enumerate(raws)]),
        b"".join(raws),
    ),
    st.text(max_size=8),
    st.integers(-(2**63), 2**63 - 1),
    st.lists(st.binary(max_size=12), max_size=4),
)
notes = st.builds(
    lambda t, text: new_event(NoteWritten(t_ns=t, text=text)),
    st.integers(0, 2**62),
    st.text(),
)
new_records = st.lists(frames | notes, min_size=1, max_size=6)


def linked(records: list[NewRecord]) -> list[Record]:
    out: list[Record] = []
    for record in records:
        out.append(chained(out[-1].digest if out else GENESIS, record, len(out) + 1))
    return out


def checkpoint(record: Record) -> Checkpoint:
    return Checkpoint("job", 0, record.id, record.id, record.digest)


def _with(record: Record, name: str, value: Any) -> Record:
    return replace(record, **{name: value})


def flips(record: Record) -> list[Record]:
    """The record with each single bit of it turned: every byte string, every number, every letter."""
    out: list[Record] = []
    for name in ("offsets", "payload", "digest"):
        content: bytes = getattr(record, name)
        for bit in range(8 * len(content)):
            changed = bytearray(content)
            changed[bit // 8] ^= 1 << bit % 8
            out.append(_with(record, name, bytes(changed)))
    for name, bits in (("id", 63), ("t0_ns", 63), ("n", 32)):
        number: int = getattr(record, name)
        out += [_with(record, name, number ^ 1 << bit) for bit in range(bits)]
    device = record.device.encode()
    for bit in range(8 * len(device)):
        changed = bytearray(device)
        changed[bit // 8] ^= 1 << bit % 8
        out.append(replace(record, device=changed.decode("utf-8", "surrogateescape")))
    out.append(replace(record, kind=EVENT if record.kind == FRAMES else FRAMES))
    return out


@PATIENT
@given(new_records)
def test_an_untouched_chain_holds_with_its_checkpoints(records: list[NewRecord]) -> None:
    chain = linked(records)
    report = verify_chain(chain, [checkpoint(r) for r in chain])
    assert report.holds
    assert (report.count, report.last_id, report.head) == (len(chain), chain[-1].id, chain[-1].digest)
    assert report.checkpoints == len(chain)


@settings(max_examples=25, deadline=None)
@given(new_records, st.data())
def test_any_single_bit_of_any_record_is_caught(records: list[NewRecord], data: st.DataObject) -> None:
    chain = linked(records)
    at = data.draw(st.integers(0, len(chain) - 1))
    for changed in flips(chain[at]):
        report = verify_chain([*chain[:at], changed, *chain[at + 1 :]])
        assert not report.holds
        assert report.first_bad_id in (at + 1, at + 2)  # a turned digest shows at the record itself or at the next


@PATIENT
@given(new_records, st.data())
def test_a_removed_record_is_caught(records: list[NewRecord], data: st.DataObject) -> None:
    chain = linked(records)
    at = data.draw(st.integers(0, len(chain) - 1))
    shorter = chain[:at] + chain[at + 1 :]
    report = verify_chain(shorter, [checkpoint(chain[-1])])
    assert not report.holds
    assert report.first_bad_id == at + 1
    renumbered = [replace(r, id=k) for k, r in enumerate(shorter, 1)]
    assert verify_chain(renumbered, [checkpoint(chain[-1])]).first_bad_id == at + 1


@PATIENT
@given(new_records, frames, st.data())
def test_an_inserted_record_is_caught(records: list[NewRecord], new: NewRecord, data: st.DataObject) -> None:
    chain = linked(records)
    at = data.draw(st.integers(0, len(chain)))
    previous = chain[at - 1].digest if at else GENESIS
    longer = [*chain[:at], chained(previous, new, at + 1), *(replace(r, id=r.id + 1) for r in chain[at:])]
    report = verify_chain(longer)
    if at < len(chain):
        assert report.first_bad_id == at + 2
    else:  # at the end it is simply the next record: only who may write can tell
        assert report.holds


@PATIENT
@given(new_records, st.data())
def test_exchanged_records_are_caught(records: list[NewRecord], data: st.DataObject) -> None:
    chain = linked(records)
    i, j = data.draw(st.integers(0, len(chain) - 1)), data.draw(st.integers(0, len(chain) - 1))
    swapped = list(chain)
    swapped[i], swapped[j] = swapped[j], swapped[i]
    for order in (swapped, [replace(r, id=k) for k, r in enumerate(swapped, 1)]):
        report = verify_chain(order)
        assert report.holds == (i == j)
        if i != j:
            assert report.first_bad_id == min(i, j) + 1


@PATIENT
@given(new_records, st.data())
def test_a_lost_end_is_caught_by_a_checkpoint_and_only_by_it(records: list[NewRecord], data: st.DataObject) -> None:
    chain = linked(records)
    kept = data.draw(st.integers(0, len(chain) - 1))
    assert verify_chain(chain[:kept]).holds
    report = verify_chain(chain[:kept], [checkpoint(chain[-1])])
    assert report.problem is not None
    assert "missing at the end" in report.problem
    assert report.first_bad_id == kept + 1


@PATIENT
@given(new_records, frames)
def test_a_history_written_anew_is_caught_by_a_checkpoint(records: list[NewRecord], other: NewRecord) -> None:
    chain = linked(records)
    forged = linked([other, *records[1:]])
    if forged[0].digest == chain[0].digest:
        return
    assert verify_chain(forged).holds
    report = verify_chain(forged, [checkpoint(r) for r in chain])
    assert report.problem is not None
    assert "rewritten" in report.problem
    assert report.first_bad_id == 1


def test_a_loss_the_chain_itself_records_is_told_and_is_no_break() -> None:
    lost = linked([_note(k) for k in range(6)])
    seen = checkpoint(lost[-1])
    gap = new_event(GapNoted(t_ns=9, lost_checkpoints=((seen.last_id, seen.head.hex()),)))
    chain = linked([_note(0), _note(1), gap, _note(7)])
    report = verify_chain(chain, [checkpoint(lost[1]), seen, checkpoint(chain[-1])])
    assert report.holds
    assert report.checkpoints == 2
    assert report.declared == ("event 3 records the loss of what the checkpoint at record 6 had seen",)
    another = replace(seen, head=bytes(32))
    assert not verify_chain(chain, [another]).holds  # it excuses only the checkpoints it names


@pytest.mark.parametrize("content", [b"[1]", b"{}", b'"lost_checkpoints"', b'{"lost_checkpoints":5,"type":"gap"}'])
def test_a_gap_event_that_is_none_excuses_nothing(content: bytes) -> None:
    chain = linked([NewRecord(EVENT, "", 0, 1, b"", content + b' "lost_checkpoints"')])
    assert verify_chain(chain).holds
    assert not verify_chain(chain, [Checkpoint("job", 0, 7, 7, bytes(32))]).holds


def _note(t_ns: int) -> NewRecord:
    return new_event(NoteWritten(t_ns=t_ns, text="x"))


@PATIENT
@given(new_records, st.integers(1, 2**40), st.integers(1, 2**40))
def test_no_two_records_share_their_hashed_bytes(records: list[NewRecord], first: int, second: int) -> None:
    whole = {header_bytes(r, k) + r.offsets + r.payload for r in records for k in (first, second)}
    assert len(whole) == len({(r, k) for r in records for k in (first, second)})


@PATIENT
@given(st.lists(st.tuples(st.integers(0, 2**64 - 1), st.integers(0, 2**20))))
def test_offsets_come_back(entries: list[tuple[int, int]]) -> None:
    assert decode_offsets(encode_offsets(entries)) == entries


@PATIENT
@given(st.binary(max_size=30))
def test_offsets_have_one_form_only(data: bytes) -> None:
    try:
        entries = decode_offsets(data)
    except ChainError:
        return
    assert encode_offsets(entries) == data


def test_frames_come_back_with_their_times() -> None:
    record = NewRecord(FRAMES, "d", 5_000, 3, encode_offsets([(0, 2), (7, 0), (100_000, 3)]), b"abcde")
    assert frames_of(record) == [(5_000, b"ab"), (12_000, b""), (100_005_000, b"cde")]
    for wrong in (replace(record, n=2), replace(record, payload=b"abcdef"), replace(record, offsets=b"\x01")):
        with pytest.raises(ChainError):
            frames_of(wrong)


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**60), 2**60)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@PATIENT
@given(st.dictionaries(st.text(max_size=6), json_values, max_size=5), st.integers(0, 2**62))
def test_events_come_back_and_their_bytes_do_not_depend_on_the_order_of_keys(body: dict[str, Any], t_ns: int) -> None:
    data = body | {"type": "of-a-later-version", "t_ns": t_ns}
    event = event_from_json(data)
    record = new_event(event)
    assert event_of(record) == event and event_data(record) == data
    turned = event_from_json(dict(reversed(data.items())))
    assert event_bytes(turned) == record.payload == event_bytes(event_of(record))
    record.payload.decode("utf-8")


@pytest.mark.parametrize(
    "event",
    [{"t_ns": 1}, {"type": NOTE}, {"type": NOTE, "t_ns": 1.5}, {"type": NOTE, "t_ns": True}, {"type": 5, "t_ns": 1}],
)
def test_an_event_needs_its_type_and_time(event: dict[str, Any]) -> None:
    with pytest.raises(EventError):
        event_from_json(event)
    with pytest.raises(ChainError):
        event_of(NewRecord(EVENT, "", 1, 1, b"", json.dumps(event).encode()))


@pytest.mark.parametrize("value", [float("nan"), float("inf"), object(), {1, 2}])
def test_what_json_cannot_hold_is_refused(value: object) -> None:
    with pytest.raises(ChainError):
        new_event(NoteWritten(t_ns=1, text="", extra={"value": value}))


@pytest.mark.parametrize(
    "payload",
    [b"", b"[]", b"\xff", b'{"type":"note"}', b'{"t_ns":2,"type":"note"}', b'{"t_ns":1,"type":"note","x":NaN}'],
)
def test_a_payload_that_is_no_event_is_refused(payload: bytes) -> None:
    with pytest.raises(ChainError):
        event_of(NewRecord(EVENT, "", 1, 1, b"", payload))


@pytest.mark.parametrize(
    "wrong",
    [
        NewRecord("photo", "", 0, 1, b"", b""),
        NewRecord(FRAMES, "x" * 256, 0, 1, b"", b""),
        NewRecord(FRAMES, "", 2**63, 1, b"", b""),
        NewRecord(FRAMES, "", 0, -1, b"", b""),
    ],
)
def test_a_record_no_chain_can_hold_is_refused(wrong: NewRecord) -> None:
    with pytest.raises(ChainError):
        chained(GENESIS, wrong, 1)


def test_the_digest_is_what_the_documents_say() -> None:
    """Recomputed here from the words of the module alone, so that the format cannot drift unnoticed."""
    import hashlib
    import struct

    record = NewRecord(FRAMES, "ab", 1_764_000_000_123_456_789, 2, b"\x00\x01\x02\x01", b"xy")
    header = b"rimelog record 1" + struct.pack("<BQqIIII", 0, 1, record.t0_ns, 2, 2, 4, 2) + b"ab"
    expected = hashlib.sha256(bytes(32) + header + record.offsets + record.payload).digest()
    assert chained(GENESIS, record, 1).digest == expected


def test_a_device_name_has_255_bytes_at_most() -> None:
    assert header_bytes(NewRecord(FRAMES, "d" * 255, 0, 0, b"", b""), 1).endswith(b"d" * 255)
    with pytest.raises(ChainError, match="256 bytes"):
        header_bytes(NewRecord(FRAMES, "d" * 256, 0, 0, b"", b""), 1)


@pytest.mark.parametrize(
    ("left_out", "says"),
    [((3,), "records 3 to 3 are missing"), ((3, 4), "records 3 to 4 are missing")],
)
def test_it_is_told_which_records_are_missing(left_out: tuple[int, ...], says: str) -> None:
    chain = linked([new_event(NoteWritten(t_ns=t, text="")) for t in range(6)])
    report = verify_chain([record for record in chain if record.id not in left_out])
    assert (report.problem, report.first_bad_id) == (says, 3)


def test_a_record_that_comes_twice_is_told_as_that() -> None:
    chain = linked([new_event(NoteWritten(t_ns=t, text="")) for t in range(4)])
    report = verify_chain([*chain[:3], chain[2], chain[3]])
    assert report.problem == "record 3 is where record 4 belongs"


@pytest.mark.parametrize(("lost", "says"), [(1, "1 record missing"), (2, "2 records missing")])
def test_how_many_records_the_end_has_lost(lost: int, says: str) -> None:
    chain = linked([new_event(NoteWritten(t_ns=t, text="")) for t in range(5)])
    report = verify_chain(chain[: len(chain) - lost], [checkpoint(chain[-1])])
    assert report.problem is not None and report.problem.startswith(f"{says} at the end")


def test_an_event_is_one_record_of_one() -> None:
    assert new_event(NoteWritten(t_ns=5, text="x")).n == 1


def test_of_several_checkpoints_the_furthest_loss_and_the_first_rewriting_are_told() -> None:
    chain = linked([_note(t) for t in range(6)])
    seen = [checkpoint(record) for record in chain]
    report = verify_chain(chain[:3], [seen[4], seen[0], seen[5], seen[3], seen[2]])
    assert report.problem is not None and report.problem.startswith("3 records missing at the end")
    assert "saw records up to 6, the last one here is 3" in report.problem
    assert (report.count, report.last_id, report.head) == (3, 3, chain[2].digest)
    assert (report.first_bad_id, report.checkpoints) == (4, 2)
    others = [replace(seen[k], head=bytes(32)) for k in (4, 1, 3)]
    report = verify_chain(chain, [*others, seen[0], seen[0]])
    assert report.problem == "record 2 is not the one a checkpoint saw: records up to it were rewritten"
    assert (report.first_bad_id, report.checkpoints, report.count, report.head) == (2, 2, 6, chain[5].digest)
    both = verify_chain(chain[:3], [seen[4], others[1]])  # what is gone hides what was rewritten
    assert both.problem is not None and both.problem.startswith("2 records missing")


def test_where_a_chain_breaks_what_held_is_told() -> None:
    chain = linked([_note(t) for t in range(6)])
    changed = replace(chain[3], t0_ns=99)
    report = verify_chain([*chain[:3], changed, *chain[4:]], [checkpoint(chain[1]), checkpoint(chain[4])])
    assert report.problem == "record 4 does not fit the one before it: one of the two was changed"
    assert (report.count, report.last_id, report.head) == (3, 3, chain[2].digest)
    assert (report.first_bad_id, report.checkpoints, report.holds) == (4, 1, False)
    unheard = replace(chain[3], kind="photo")
    assert verify_chain([*chain[:3], unheard]).problem == "record 4: kind 'photo' is not known"


def test_no_records_hold_and_lack_what_a_checkpoint_saw() -> None:
    assert verify_chain([]) == ChainReport(0, 0, GENESIS)
    (first,) = linked([_note(0)])
    report = verify_chain([], [checkpoint(first)])
    assert report.problem is not None and report.problem.startswith("1 record missing at the end")
    assert (report.first_bad_id, report.head) == (1, GENESIS)


@pytest.mark.parametrize("number", [-1, 2**64])
def test_an_offset_of_no_64_bits_is_not_written(number: int) -> None:
    for pair in ((number, 1), (1, number)):
        with pytest.raises(ChainError, match=rf"offset {number} is not 0 to"):
            encode_offsets([pair])


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"\xff" * 9 + b"\x01\x00", None),  # 2**64 - 1
        (b"\xff" * 9 + b"\x02\x00", "shortest form or has more than 64 bits"),
        (b"\x80" * 9 + b"\x7f\x00", "shortest form or has more than 64 bits"),
        (b"\x80" * 10 + b"\x01\x00", "more than 64 bits"), (b"\xff" * 30, "more than 64 bits"),
        (b"\x80\x00\x00", "shortest form"), (b"\x00", "inside a frame"), (b"\x01\x80", "inside a frame"),
        (b"\x00\x80", "inside a frame"), (b"", None), (b"\x00\x00", None),
    ],
)  # fmt: skip
def test_offsets_that_are_none(data: bytes, what: str | None) -> None:
    if what is None:
        assert encode_offsets(decode_offsets(data)) == data
        return
    with pytest.raises(ChainError, match=what):
        decode_offsets(data)


def test_frames_and_events_are_not_taken_for_each_other() -> None:
    event = chained(GENESIS, _note(0), 1)
    frames_record = chained(GENESIS, NewRecord(FRAMES, "d", 0, 1, encode_offsets([(0, 1)]), b"x"), 1)
    assert frames_of(frames_record) == [(0, b"x")]
    with pytest.raises(ChainError, match="an event has no frames"):
        frames_of(event)
    for read in (event_data, event_of):
        with pytest.raises(ChainError, match="record 1: frames are no event"):
            read(frames_record)
        with pytest.raises(ChainError, match="record 1: "):
            read(replace(event, payload=b"{}"))
    told = replace(event, payload=b'{"t_ns":0,"type":"note"}')
    with pytest.raises(ChainError, match="record 1: the event cannot be read"):
        event_of(told)


def test_several_checkpoints_of_one_record_are_each_compared() -> None:
    chain = linked([_note(t) for t in range(3)])
    seen = checkpoint(chain[1])
    assert verify_chain(chain, [seen, replace(seen, t_ns=5)]).checkpoints == 2
    assert not verify_chain(chain, [seen, replace(seen, head=bytes(32))]).holds
