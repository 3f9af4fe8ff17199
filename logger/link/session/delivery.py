"""Samples on their way to whoever wants them: held until explained, delivered once, the missing ones booked.

Frames may come before the session knows the device's boot and channels (it streams already), or under a layout not yet
described. They wait, at most HELD_FRAMES, and keep the time of their arrival. What is pushed out or dropped was never
booked, so it counts as missing and is asked for again.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from firmware_protocol.codes import Capability
from firmware_protocol.errors import LayoutError
from firmware_protocol.framing import Frame
from firmware_protocol.messages import Accepted, Hello, Samples
from logger.link import events
from logger.link.session.backfill import Backfill
from logger.link.session.descriptions import Descriptions
from logger.model.sequence import Arrival

HELD_FRAMES: Final = 1000


@dataclass(frozen=True, slots=True)
class ResumePoint:
    """Where an earlier session of a device ended: what was made since, and what was missing, can be asked for.

    missing: first and last of each hole, ascending, unwrapped as next_sequence is.
    """

    device_id: bytes
    boot_count: int
    next_sequence: int
    missing: tuple[tuple[int, int], ...] = ()


class Delivery:
    """One device's samples. `backfill`: of the present boot, None until the device was started."""

    def __init__(
        self,
        descriptions: Descriptions,
        resume: ResumePoint | None,
        emit: Callable[[events.SessionEvent], None],
    ) -> None:
        self.backfill: Backfill | None = None
        self.duplicates = 0
        self._descriptions = descriptions
        self._resume = resume
        self._emit = emit
        self._boot_count = 0
        self._before_start: int | None = None
        self._proven = False  # boot count and sequence hold on this connection
        self._held: deque[tuple[Frame, Samples, int]] = deque(maxlen=HELD_FRAMES)

    def take(self, frame: Frame, samples: Samples, now_ns: int) -> None:
        """One samples frame: deliver it, or hold it until it can be explained."""
        if self._proven and not self._descriptions.is_news(samples.layout_id):
            self._deliver(frame, samples, now_ns)
        else:
            self._held.append((frame, samples, now_ns))

    def unproven(self) -> None:
        """A new connection: the device may have started anew unseen."""
        self._proven = False

    def before_start(self, next_sequence: int) -> None:
        """Where the device stood before it was first asked to start, so that nothing made since goes unnoticed."""
        if self._before_start is None:
            self._before_start = next_sequence

    def started(self, hello: Hello, accepted: Accepted, now_ns: int) -> None:
        """The device streams, under the boot count and layout that were described: deliver what was held."""
        self._boot_count = hello.boot_count
        can_resend = Capability.RESEND in hello.capabilities
        if self.backfill is None:
            self.backfill = self._begun(hello, accepted, can_resend)
        if self.backfill.went_back(accepted.next_sequence):
            self._forget_sequence("the device counts from the start again without a new boot count", now_ns)
            self.backfill = Backfill(accepted.next_sequence, can_resend)
        self._proven = True
        self._release()
        self.backfill.announced(accepted.next_sequence)

    def _begun(self, hello: Hello, accepted: Accepted, can_resend: bool) -> Backfill:
        resume = self._resume
        if resume is not None and (resume.device_id, resume.boot_count) == (hello.device_id, hello.boot_count):
            return Backfill(resume.next_sequence, can_resend, resume.missing)
        first = accepted.next_sequence if self._before_start is None else self._before_start
        return Backfill(first, can_resend)

    def connection_lost(self) -> None:
        """Deliver what can be delivered; what belongs to an unknown boot is dropped."""
        if self.backfill is not None:
            self.backfill.unanswered()
        if self._proven:
            self._release()
        self._held.clear()
        self._proven = False

    def forget_boot(self, why: str, now_ns: int) -> None:
        """The boot has ended: its missing samples will not come, its layouts mean nothing any more."""
        if self._proven:
            self._release()
        self._held.clear()
        self._forget_sequence(why, now_ns)
        self._proven = False
        self._descriptions.forget()

    def report_lost(self, now_ns: int) -> None:
        """Tell what was given up since the last call."""
        if self.backfill is not None:
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
            if self._descriptions.is_news(samples.layout_id):
                self._descriptions.unresolved(samples.layout_id)
            self._deliver(frame, samples, at_ns)

    def _deliver(self, frame: Frame, samples: Samples, at_ns: int) -> None:
        assert self.backfill is not None
        arrival = self.backfill.arrived(samples.sequence, at_ns)
        if arrival is Arrival.DUPLICATE:
            self.duplicates += 1
            return
        layout = self._descriptions.find(samples.layout_id)
        readings = None
        if layout is not None:
            try:
                readings = tuple(layout.unpack(samples))
            except LayoutError as exc:
                self._emit(events.BadFrameSeen(at_ns, frame.raw, f"samples: {exc}"))
                return
        self._emit(
            events.SamplesReceived(
                at_ns, frame.raw, samples, self._boot_count, layout, readings, arrival is Arrival.BACKFILLED
            )
        )
