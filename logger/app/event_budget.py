"""A faulty device must not fill the record: beyond a few, its events are counted and recorded together."""

from collections import Counter
from typing import Final

from logger.link.rate_limit import RateLimit
from logger.model.events import GapNoted
from logger.model.units import NS_PER_S

PER_S: Final = 0.1  # 4 300 in a night of twelve hours
BURST: Final = 30
REPORT_AFTER_NS: Final = 60 * NS_PER_S


class EventBudget:
    """Of one device. Times are UTC ns of the record."""

    def __init__(self) -> None:
        self._limit = RateLimit(PER_S, BURST)
        self._merged: Counter[str] = Counter()
        self._frames = 0
        self._from_ns = self._to_ns = 0

    def allows(self, what: str, t_ns: int, frames: int = 0) -> bool:
        """Whether an event of this kind is stored by itself. frames: lost with it."""
        if self._limit.allows(t_ns):
            return True
        if not self._merged:
            self._from_ns = t_ns
        self._merged[what] += 1
        self._frames, self._to_ns = self._frames + frames, t_ns
        return False

    def merged(self, device: str, t_ns: int, at_once: bool = False) -> GapNoted | None:
        """What was not stored by itself, when it is a minute old, or at once."""
        if not self._merged or not (at_once or t_ns - self._from_ns >= REPORT_AFTER_NS):
            return None
        counts = ", ".join(f"{what} {count}" for what, count in self._merged.items())
        event = GapNoted(
            t_ns=t_ns, device=device or None, cause=f"faulty device, more of the same: {counts}", from_ns=self._from_ns,
            to_ns=self._to_ns, frames=self._frames or None,
        )  # fmt: skip
        self._merged.clear()
        self._frames = 0
        return event
