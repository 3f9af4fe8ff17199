"""What the device sends, and `encode_message` / `decode_payload` for both directions (SPEC.md sections 4 to 7).

Hello, Describe, OutputDescription, Status and ErrorMessage are a CBOR map after type and request id;
keys this version does not know are kept in `extra`. The others are fixed little-endian bytes.
"""

import struct
from dataclasses import dataclass, field
from typing import Any, Final, TypeAlias, cast

from firmware_protocol import cbor
from firmware_protocol.cbor import CborValue
from firmware_protocol.codes import (
    MAX_CHANNELS,
    MAX_OUTPUTS,
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    Capability,
    DeviceState,
    ErrorCode,
    Fault,
    MessageType,
    Quantity,
    SampleType,
    SensorKind,
)
from firmware_protocol.errors import (
    CborError,
    MessageError,
    PayloadSizeError,
    UnknownMessageError,
    UnsupportedVersionError,
)
from firmware_protocol.fields import (
    FieldSpec,
    as_bool,
    as_bytes,
    as_enum,
    as_flags,
    as_int,
    as_number,
    as_numbers,
    as_text,
    as_tolerance,
    as_triples,
    as_unit,
    read_map,
    write_map,
)
from firmware_protocol.framing import MAX_PAYLOAD
from firmware_protocol.requests import Request, decode_request, encode_request, is_request

U32_MAX: Final = 0xFFFF_FFFF

Extra: TypeAlias = dict[int, CborValue]


@dataclass(frozen=True, slots=True)
class Hello:
    """Who the device is; sent once at start-up unasked (request id 0), then on request."""

    request_id: int
    device_id: bytes  # 8 to 16 bytes, never the same in two devices
    firmware_name: str
    firmware_version: str
    boot_count: int
    tick_rate_hz: int
    channels: int
    layout_id: int
    capabilities: Capability = Capability.NONE
    outputs: int = 0
    buffer_frames: int = 0  # samples frames the device can keep for resending
    model: str = ""
    major: int = PROTOCOL_MAJOR
    minor: int = PROTOCOL_MINOR
    extra: Extra = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Describe:
    """One channel: what it measures and how to read its samples.

    Scaled sample = (raw + offset) * 10**exponent, in the unit its sensor kind fixes; from there to
    `unit` by the sensor kind's formula and `parameters` (conversion.py). Range and accuracy are in `unit`.
    """

    request_id: int
    index: int
    quantity: int  # a Quantity, or a number this version does not know
    unit: str  # UCUM
    sample_type: SampleType
    exponent: int
    period_ms: int
    offset: int = 0
    sensor_kind: int = SensorKind.DIRECT  # or a number this version does not know
    parameters: tuple[float, ...] = ()
    range_low: float | None = None
    range_high: float | None = None
    accuracy: float | None = None  # +- this much
    accuracy_of_reading: float | None = None  # and +- this fraction of the reading
    label: str = ""
    extra: Extra = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class OutputDescription:
    """One output that a host's permit can hold closed."""

    request_id: int
    index: int
    longest_timeout_ms: int
    reopen_delay_ms: int = 0  # after opening, closed again no sooner than this
    reads_back: bool = False  # the device senses the contact itself
    label: str = ""
    extra: Extra = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Status:
    """How the device is; sent at least every STATUS_INTERVAL_S, and on request."""

    request_id: int
    uptime_s: int
    boot_count: int
    state: int  # a DeviceState, or a number this version does not know
    layout_id: int
    oldest_sequence: int  # oldest samples frame that can be resent; equals next_sequence when none
    next_sequence: int
    tick: int
    dropped: int = 0  # samples frames made but not sent when due
    bad_frames: int = 0  # received by the device
    supply_mv: int | None = None
    battery_percent: int | None = None
    faults: Fault = Fault.NONE
    outputs: tuple[tuple[int, int, int], ...] = ()  # (OutputState, OpenedBy, ms of permit left) each
    extra: Extra = field(default_factory=dict)

    @property
    def buffer_held(self) -> int:
        """Samples frames the device holds for resending."""
        return (self.next_sequence - self.oldest_sequence) & U32_MAX


@dataclass(frozen=True, slots=True)
class ErrorMessage:
    """A refused request (its id), or trouble of the device's own (id 0)."""

    request_id: int
    code: int  # an ErrorCode, or a number this version does not know
    text: str = ""
    request_type: int = 0
    extra: Extra = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Accepted:
    """Start, Stop, SetPeriod or Permit was carried out."""

    request_id: int
    request_type: int
    boot_count: int
    layout_id: int
    next_sequence: int
    tick: int


@dataclass(frozen=True, slots=True)
class Resending:
    """`count` frames from sequence `first` follow. Frames asked for before `first` are gone."""

    request_id: int
    boot_count: int
    first: int
    count: int
    oldest: int
    next_sequence: int


@dataclass(frozen=True, slots=True)
class TimeMarked:
    """Device ticks at the receipt of a TimeMark and at the sending of this reply."""

    request_id: int
    boot_count: int
    host_time: int
    tick_received: int
    tick_replied: int


@dataclass(frozen=True, slots=True)
class Samples:
    """Readings taken at `tick`. `data`: presence bitmap and packed integers, cut by the `Layout` of that id."""

    layout_id: int
    sequence: int
    tick: int
    data: bytes


DeviceMessage: TypeAlias = (
    Hello | Describe | OutputDescription | Status | ErrorMessage | Accepted | Resending | TimeMarked | Samples
)
Message: TypeAlias = DeviceMessage | Request

_CBOR_TYPES: Final[dict[type[Any], tuple[MessageType, tuple[FieldSpec, ...]]]] = {
    Hello: (
        MessageType.HELLO,
        (
            FieldSpec(0, "major", as_int(0, 255)),
            FieldSpec(1, "minor", as_int(0, 255)),
            FieldSpec(2, "device_id", as_bytes(8, 16)),
            FieldSpec(3, "firmware_name", as_text(32)),
            FieldSpec(4, "firmware_version", as_text(24)),
            FieldSpec(5, "boot_count", as_int(0, U32_MAX)),
            FieldSpec(6, "tick_rate_hz", as_int(100, 1_000_000)),
            FieldSpec(7, "channels", as_int(0, MAX_CHANNELS)),
            FieldSpec(8, "layout_id", as_int(0, U32_MAX)),
            FieldSpec(9, "capabilities", as_flags(Capability), Capability.NONE),
            FieldSpec(10, "outputs", as_int(0, MAX_OUTPUTS), 0),
            FieldSpec(11, "buffer_frames", as_int(0, U32_MAX), 0),
            FieldSpec(12, "model", as_text(32), ""),
        ),
    ),
    Describe: (
        MessageType.DESCRIBE,
        (
            FieldSpec(0, "index", as_int(0, MAX_CHANNELS - 1)),
            FieldSpec(1, "quantity", as_enum(Quantity)),
            FieldSpec(2, "unit", as_unit),
            FieldSpec(3, "sample_type", as_enum(SampleType, closed=True)),
            FieldSpec(4, "exponent", as_int(-18, 18)),
            FieldSpec(5, "period_ms", as_int(1, 86_400_000)),
            FieldSpec(6, "offset", as_int(-(2**31), 2**31 - 1), 0),
            FieldSpec(7, "sensor_kind", as_enum(SensorKind), SensorKind.DIRECT),
            FieldSpec(8, "parameters", as_numbers(8), ()),
            FieldSpec(9, "range_low", as_number, None),
            FieldSpec(10, "range_high", as_number, None),
            FieldSpec(11, "accuracy", as_tolerance, None),
            FieldSpec(12, "accuracy_of_reading", as_tolerance, None),
            FieldSpec(13, "label", as_text(32), ""),
        ),
    ),
    OutputDescription: (
        MessageType.OUTPUT,
        (
            FieldSpec(0, "index", as_int(0, MAX_OUTPUTS - 1)),
            FieldSpec(1, "longest_timeout_ms", as_int(100, 60_000)),
            FieldSpec(2, "reopen_delay_ms", as_int(0, U32_MAX), 0),
            FieldSpec(3, "reads_back", as_bool, False),
            FieldSpec(4, "label", as_text(32), ""),
        ),
    ),
    Status: (
        MessageType.STATUS,
        (
            FieldSpec(0, "uptime_s", as_int(0, U32_MAX)),
            FieldSpec(1, "boot_count", as_int(0, U32_MAX)),
            FieldSpec(2, "state", as_enum(DeviceState)),
            FieldSpec(3, "layout_id", as_int(0, U32_MAX)),
            FieldSpec(4, "oldest_sequence", as_int(0, U32_MAX)),
            FieldSpec(5, "next_sequence", as_int(0, U32_MAX)),
            FieldSpec(6, "tick", as_int(0, U32_MAX)),
            FieldSpec(7, "dropped", as_int(0, U32_MAX), 0),
            FieldSpec(8, "bad_frames", as_int(0, U32_MAX), 0),
            FieldSpec(9, "supply_mv", as_int(0, U32_MAX), None),
            FieldSpec(10, "battery_percent", as_int(0, 100), None),
            FieldSpec(11, "faults", as_flags(Fault), Fault.NONE),
            FieldSpec(12, "outputs", as_triples(MAX_OUTPUTS), ()),
        ),
    ),
    ErrorMessage: (
        MessageType.ERROR,
        (
            FieldSpec(0, "code", as_enum(ErrorCode)),
            FieldSpec(1, "text", as_text(80), ""),
            FieldSpec(2, "request_type", as_int(0, 255), 0),
        ),
    ),
}
_CBOR_BY_CODE: Final = {int(kind): (cls, specs) for cls, (kind, specs) in _CBOR_TYPES.items()}

_FIXED_TYPES: Final[dict[type[Any], tuple[MessageType, struct.Struct, tuple[str, ...]]]] = {
    Accepted: (
        MessageType.ACCEPTED,
        struct.Struct("<BBBIIII"),
        ("request_type", "boot_count", "layout_id", "next_sequence", "tick"),
    ),
    Resending: (
        MessageType.RESENDING,
        struct.Struct("<BBIIHII"),
        ("boot_count", "first", "count", "oldest", "next_sequence"),
    ),
    TimeMarked: (
        MessageType.TIME_MARKED,
        struct.Struct("<BBIQII"),
        ("boot_count", "host_time", "tick_received", "tick_replied"),
    ),
}
_FIXED_BY_CODE: Final = {int(kind): (cls, form, names) for cls, (kind, form, names) in _FIXED_TYPES.items()}

_SAMPLES_HEAD: Final = struct.Struct("<BIII")


def encode_message(message: Message) -> bytes:
    """Payload of `message`. Raises MessageError, CborError or PayloadSizeError for one SPEC.md does not allow."""
    if isinstance(message, Samples):
        try:
            head = _SAMPLES_HEAD.pack(MessageType.SAMPLES, message.layout_id, message.sequence, message.tick)
        except struct.error as exc:
            raise MessageError(f"Samples: {exc}") from exc
        payload = head + message.data
    elif (cbor_type := _CBOR_TYPES.get(type(message))) is not None:
        code, specs = cbor_type
        _check_request_id(message.request_id)
        payload = bytes((code, message.request_id)) + cbor.dumps(write_map(specs, message))
    elif (fixed_type := _FIXED_TYPES.get(type(message))) is not None:
        code, form, names = fixed_type
        try:
            payload = form.pack(code, message.request_id, *(getattr(message, name) for name in names))
        except struct.error as exc:
            raise MessageError(f"{type(message).__name__}: {exc}") from exc
    else:
        payload = encode_request(cast(Request, message))
    if len(payload) > MAX_PAYLOAD:
        raise PayloadSizeError(f"{type(message).__name__}: {len(payload)} bytes, at most {MAX_PAYLOAD} allowed")
    return payload


def decode_payload(payload: bytes) -> Message:
    """Message in the payload of a good frame. Raises a ProtocolError of errors.py.

    UnknownMessageError marks a message of a later minor version: ignore it. Extra bytes after a fixed
    message are ignored, unknown CBOR keys kept in `extra`.
    """
    if not payload:
        raise MessageError("empty payload")
    code = payload[0]
    if code == MessageType.SAMPLES:
        if len(payload) < _SAMPLES_HEAD.size:
            raise MessageError(f"Samples: {len(payload)} bytes, at least {_SAMPLES_HEAD.size} expected")
        _, layout_id, sequence, tick = _SAMPLES_HEAD.unpack_from(payload)
        return Samples(layout_id, sequence, tick, payload[_SAMPLES_HEAD.size :])
    if is_request(payload):
        return decode_request(payload)
    if (fixed_type := _FIXED_BY_CODE.get(code)) is not None:
        cls, form, names = fixed_type
        if len(payload) < form.size:
            raise MessageError(f"{cls.__name__}: {len(payload)} bytes, {form.size} expected")
        _, request_id, *values = form.unpack_from(payload)
        return cast(DeviceMessage, cls(request_id, **dict(zip(names, values, strict=True))))
    if (cbor_type := _CBOR_BY_CODE.get(code)) is not None:
        return _decode_cbor(payload, *cbor_type)
    raise UnknownMessageError(code)


def _decode_cbor(payload: bytes, cls: type[Any], specs: tuple[FieldSpec, ...]) -> DeviceMessage:
    if len(payload) < 2:
        raise MessageError(f"{cls.__name__}: no request id")
    try:
        body = cbor.loads(payload[2:])
    except CborError as exc:
        error = CborError(f"{cls.__name__}: {exc}")
        error.at = exc.at
        raise error from exc
    if cls is Hello and isinstance(body, dict):
        _refuse_other_major(body)
    return cast(DeviceMessage, cls(payload[1], **read_map(cls.__name__, specs, body)))


def _refuse_other_major(body: Extra) -> None:
    """Keys 0 and 1 of hello mean the same in every version, the rest need not."""
    major, minor = body.get(0), body.get(1)
    if isinstance(major, int) and isinstance(minor, int) and major != PROTOCOL_MAJOR:
        raise UnsupportedVersionError(major, minor, PROTOCOL_MAJOR)


def _check_request_id(request_id: int) -> None:
    if not 0 <= request_id <= 255:
        raise MessageError(f"request id {request_id} is not 0 to 255")
