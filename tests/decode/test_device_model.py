"""What a device's frames say: the same whether the message is handed along, as live, or not, as on replay."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import NoReading, Quantity, SampleType
from firmware_protocol.errors import LayoutError, LayoutMismatchError, ProtocolError
from firmware_protocol.framing import decode_frame, encode_frame
from firmware_protocol.layout import Layout
from firmware_protocol.messages import (
    Describe,
    Hello,
    Message,
    Samples,
    Status,
    TimeMarked,
    decode_payload,
    encode_message,
)
from logger.decode.device_model import CHANNELS_CHANGED, NOT_DESCRIBED, Explained, ProtocolDevice
from logger.decode.layouts import KNOWN_LAYOUTS
from logger.model.sequence import Arrival

CHANNELS = [Describe(0, i, Quantity.MASS, "kg", SampleType.I24, -3, 100, label=f"channel {i}") for i in range(3)]
LAYOUTS = [Layout([replace(CHANNELS[0], exponent=-n), *CHANNELS[1:]]) for n in range(KNOWN_LAYOUTS + 2)]
HELLO = Hello(1, b"8 bytes.", "firmware", "1.0", 1, 1_000_000, 3, LAYOUTS[0].layout_id)


def frame(message: Any) -> bytes:
    return encode_frame(encode_message(message))


def hello(layout: Layout, boot_count: int = 1, device_id: bytes = b"8 bytes.") -> Hello:
    return replace(
        HELLO, layout_id=layout.layout_id, channels=len(layout.channels), boot_count=boot_count, device_id=device_id
    )


def samples(layout: Layout, sequence: int) -> Samples:
    return layout.pack({0: sequence, 1: -sequence, 2: NoReading.OPEN_CIRCUIT}, sequence, 1000 * sequence)


def described(model: ProtocolDevice, layout: Layout, boot_count: int = 1) -> None:
    model.take(frame(hello(layout, boot_count)))
    for channel in layout.channels:
        model.take(frame(channel))


def taken(model: ProtocolDevice, message: Any) -> Explained:
    explained = model.take(frame(message))
    assert explained is not None
    return explained


def test_a_frame_is_cut_by_the_layout_that_was_described() -> None:
    model = ProtocolDevice()
    assert model.problem == NOT_DESCRIBED and model.described == ()
    assert taken(model, samples(LAYOUTS[0], 1)).readings is None
    described(model, LAYOUTS[0])
    assert model.problem is None and [c.label for c in model.described] == [c.label for c in CHANNELS]
    explained = taken(model, samples(LAYOUTS[0], 2))
    assert explained.readings == [(0, 2), (1, -2), (2, NoReading.OPEN_CIRCUIT)]
    assert explained.layout is not None and explained.layout.layout_id == LAYOUTS[0].layout_id


def test_changed_channels_wait_for_their_descriptions_and_earlier_ones_stay_known() -> None:
    model = ProtocolDevice()
    described(model, LAYOUTS[0])
    assert taken(model, hello(LAYOUTS[1])).layout is None
    assert model.problem == CHANNELS_CHANGED
    assert taken(model, samples(LAYOUTS[1], 5)).readings is None
    described(model, LAYOUTS[1])
    for layout in LAYOUTS[:2]:
        explained = taken(model, samples(layout, 6))
        assert explained.layout is not None and explained.layout.layout_id == layout.layout_id
        assert explained.readings is not None
    again = taken(model, hello(LAYOUTS[0]))  # back again: its id says what it is
    assert again.layout is not None and model.problem is None


def test_layouts_are_bounded() -> None:
    model = ProtocolDevice()
    for layout in LAYOUTS:
        described(model, layout)
    assert len(model.layouts) == KNOWN_LAYOUTS
    assert taken(model, samples(LAYOUTS[0], 1)).readings is None
    assert taken(model, samples(LAYOUTS[-1], 2)).readings is not None


def test_a_device_without_channels_needs_no_description() -> None:
    model = ProtocolDevice()
    model.take(frame(hello(Layout(()))))
    assert model.problem is None and model.described == ()


def test_descriptions_of_another_layout_than_the_hello_names_are_refused() -> None:
    model = ProtocolDevice()
    model.take(frame(hello(LAYOUTS[0])))
    model.take(frame(LAYOUTS[1].channels[0]))
    model.take(frame(LAYOUTS[1].channels[1]))
    with pytest.raises(LayoutMismatchError):
        model.take(frame(LAYOUTS[1].channels[2]))
    assert model.problem == NOT_DESCRIBED
    for channel in LAYOUTS[0].channels:
        model.take(frame(channel))
    assert model.problem is None
    for channel in LAYOUTS[1].channels[:2]:
        model.take(frame(channel))
    with pytest.raises(LayoutMismatchError):
        model.take(frame(LAYOUTS[1].channels[2]))
    assert model.layouts.current is not None and model.layouts.current.layout_id == LAYOUTS[0].layout_id


def test_samples_that_contradict_their_layout_are_refused() -> None:
    model = ProtocolDevice()
    described(model, LAYOUTS[0])
    with pytest.raises(LayoutError):
        model.take(frame(replace(samples(LAYOUTS[0], 1), data=b"\x07\x01")))


def test_sequences_are_those_of_one_boot() -> None:
    model = ProtocolDevice()
    described(model, LAYOUTS[0])
    arrivals = [taken(model, samples(LAYOUTS[0], n)).arrival for n in (3, 4, 7, 5, 5)]
    assert arrivals == [Arrival.LIVE, Arrival.LIVE, Arrival.LIVE, Arrival.BACKFILLED, Arrival.DUPLICATE]
    assert model.sequence is not None and (model.sequence.next, model.sequence.missing) == (8, ((6, 6),))
    model.given_up(2, 6, 6)
    assert list(model.sequence.missing) == [(6, 6)], "of another boot"
    model.given_up(1, 6, 6)
    assert not model.sequence.missing
    model.take(frame(hello(LAYOUTS[0])))
    assert model.sequence is not None, "the same boot"
    model.take(frame(hello(LAYOUTS[0], boot_count=2)))
    assert model.sequence is None
    taken(model, samples(LAYOUTS[0], 0))
    model.take(frame(hello(LAYOUTS[0], 2, b"another!")))
    assert model.sequence is None


def test_a_device_that_counts_again_without_a_new_boot_count_is_read_on_replay() -> None:
    model = ProtocolDevice()
    described(model, LAYOUTS[0])
    for number in (100, 101, 0, 1, 2):
        assert taken(model, samples(LAYOUTS[0], number)).readings is not None


def messages() -> st.SearchStrategy[Any]:
    layouts = st.sampled_from(LAYOUTS)
    return st.one_of(
        st.builds(hello, layouts, st.integers(1, 3)),
        layouts.flatmap(lambda layout: st.sampled_from(layout.channels)),
        st.builds(samples, layouts, st.integers(0, 40)),
        st.builds(lambda s, n: replace(s, data=s.data[:n]), st.builds(samples, layouts, st.just(1)), st.integers(0, 9)),
        st.builds(Status, *[st.integers(0, 100)] * 8),
        st.builds(TimeMarked, *[st.integers(0, 100)] * 5),
        layouts.map(lambda layout: [hello(layout), *layout.channels]),
    )


def flat(items: list[Any]) -> Iterator[Message]:
    for item in items:
        yield from item if isinstance(item, list) else [item]


def said(model: ProtocolDevice, raw: bytes, message: Message | None = None) -> Any:
    """What the model says, in what can be compared; None where there is nothing in it for the readings."""
    try:
        explained = model.take(raw, message)
    except ProtocolError as exc:
        return type(exc)
    if explained is None or isinstance(explained.message, Status):
        return None
    layout = explained.layout
    return explained.message, None if layout is None else layout.layout_id, explained.readings, explained.arrival


@settings(max_examples=150, deadline=None)
@given(st.lists(messages(), max_size=60))
def test_live_and_replay_say_the_same(items: list[Any]) -> None:
    """Whatever comes in whatever order: frames lost, twice, of other boots, of layouts that nobody described."""
    live, replayed = ProtocolDevice(), ProtocolDevice()
    for message in flat(items):
        raw = frame(message)
        payload = decode_frame(raw)
        assert payload is not None
        assert said(live, raw, decode_payload(payload)) == said(replayed, raw)
    assert live.hello == replayed.hello
    assert live.described == replayed.described and live.problem == replayed.problem
    sequences = [(m.sequence.next, m.sequence.missing) if m.sequence else None for m in (live, replayed)]
    assert sequences[0] == sequences[1]
