"""Weights that carry a time stamp: which of them are of now?

A scale of the Weight Scale Service may keep what it weighed while nobody was connected and send it later, each with
the time at which it was weighed (Weight Scale Service 1.0, Time Stamp). Such an old weight must not pass for what
stands on the scale now. The scale's clock is of no known zone and may be wrong, so only its lead over ours is looked
at: what was kept comes with a smaller lead than what is sent at once.
"""

from datetime import datetime
from typing import Final

JITTER_S: Final = 2.0  # the stamps are whole seconds
SETTLE_S: Final = 3.0  # a lead that nothing has surpassed for so long is that of now
SET_BACK_S: Final = 30.0  # behind for so long: the scale's clock was set back
_EPOCH: Final = datetime(2000, 1, 1)  # noqa: DTZ001


class Stamps:
    """One scale's, over all its connections."""

    def __init__(self) -> None:
        self._lead_s: float | None = None
        self._since_s = 0.0
        self._lagging_since_s: float | None = None  # since when

    def is_of_now(self, stamp: datetime, now_s: float) -> bool:
        """now_s: monotonic."""
        lead_s = (stamp - _EPOCH).total_seconds() - now_s
        if self._lead_s is None or lead_s > self._lead_s + JITTER_S:
            return self._begin(lead_s, now_s)
        if lead_s < self._lead_s - JITTER_S:
            self._lagging_since_s = now_s if self._lagging_since_s is None else self._lagging_since_s
            return self._begin(lead_s, now_s) if now_s - self._lagging_since_s > SET_BACK_S else False
        self._lagging_since_s = None
        if now_s - self._since_s < SETTLE_S:
            return False
        self._lead_s = lead_s  # clocks drift
        return True

    def _begin(self, lead_s: float, now_s: float) -> bool:
        self._lead_s, self._since_s, self._lagging_since_s = lead_s, now_s, None
        return False
