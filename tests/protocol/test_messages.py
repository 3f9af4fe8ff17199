"""Messages survive the wire; whatever else arrives ends as a ProtocolError."""

from dataclasses import MISSING, fields, replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol import cbor
from firmware_protocol.codes import (
    Capability,
    DeviceState,
    ErrorCode,
    Fault,
    MessageType,
    PermitAction,
    Quantity,
    SampleType,
    SensorKind,
)
from firmware_protocol.errors import (
    CborError,
    MessageError,
    PayloadSizeError,
    ProtocolError,
    UnknownMessageError,
    UnsupportedVersionError,
)
from firmware_protocol.framing import MAX_PAYLOAD
from firmware_protocol.messages import (
    Accepted,
    Describe,
    ErrorMessage,
    Hello,
    OutputDescription,
    Resending,
    Samples,
    Status,
    TimeMarked,
    decode_payload,
    encode_message,
)
from firmware_protocol.requests import Permit, RequestHello, ResendFrom, SetPeriod, Start
from firmware_protocol.vectors import EXAMPLE_CHANNELS, EXAMPLE_HELLO
from tests.protocol import strategies

fast = settings(max_examples=200, deadline=None)


@fast
@given(strategies.device_messages | strategies.requests)
def test_round_trip(message: Any) -> None:
    try:
        payload = encode_message(message)
    except PayloadSizeError:  # a describe of eight long floats and long text may not fit; it must say so
        assert isinstance(message, Describe | ErrorMessage)
        return
    assert len(payload) <= MAX_PAYLOAD
    assert decode_payload(payload) == message


@fast
@given(st.binary(max_size=MAX_PAYLOAD))
def test_any_bytes_give_a_message_or_a_protocol_error(payload: bytes) -> None:
    read_again(payload)


def read_again(payload: bytes) -> Any:
    """The message, which is read from its own bytes as from these; or the error that says why there is none."""
    try:
        message = decode_payload(payload)
    except ProtocolError as exc:
        return exc
    try:
        assert decode_payload(encode_message(message)) == message
    except PayloadSizeError:  # text that was made harmless may be longer
        pass
    return message


@fast
@given(st.sampled_from(MessageType), st.binary(max_size=40))
def test_any_body_of_a_known_type(code: MessageType, body: bytes) -> None:
    found = read_again(bytes((code,)) + body)
    assert not isinstance(found, UnknownMessageError)
    assert isinstance(found, ProtocolError) or type(found).__name__.upper().startswith(code.name.replace("_", ""))


@fast
@given(
    st.sampled_from([0x81, 0x82, 0x83, 0x84, 0x85]),
    st.dictionaries(
        st.integers(0, 14), st.integers(-5, 300) | st.text(max_size=4) | st.binary(max_size=9), max_size=15
    ),
)
def test_any_map_of_a_known_type(code: int, body: dict[int, Any]) -> None:
    found = read_again(bytes((code, 1)) + cbor.dumps(body))
    assert isinstance(found, MessageError | UnsupportedVersionError) or found.request_id == 1


@fast
@given(strategies.requests, st.binary(min_size=1, max_size=5))
def test_bytes_added_by_a_later_minor_version_are_ignored(request: Any, more: bytes) -> None:
    assert decode_payload(encode_message(request) + more) == request


def test_bytes_added_to_fixed_replies_are_ignored() -> None:
    for message in (Accepted(1, 5, 2, 3, 4, 5), TimeMarked(1, 2, 3, 4, 5)):
        assert decode_payload(encode_message(message) + b"\x01\x02") == message


def test_unknown_keys_are_kept_and_sent_on() -> None:
    body = cbor.loads(encode_message(EXAMPLE_HELLO)[2:])
    assert isinstance(body, dict)
    hello = decode_payload(b"\x81\x01" + cbor.dumps({**body, 99: "later"}))
    assert isinstance(hello, Hello)
    assert hello.extra == {99: "later"}
    assert replace(hello, extra={}) == EXAMPLE_HELLO
    assert decode_payload(encode_message(hello)) == hello


def test_unknown_numbers_of_open_lists_are_kept() -> None:
    channel = replace(EXAMPLE_CHANNELS[0], quantity=77, sensor_kind=88)
    assert decode_payload(encode_message(channel)) == channel


def test_known_numbers_become_their_names() -> None:
    channel = decode_payload(encode_message(EXAMPLE_CHANNELS[0]))
    assert isinstance(channel, Describe)
    assert (channel.quantity, channel.sample_type, channel.sensor_kind) == (
        Quantity.GAUGE_PRESSURE,
        SampleType.I16,
        SensorKind.RATIOMETRIC,
    )
    assert isinstance(channel.quantity, Quantity)


def test_a_later_minor_version_is_welcome_a_newer_major_is_refused() -> None:
    assert decode_payload(encode_message(replace(EXAMPLE_HELLO, minor=9))) == replace(EXAMPLE_HELLO, minor=9)
    with pytest.raises(UnsupportedVersionError, match=r"version 2\.3, this program speaks version 1: update this"):
        decode_payload(b"\x81\x00" + cbor.dumps({0: 2, 1: 3, 2: "all else may have changed"}))
    with pytest.raises(UnsupportedVersionError, match="update the device's firmware"):
        decode_payload(b"\x81\x00" + cbor.dumps({0: 0, 1: 1}))


def test_a_type_of_a_later_version_is_told_apart() -> None:
    with pytest.raises(UnknownMessageError) as caught:
        decode_payload(b"\xa7\x01")
    assert caught.value.message_type == 0xA7


def test_foreign_text_is_made_harmless() -> None:
    body: cbor.CborValue = {0: 3, 1: "no\x1b[2J channel\r\n\u202e9\x9b"}
    message = decode_payload(b"\x85\x01" + cbor.dumps(body))
    assert message == ErrorMessage(1, 3, "no\ufffd[2J channel\ufffd\ufffd\ufffd9\ufffd")


@pytest.mark.parametrize(
    ("message", "why"),
    [
        (replace(EXAMPLE_HELLO, device_id=b"1234567"), "device_id: 7 bytes, 8 to 16"),
        (replace(EXAMPLE_HELLO, model="x" * 33), "model: 33 bytes of text, at most 32"),
        (replace(EXAMPLE_HELLO, firmware_name="a\x1bb"), "firmware_name: would not read back"),
        (replace(EXAMPLE_HELLO, tick_rate_hz=1), "tick_rate_hz: 1 is not 100 to 1000000"),
        (replace(EXAMPLE_HELLO, channels=65), "channels"),
        (replace(EXAMPLE_HELLO, request_id=256), "request id 256"),
        (replace(EXAMPLE_HELLO, request_id=-1), "request id -1"),
        (replace(EXAMPLE_HELLO, extra={0: 1}), "extra uses known keys"),
        (replace(EXAMPLE_CHANNELS[0], unit="kg m"), "unit"),
        (replace(EXAMPLE_CHANNELS[0], unit="µm"), "unit"),
        (replace(EXAMPLE_CHANNELS[0], accuracy=-1), "accuracy: -1 is negative"),
        (replace(EXAMPLE_CHANNELS[0], parameters=(1.0,) * 9), "parameters: 9 numbers"),
        (replace(EXAMPLE_CHANNELS[0], period_ms=0), "period_ms"),
        (Accepted(1, 5, -1, 0, 0, 0), "Accepted"),
        (Samples(2**32, 0, 0, b""), "Samples"),
        (RequestHello(0), "request id 0"),
        (SetPeriod(1, 0), "period is 0"),
        (ResendFrom(1, 0, 0), "count is 0"),
        (ResendFrom(1, 0, 2**16), "ResendFrom"),
        (Permit(1, 0, 2, 1, 1, 1), "unknown action 2"),
        (Permit(1, 0, PermitAction.HOLD_CLOSED, 1, 1, 1, 0, 3, 5, 4), "wrong way round"),
    ],
    ids=lambda value: value if isinstance(value, str) else type(value).__name__,
)
def test_a_wrong_message_cannot_be_sent(message: Any, why: str) -> None:
    with pytest.raises(MessageError, match=why):
        encode_message(message)


CHANNEL = replace(EXAMPLE_CHANNELS[0], parameters=(), sensor_kind=SensorKind.DIRECT)
OUTPUT = OutputDescription(1, 0, 5000)
STATUS = Status(1, 1, 1, 9, 0, oldest_sequence=2, next_sequence=3, tick=0)
U32 = (0, 2**32 - 1)


@pytest.mark.parametrize(
    ("message", "key", "name", "bounds"),
    [
        (EXAMPLE_HELLO, 1, "minor", (0, 255)), (EXAMPLE_HELLO, 5, "boot_count", U32),
        (EXAMPLE_HELLO, 6, "tick_rate_hz", (100, 1_000_000)), (EXAMPLE_HELLO, 7, "channels", (0, 64)),
        (EXAMPLE_HELLO, 8, "layout_id", U32), (EXAMPLE_HELLO, 10, "outputs", (0, 8)),
        (EXAMPLE_HELLO, 11, "buffer_frames", U32),
        (CHANNEL, 0, "index", (0, 63)), (CHANNEL, 4, "exponent", (-18, 18)),
        (CHANNEL, 5, "period_ms", (1, 86_400_000)), (CHANNEL, 6, "offset", (-(2**31), 2**31 - 1)),
        (OUTPUT, 0, "index", (0, 7)), (OUTPUT, 1, "longest_timeout_ms", (100, 60_000)),
        (OUTPUT, 2, "reopen_delay_ms", U32),
        (STATUS, 0, "uptime_s", U32), (STATUS, 1, "boot_count", U32), (STATUS, 3, "layout_id", U32),
        (STATUS, 4, "oldest_sequence", U32), (STATUS, 5, "next_sequence", U32), (STATUS, 6, "tick", U32),
        (STATUS, 7, "dropped", U32), (STATUS, 8, "bad_frames", U32), (STATUS, 9, "supply_mv", U32),
        (STATUS, 10, "battery_percent", (0, 100)),
        (ErrorMessage(1, 3), 2, "request_type", (0, 255)),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)  # fmt: skip
def test_the_bounds_of_a_number(message: Any, key: int, name: str, bounds: tuple[int, int]) -> None:
    """SPEC.md section 5: both ends are taken, what is one beyond neither sent nor read."""
    body = cbor.loads(encode_message(message)[2:])
    assert isinstance(body, dict)
    for bound, beyond in ((bounds[0], bounds[0] - 1), (bounds[1], bounds[1] + 1)):
        sound = replace(message, **{name: bound})
        payload = encode_message(sound)
        assert decode_payload(payload) == sound
        assert decode_payload(payload[:2] + cbor.dumps({**body, key: bound})) == sound
        with pytest.raises(MessageError, match=name):
            encode_message(replace(message, **{name: beyond}))
        with pytest.raises((MessageError, CborError), match=name if -1 <= beyond < 2**32 else None):
            decode_payload(payload[:2] + cbor.dumps({**body, key: beyond}))


@pytest.mark.parametrize(
    ("message", "name", "longest"),
    [
        (EXAMPLE_HELLO, "firmware_name", "x" * 32), (EXAMPLE_HELLO, "firmware_version", "x" * 24),
        (EXAMPLE_HELLO, "model", "x" * 32), (EXAMPLE_HELLO, "device_id", b"x" * 16), (CHANNEL, "label", "x" * 32),
        (CHANNEL, "parameters", (1,) * 8), (OUTPUT, "label", "x" * 32), (ErrorMessage(1, 3), "text", "x" * 80),
        (STATUS, "outputs", ((0, 0, 0),) * 8),
    ],
    ids=lambda value: value if isinstance(value, str) and "x" not in value else None,
)  # fmt: skip
def test_the_longest_of_a_field(message: Any, name: str, longest: Any) -> None:
    sound = replace(message, **{name: longest})
    assert decode_payload(encode_message(sound)) == sound
    with pytest.raises(MessageError, match=name):
        encode_message(replace(message, **{name: longest + longest[:1]}))


@pytest.mark.parametrize("message", [Accepted(1, 5, 2, 3, 4, 5), Resending(1, 2, 3, 4, 5, 6), TimeMarked(1, 2, 3, 4, 5),
                                     Samples(1, 2, 3, b"")])  # fmt: skip
def test_a_fixed_message_cut_short_is_refused(message: Any) -> None:
    payload = encode_message(message)
    assert decode_payload(payload) == message
    with pytest.raises(MessageError, match=f"{len(payload) - 1} bytes"):
        decode_payload(payload[:-1])


FULL = (
    (0x81, Hello(7, b"12345678", "name", "1.2", 3, 1000, 4, 5, Capability(6), 7, 8, "model", major=1, minor=9),
     {0: 1, 1: 9, 2: b"12345678", 3: "name", 4: "1.2", 5: 3, 6: 1000, 7: 4, 8: 5, 9: 6, 10: 7, 11: 8, 12: "model"}, 9),
    (0x82, Describe(7, 1, Quantity.MASS, "kg", SampleType.I24, -3, 100, 5, SensorKind.BRIDGE, (1, 2.5), -1, 2, 0.5,
                    0.25, "left"),
     {0: 1, 1: 5, 2: "kg", 3: int(SampleType.I24), 4: -3, 5: 100, 6: 5, 7: int(SensorKind.BRIDGE), 8: [1, 2.5], 9: -1,
      10: 2, 11: 0.5, 12: 0.25, 13: "left"}, 6),
    (0x83, OutputDescription(7, 1, 5000, 6, True, "pump"), {0: 1, 1: 5000, 2: 6, 3: True, 4: "pump"}, 2),
    (0x84, Status(7, 1, 2, DeviceState.STREAMING, 4, 5, 6, 7, 8, 9, 10, 11, Fault(12), ((1, 2, 3), (0, 5, 6))),
     {0: 1, 1: 2, 2: int(DeviceState.STREAMING), 3: 4, 4: 5, 5: 6, 6: 7, 7: 8, 8: 9, 9: 10, 10: 11, 11: 12,
      12: [[1, 2, 3], [0, 5, 6]]}, 7),
    (0x85, ErrorMessage(7, ErrorCode.BUSY, "later", 5), {0: 6, 1: "later", 2: 5}, 1),
)  # fmt: skip


@pytest.mark.parametrize(("code", "message", "body", "needed"), FULL, ids=lambda v: type(v).__name__)
def test_each_key_is_the_field_that_the_specification_says(
    code: int, message: Any, body: dict[int, Any], needed: int
) -> None:
    """SPEC.md section 5. needed: how many of the keys, from 0 on, no message may lack; the others have defaults."""
    assert decode_payload(bytes((code, 7)) + cbor.dumps(body)) == message
    assert encode_message(message) == bytes((code, 7)) + cbor.dumps(body)
    least = {key: body[key] for key in range(needed)}
    short = decode_payload(bytes((code, 7)) + cbor.dumps(least))
    defaults = {field.name: field.default for field in fields(message) if field.default is not MISSING}
    optional = [name for name in defaults if name not in ("major", "minor")]
    assert short == replace(message, **{name: defaults[name] for name in optional})
    assert encode_message(short) == bytes((code, 7)) + cbor.dumps(least)
    for key in range(needed):
        with pytest.raises(MessageError):
            decode_payload(bytes((code, 7)) + cbor.dumps({k: v for k, v in least.items() if k != key}))
    with pytest.raises(MessageError, match="no request id"):
        decode_payload(bytes((code,)))


def test_not_finite_numbers_cannot_be_sent() -> None:
    for value in (float("nan"), float("inf")):
        with pytest.raises(MessageError, match="not finite"):
            encode_message(replace(EXAMPLE_CHANNELS[0], range_low=value))


def test_the_longest_samples_fit_and_one_more_byte_does_not() -> None:
    encode_message(Samples(1, 2, 3, bytes(MAX_PAYLOAD - 13)))
    with pytest.raises(PayloadSizeError):
        encode_message(Samples(1, 2, 3, bytes(MAX_PAYLOAD - 12)))


def test_buffer_held_counts_across_the_wrap() -> None:
    status = decode_payload(encode_message(Status(0, 1, 1, 9, 0, oldest_sequence=0xFFFF_FFFE, next_sequence=3, tick=0)))
    assert isinstance(status, Status)
    assert status.buffer_held == 5


def test_start_is_two_bytes() -> None:
    assert encode_message(Start(6)) == b"\x05\x06"
