"""CSV: plain for every reader, in order of time, and harmless whatever a device or a person wrote."""

import csv
import io
import json
import unicodedata
from datetime import UTC, datetime

from hypothesis import example, given, settings
from hypothesis import strategies as st

from logger.export.csv.ordered import Sorted
from logger.export.csv.sheets import (
    ReadingsSheet,
    column_title,
    events_csv,
    events_metadata,
    readings_metadata,
    rfc3339,
    text_cell,
)
from logger.model.points import POINTS
from logger.model.sample import PointSample
from logger.model.units import NS_PER_S

T0 = 1_772_467_200 * NS_PER_S


def rows_of(data: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(data.decode("utf-8"), newline=""), strict=True))


@given(st.integers(0, 4_000_000_000 * NS_PER_S))
@settings(max_examples=100, deadline=None)
def test_time_is_utc_to_the_microsecond_and_sorts_as_text(t_ns: int) -> None:
    text = rfc3339(t_ns)
    assert len(text) == 27
    back = datetime.fromisoformat(text)
    assert back.tzinfo == UTC
    assert round(back.timestamp() * 1e6) == t_ns // 1000
    assert rfc3339(t_ns + 1000) > text


HOSTILE = ['=HYPERLINK("http://x")', "+1+1", "-1|cmd", "@SUM(A1)", "\t=1", " \r\n=1", "\x1b[2J\x1b]0;x\x07=1",
           "a;=1+1", "a; @x", "\u202e=1", "＝1", "\x00=1", "a\u2028=1",
           'say "hi", then', "..\\..\\x", "\ud800=1"]  # fmt: skip


@given(st.one_of(st.sampled_from(HOSTILE), st.text(max_size=60)))
@example("'=1")
@settings(max_examples=400, deadline=None)
def test_text_of_any_origin_is_one_harmless_cell(text: str) -> None:
    cell = text_cell(text)
    (row,) = rows_of(f"a,{cell},b\r\n".encode()) if cell else [["a", "", "b"]]
    assert (row[0], row[2], len(row)) == ("a", "b", 3)
    assert not row[1].startswith(("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠"))
    for part in row[1].split(";"):
        assert not part.strip().startswith(("=", "+", "@")) or part is row[1]
    assert not any(unicodedata.category(ch)[0] == "C" for ch in row[1])


def test_readings_wide_with_reasons() -> None:
    sheet = ReadingsSheet(("cylinder_mass", "vacuum"))
    sheet.add([PointSample(T0, "cylinder_mass", 25.123456789123), PointSample(T0, "vacuum", None, "over range")])
    sheet.add([PointSample(T0 + NS_PER_S, "vacuum", 1e-3)])
    sheet.add([PointSample(T0 + NS_PER_S, "ambient_temperature", 300.0)])  # of no point of the rig
    assert b"".join(sheet.lines()) == (
        b"time,cylinder_mass [kg],vacuum [Pa],problem\r\n"
        b"2026-03-02T16:00:00.000000Z,25.1234568,,vacuum: over range\r\n"
        b"2026-03-02T16:00:01.000000Z,,0.001,\r\n"
    )


@given(st.lists(st.tuples(st.integers(0, 500), st.floats(-1e6, 1e6)), max_size=60), st.integers(1, 20))
@settings(max_examples=60, deadline=None)
def test_any_order_in_time_order_out_with_equal_times_kept_in_order(
    scans: list[tuple[int, float]], run_lines: int
) -> None:
    lines = [f"{t:04d},{i}\n".encode() for i, (t, _) in enumerate(scans)]
    held = Sorted(4, run_lines)
    for line in lines:
        held.add(line)
    assert list(held.lines()) == sorted(lines, key=lambda line: line[:4])


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12))
@settings(max_examples=100, deadline=None)
def test_a_value_comes_back_to_nine_figures(value: float) -> None:
    sheet = ReadingsSheet(("vacuum",))
    sheet.add([PointSample(T0, "vacuum", value)])
    found = float(rows_of(b"".join(sheet.lines()))[1][1])
    assert abs(found - value) <= 5e-9 * abs(value)


def test_metadata_names_every_column_with_its_unit() -> None:
    points = tuple(POINTS)
    data = json.loads(readings_metadata(points, "title", invented=True))
    columns = data["tableSchema"]["columns"]
    sheet = ReadingsSheet(points)
    header = rows_of(next(sheet.lines()))[0]
    assert [c["titles"] for c in columns] == header
    assert {c["name"]: c.get("schema:unitText") for c in columns[1:-1]} == {p: POINTS[p].unit for p in points}
    assert data["dc:description"].startswith("Invented data")
    assert header[1] == column_title(points[0])


def test_events_have_the_columns_their_metadata_names() -> None:
    lines = b"".join(events_csv([(T0, 7, "note", "", "=cmd", "J. Invented")]))
    rows = rows_of(lines)
    assert rows[0] == [c["titles"] for c in json.loads(events_metadata("t", False))["tableSchema"]["columns"]]
    assert rows[1] == ["2026-03-02T16:00:00.000000Z", "7", "note", "", "'=cmd", "J. Invented"]
