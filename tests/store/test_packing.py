"""Frames kept in less room: they come back to the byte, and damaged bytes raise StoreDamaged and nothing else."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.evidence.chain import GENESIS, chained, encode_offsets
from logger.evidence.errors import ChainError
from logger.model.records import FRAMES, NewRecord, Record
from logger.store.blocks import pack_block, unpack_block
from logger.store.errors import StoreDamaged
from logger.store.packing import AS_RECEIVED, COLUMNS, pack, unpack
from tests.store.making import second

PATIENT = settings(max_examples=200, deadline=None)

alike = st.integers(0, 30).flatmap(lambda width: st.lists(st.binary(min_size=width, max_size=width), max_size=12))
mixed = st.lists(st.sampled_from([b"scan-1", b"scan-2", b"scan-3", b"status", b"x", b"", bytes(40)]), max_size=12)
raws = alike | mixed


def record_of_frames(frames: list[bytes], device: str = "d", t0_ns: int = 0) -> NewRecord:
    offsets = encode_offsets([(99_999 * k + k % 3, len(raw)) for k, raw in enumerate(frames)])
    return NewRecord(FRAMES, device, t0_ns, len(frames), offsets, b"".join(frames))


@PATIENT
@given(raws)
def test_packed_frames_come_back_and_never_take_more_room(frames: list[bytes]) -> None:
    record = record_of_frames(frames)
    codec, stored = pack(record.payload, record.n, record.offsets)
    assert unpack(codec, stored, record.n, record.offsets) == record.payload
    assert len(stored) <= len(record.payload)


def test_scans_and_one_status_among_them_are_packed_too() -> None:
    record = record_of_frames([*second(1).payload.split(b"\x07")[1:4], *([b"scan-of-twenty-bytes"] * 9), b"a status"])
    codec, stored = pack(record.payload, record.n, record.offsets)
    assert codec == COLUMNS
    assert len(stored) < len(record.payload) / 2
    assert unpack(codec, stored, record.n, record.offsets) == record.payload


@PATIENT
@given(st.integers(-2, 5), st.binary(max_size=60), st.integers(0, 9), st.binary(max_size=12))
def test_damaged_packed_frames_raise_only_store_damaged(codec: int, stored: bytes, n: int, offsets: bytes) -> None:
    try:
        unpack(codec, stored, n, offsets)
    except StoreDamaged:
        return
    assert codec in (AS_RECEIVED, COLUMNS)


records = st.lists(
    st.builds(record_of_frames, raws, st.sampled_from(["00a1", "00b2", "ü"]), st.integers(-(2**62), 2**62)),
    min_size=1,
    max_size=8,
)


def linked(new: list[NewRecord], first_id: int = 1, step: int = 1) -> list[Record]:
    out: list[Record] = []
    for k, record in enumerate(new):
        out.append(replace(chained(GENESIS, record, first_id + k * step)))
    return out


@PATIENT
@given(records, st.integers(1, 2**40), st.integers(1, 5))
def test_a_block_of_records_comes_back(new: list[NewRecord], first_id: int, step: int) -> None:
    originals = linked(new, first_id, step)
    assert unpack_block(pack_block(originals)) == originals


@settings(max_examples=60, deadline=None)
@given(records, st.data())
def test_a_damaged_block_raises_or_gives_records_that_the_chain_refuses(
    new: list[NewRecord], data: st.DataObject
) -> None:
    originals = linked(new)
    body = bytearray(pack_block(originals))
    at = data.draw(st.integers(0, len(body) - 1))
    body[at] ^= 1 << data.draw(st.integers(0, 7))
    for damaged in (bytes(body), bytes(body[:at])):
        try:
            found = unpack_block(damaged)
        except StoreDamaged:
            continue
        assert found != originals or bytes(body) == damaged  # unused bits at the end of a deflate stream mean nothing


def test_irregular_offsets_are_not_put_into_a_block() -> None:
    wrong = replace(linked([second(1)])[0], offsets=b"\x80\x00")
    with pytest.raises(ChainError):
        pack_block([wrong])


def test_a_block_from_a_later_version_is_refused() -> None:
    with pytest.raises(StoreDamaged, match="does not know"):
        unpack_block(b"RB2" + pack_block(linked([second(1)]))[3:])
