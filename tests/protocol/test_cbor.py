"""The CBOR subset against the examples of RFC 8949 appendix A, and its bounds."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol import cbor
from firmware_protocol.cbor import CborValue
from firmware_protocol.errors import CborError

fast = settings(max_examples=150, deadline=None)

# RFC 8949 appendix A, those within the subset whose shortest form is also ours
EXAMPLES: list[tuple[CborValue, str]] = [
    (0, "00"),
    (10, "0a"),
    (23, "17"),
    (24, "1818"),
    (100, "1864"),
    (1000, "1903e8"),
    (1000000, "1a000f4240"),
    (1000000000000, "1b000000e8d4a51000"),
    (18446744073709551615, "1bffffffffffffffff"),
    (-18446744073709551616, "3bffffffffffffffff"),
    (-1, "20"),
    (-10, "29"),
    (-100, "3863"),
    (-1000, "3903e7"),
    (1.1, "fb3ff199999999999a"),
    (100000.0, "fa47c35000"),
    (3.4028234663852886e38, "fa7f7fffff"),
    (1.0e300, "fb7e37e43c8800759c"),
    (-4.1, "fbc010666666666666"),
    (False, "f4"),
    (True, "f5"),
    (None, "f6"),
    (b"", "40"),
    (b"\x01\x02\x03\x04", "4401020304"),
    ("", "60"),
    ("IETF", "6449455446"),
    ("\u00fc", "62c3bc"),
    ("\u6c34", "63e6b0b4"),
    ([], "80"),
    ([1, [2, 3], [4, 5]], "8301820203820405"),
    (list(range(1, 26)), "98190102030405060708090a0b0c0d0e0f101112131415161718181819"),
    ({}, "a0"),
    ({1: 2, 3: 4}, "a201020304"),
]


@pytest.mark.parametrize(("value", "encoded"), EXAMPLES, ids=[e for _, e in EXAMPLES])
def test_rfc_examples(value: CborValue, encoded: str) -> None:
    assert cbor.dumps(value).hex() == encoded
    assert cbor.loads(bytes.fromhex(encoded)) == value
    assert type(cbor.loads(bytes.fromhex(encoded))) is type(value)


@pytest.mark.parametrize(
    ("value", "encoded"),
    [(1.0, "f93c00"), (1.5, "f93e00"), (65504.0, "f97bff"), (5.960464477539063e-8, "f90001"), (-4.0, "f9c400")],
)
def test_half_floats_are_read(value: float, encoded: str) -> None:
    assert cbor.loads(bytes.fromhex(encoded)) == value  # RFC 8949 appendix A


@pytest.mark.parametrize(
    ("encoded", "why"),
    [
        ("", "cut short"),
        ("18", "cut short"),
        ("4401", "cut short"),
        ("0000", "after the end"),
        ("9fff", "indefinite"),
        ("5f42010243030405ff", "indefinite"),
        ("c074323031332d30332d32315432303a30343a30305a", "tags"),
        ("f97e00", "finite"),
        ("f97c00", "finite"),
        ("fb7ff0000000000000", "finite"),
        ("f7", "simple value"),
        ("f0", "simple value"),
        ("1c", "reserved"),
        ("62c328", "UTF-8"),
        ("a16161" + "01", "keys"),
        ("a1f401", "keys"),
        ("a201020103", "twice"),
        ("8181818101", "deeper"),
        ("9bffffffffffffffff", "items"),
        ("bbffffffffffffffff", "items"),
        ("98" + "81" + "00" * 129, "items"),
    ],
)
def test_what_is_not_allowed_is_refused(encoded: str, why: str) -> None:
    with pytest.raises(CborError, match=why):
        cbor.loads(bytes.fromhex(encoded))


keys = st.integers(-(2**64), 2**64 - 1)
scalars = (
    keys
    | st.booleans()
    | st.none()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.binary(max_size=12)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
)
values: st.SearchStrategy[CborValue] = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3), max_leaves=8
)


@fast
@given(values)
def test_round_trip(value: CborValue) -> None:
    try:
        encoded = cbor.dumps(value)
    except CborError:  # too deep or too large: the reader must refuse no less
        return
    back = cbor.loads(encoded)
    assert back == value
    assert cbor.dumps(back) == encoded


@fast
@given(st.binary(max_size=260))
def test_any_bytes_give_a_value_or_a_cbor_error(data: bytes) -> None:
    try:
        value = cbor.loads(data)
    except CborError:
        return
    assert cbor.loads(cbor.dumps(value)) == value


@pytest.mark.parametrize(
    "value", [math.nan, math.inf, 2**64, -(2**64) - 1, "\ud800", {"a": 1}, {True: 1}, {1: (2,)}, b"x" * 241]
)
def test_what_cannot_be_sent_is_refused(value: CborValue) -> None:
    with pytest.raises(CborError):
        cbor.dumps(value)
