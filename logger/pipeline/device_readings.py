"""What the engine knows of a device, all of it from the device's own stored frames."""

from firmware_protocol.codes import MessageType
from firmware_protocol.errors import ProtocolError
from firmware_protocol.framing import decode_frame
from firmware_protocol.layout import Layout, Reading
from firmware_protocol.messages import Describe, Hello, Message, Samples, Status, TimeMarked, decode_payload
from logger.decode.channel import ChannelDecoder, DecodeError, DeviceDecoder
from logger.decode.tick_fit import TickFit
from logger.model.rig import RigChannel, RigDevice
from logger.model.sample import PointSample
from logger.model.sequence import Arrival, SequenceTracker

MAX_TRIP_NS = 2_000_000_000


class Device:
    """channels: the rig's mapping. problem: why its samples cannot be read, None while they can."""

    def __init__(self, device_id: str, channels: tuple[RigChannel, ...]) -> None:
        self.device_id = device_id
        self.channels = channels
        self.hello: Hello | None = None
        self.status: Status | None = None
        self.problem: str | None = "not described yet"
        self._describes: dict[int, bytes] = {}
        self._layout: Layout | None = None
        self._decoder: DeviceDecoder | None = None
        self._readings: dict[int, Reading] = {}
        self.fit: TickFit | None = None
        self.sequence: SequenceTracker | None = None  # of this boot: what came, and what is missing

    @property
    def decoders(self) -> tuple[ChannelDecoder, ...]:
        return self._decoder.channels if self._decoder is not None else ()

    @property
    def described(self) -> tuple[Describe, ...]:
        return self._layout.channels if self._layout is not None else ()

    def readings(self) -> list[tuple[ChannelDecoder, float]]:
        """Newest raw reading of each channel in use that has one."""
        found = [(d, self._readings.get(d.channel.index)) for d in self.decoders]
        return [(d, raw) for d, raw in found if isinstance(raw, int)]

    def use(self, entry: RigDevice | None) -> bool:
        """Go by this entry of the rig from now on; False when it says nothing new."""
        channels = entry.channels if entry is not None else ()
        if channels == self.channels:
            return False
        self.channels = channels
        if self._layout is not None:
            self._decode_by(self._layout)
        return True

    def frame(
        self, t_ns: int, raw: bytes, message: Message | None = None, ambient_pa: float | None = None
    ) -> list[PointSample]:
        """Take one frame; the readings in it (none for other messages and for samples that cannot be read)."""
        if message is None:
            if len(raw) > 1 and raw[1] == MessageType.STATUS:  # byte 0 is COBS's; nothing derived rests on a status
                return []
            payload = decode_frame(raw)
            if payload is None:
                return []
            try:
                message = decode_payload(payload)
            except ProtocolError:
                return []  # of a later minor version, or not meant for us
        if isinstance(message, Samples):
            return self._samples(t_ns, message, ambient_pa)
        if isinstance(message, Hello):
            if self.hello is None or self.hello.boot_count != message.boot_count:
                self.sequence = None
                self.fit = TickFit(message.tick_rate_hz)
            self.hello = message
            if self._layout is not None and self._layout.layout_id != message.layout_id:
                self._forget()
        elif isinstance(message, Describe):
            self._describe(message, raw)
        elif isinstance(message, Status):
            self.status = message
        elif isinstance(message, TimeMarked) and self.fit is not None and self._plausible(message, t_ns):
            self.fit.mark(message.host_time, message.tick_received, message.tick_replied, t_ns)
        return []

    def _samples(self, t_ns: int, samples: Samples, ambient_pa: float | None) -> list[PointSample]:
        if self.sequence is None:
            self.sequence = SequenceTracker(samples.sequence)
        if self.sequence.arrived(samples.sequence) is Arrival.LIVE:
            self.sequence.overflow()  # holes beyond count are forgotten
        if self._layout is None or self._decoder is None or samples.layout_id != self._layout.layout_id:
            return []
        try:
            readings = self._layout.unpack(samples)
        except ProtocolError as exc:
            self.problem = str(exc)
            return []
        self._readings.update(readings)
        return self._decoder.decode(self._time_of(samples, t_ns), readings, ambient_pa)

    def given_up(self, boot_count: int, first: int, last: int) -> None:
        """Samples that will not come any more, of that boot."""
        if self.sequence is not None and self.hello is not None and self.hello.boot_count == boot_count:
            self.sequence.give_up(first, last)

    def _plausible(self, mark: TimeMarked, arrival_ns: int) -> bool:
        """A mark of this boot that took less than its time-out; host_time is UTC of the record."""
        same = self.hello is not None and mark.boot_count == self.hello.boot_count
        return same and 0 <= arrival_ns - mark.host_time < MAX_TRIP_NS

    def _time_of(self, samples: Samples, arrival_ns: int) -> int:
        """When the readings were taken: by the device's ticks; a frame sent again keeps its first time."""
        if self.fit is None:
            return arrival_ns
        if self.fit.is_late(samples.tick):
            return self.fit.utc_ns(samples.tick) or arrival_ns
        return self.fit.stamp(samples.tick, arrival_ns)

    def _describe(self, message: Describe, raw: bytes) -> None:
        payload = decode_frame(raw)
        if payload is None:
            return
        self._describes[message.index] = payload
        count = self.hello.channels if self.hello is not None else None
        if count is None or any(i not in self._describes for i in range(count)):
            return
        try:
            layout = Layout.from_payloads([self._describes[i] for i in range(count)])
        except ProtocolError as exc:
            self.problem = str(exc)
            return
        if self.hello is not None and layout.layout_id != self.hello.layout_id:
            return  # descriptions of two layouts mixed: the missing ones are still to come
        self._layout = layout
        self._decode_by(layout)

    def _decode_by(self, layout: Layout) -> None:
        try:
            self._decoder = DeviceDecoder(layout.channels, self.channels)
            self.problem = None
        except DecodeError as exc:
            self._decoder, self.problem = None, str(exc)

    def _forget(self) -> None:
        self._describes.clear()
        self._layout = self._decoder = None
        self.problem = "its channels changed; waiting for their descriptions"
