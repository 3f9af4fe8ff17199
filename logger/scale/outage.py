"""A stretch without readings of the scale: what was missed may still come late, and then no jump was one."""

from collections.abc import Sequence
from copy import deepcopy

from logger.model.units import NS_PER_S
from logger.scale.state import ScaleState
from logger.statistics.history import History

OUTAGE_NS = 10 * NS_PER_S  # so long without a reading
MAX_OUTAGE_NS = 3600 * NS_PER_S  # so long what it missed is waited for
QUIET_NS, EVERY_NS = 3 * NS_PER_S, 60 * NS_PER_S  # weighed again when no more has come for so long, or every so often

Swaps = Sequence[tuple[int, str]]  # (UTC ns, cylinder), in the order in which they were entered


class Outage:
    """Remembers the weighing as it was before the readings stopped."""

    def __init__(self) -> None:
        self._newest_ns = 0
        self._late: tuple[int, int] | None = None  # when readings came late: last, first
        # When it began; the swaps entered up to its end, and the weighing.
        self._before: tuple[int, int, ScaleState] | None = None

    def weigh(self, weighing: ScaleState, t_ns: int, mass_kg: float, swaps: Swaps, now_ns: int) -> None:
        """A reading of the scale, in time or late."""
        if t_ns < self._newest_ns:
            self._late = (now_ns, self._late[1] if self._late else now_ns)
            return
        if 0 < self._newest_ns < t_ns - OUTAGE_NS and self._before is None:
            self._before = self._newest_ns, len(swaps), deepcopy(weighing)
        self._newest_ns = t_ns
        weighing.sample(t_ns, mass_kg)

    def forget(self) -> None:
        """Another stage begins, whose mass counts from its own first reading."""
        self._before = None

    def is_over(self, now_ns: int) -> bool:
        """Once a second: whether what came late can be weighed now."""
        if self._before is not None and now_ns - self._before[0] > MAX_OUTAGE_NS:
            self._before = None
        return self._late is not None and (now_ns - self._late[0] > QUIET_NS or now_ns - self._late[1] > EVERY_NS)

    def weighed_anew(self, history: History, swaps: Swaps, now_ns: int) -> ScaleState | None:
        """From the readings of the whole outage and since, in their order; None where what was before is not known."""
        self._late = None
        if self._before is None:
            return None
        since_ns, known, weighing = self._before[0], self._before[1], deepcopy(self._before[2])
        named = swaps[known - 1][1] if known else None
        coming = list(swaps[known:])
        readings: list[tuple[int, float | None]] = [
            (history.start_ns + int((b.start_s + b.width_s / 2) * NS_PER_S), b.mean)
            for b in history.buckets((since_ns - history.start_ns) / NS_PER_S)
        ]
        for t_ns, mass_kg in (*readings, (now_ns, None)):
            while coming and coming[0][0] <= t_ns:
                weighing.name(coming[0][1], named)
                named = coming.pop(0)[1]
            if mass_kg is not None and t_ns > since_ns:
                weighing.sample(t_ns, mass_kg)
        return weighing
