"""Which samples frames of one boot have come, and which are missing.

Sequence numbers wrap at 2**32 on the wire; here they are unwrapped, counting on, so that ranges compare plainly.
"""

from bisect import bisect_left
from collections.abc import Iterable
from enum import Enum
from typing import Final

_WRAP: Final = 1 << 32
_HALF: Final = 1 << 31
MAX_JUMP: Final = 1 << 24  # frames: no device holds so many, and at ten a second it takes 19 days to make them
MAX_RANGES: Final = 4000  # holes remembered (half a megabyte); the oldest is given up when there are more


class Arrival(Enum):
    LIVE = "live"
    BACKFILLED = "backfilled"
    DUPLICATE = "duplicate"


class SequenceTracker:
    """Delivers each sequence number once. `next`: the one expected; below it all came or are in `missing`.

    A number more than MAX_JUMP away is no loss and no resending but a counter that cannot be believed: counting begins
    again there. jumps: how often that was; jumped: the newest, as (expected, found). What was missing then is
    in `abandoned`, until somebody takes it.
    """

    __slots__ = ("_missing", "abandoned", "jumped", "jumps", "next")

    def __init__(self, next_sequence: int, missing: Iterable[tuple[int, int]] = ()) -> None:
        """missing: holes already known, as `missing` gives them."""
        self.next = next_sequence
        self._missing: list[tuple[int, int]] = list(missing)  # first, last; ascending, apart
        self.abandoned: list[tuple[int, int]] = []
        self.jumps = 0
        self.jumped = (next_sequence, next_sequence)

    @property
    def missing(self) -> tuple[tuple[int, int], ...]:
        """Holes as (first, last), ascending."""
        return tuple(self._missing)

    def unwrap(self, sequence: int) -> int:
        """The full number of a sequence from the wire, taken as within half a wrap of `next`. May be below 0."""
        return self.next + (sequence - self.next + _HALF) % _WRAP - _HALF

    def arrived(self, sequence: int) -> Arrival:
        """Book a samples frame (sequence as on the wire)."""
        number = self._believed(self.unwrap(sequence))
        if number >= self.next:
            if number > self.next:
                self._missing.append((self.next, number - 1))
                if len(self._missing) > 2 * MAX_RANGES:
                    self.overflow()  # nobody else asks for it: a record says itself what was given up
            self.next = number + 1
            return Arrival.LIVE
        return Arrival.BACKFILLED if self._remove(number, number) else Arrival.DUPLICATE

    def announced(self, next_sequence: int) -> None:
        """The device says that all before `next_sequence` (as on the wire) were made."""
        number = self._believed(self.unwrap(next_sequence))
        if number > self.next:
            if self._missing and self._missing[-1][1] == self.next - 1:
                self._missing[-1] = (self._missing[-1][0], number - 1)
            else:
                self._missing.append((self.next, number - 1))
            self.next = number

    def give_up(self, first: int, last: int) -> list[tuple[int, int]]:
        """Forget what is missing from first to last; returns those ranges."""
        return self._remove(first, last)

    def overflow(self) -> list[tuple[int, int]]:
        """Ranges beyond MAX_RANGES, oldest first, now forgotten."""
        count = len(self._missing) - MAX_RANGES
        if count <= 0:
            return []
        lost, self._missing = self._missing[:count], self._missing[count:]
        return lost

    def _believed(self, number: int) -> int:
        if abs(number - self.next) <= MAX_JUMP:
            return number
        self.jumps += 1
        self.jumped = (self.next % _WRAP, number % _WRAP)
        self.abandoned, self._missing = self._missing, []
        self.next = number % _WRAP
        return self.next

    def _remove(self, first: int, last: int) -> list[tuple[int, int]]:
        """Take first..last out of the holes; returns the parts that were in them."""
        start = end = bisect_left(self._missing, first, key=_last_of)
        remaining: list[tuple[int, int]] = []
        removed: list[tuple[int, int]] = []
        while end < len(self._missing) and self._missing[end][0] <= last:
            low, high = self._missing[end]
            removed.append((max(low, first), min(high, last)))
            if low < first:
                remaining.append((low, first - 1))
            if high > last:
                remaining.append((last + 1, high))
            end += 1
        self._missing[start:end] = remaining
        return removed


def _last_of(hole: tuple[int, int]) -> int:
    return hole[1]
