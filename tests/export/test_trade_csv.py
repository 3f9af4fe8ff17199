"""The table for a spreadsheet: units, local time, one row a second, and what a spreadsheet makes of it."""

import csv
import io
from datetime import UTC, datetime
from itertools import pairwise

import pytest

from logger.evidence.chain import event_data
from logger.export.csv.trade import trade_csv
from logger.model.records import EVENT, Record
from tests.export.simulated import simulated_job


@pytest.fixture(scope="module")
def records() -> tuple[Record, ...]:
    return simulated_job("tight", 600.0, ("vacuum board",))


def table(records: tuple[Record, ...], units: str) -> list[list[str]]:
    text = "".join(trade_csv(records, units))
    assert text.startswith("\ufeff")  # without it a spreadsheet takes degree signs for two letters
    return list(csv.reader(io.StringIO(text.removeprefix("\ufeff"))))


def test_a_row_a_second_in_local_time_under_a_header_in_words(records: tuple[Record, ...]) -> None:
    head, *rows = table(records, "us")
    assert head[0].startswith("Time (UTC")
    assert head[1] == "Stage"
    assert "Vacuum (microns)" in head
    times = [datetime.fromisoformat(row[0]).replace(tzinfo=UTC) for row in rows]
    assert all((b - a).total_seconds() >= 1 for a, b in pairwise(times))
    assert len(rows) == pytest.approx(600, abs=10)
    run = next(e for e in map(event_data, (r for r in records if r.kind == EVENT)) if e["type"] == "run-begun")
    offset_s = run.get("utc_offset_s", 0)
    first_s = min(r.t0_ns for r in records if r.kind != EVENT) // 10**9
    assert abs(times[0].timestamp() - offset_s - first_s) <= 2


def test_the_units_are_the_ones_asked_for(records: tuple[Record, ...]) -> None:
    (us_head, *us), (si_head, *si) = table(records, "us"), table(records, "si")
    at = us_head.index("Vacuum (microns)")
    assert si_head[at] == "Vacuum (Pa)"
    both = [(a, b) for a, b in zip(us, si, strict=True) if a[at]]
    assert len(both) > 300
    for a, b in both[::50]:
        assert float(a[at]) * 0.133322 == pytest.approx(float(b[at]), rel=0.01, abs=0.2)
