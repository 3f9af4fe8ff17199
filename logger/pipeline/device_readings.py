"""From the frames of one device to readings: when they were taken, and by the rig's calibration.

The device's model explains the frames; only here the record's time and the air around are known.
"""

from collections.abc import Mapping

from firmware_protocol.errors import ProtocolError
from firmware_protocol.layout import Layout
from firmware_protocol.messages import Describe, Hello, Message, Samples, TimeMarked
from logger.decode.channel import ChannelDecoder, DecodeError, DeviceDecoder, Raw
from logger.decode.device_clock import DeviceClock
from logger.decode.device_model import CHANNELS_CHANGED, Explained, ProtocolDevice
from logger.decode.instrument_model import model_of
from logger.model.rig import RigChannel, RigDevice
from logger.model.sample import PointSample
from logger.model.sequence import Arrival
from logger.model.units import NS_PER_S
from logger.model.value import CodedProblem

MAX_TRIP_NS = 2 * NS_PER_S


class DeviceReadings:
    """entry: the rig's mapping, None for a device that it does not name. problem: why its samples cannot be read, None
    while they can. decoders: of the channels in use, () until the device has said something of itself.
    channel_problems: why a channel of the rig cannot be read, by point, where others can.

    model: explains what comes without explanation, the record's frames. Those of a link come explained.
    """

    def __init__(self, device_id: str, entry: RigDevice | None) -> None:
        self.device_id = device_id
        self.entry = entry
        self.model = model_of(entry)
        self.problem = self.model.problem
        self.hello: Hello | None = None
        self.described: tuple[Describe, ...] = ()
        self.decoders: tuple[ChannelDecoder, ...] = ()
        self.channel_problems: Mapping[str, CodedProblem] = {}
        self.clock: DeviceClock | None = None
        self.speed = 1.0  # of the run: how many times faster than real time
        self._layout_id: int | None = None  # of the layout that decoders are for
        self._decoder: DeviceDecoder | None = None
        self._earlier: dict[int, DeviceDecoder | None] = {}  # of layouts before, whose samples may still be sent again
        self._newest: dict[int, Raw] = {}

    @property
    def clock_problem(self) -> str | None:
        """Why its readings carry the time of their arrival, None while its ticks say when they were taken."""
        problem = self.clock.problem if self.clock is not None else None
        return f"{problem}; the time of arrival is used" if problem else None

    def readings(self) -> list[tuple[ChannelDecoder, float]]:
        """Newest raw reading of each channel in use that has one."""
        found = [(d, self._newest.get(d.channel.index)) for d in self.decoders]
        return [(d, raw) for d, raw in found if isinstance(raw, (int, float))]

    def use(self, entry: RigDevice | None) -> bool:
        """Go by this entry of the rig from now on; False when it says nothing new."""
        if entry == self.entry:
            return False
        self.entry = entry
        self._earlier.clear()
        if not isinstance(self.model, ProtocolDevice):
            self.model = model_of(entry)
            self._forget(self.model.problem)
        elif self._layout_id is not None:
            self._decode_by(self.described)
        return True

    def frame(
        self, t_ns: int, raw: bytes, explained: Explained | None = None, ambient_pa: float | None = None
    ) -> list[PointSample]:
        """Take one frame; the readings in it (none for other messages and for samples that cannot be read)."""
        if explained is None:
            try:
                explained = self.model.take(raw)
            except ProtocolError as exc:
                self.problem = str(exc)
                return []
            if explained is None:
                return []
        message, layout, readings, arrival = explained
        if isinstance(message, Samples):
            if readings is None or layout is None:
                return []
            decoder = self._decoder
            if layout.layout_id == self._layout_id:
                self._newest.update(readings)
            else:
                decoder = self._earlier_decoder(layout)
            taken_ns = self._time_of(message, t_ns, arrival)
            return decoder.decode(taken_ns, readings, ambient_pa) if decoder is not None else []
        if message is not None:
            self._follow(t_ns, message, layout)
            return []
        if not self.described and self.model.problem is None:
            self._decode_by(self.model.described)
        if readings is None or self._decoder is None:
            return []
        self._newest.update(readings)
        return self._decoder.decode(t_ns, readings, ambient_pa)

    def given_up(self, boot_count: int, first: int, last: int) -> None:
        """Samples that will not come any more, of that boot."""
        if isinstance(self.model, ProtocolDevice):
            self.model.given_up(boot_count, first, last)

    def _follow(self, t_ns: int, message: Message, layout: Layout | None) -> None:
        """What the device says of itself and of its clock. layout: the one in force."""
        if isinstance(message, Hello):
            if self.hello is None or self.hello.boot_count != message.boot_count:
                self.clock = DeviceClock(message.tick_rate_hz, self.speed)
            self.hello = message
        elif isinstance(message, TimeMarked) and self.clock is not None and self._plausible(message, t_ns):
            self.clock.mark(message.host_time, message.tick_received, message.tick_replied, t_ns)
        if layout is not None and layout.layout_id != self._layout_id:
            self._forget(None)
            self._layout_id = layout.layout_id
            self._decode_by(layout.channels)
        elif layout is None and isinstance(message, Hello) and self._layout_id not in (None, message.layout_id):
            self._forget(CHANNELS_CHANGED)

    def _decode_by(self, described: tuple[Describe, ...]) -> None:
        self.described = described
        self.decoders, self._decoder, self.channel_problems = (), None, {}
        try:
            self._decoder = DeviceDecoder(described, self._channels)
            self.decoders, self.problem = self._decoder.channels, None
            self.channel_problems = self._decoder.problems
        except DecodeError as exc:
            self.problem = exc.reason

    def _forget(self, problem: str | None) -> None:
        self.described, self.decoders, self._decoder, self._layout_id = (), (), None, None
        self.problem, self.channel_problems = problem, {}
        self._earlier.clear()
        self._newest.clear()

    def _earlier_decoder(self, layout: Layout) -> DeviceDecoder | None:
        """For samples sent again from before the channels changed; None where the rig's mapping does not fit them."""
        if layout.layout_id not in self._earlier:
            try:
                self._earlier[layout.layout_id] = DeviceDecoder(layout.channels, self._channels)
            except DecodeError:
                self._earlier[layout.layout_id] = None
        return self._earlier[layout.layout_id]

    @property
    def _channels(self) -> tuple[RigChannel, ...]:
        return self.entry.channels if self.entry is not None else ()

    def _plausible(self, mark: TimeMarked, arrival_ns: int) -> bool:
        """A mark of this boot that took less than its time-out; host_time is UTC of the record."""
        same = self.hello is not None and mark.boot_count == self.hello.boot_count
        return same and 0 <= arrival_ns - mark.host_time < MAX_TRIP_NS

    def _time_of(self, samples: Samples, arrival_ns: int, arrival: Arrival) -> int:
        """When the readings were taken: by the device's ticks, where they are a clock's.

        A frame that came before counts as live: only what a device counted from the start again is in the record.
        """
        if self.clock is None:
            return arrival_ns
        at = self.clock.resent if arrival is Arrival.BACKFILLED else self.clock.live
        return at(samples.sequence, samples.tick, arrival_ns)
