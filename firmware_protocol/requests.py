"""What the host sends: fixed little-endian bytes, so a microcontroller needs no CBOR decoder (SPEC.md section 6).

Every request begins with its type and a request id of 1 to 255 that the reply repeats.
"""

import struct
from dataclasses import dataclass
from typing import Final, TypeAlias

from firmware_protocol.codes import (
    ALL_CHANNELS,
    NO_GUARD,
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    MessageType,
    PermitAction,
)
from firmware_protocol.errors import MessageError


@dataclass(frozen=True, slots=True)
class RequestHello:
    """Who are you? Answered by Hello."""

    request_id: int
    major: int = PROTOCOL_MAJOR
    minor: int = PROTOCOL_MINOR


@dataclass(frozen=True, slots=True)
class RequestDescribe:
    """Describe channel `index`. Answered by Describe."""

    request_id: int
    index: int


@dataclass(frozen=True, slots=True)
class RequestOutput:
    """Describe output `index`. Answered by OutputDescription."""

    request_id: int
    index: int


@dataclass(frozen=True, slots=True)
class RequestStatus:
    """Answered by Status."""

    request_id: int


@dataclass(frozen=True, slots=True)
class Start:
    """Sample and stream. Harmless when already streaming. Answered by Accepted."""

    request_id: int


@dataclass(frozen=True, slots=True)
class Stop:
    """Stop sampling. Harmless when idle. Answered by Accepted."""

    request_id: int


@dataclass(frozen=True, slots=True)
class ResendFrom:
    """Send `count` frames from sequence `first` again. Answered by Resending, then the frames."""

    request_id: int
    first: int
    count: int


@dataclass(frozen=True, slots=True)
class TimeMark:
    """What is your tick now? host_time is any clock of the host's; it comes back in TimeMarked."""

    request_id: int
    host_time: int


@dataclass(frozen=True, slots=True)
class SetPeriod:
    """Sample channel `index` (or ALL_CHANNELS) every `period_ms`. Answered by Accepted with the new layout id."""

    request_id: int
    period_ms: int
    index: int = ALL_CHANNELS


@dataclass(frozen=True, slots=True)
class Permit:
    """Hold output `index` closed for `timeout_ms` more, or open it (SPEC.md section 8).

    tick: the newest device tick the host has seen, which proves that the host still hears the device.
    guard_channel: opens the output when its raw sample leaves guard_low..guard_high (both allowed) or is
    no reading; NO_GUARD watches nothing. guard_layout_id: the layout the two limits were computed for.
    Answered by Accepted.
    """

    request_id: int
    index: int
    action: int  # PermitAction
    timeout_ms: int
    boot_count: int
    tick: int
    guard_layout_id: int = 0
    guard_channel: int = NO_GUARD
    guard_low: int = 0
    guard_high: int = 0


Request: TypeAlias = (
    RequestHello
    | RequestDescribe
    | RequestOutput
    | RequestStatus
    | Start
    | Stop
    | ResendFrom
    | TimeMark
    | SetPeriod
    | Permit
)

# Type byte and request id, then these fields in this order.
_FORMATS: Final[dict[type[Request], tuple[MessageType, struct.Struct, tuple[str, ...]]]] = {
    RequestHello: (MessageType.REQUEST_HELLO, struct.Struct("<BBBB"), ("major", "minor")),
    RequestDescribe: (MessageType.REQUEST_DESCRIBE, struct.Struct("<BBB"), ("index",)),
    RequestOutput: (MessageType.REQUEST_OUTPUT, struct.Struct("<BBB"), ("index",)),
    RequestStatus: (MessageType.REQUEST_STATUS, struct.Struct("<BB"), ()),
    Start: (MessageType.START, struct.Struct("<BB"), ()),
    Stop: (MessageType.STOP, struct.Struct("<BB"), ()),
    ResendFrom: (MessageType.RESEND_FROM, struct.Struct("<BBIH"), ("first", "count")),
    TimeMark: (MessageType.TIME_MARK, struct.Struct("<BBQ"), ("host_time",)),
    SetPeriod: (MessageType.SET_PERIOD, struct.Struct("<BBBI"), ("index", "period_ms")),
    Permit: (
        MessageType.PERMIT,
        struct.Struct("<BBBBHIIIBii"),
        (
            "index",
            "action",
            "timeout_ms",
            "boot_count",
            "tick",
            "guard_layout_id",
            "guard_channel",
            "guard_low",
            "guard_high",
        ),
    ),
}
_BY_TYPE: Final = {int(kind): (cls, layout, names) for cls, (kind, layout, names) in _FORMATS.items()}


def encode_request(request: Request) -> bytes:
    """Payload of `request`. Raises MessageError for a value out of its range."""
    kind, layout, names = _FORMATS[type(request)]
    _check(request)
    try:
        return layout.pack(kind, request.request_id, *(getattr(request, name) for name in names))
    except struct.error as exc:
        raise MessageError(f"{type(request).__name__}: {exc}") from exc


def is_request(payload: bytes) -> bool:
    """True for a type byte of this module."""
    return payload[0] in _BY_TYPE


def decode_request(payload: bytes) -> Request:
    """Request in `payload`, whose type byte is known. Raises MessageError. Extra bytes are ignored."""
    cls, layout, names = _BY_TYPE[payload[0]]
    if len(payload) < layout.size:
        raise MessageError(f"{cls.__name__}: {len(payload)} bytes, {layout.size} expected")
    _, request_id, *values = layout.unpack_from(payload)
    request = cls(request_id, **dict(zip(names, values, strict=True)))
    _check(request)
    return request


def _check(request: Request) -> None:
    name = type(request).__name__
    if not 1 <= request.request_id <= 255:
        raise MessageError(f"{name}: request id {request.request_id} is not 1 to 255")
    match request:
        case ResendFrom(count=0):
            raise MessageError(f"{name}: count is 0")
        case SetPeriod(period_ms=0):
            raise MessageError(f"{name}: period is 0")
        case Permit():
            if request.action not in list(PermitAction):
                raise MessageError(f"{name}: unknown action {request.action}")
            watches = request.action == PermitAction.HOLD_CLOSED and request.guard_channel != NO_GUARD
            if watches and request.guard_low > request.guard_high:
                raise MessageError(f"{name}: guard limits are the wrong way round")
