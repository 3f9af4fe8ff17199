"""Frames survive any cut and any garbage, and nothing else gets through."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.errors import PayloadSizeError
from firmware_protocol.framing import (
    MAX_PAYLOAD,
    MAX_RAW,
    MAX_WIRE,
    BadFrame,
    BadFrameReason,
    Frame,
    FrameDecoder,
    decode_frame,
    encode_frame,
)
from tests.protocol import reference

fast = settings(max_examples=150, deadline=None)
payloads = st.binary(min_size=1, max_size=MAX_PAYLOAD) | st.lists(
    st.sampled_from([0, 0, 1, 255]), min_size=1, max_size=MAX_PAYLOAD
).map(bytes)
# bytes as they may come over a broken line: noise, delimiters, and pieces of frames
noise = st.binary(max_size=600) | st.lists(st.sampled_from([0, 1, 5, 255]), max_size=600).map(bytes)


def cut(data: bytes, sizes: list[int]) -> list[bytes]:
    pieces, at = [], 0
    for size in sizes:
        pieces.append(data[at : at + size])
        at += size
    return [*pieces, data[at:]]


def decode(pieces: list[bytes]) -> tuple[list[Frame | BadFrame], FrameDecoder]:
    decoder = FrameDecoder()
    out: list[Frame | BadFrame] = []
    for piece in pieces:
        out += decoder.feed(piece)
        assert len(decoder.tail) < MAX_WIRE
    return out, decoder


def test_the_reference_is_the_published_one() -> None:
    # CRC-32/ISO-HDLC check value; COBS examples of the published article (Cheshire and Baker) and its common test set
    assert reference.crc32(b"123456789") == 0xCBF43926
    for plain, stuffed in [
        ("00", "0101"),
        ("0000", "010101"),
        ("001100", "01021101"),
        ("11220033", "0311220233"),
        ("11223344", "0511223344"),
        ("11000000", "02110101" + "01"),
    ]:
        assert reference.stuff(bytes.fromhex(plain)).hex() == stuffed


@fast
@given(noise | payloads.map(encode_frame) | st.tuples(payloads, payloads).map(lambda p: b"".join(map(encode_frame, p))))
def test_one_whole_frame_is_decoded_as_the_decoder_does(raw: bytes) -> None:
    found, decoder = decode([raw])
    alone = len(found) == 1 and not decoder.tail and isinstance(found[0], Frame)
    assert decode_frame(raw) == (found[0].payload if alone and isinstance(found[0], Frame) else None)


@fast
@given(payloads)
def test_encoder_agrees_with_the_reference(payload: bytes) -> None:
    assert encode_frame(payload) == reference.frame(payload)


@fast
@given(st.lists(payloads, max_size=6), st.lists(st.integers(0, 300), max_size=20))
def test_frames_survive_any_cut(sent: list[bytes], sizes: list[int]) -> None:
    wires = [encode_frame(payload) for payload in sent]
    out, decoder = decode(cut(b"".join(wires), sizes))
    assert out == [Frame(payload, wire) for payload, wire in zip(sent, wires, strict=True)]
    assert decoder.frames == len(sent)
    assert not sum(decoder.bad_frames.values())


@fast
@given(noise, payloads, noise, payloads, st.lists(st.integers(0, 300), max_size=20))
def test_frames_are_found_between_any_garbage(
    before: bytes, first: bytes, between: bytes, second: bytes, sizes: list[int]
) -> None:
    """A sender that puts 0x00 before its frame, as SPEC.md asks, loses nothing to garbage before it."""
    wire = before + b"\0" + encode_frame(first) + between + b"\0" + encode_frame(second)
    out, _ = decode(cut(wire, sizes))
    assert Frame(first, encode_frame(first)) in out
    assert out[-1] == Frame(second, encode_frame(second))


@fast
@given(noise, st.lists(st.integers(0, 300), max_size=20))
def test_any_bytes_never_raise_and_the_cut_changes_nothing(data: bytes, sizes: list[int]) -> None:
    whole, whole_decoder = decode([data])
    pieces, decoder = decode(cut(data, sizes))
    assert pieces == whole
    assert decoder.bad_frames == whole_decoder.bad_frames
    assert decoder.bytes_discarded == whole_decoder.bytes_discarded
    # nothing vanishes uncounted: bytes are in frames, idle delimiters, discarded, or pending
    accounted = sum(len(item.raw) for item in whole) + decoder.bytes_discarded + len(decoder.tail)
    assert accounted <= decoder.bytes_in <= accounted + data.count(0)


@fast
@given(payloads, st.data())
def test_any_single_flipped_bit_is_refused(payload: bytes, data: st.DataObject) -> None:
    """Also in the code bytes and the delimiter. Followed by a good frame, which may be lost with it, never changed."""
    wire = bytearray(encode_frame(payload))
    bit = data.draw(st.integers(0, 8 * len(wire) - 1))
    wire[bit // 8] ^= 1 << bit % 8
    good = encode_frame(b"\x05\x01")
    out, _ = decode([bytes(wire) + good + good])
    frames = [item for item in out if isinstance(item, Frame)]
    assert frames in ([Frame(b"\x05\x01", good)], [Frame(b"\x05\x01", good)] * 2)
    assert any(isinstance(item, BadFrame) for item in out)


def test_every_single_flipped_bit_of_every_vector_is_refused() -> None:
    for _, payload, wire in reference.valid_rows():
        for bit in range(8 * len(wire)):
            damaged = bytearray(wire)
            damaged[bit // 8] ^= 1 << bit % 8
            out = FrameDecoder().feed(bytes(damaged) + b"\0")
            assert not any(isinstance(item, Frame) for item in out), (payload, bit)


def test_reasons_and_counters() -> None:
    good = encode_frame(b"\x05\x01")
    long = b"x" * 1000
    decoder = FrameDecoder()
    out = decoder.feed(b"\0\0ab\0" + good + long + b"\0" + good[:2] + b"\x7f" + good[3:] + b"\xf0" + good[1:] + good)
    assert [item.reason if isinstance(item, BadFrame) else item.payload for item in out] == [
        BadFrameReason.TOO_SHORT,
        b"\x05\x01",
        BadFrameReason.TOO_LONG,
        BadFrameReason.CRC,
        BadFrameReason.COBS,
        b"\x05\x01",
    ]
    assert decoder.frames == 2
    assert decoder.bad_frames == dict.fromkeys(BadFrameReason, 1)
    assert decoder.bytes_discarded == 1000 - MAX_WIRE + 1
    assert out[2].raw == long[:MAX_WIRE]


def test_an_endless_run_is_told_once_and_held_nowhere() -> None:
    decoder = FrameDecoder()
    out: list[Frame | BadFrame] = []
    for _ in range(5000):
        out += decoder.feed(b"\xff" * 100)
        assert len(decoder.tail) < MAX_WIRE
    assert [type(item) for item in out] == [BadFrame]
    assert decoder.feed(b"\0" + encode_frame(b"a")) == [Frame(b"a", encode_frame(b"a"))]


@pytest.mark.parametrize("before", [encode_frame(b"abc")[:4], b"x" * 300], ids=["half a frame", "an endless run"])
def test_reset_forgets_what_came_before(before: bytes) -> None:
    decoder = FrameDecoder()
    decoder.feed(before)
    decoder.reset()
    assert not decoder.tail
    assert decoder.feed(encode_frame(b"abc")) == [Frame(b"abc", encode_frame(b"abc"))]
    assert decoder.bytes_in == len(before) + len(encode_frame(b"abc"))


@pytest.mark.parametrize("pattern", [b"\xff", b"\0", b"\x01\0"])
def test_a_frame_of_every_length(pattern: bytes) -> None:
    """Up to the longest; what is one byte shorter or longer than a frame can be is none, however sound its CRC."""
    for size in range(1, MAX_PAYLOAD + 1):
        payload = (pattern * size)[:size]
        wire = reference.frame(payload)
        assert encode_frame(payload) == wire and decode_frame(wire) == payload
        assert FrameDecoder().feed(wire) == [Frame(payload, wire)]
    for payload, reason in ((b"", BadFrameReason.TOO_SHORT), (pattern * (MAX_PAYLOAD + 1), BadFrameReason.TOO_LONG)):
        wire = reference.frame(payload[: MAX_PAYLOAD + 1])
        (bad,) = FrameDecoder().feed(wire)
        assert isinstance(bad, BadFrame) and bad.reason is reason
        assert decode_frame(wire) is None


@pytest.mark.parametrize("size", [0, MAX_PAYLOAD + 1])
def test_a_payload_that_does_not_fit_is_refused(size: int) -> None:
    with pytest.raises(PayloadSizeError, match=str(size)):
        encode_frame(b"\x01" * size)


def test_the_longest_frame_fits_one_notification() -> None:
    assert (MAX_PAYLOAD, MAX_WIRE) == (236, 242)  # SPEC.md section 2
    for payload in (b"\xff" * MAX_PAYLOAD, bytes(MAX_PAYLOAD)):
        assert len(encode_frame(payload)) == MAX_RAW + 2 == MAX_WIRE <= 247 - 3
