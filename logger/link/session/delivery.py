"""Samples on their way to whoever wants them: held until explained, delivered once, the missing ones booked.

Frames may come before the session knows the device's boot and channels (it streams already), or under a layout not yet
described. They wait, at most HELD_FRAMES, and keep the time of their arrival. What is pushed out or dropped was never
booked, so it counts as missing and is asked for again.
"""

from collections import deque
from collections.abc import Callable
from typing import Final

from firmware_protocol.codes import Capability
from firmware_protocol.errors import LayoutError
from firmware_protocol.framing import Frame
from firmware_protocol.messages import Accepted, Hello, Samples
from logger.decode.device_model import ProtocolDevice
from logger.decode.layouts import KNOWN_LAYOUTS
from logger.link import link_events as events
from logger.link.session.backfill import Backfill
from logger.model.sequence import Arrival, SequenceTracker
from logger.model.units import NS_PER_S

HELD_FRAMES: Final = 1000
STUCK_FRAMES: Final = 5  # with one sequence number, one after another: none of them was resent
SAID_EVERY_NS: Final = 10 * NS_PER_S


class Delivery:
    """One device's samples, explained by its model.

    backfill: of the present boot, None until the device was started or the model knows what came before.
    """

    def __init__(self, model: ProtocolDevice, emit: Callable[[events.SessionEvent], None]) -> None:
        self.duplicates = 0
        self.backfill = None if model.sequence is None else Backfill(model.sequence, True)
        self._model = model
        self._emit = emit
        self._boot_count = 0 if model.hello is None else model.hello.boot_count
        self._before_start: int | None = None
        self._proven = False  # boot count and sequence hold on this connection
        self._held: deque[tuple[Frame, Samples, int]] = deque(maxlen=HELD_FRAMES)
        self._same = (0, 0)  # the newest duplicate's sequence number, how often it came one after another
        self._said_ns: dict[str, int] = {}  # about what, when
        self._unresolved: deque[int] = deque(maxlen=KNOWN_LAYOUTS)  # layouts asked for in vain

    def take(self, frame: Frame, samples: Samples, now_ns: int) -> None:
        """One samples frame: deliver it, or hold it until it can be explained."""
        if self._proven and not self.is_news(samples.layout_id):
            self._deliver(frame, samples, now_ns)
        else:
            self._held.append((frame, samples, now_ns))

    def is_news(self, layout_id: int) -> bool:
        """A layout never described, for which asking again may help."""
        return self._model.layouts.find(layout_id) is None and layout_id not in self._unresolved

    def unproven(self) -> None:
        """A new connection: the device may have started again unseen."""
        self._proven = False

    def before_start(self, next_sequence: int) -> None:
        """Where the device stood before it was first asked to start, so that nothing made since goes unnoticed."""
        if self._before_start is None:
            self._before_start = next_sequence

    def started(self, hello: Hello, accepted: Accepted, now_ns: int) -> None:
        """The device streams, under the boot count and layout that were described: deliver what was held."""
        self._boot_count = hello.boot_count
        first = accepted.next_sequence if self._before_start is None else self._before_start
        if self.backfill is not None and self.backfill.went_back(accepted.next_sequence):
            self._forget_sequence("the device counts from the start again without a new boot count", now_ns)
            first = accepted.next_sequence
        if self.backfill is None:
            self._model.sequence = SequenceTracker(first)
            self.backfill = Backfill(self._model.sequence, True)
        self.backfill.supported &= Capability.RESEND in hello.capabilities
        self._proven = True
        self._release()
        self.backfill.announced(accepted.next_sequence)

    def settle(self) -> None:
        """The connection or the boot has ended: deliver what can be delivered, drop what is of an unknown boot."""
        if self.backfill is not None:
            self.backfill.unanswered()
        if self._proven:
            self._release()
        self._held.clear()
        self._proven = False

    def forget_boot(self, why: str, now_ns: int) -> None:
        """The boot has ended: its missing samples will not come."""
        self._forget_sequence(why, now_ns)
        self._unresolved.clear()

    def report_lost(self, now_ns: int) -> None:
        """Tell what was given up since the last call."""
        if self.backfill is not None:
            if (jumped := self.backfill.jumped()) is not None:
                reason = f"sequence number jumped from {jumped[0]} to {jumped[1]}: what is lost cannot be counted"
                self._emit(events.Contradiction(now_ns, "sequence", reason))
            for first, last, why in self.backfill.take_lost():
                self._emit(events.GapLost(now_ns, self._boot_count, first, last, why))

    def _forget_sequence(self, why: str, now_ns: int) -> None:
        if self.backfill is not None:
            self.backfill.abandon(why)
            self.report_lost(now_ns)
        self.backfill = None
        self._before_start = None

    def _release(self) -> None:
        """Deliver what is held. A layout still unknown was asked for and not explained: those frames stay raw."""
        while self._held:
            frame, samples, at_ns = self._held.popleft()
            if self.is_news(samples.layout_id):
                self._unresolved.append(samples.layout_id)
            self._deliver(frame, samples, at_ns)

    def _deliver(self, frame: Frame, samples: Samples, at_ns: int) -> None:
        assert self.backfill is not None
        try:
            explained = self._model.take(frame.raw, samples)
        except LayoutError as exc:
            self._emit(events.BadFrameSeen(at_ns, frame.raw, f"samples: {exc}"))
            return
        assert explained is not None
        self.backfill.arrived(samples.sequence, explained.arrival, at_ns)
        if explained.arrival is Arrival.DUPLICATE:
            self.duplicates += 1
            number, times = self._same
            self._same = samples.sequence, times + 1 if number == samples.sequence else 1
            if self._same[1] >= STUCK_FRAMES:
                self._contradicts("sequence", f"frame after frame has sequence number {samples.sequence}", at_ns)
        else:
            self._same = 0, 0
            if explained.arrival is Arrival.LIVE and self._model.layouts.find(samples.layout_id) is None:
                what = f"samples of layout 0x{samples.layout_id:08x}, which its descriptions do not make"
                self._contradicts("layout", what, at_ns)
            self._emit(events.SamplesReceived(at_ns, frame.raw, samples, self._boot_count, explained))

    def _contradicts(self, code: str, reason: str, at_ns: int) -> None:
        if at_ns - self._said_ns.get(code, -SAID_EVERY_NS) >= SAID_EVERY_NS:
            self._said_ns[code] = at_ns
            self._emit(events.Contradiction(at_ns, code, reason))
