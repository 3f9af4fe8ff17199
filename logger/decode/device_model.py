"""What the frames of one device say: the same live, where the session asks, and on replay, where the engine does.

A model is given the frames of the record, each once, in the record's order. So the one that a replay leaves knows all
that a session needs to go on: layouts, and which samples are missing.
"""

from collections.abc import Sequence
from typing import Final, NamedTuple, Protocol

from firmware_protocol.codes import MessageType
from firmware_protocol.errors import ProtocolError
from firmware_protocol.framing import decode_frame
from firmware_protocol.layout import Layout
from firmware_protocol.messages import Describe, Hello, Message, Samples, decode_payload
from logger.decode.channel import Raw
from logger.decode.layouts import Layouts
from logger.model.sequence import Arrival, SequenceTracker

NOT_DESCRIBED: Final = "not described yet"
CHANNELS_CHANGED: Final = "its channels changed; waiting for their descriptions"


class Explained(NamedTuple):
    """One frame. readings: (channel, raw number) of each channel in it; None when it brings none, or when the layout
    that it was made under is not known.

    message: None for an instrument's words. layout: the one the samples were made under, for other messages the one in
    force. arrival: of samples, whether this sequence number had come before.
    """

    message: Message | None
    layout: Layout | None = None
    readings: Sequence[tuple[int, Raw]] | None = None
    arrival: Arrival = Arrival.LIVE


class DeviceModel(Protocol):
    """One device of the rig, whatever it speaks. problem: why its frames cannot be read, None while they can.

    described: its channels, () until they are known. sequence: which samples of this boot came, None before the first
    and for what has no sequence numbers.
    """

    @property
    def hello(self) -> Hello | None: ...

    @property
    def described(self) -> tuple[Describe, ...]: ...

    @property
    def sequence(self) -> SequenceTracker | None: ...

    @property
    def problem(self) -> str | None: ...

    def take(self, raw: bytes, message: Message | None = None) -> Explained | None:
        """Explain a frame of the record. message: what is in it, where that is known already.

        None for what is of a later version or of no use here. Raises a ProtocolError for samples or descriptions that
        contradict themselves.
        """


class ProtocolDevice:
    """A device that speaks our protocol."""

    __slots__ = ("hello", "layouts", "sequence")

    def __init__(self) -> None:
        self.hello: Hello | None = None
        self.layouts = Layouts()
        self.sequence: SequenceTracker | None = None

    @property
    def described(self) -> tuple[Describe, ...]:
        layout = self.layouts.current
        return layout.channels if layout is not None else ()

    @property
    def problem(self) -> str | None:
        if self.layouts.current is not None:
            return None
        return CHANNELS_CHANGED if len(self.layouts) else NOT_DESCRIBED

    def take(self, raw: bytes, message: Message | None = None) -> Explained | None:
        """As in DeviceModel. Samples that came before are explained too: whoever hears them live drops them, but what
        the record holds counts, also of a device that counts from the start again without a new boot count."""
        if message is None:
            message = _message_in(raw)
            if message is None:
                return None
        if isinstance(message, Samples):
            if self.sequence is None:
                self.sequence = SequenceTracker(message.sequence)
            arrival = self.sequence.arrived(message.sequence)
            layout = self.layouts.find(message.layout_id)
            return Explained(message, layout, None if layout is None else layout.unpack(message), arrival)
        if isinstance(message, Hello):
            self._greeted(message)
        elif isinstance(message, Describe):
            payload = decode_frame(raw)
            if payload is not None:
                self.layouts.described(message.index, payload)
        return Explained(message, self.layouts.current)

    def given_up(self, boot_count: int, first: int, last: int) -> None:
        """Samples that will not come any more, of that boot."""
        if self.sequence is not None and self.hello is not None and self.hello.boot_count == boot_count:
            self.sequence.give_up(first, last)

    def _greeted(self, hello: Hello) -> None:
        known = self.hello
        if known is None or (known.device_id, known.boot_count) != (hello.device_id, hello.boot_count):
            self.sequence = None
        self.hello = hello
        self.layouts.greeted(hello)


def _message_in(raw: bytes) -> Message | None:
    """None for a status, on which nothing derived rests, and for what is of a later version or not meant for us."""
    if len(raw) > 1 and raw[1] == MessageType.STATUS:  # byte 0 is COBS's
        return None
    payload = decode_frame(raw)
    if payload is None:
        return None
    try:
        return decode_payload(payload)
    except ProtocolError:
        return None
