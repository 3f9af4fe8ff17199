"""What a point did since a moment, for screens: from the store's overview, so whole after a restart and for any span.

Readings that come late (backfilled) are in it once they are stored. A bucket without a trusted reading is there and
empty, so that a gap is drawn as a gap.
"""

import asyncio
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from logger.model.units import NS_PER_S, Unit, from_si, show_unit
from logger.store.reader import StoreReader
from logger.store.rollup import LEVELS_S, OverviewBucket

FINEST_S = LEVELS_S[0]


class Trends:
    """Of one job's file. Read by a thread of its own: the loop's common threads also write to serial ports."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._thread = ThreadPoolExecutor(1, "trend")

    async def since(
        self, point: str, since_ns: int, now_ns: int, most: int, period_s: float, slack_s: float
    ) -> list[OverviewBucket]:
        """At most `most` equal buckets up to now, none so narrow that readings every period_s would leave it empty.

        Empty ones at the end that may yet be filled (a reading is no older than usual, and on its way to the file) are
        left out: they are no gap. Raises StoreError.
        """
        most = min(most, 1 + int((now_ns - since_ns) / NS_PER_S / max(FINEST_S, 2 * period_s)))
        found = await asyncio.get_running_loop().run_in_executor(
            self._thread, self._read, point, since_ns, now_ns, most
        )
        on_its_way_ns = int((FINEST_S + max(3.0, 3 * period_s) + slack_s) * NS_PER_S)
        while found and found[-1].n == 0 and found[-1].t0_ns > now_ns - on_its_way_ns:
            found.pop()
        return found

    def _read(self, point: str, since_ns: int, now_ns: int, most: int) -> list[OverviewBucket]:
        with StoreReader(self._path) as reader:  # opened again: a damaged file may have given way to its rescue
            return reader.overview(point, since_ns, now_ns, most)


def rows(buckets: list[OverviewBucket], unit: Unit, ambient_pa: float) -> list[dict[str, Any]]:
    """For the API: SI, and lowest and highest in the user's unit; null where there was no trusted reading."""
    out = []
    for b in buckets:
        ends = [from_si(v, unit, ambient_pa) for v in (b.min, b.max) if v is not None]
        out.append(
            {
                "t_ns": b.t0_ns, "end_ns": b.t1_ns, "low": b.min, "mean": b.mean, "high": b.max,
                "low_shown": min(ends, default=None), "high_shown": max(ends, default=None),
                "unit_shown": show_unit(unit),
            }
        )  # fmt: skip
    return out
