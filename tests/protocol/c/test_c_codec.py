"""The C codec against the Python codec and the vectors, byte for byte."""

import ctypes
import re
import subprocess
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol import cbor
from firmware_protocol.codes import (
    MAX_CHANNELS,
    MAX_OUTPUTS,
    ErrorCode,
    Fault,
    MessageType,
    NoReading,
    OpenedBy,
    Quantity,
    SampleType,
    SensorKind,
)
from firmware_protocol.errors import ProtocolError, UnknownMessageError
from firmware_protocol.framing import MAX_PAYLOAD, MAX_WIRE, BadFrame, FrameDecoder, encode_frame
from firmware_protocol.layout import highest_reading, lowest_reading
from firmware_protocol.messages import Message, decode_payload, encode_message
from tests.protocol import reference
from tests.protocol.c import library
from tests.protocol.strategies import device_messages, requests
from tests.tools import needs

VALID, INVALID = list(reference.valid_rows()), list(reference.invalid_rows())
fast = settings(max_examples=300, deadline=None)
OK, UNKNOWN, MALFORMED, NOT_MINE = 0, -1, -2, -3


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
@pytest.mark.parametrize("options", [[], ["-DRL_NO_OUTPUTS"], ["-O2"]], ids=["plain", "no-outputs", "optimised"])
def test_compiles_without_a_warning(compiler: str, options: list[str], tmp_path: Path) -> None:
    program = needs(compiler, "compiles the C library with every warning an error")
    subprocess.run(
        [program, *library.STRICT, *options, "-c", library.SOURCE / "rimelog.c", "-o", tmp_path / "x.o"], check=True
    )


def test_header_is_good_cpp(tmp_path: Path) -> None:
    program = needs("clang", "reads the header as C++, as a sketch does")
    (tmp_path / "x.cpp").write_text('#include "rimelog.h"\nrl_device device;\n')
    subprocess.run(
        [program, "-x", "c++", "-std=c++11", "-Wall", "-Wextra", "-Wpedantic", "-Werror", "-fsyntax-only", "-I",
         library.SOURCE, tmp_path / "x.cpp"], check=True,
    )  # fmt: skip


@pytest.mark.parametrize(("name", "payload", "wire"), VALID, ids=[row[0] for row in VALID])
def test_valid_rows(name: str, payload: bytes, wire: bytes) -> None:
    assert library.frame(payload) == wire
    assert library.received(wire) == [payload]


@pytest.mark.parametrize(("name", "reason", "data"), INVALID, ids=[row[0] for row in INVALID])
def test_invalid_rows(name: str, reason: str, data: bytes) -> None:
    (found,) = library.received(data)
    if isinstance(found, bytes):
        assert reason in ("cbor", "message", "unknown-type", "version")
        expected = {"message": MALFORMED, "unknown-type": UNKNOWN}.get(reason)
        assert check(found) == (NOT_MINE if found[0] & 0x80 else expected)
    else:
        assert found == reason


@fast
@given(st.binary(min_size=1, max_size=MAX_PAYLOAD + 4))
def test_any_payload_is_framed_as_in_python(payload: bytes) -> None:
    fits = len(payload) <= MAX_PAYLOAD
    assert library.frame(payload) == (encode_frame(payload) if fits else None)


@fast
@given(st.binary(min_size=1, max_size=60), st.integers(0, 80))
def test_a_frame_fits_its_room_or_is_refused(payload: bytes, room: int) -> None:
    assert library.frame(payload, room) == (encode_frame(payload) if len(payload) + 6 <= room else None)


@fast
@given(st.lists(st.binary(max_size=80) | st.binary(min_size=1, max_size=MAX_PAYLOAD).map(encode_frame)
                | st.binary(min_size=230, max_size=500), max_size=8).map(b"".join))  # fmt: skip
def test_any_bytes_are_received_as_in_python(data: bytes) -> None:
    decoder = FrameDecoder()
    expected = [item.reason if isinstance(item, BadFrame) else item.payload for item in decoder.feed(data)]
    assert library.received(data) == expected


@fast
@given(st.lists(st.binary(min_size=1, max_size=60).map(encode_frame), max_size=6).map(b"".join), st.integers(6, 241))
def test_a_small_block_skips_what_is_longer(data: bytes, size: int) -> None:
    expected = [p.payload for p in FrameDecoder().feed(data) if not isinstance(p, BadFrame) and len(p.raw) - 1 <= size]
    assert library.received(data, size) == expected


@fast
@given(st.binary(max_size=300))
def test_running_crc(data: bytes) -> None:
    crc = 0xFFFFFFFF
    for at in range(0, len(data), 250):
        piece = data[at : at + 250]
        crc = library.library().rl_crc32(ctypes.c_uint32(crc), piece, len(piece))
    assert crc ^ 0xFFFFFFFF == reference.crc32(data)


def check(payload: bytes) -> int:
    code: int = library.library().rl_check_request(payload, len(payload))
    return code


@fast
@given(st.binary(min_size=1, max_size=40) | st.tuples(st.integers(1, 10), st.binary(max_size=30)).map(
    lambda parts: bytes((parts[0],)) + parts[1]))  # fmt: skip
def test_requests_are_judged_as_in_python(payload: bytes) -> None:
    if payload[0] & 0x80:
        assert check(payload) == NOT_MINE
    elif len(payload) < 2 or payload[1] == 0:
        assert check(payload) == MALFORMED
    else:
        try:
            decode_payload(payload)
        except UnknownMessageError:
            assert check(payload) == UNKNOWN
        except ProtocolError:
            assert check(payload) == MALFORMED
        else:
            assert check(payload) == OK


@fast
@given(requests | device_messages)
def test_every_message_has_its_side(message: Message) -> None:
    payload = encode_message(message)
    assert check(payload) == (NOT_MINE if payload[0] & 0x80 else OK)


def written(function: str, *arguments: object) -> bytes:
    out = ctypes.create_string_buffer(256)
    n = getattr(library.library(), function)(*arguments, out)
    (payload,) = library.received(out.raw[:n])
    assert isinstance(payload, bytes)
    return payload


@fast
@given(st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(2**31) + 1, 2**31 - 1).map(float)
       | st.floats(allow_nan=False, allow_infinity=False, width=32))  # fmt: skip
def test_numbers_as_in_python(number: float) -> None:
    whole = number.is_integer() and abs(number) < 2**31
    expected = cbor.dumps(int(number) if whole else number)
    if not whole and expected[0] == 0xFA and abs(number) < 2**-126:  # no normal number of 32 bits: written in 64
        assert written("bench_number", ctypes.c_double(number))[0] == 0xFB
        assert cbor.loads(written("bench_number", ctypes.c_double(number))) == number
    else:
        assert written("bench_number", ctypes.c_double(number)) == expected


@fast
@given(st.integers(-(2**31), 2**31 - 1))
def test_integers_as_in_python(number: int) -> None:
    assert written("bench_int", ctypes.c_int32(number)) == cbor.dumps(number)


@given(st.integers(0, 7), st.sampled_from([0, 23, 24, 255, 256, 65535, 65536, 2**32 - 1]))
def test_heads_are_the_shortest(major: int, argument: int) -> None:
    head = written("bench_head", ctypes.c_uint8(major), ctypes.c_uint32(argument))
    assert head[0] >> 5 == major
    assert bytes((head[0] & 31,)) + head[1:] == cbor.dumps(argument)


@fast
@given(st.sampled_from(SampleType), st.integers(-(2**31), 2**31 - 1) | st.integers(-40_000, 40_000)
       | st.integers(-(2**23) - 40, -(2**23) + 40) | st.integers(2**23 - 40, 2**23 + 40))  # fmt: skip
def test_raw_numbers_fit_their_type_or_give_the_reason(sample_type: SampleType, raw: int) -> None:
    lowest, highest = lowest_reading(sample_type), highest_reading(sample_type)
    fitted = library.fit(sample_type, raw)
    if raw < -(2**31) + 16:
        assert fitted == lowest - 16 + raw + 2**31
    elif raw < lowest:
        assert fitted == lowest - 16 + NoReading.UNDER_RANGE.value
    elif raw > highest:
        assert fitted == lowest - 16 + NoReading.OVER_RANGE.value
    else:
        assert fitted == raw


def test_the_atmosphere_in_microns_fits_24_bits_and_is_over_range_in_16() -> None:
    assert library.fit(SampleType.I24, 760_000) == 760_000
    assert library.fit(SampleType.I16, 760_000) == lowest_reading(SampleType.I16) - 16 + NoReading.OVER_RANGE.value


def header_enum(name: str) -> list[int]:
    """The numbers of an enum of the header, in its order."""
    header = (library.SOURCE / "rimelog.h").read_text()
    body = re.search(rf"enum {name} \{{(.*?)\}};", re.sub(r"/\*.*?\*/", "", header, flags=re.S), re.S)
    assert body is not None
    numbers: list[int] = []
    for entry in filter(None, (part.strip() for part in body[1].split(","))):
        _, _, number = entry.partition("=")
        numbers.append(int(number, 0) if number else numbers[-1] + 1 if numbers else 0)
    return numbers


@pytest.mark.parametrize(
    ("name", "codes"),
    [
        ("rl_type", MessageType), ("rl_error_code", ErrorCode), ("rl_quantity", Quantity),
        ("rl_sample_type", SampleType), ("rl_sensor", SensorKind),
        ("rl_opened_by", OpenedBy), ("rl_fault", [f for f in Fault if f]),
    ],
)  # fmt: skip
def test_the_numbers_of_the_header_are_those_of_the_codec(name: str, codes: Iterable[int]) -> None:
    assert header_enum(name) == [int(code) for code in codes]


def test_the_bounds_of_the_header_are_those_of_the_spec() -> None:
    header = (library.SOURCE / "rimelog.h").read_text()
    for name, number in (
        ("MAX_PAYLOAD", MAX_PAYLOAD), ("MAX_FRAME", MAX_WIRE), ("MAX_CHANNELS", MAX_CHANNELS),
        ("MAX_OUTPUTS", MAX_OUTPUTS), ("REQUEST_BLOCK", 33 - 1),
    ):  # fmt: skip
        assert f"#define RL_{name} {number}u" in header
