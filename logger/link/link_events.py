"""What a link reports. Every event says when (monotonic ns of the host) and carries its raw frame, if there is one.

Raw frames are evidence: whoever stores them needs no other source. `at_ns` of an event with a frame is its arrival.
Events of frames to be stored have `explained`: what the device's model makes of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

from firmware_protocol.layout import Layout
from firmware_protocol.messages import Accepted, DeviceMessage, ErrorMessage, Hello, OutputDescription, Samples, Status
from firmware_protocol.messages import TimeMarked as TimeMarkedReply
from firmware_protocol.requests import Request
from logger.decode.channel import Raw
from logger.decode.device_model import Explained
from logger.link.line_report import CONTENT
from logger.model.sequence import Arrival


@dataclass(frozen=True, slots=True)
class HelloReceived:
    at_ns: int
    raw: bytes
    hello: Hello
    explained: Explained


@dataclass(frozen=True, slots=True)
class Described:
    """All channels (and outputs) are known; `layout` is proven to be the device's.

    raws, explained: the describing frames.
    """

    at_ns: int
    raws: tuple[bytes, ...]
    explained: tuple[Explained, ...]
    layout: Layout
    outputs: tuple[OutputDescription, ...]


@dataclass(frozen=True, slots=True)
class SamplesReceived:
    """Delivered once for each sequence number.

    readings: None, like `layout`, when the descriptions that these samples were made under are not known: keep the
    frame, scale nothing. backfilled: came by resending, so later than its neighbours.
    """

    at_ns: int
    raw: bytes
    samples: Samples
    boot_count: int
    explained: Explained

    @property
    def layout(self) -> Layout | None:
        return self.explained.layout

    @property
    def readings(self) -> Sequence[tuple[int, Raw]] | None:
        return self.explained.readings

    @property
    def backfilled(self) -> bool:
        return self.explained.arrival is Arrival.BACKFILLED


@dataclass(frozen=True, slots=True)
class StatusReceived:
    at_ns: int
    raw: bytes
    status: Status
    explained: Explained


@dataclass(frozen=True, slots=True)
class DeviceError:
    """An error message: of the device's own accord, or refusing a request that nobody waits for."""

    at_ns: int
    raw: bytes
    error: ErrorMessage


@dataclass(frozen=True, slots=True)
class BadFrameSeen:
    """Bytes that are no frame, or a good frame whose content breaks SPEC.md.

    code: why they are no frame (firmware_protocol.framing.BadFrameReason), or "content" (line_report.py).
    suppressed: bad frames since the last of these events that got no event of their own (there are at most
    a few a second).
    """

    at_ns: int
    raw: bytes
    reason: str
    suppressed: int = 0
    code: str = CONTENT


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Good frames of a device that cannot all be true. code: what about; reason: for whoever makes the device."""

    at_ns: int
    code: str
    reason: str


@dataclass(frozen=True, slots=True)
class Ignored:
    """A good frame that means nothing here: a later version's message, a late reply, an echo."""

    at_ns: int
    raw: bytes
    reason: str


@dataclass(frozen=True, slots=True)
class GapLost:
    """Samples `first` to `last` (unwrapped sequence numbers) of this boot will never come."""

    at_ns: int
    boot_count: int
    first: int
    last: int
    reason: str


@dataclass(frozen=True, slots=True)
class Rebooted:
    """The device restarted: sequence and ticks begin again."""

    at_ns: int
    raw: bytes
    old_boot_count: int
    new_boot_count: int


@dataclass(frozen=True, slots=True)
class TimeMarked:
    """One pair of host and device time; the reply arrived at_ns."""

    at_ns: int
    raw: bytes
    sent_ns: int
    reply: TimeMarkedReply
    explained: Explained

    @property
    def tick(self) -> int:
        return self.reply.tick_received


@dataclass(frozen=True, slots=True)
class Started:
    """The device streams (again); samples follow."""

    at_ns: int
    raw: bytes
    accepted: Accepted


@dataclass(frozen=True, slots=True)
class Replied:
    """The reply to a request: to one of the session's own (ticket None), or to one given to `Session.request`."""

    at_ns: int
    raw: bytes
    ticket: int | None
    request: Request
    reply: DeviceMessage


@dataclass(frozen=True, slots=True)
class NoReply:
    """A request given to `Session.request` was tried in vain or could not be sent."""

    at_ns: int
    ticket: int
    request: Request


@dataclass(frozen=True, slots=True)
class Silent:
    """No good frame since `since_ns`; the session greets again."""

    at_ns: int
    since_ns: int


@dataclass(frozen=True, slots=True)
class TooManyFrames:
    """The device sends more than any should: `dropped` frames were thrown away unread since the last event."""

    at_ns: int
    dropped: int
    reason: str = "device sends more than any should"


@dataclass(frozen=True, slots=True)
class DeviceRefused:
    """The session will not work with what answered: another major version, another device. code: as of LinkLost."""

    at_ns: int
    raw: bytes
    code: str
    reason: str


@dataclass(frozen=True, slots=True)
class LinkUp:
    """The port is open; nothing has been heard yet."""

    at_ns: int
    url: str


@dataclass(frozen=True, slots=True)
class LinkDown:
    """The port is closed or could not be opened. code: of LinkLost. retry_s: pause before the next attempt."""

    at_ns: int
    url: str
    code: str
    reason: str
    retry_s: float


@dataclass(frozen=True, slots=True)
class RadioStatus:
    """What a radio link says of itself; None where it does not say. rssi_dbm: when the device was last seen."""

    at_ns: int
    rssi_dbm: int | None
    battery_percent: int | None


@dataclass(frozen=True, slots=True)
class InstrumentMessage:
    """A line of a text instrument, or a Modbus request with its answer, as it came.

    understood: it is what the rig expects of the instrument, so it is alive.
    """

    at_ns: int
    raw: bytes
    understood: bool
    explained: Explained


SessionEvent: TypeAlias = (
    HelloReceived
    | Described
    | SamplesReceived
    | StatusReceived
    | DeviceError
    | BadFrameSeen
    | Contradiction
    | Ignored
    | GapLost
    | Rebooted
    | TimeMarked
    | Started
    | Replied
    | NoReply
    | Silent
    | TooManyFrames
    | DeviceRefused
)
LinkEvent: TypeAlias = SessionEvent | LinkUp | LinkDown | RadioStatus | InstrumentMessage
