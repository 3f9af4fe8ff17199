"""Packed samples: what goes in comes out, and only with the right descriptions."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import NoReading, Quantity, SampleType
from firmware_protocol.conversion import measured
from firmware_protocol.errors import LayoutError, LayoutMismatchError, ProtocolError
from firmware_protocol.layout import Layout, highest_reading, layout_id_of, lowest_reading
from firmware_protocol.messages import Describe, Samples, encode_message
from firmware_protocol.vectors import EXAMPLE_CHANNELS, EXAMPLE_LAYOUT
from tests.protocol import reference
from tests.protocol.strategies import describes

fast = settings(max_examples=150, deadline=None)


def channel(index: int, sample_type: SampleType = SampleType.I24) -> Describe:
    return Describe(0, index, Quantity.MASS, "kg", sample_type, -3, 100)


def reading(sample_type: SampleType) -> st.SearchStrategy[int | NoReading]:
    return st.integers(lowest_reading(sample_type), highest_reading(sample_type)) | st.sampled_from(NoReading)


@st.composite
def layouts_and_readings(draw: st.DrawFn) -> tuple[Layout, dict[int, int | NoReading]]:
    types = draw(st.lists(st.sampled_from(SampleType), max_size=50))
    layout = Layout([channel(index, kind) for index, kind in enumerate(types)])
    present = draw(st.sets(st.sampled_from(range(len(types))))) if types else set()
    return layout, {index: draw(reading(types[index])) for index in sorted(present)}


@fast
@given(layouts_and_readings(), st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1))
def test_round_trip(case: tuple[Layout, dict[int, int | NoReading]], sequence: int, tick: int) -> None:
    layout, readings = case
    samples = layout.pack(readings, sequence, tick)
    assert (samples.sequence, samples.tick, samples.layout_id) == (sequence, tick, layout.layout_id)
    assert layout.unpack(samples) == list(readings.items())
    encode_message(samples)


def test_whole_microns_need_24_bits_up_to_the_atmosphere() -> None:
    """SPEC.md section 7.2: i24 holds an atmosphere and the deepest vacuum, i16 no more than 32 767."""
    gauge = Describe(0, 0, Quantity.ABSOLUTE_PRESSURE, "um[Hg]", SampleType.I24, 0, 200)
    layout = Layout([gauge])
    for microns in (1, 500, 32_768, 760_000):
        ((_, raw),) = layout.unpack(layout.pack({0: microns}, 0, 0))
        assert raw == microns
        assert measured(gauge, microns) == microns
    narrow = Layout([replace(gauge, sample_type=SampleType.I16)])
    assert highest_reading(SampleType.I16) == 32_767
    with pytest.raises(LayoutError):
        narrow.pack({0: 760_000}, 0, 0)


@fast
@given(st.binary(max_size=223))
def test_any_data_gives_readings_or_a_layout_error(data: bytes) -> None:
    try:
        readings = EXAMPLE_LAYOUT.unpack(Samples(EXAMPLE_LAYOUT.layout_id, 0, 0, data))
    except LayoutError:
        return
    assert EXAMPLE_LAYOUT.pack(dict(readings), 0, 0).data == data or NoReading.OTHER in dict(readings).values()


@fast
@given(st.lists(describes(), min_size=1, max_size=3), st.data())
def test_any_change_of_a_description_changes_the_layout_id(channels: list[Describe], data: Any) -> None:
    channels = [replace(c, index=i, extra={}) for i, c in enumerate(channels)]
    at = data.draw(st.integers(0, len(channels) - 1))
    changed = data.draw(describes(st.just(at)))
    try:
        before = Layout(channels)
        after = Layout([*channels[:at], changed, *channels[at + 1 :]])
    except ProtocolError:  # too long for a frame
        return
    same = replace(changed, request_id=0) == replace(channels[at], request_id=0)
    assert (before.layout_id == after.layout_id) == same


def test_the_layout_id_is_the_crc_of_the_bodies_in_order() -> None:
    payloads = [encode_message(c) for c in EXAMPLE_CHANNELS]
    assert EXAMPLE_LAYOUT.layout_id == reference.crc32(b"".join(p[2:] for p in payloads)) == 0x85D99916
    assert Layout.from_payloads(payloads).layout_id == 0x85D99916
    assert Layout.from_payloads(payloads).channels == EXAMPLE_CHANNELS
    assert layout_id_of([]) == Layout([]).layout_id == 0


def test_the_layout_id_is_taken_over_the_bytes_received() -> None:
    """A device may write a number in a longer form; its id is over what it wrote."""
    short = encode_message(channel(0))
    longer = short.replace(b"\x00\x00\x01\x05", b"\x00\x18\x00\x01\x05", 1)
    layout = Layout.from_payloads([longer])
    assert layout.channels == (channel(0),)
    assert layout.layout_id == reference.crc32(longer[2:]) != Layout([channel(0)]).layout_id


def test_the_request_id_is_no_part_of_the_layout() -> None:
    assert Layout([replace(c, request_id=99) for c in EXAMPLE_CHANNELS]).layout_id == EXAMPLE_LAYOUT.layout_id


def test_samples_of_another_layout_are_never_cut() -> None:
    samples = EXAMPLE_LAYOUT.pack({0: 1, 1: 2, 2: 3}, 0, 0)
    other = Layout([*EXAMPLE_CHANNELS[:2], replace(EXAMPLE_CHANNELS[2], exponent=-2)])
    with pytest.raises(LayoutMismatchError, match="85d99916") as caught:
        other.unpack(samples)
    assert caught.value.found == 0x85D99916


@pytest.mark.parametrize("kind", SampleType)
def test_reserved_numbers_are_never_readings(kind: SampleType) -> None:
    layout = Layout([channel(0, kind)])
    lowest = -(1 << (8 * kind - 1))
    found = []
    for raw in range(lowest, lowest + 18):
        data = b"\x01" + raw.to_bytes(kind, "little", signed=True)
        found.append(layout.unpack(Samples(layout.layout_id, 0, 0, data))[0][1])
    assert found == [
        NoReading.OPEN_CIRCUIT,
        NoReading.SHORT_CIRCUIT,
        NoReading.UNDER_RANGE,
        NoReading.OVER_RANGE,
        NoReading.NOT_READY,
        *[NoReading.OTHER] * 11,
        lowest + 16,
        lowest + 17,
    ]


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "bitmap"),
        (b"\x01\x00", "2 bytes of data, 3 expected"),
        (b"\x01\x00\x00\x00", "4 bytes of data, 3 expected"),
        (b"\x08", "do not exist"),
    ],
)
def test_wrong_samples_are_refused(data: bytes, why: str) -> None:
    with pytest.raises(LayoutError, match=why):
        EXAMPLE_LAYOUT.unpack(Samples(EXAMPLE_LAYOUT.layout_id, 0, 0, data))


def test_wrong_readings_are_refused() -> None:
    for readings in ({3: 0}, {-1: 0}, {0: 32768}, {0: -32768}, {1: 2**23}):
        with pytest.raises(LayoutError):
            EXAMPLE_LAYOUT.pack(readings, 0, 0)


def test_wrong_channel_lists_are_refused() -> None:
    with pytest.raises(LayoutError, match="0, 1, 2"):
        Layout([channel(1), channel(0)])
    with pytest.raises(LayoutError, match="65 channels"):
        Layout([channel(0)] * 65)
    with pytest.raises(LayoutError, match="at most 236"):
        Layout([channel(i, SampleType.I32) for i in range(60)])
    Layout([channel(i) for i in range(64)])
    with pytest.raises(LayoutError, match="no channel description"):
        Layout.from_payloads([b"\x05\x01"])


def test_a_hostile_variety_of_bitmaps_is_not_kept() -> None:
    layout = Layout([channel(i) for i in range(16)])
    for bitmap in range(1, 3000):
        layout.unpack(layout.pack({i: 0 for i in range(16) if bitmap >> i & 1}, 0, 0))
    assert len(layout._plans) <= 64
