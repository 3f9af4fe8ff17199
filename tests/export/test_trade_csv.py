"""The table for a spreadsheet: units, local time, one row a second, and what a spreadsheet makes of it."""

import csv
import io
import os
import re
import subprocess
from datetime import UTC, datetime
from itertools import islice, pairwise
from pathlib import Path

import pytest

from logger.evidence.chain import event_data
from logger.export.csv.trade import trade_csv
from logger.model.records import EVENT, Record
from tests.export.simulated import simulated_job
from tests.tools import needs


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
    assert head[1:3] == ["Elapsed (min)", "Stage"]
    assert "Vacuum (microns)" in head
    times = [datetime.fromisoformat(row[0]).replace(tzinfo=UTC) for row in rows]
    assert all((b - a).total_seconds() >= 1 for a, b in pairwise(times))
    assert len(rows) == pytest.approx(600, abs=10)
    assert all(row[0][10] == "T" for row in rows)
    assert [float(row[1]) for row in (rows[0], rows[60])] == pytest.approx([0.0, 1.0], abs=0.02)
    assert all(len(row) == len(head) for row in rows)
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


def test_libreoffice_opens_it_right(records: tuple[Record, ...], tmp_path: Path) -> None:
    """As its dialog opens a file by default: UTF-8 by the mark, commas, no special numbers looked for."""
    soffice = needs("soffice", "opens the table as a person's spreadsheet does")
    first, *rest = islice(trade_csv(records, "us"), 30)
    (tmp_path / "job.csv").write_text("".join([first, *rest]), encoding="utf-8", newline="")
    subprocess.run(
        [soffice, "--headless", f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}", "--infilter=CSV:44,34,76,1",
         "--convert-to", "fods", "--outdir", str(tmp_path), str(tmp_path / "job.csv")],
        check=True, capture_output=True, timeout=300, env=os.environ | {"HOME": str(tmp_path)},
    )  # fmt: skip
    cells = re.findall(
        r'<table:table-cell[^>]*office:value-type="(\w+)"([^>]*)>\s*<text:p>([^<]*)',
        (tmp_path / "job.fods").read_text(),
    )
    table_of = list(csv.reader(io.StringIO("".join([first, *rest]).removeprefix("\ufeff"))))
    head, row = table_of[0], table_of[-1]
    assert [text for _, _, text in cells[: len(head)]] == head  # whole words, degree signs, no mark
    filled = [value for value in row if value]
    kinds, values = zip(*[(kind, value) for kind, value, _ in cells[-len(filled) :]], strict=True)
    assert kinds == ("date", "float", *["string"] * bool(row[2]), *["float"] * (len(filled) - 2 - bool(row[2])))
    assert f'office:date-value="{row[0]}"' in values[0]
    assert [float(re.findall(r'office:value="([^"]*)"', v)[0]) for v in values[-2:]] == [float(x) for x in filled[-2:]]
