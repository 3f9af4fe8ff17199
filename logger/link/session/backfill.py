"""Asking for the samples frames that did not come (firmware_protocol/SPEC.md section 3.5).

One request at a time for one window of frames. The device answers what it will send; the window is over when its last
frame has come or nothing of it for a while, and what is still missing is asked for again. What the device no longer
holds, or does not send however often it is asked, is lost, and said so.
"""

from typing import Final

from firmware_protocol.messages import Resending
from firmware_protocol.requests import ResendFrom
from logger.model.sequence import Arrival, SequenceTracker

WINDOW_FRAMES: Final = 100
JOIN_FRAMES: Final = 8  # holes this close are asked for together: a request costs about as much as these frames
TRIES: Final = 40  # in vain, for the same window; at half of the frames lost, 40 failures are 1 in 10^12
WINDOWS: Final = 3  # given up one after another: then all that is missing is given up
QUIET_NS: Final = 500_000_000  # a window in which nothing came for so long is over
OVERTAKING: Final = 16  # frames that may overtake a message which states the next sequence
_U32: Final = 0xFFFF_FFFF

Lost = tuple[int, int, str]  # first, last, why


class Backfill:
    """Says what to ask for of one boot of the device. tracker: its device model's, which books what arrives."""

    __slots__ = (
        "_asked",
        "_in_vain",
        "_jumps",
        "_lost",
        "_progress_ns",
        "_tracker",
        "_window_last",
        "_windows_in_vain",
        "supported",
    )

    def __init__(self, tracker: SequenceTracker, supported: bool) -> None:
        """supported: the device can resend."""
        self.supported = supported
        self._tracker = tracker
        self._jumps = tracker.jumps
        self._asked: tuple[int, int] | None = None  # window of the request now outstanding
        self._window_last: int | None = None  # of the window now being sent
        self._progress_ns = 0
        self._in_vain = 0
        self._windows_in_vain = 0
        self._lost: list[Lost] = []

    @property
    def missing(self) -> int:
        """How many frames are missing and still hoped for."""
        return sum(last - first + 1 for first, last in self._tracker.missing)

    def arrived(self, sequence: int, arrival: Arrival, now_ns: int) -> None:
        """A frame came, and was booked."""
        if arrival is Arrival.LIVE:
            for first, last in self._tracker.overflow():
                self._lost.append((first, last, "too many separate gaps"))
        else:
            self._progress_ns = now_ns
            if arrival is Arrival.BACKFILLED:
                self._in_vain = self._windows_in_vain = 0
            if self._window_last is not None and self._tracker.unwrap(sequence) >= self._window_last:
                self._window_last = None

    def went_back(self, next_sequence: int) -> bool:
        """The device counts from an earlier number than it has already sent (not just by messages overtaking)."""
        return self._tracker.unwrap(next_sequence) < self._tracker.next - OVERTAKING

    def announced(self, next_sequence: int) -> None:
        """The device says that all before `next_sequence` were made."""
        self._tracker.announced(next_sequence)

    def jumped(self) -> tuple[int, int] | None:
        """A jump of the device's count since the last call, (expected, found): what was missing before it is lost."""
        if self._tracker.jumps == self._jumps:
            return None
        self._jumps = self._tracker.jumps
        self._lost += [(first, last, "the device's count jumped") for first, last in self._tracker.abandoned]
        self._tracker.abandoned.clear()
        self.unanswered()
        return self._tracker.jumped

    def next_request(self, now_ns: int) -> ResendFrom | None:
        """What to ask for now; None when nothing is missing or a window is still being sent."""
        missing = self._tracker.missing
        if not missing:
            return None
        if not self.supported:
            self.abandon("the device cannot resend")
            return None
        if self._window_last is not None and now_ns - self._progress_ns < QUIET_NS:
            return None
        self._window_last = None
        first, last = missing[0]
        for low, high in missing[1:]:
            if low - last > JOIN_FRAMES:
                break
            last = high
        last = min(last, first + WINDOW_FRAMES - 1)
        self._in_vain += 1
        if self._in_vain > TRIES:
            self._in_vain = 0
            self._windows_in_vain += 1
            if self._windows_in_vain < WINDOWS:
                self._give_up(first, last, f"not resent in {TRIES} requests")
            else:
                self.abandon(f"nothing resent in {WINDOWS * TRIES} requests")
            return None
        self._asked = (first, last)
        return ResendFrom(0, first & _U32, last - first + 1)

    def answered(self, reply: Resending, now_ns: int) -> None:
        """The device says what it will send."""
        if self._asked is None:
            return
        first, last = self._asked
        self._asked = None
        begins = self._tracker.unwrap(reply.first)
        if reply.count == 0:
            begins = last + 1
        self._give_up(first, min(begins - 1, last), "the device no longer holds them")
        if reply.count:
            self._window_last = min(begins + reply.count - 1, last)
            self._progress_ns = now_ns

    def unanswered(self) -> None:
        """The request got no reply, or the connection is gone."""
        self._asked = None
        self._window_last = None

    def abandon(self, why: str) -> None:
        """Nothing missing will come any more."""
        for first, last in self._tracker.missing:
            self._give_up(first, last, why)

    def take_lost(self) -> list[Lost]:
        """What was given up since the last call."""
        lost, self._lost = self._lost, []
        return lost

    def _give_up(self, first: int, last: int, why: str) -> None:
        self._lost += [(low, high, why) for low, high in self._tracker.give_up(first, last)]
