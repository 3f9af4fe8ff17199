"""Smallest, largest and mean reading of each point in bins of 10 s and 60 s: for overviews, made again at any time.

Bins are added to, never replaced, so readings may come late (backfilled by a device) and in any order.
"""

import logging
import math
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

from logger.model.sample import Scan
from logger.model.units import NS_PER_S

LEVELS_S = (10, 60)
_FINE_NS = LEVELS_S[0] * NS_PER_S

# (bin of the finest level, point) -> [n, min, max, sum]
Bins = dict[tuple[int, str], tuple[int, float, float, float]]

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class OverviewBucket:
    """Readings from t0_ns up to t1_ns (UTC). n trusted readings; min, max, mean in SI, None when there are none."""

    t0_ns: int
    t1_ns: int
    n: int
    min: float | None
    max: float | None
    mean: float | None


def fold(into: Bins, scans: Iterable[Scan]) -> None:
    """Add the readings of `scans`: many at once cost a fraction of one by one."""
    tables: dict[tuple[int, tuple[str, ...]], list[tuple[float, ...]]] = {}
    for t_ns, points, values in scans:
        key = t_ns // _FINE_NS, points
        if key in tables:
            tables[key].append(values)
        else:
            tables[key] = [values]
    for (fine, points), rows in tables.items():
        for point, column in zip(points, zip(*rows, strict=True), strict=True):
            merge(into, (fine, point), (len(column), min(column), max(column), sum(column)))


def merge(into: Bins, key: tuple[int, str], new: tuple[int, float, float, float]) -> None:
    """Add (count, smallest, largest, sum) to the bin of that key."""
    old = into.get(key)
    if old is not None:
        new = (old[0] + new[0], min(old[1], new[1]), max(old[2], new[2]), old[3] + new[3])
    into[key] = new


def store_bins(connection: sqlite3.Connection, bins: Bins, point_ids: dict[str, int]) -> None:
    """Add `bins` to the file, inside the caller's transaction. point_ids: a cache, dropped if that is rolled back."""
    rows: list[tuple[int, int, int, int, float, float, float]] = []
    for level in LEVELS_S:
        wide: Bins = {}
        factor = level // LEVELS_S[0]
        for (fine, point), value in bins.items():
            merge(wide, (fine // factor, point), value)
        for (bin_number, point), (n, low, high, total) in wide.items():
            if not math.isfinite(total):
                log.error("readings of %s are not finite numbers; left out of the overview", point)
                continue
            rows.append((level, bin_number * level, _point_id(connection, point, point_ids), n, low, high, total))
    rows.sort()
    connection.executemany(
        "INSERT INTO rollup VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET "
        "n = n + excluded.n, min = min(min, excluded.min), max = max(max, excluded.max), sum = sum + excluded.sum",
        rows,
    )


def _point_id(connection: sqlite3.Connection, name: str, known: dict[str, int]) -> int:
    found = known.get(name)
    if found is None:
        connection.execute("INSERT OR IGNORE INTO point (name) VALUES (?)", (name,))
        found = known[name] = int(connection.execute("SELECT id FROM point WHERE name = ?", (name,)).fetchone()[0])
    return found


def rebuild(connection: sqlite3.Connection, scans: Iterable[Scan]) -> int:
    """Throw all bins away and make them from `scans`, inside the caller's transaction; the number of readings."""
    connection.execute("DELETE FROM rollup")
    point_ids: dict[str, int] = {}
    bins: Bins = {}
    batch: list[Scan] = []
    count = 0
    for scan in scans:
        batch.append(scan)
        count += len(scan.points)
        if len(batch) >= 5000:
            fold(bins, batch)
            store_bins(connection, bins, point_ids)
            bins.clear()
            batch.clear()
    fold(bins, batch)
    store_bins(connection, bins, point_ids)
    return count


def overview(connection: sqlite3.Connection, point: str, t0_ns: int, t1_ns: int, buckets: int) -> list[OverviewBucket]:
    """At most `buckets` buckets of equal width that cover t0_ns to t1_ns, empty ones included; never finer than 10 s.

    Bucket edges are multiples of 10 s or 60 s, so the first and last may reach beyond what was asked.
    """
    if t1_ns <= t0_ns or buckets < 1:
        return []
    fine_s = LEVELS_S[0]
    level = width = fine_s
    while True:
        level = max(level_s for level_s in LEVELS_S if level_s <= width)
        width = -(-width // level) * level
        first = t0_ns // (level * NS_PER_S) * level
        count = -(-(t1_ns - first * NS_PER_S) // (width * NS_PER_S))
        if count <= buckets:
            break
        width = max(width + level, -(-(t1_ns - first * NS_PER_S) // (buckets * NS_PER_S)))
    rows = connection.execute(
        "SELECT (bin_s - ?) / ?, sum(n), min(min), max(max), sum(sum) FROM rollup "
        "WHERE level_s = ? AND bin_s >= ? AND bin_s < ? AND point = (SELECT id FROM point WHERE name = ?) GROUP BY 1",
        (first, width, level, first, first + count * width, point),
    ).fetchall()
    found = {int(row[0]): row for row in rows}
    out: list[OverviewBucket] = []
    for k in range(count):
        start_ns, end_ns = (first + k * width) * NS_PER_S, (first + (k + 1) * width) * NS_PER_S
        row = found.get(k)
        if row is None:
            out.append(OverviewBucket(start_ns, end_ns, 0, None, None, None))
        else:
            out.append(OverviewBucket(start_ns, end_ns, row[1], row[2], row[3], row[4] / row[1]))
    return out
