"""Readings and events as CSV (RFC 4180) with CSV on the Web metadata (W3C, 2015).

Readings are laid out wide, one row an instant and one column a measuring point: a night of sixteen points at ten a
second is 430,000 rows, which a spreadsheet still opens; one row a reading would be seven million. Where there is no
trusted reading the cell is empty and the last column says which point and why; an empty cell without a reason means
that this instant belongs to another device.

Values are SI with nine significant digits: finer than any sensor, coarser than the last bit, in which the arithmetic
of two computers may differ.
"""

import json
import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from functools import lru_cache
from itertools import groupby
from operator import attrgetter
from typing import Any

from logger.export.csv.ordered import Sorted
from logger.model.points import POINTS, Quantity
from logger.model.sample import PointSample
from logger.model.text import clean
from logger.model.units import NS_PER_S

PROBLEM_SEPARATOR = "; "
_TIME_BYTES = 27  # 2026-03-02T18:10:00.123456Z
_AFTER_SEMICOLON = re.compile(r"(;\s*)(?=[=+@-])")  # some spreadsheets cut there, quotes or not
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")
_ABSOLUTE = (Quantity.PRESSURE, Quantity.VACUUM)


def rfc3339(t_ns: int) -> str:
    """UTC to the microsecond: 2026-03-02T18:10:00.123456Z; always as long, so that text order is time order."""
    seconds, rest = divmod(t_ns, NS_PER_S)
    return f"{_to_the_second(seconds)}.{rest // 1000:06d}Z"


@lru_cache(maxsize=16)
def _to_the_second(seconds: int) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")


def text_cell(text: str, limit: int = 2000) -> str:
    """Text of any origin as one harmless cell: cleaned, quoted where needed, never a formula.

    A text that a spreadsheet would take for a formula gets an apostrophe before it (OWASP, CSV injection).
    """
    safe = clean(text, limit)
    if safe.startswith(_FORMULA):
        safe = "'" + safe
    safe = _AFTER_SEMICOLON.sub(r"\1'", safe)
    return '"' + safe.replace('"', '""') + '"' if any(ch in safe for ch in ',"\n\r') else safe


def column_title(point: str) -> str:
    return f"{point} [{POINTS[point].unit}]"


class ReadingsSheet:
    """readings.csv: takes scans of samples in any order, gives lines in order of time. Only `points` are kept."""

    def __init__(self, points: Sequence[str]) -> None:
        self._points = tuple(points)
        self._places = {point: i for i, point in enumerate(points)}
        self._sorted = Sorted(_TIME_BYTES)

    def add(self, samples: Iterable[PointSample]) -> None:
        for t_ns, scan in groupby(samples, key=attrgetter("t_ns")):
            self._add_row(t_ns, scan)

    def _add_row(self, t_ns: int, scan: Iterable[PointSample]) -> None:
        cells = [""] * len(self._points)
        problems = []
        used = False
        for sample in scan:
            place = self._places.get(sample.point)
            if place is None:
                continue
            used = True
            if sample.value is None:
                problems.append(f"{sample.point}: {sample.problem}")
            else:
                cells[place] = format(sample.value, ".9g")
        if used:
            reason = text_cell(PROBLEM_SEPARATOR.join(problems)) if problems else ""
            self._sorted.add(f"{rfc3339(t_ns)},{','.join(cells)},{reason}\r\n".encode())

    def lines(self) -> Iterator[bytes]:
        """Once, after the last `add`."""
        yield (",".join(["time", *map(column_title, self._points), "problem"]) + "\r\n").encode()
        yield from self._sorted.lines()


def readings_metadata(points: Sequence[str], title: str, invented: bool) -> bytes:
    """CSVW for readings.csv: what each column is and its unit (a UCUM code)."""
    columns: list[dict[str, Any]] = [
        {"name": "time", "titles": "time", "datatype": "dateTime", "required": True, "dc:description": "UTC"}
    ]
    for name in points:
        point = POINTS[name]
        about = f"{point.label}: {point.quantity.value}" + (", absolute" if point.quantity in _ABSOLUTE else "")
        columns.append({
            "name": name,
            "titles": column_title(name),
            "datatype": "double",
            "dc:description": about,
            "schema:unitText": point.unit,
        })  # fmt: skip
    columns.append({
        "name": "problem",
        "titles": "problem",
        "datatype": "string",
        "separator": PROBLEM_SEPARATOR,
        "dc:description": "measuring points without a trusted reading at this instant, each with the reason",
    })  # fmt: skip
    return _metadata("readings.csv", title, invented, columns)


EVENT_COLUMNS = ("time", "record", "type", "about", "text", "by")


def events_csv(rows: Iterable[tuple[int, int, str, str, str, str]]) -> Iterator[bytes]:
    """rows: (t_ns, record id, type, about, text, by); the record id finds it in the chain."""
    yield (",".join(EVENT_COLUMNS) + "\r\n").encode()
    for t_ns, record, kind, about, text, by in rows:
        cells = [text_cell(kind), text_cell(about), text_cell(text), text_cell(by)]
        yield f"{rfc3339(t_ns)},{record},{','.join(cells)}\r\n".encode()


def events_metadata(title: str, invented: bool) -> bytes:
    about = {
        "time": "UTC",
        "record": "number of the record in records.jsonl that holds it",
        "type": "kind of event",
        "about": "alarm, stage, device or cylinder concerned",
        "text": "what happened",
        "by": "who acted, as typed",
    }
    kinds = {"time": "dateTime", "record": "integer"}
    columns = [
        {"name": name, "titles": name, "datatype": kinds.get(name, "string"), "dc:description": about[name]}
        for name in EVENT_COLUMNS
    ]
    return _metadata("events.csv", title, invented, columns)


def _metadata(url: str, title: str, invented: bool, columns: list[dict[str, Any]]) -> bytes:
    data: dict[str, Any] = {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": url,
        "dc:title": title,
        "dc:description": ("Invented data for demonstration. " if invented else "")
        + "Made by Rimelog from the raw records beside it; units are UCUM codes (https://ucum.org).",
        "dialect": {"header": True, "encoding": "utf-8", "delimiter": ",", "quoteChar": '"', "doubleQuote": True},
        "tableSchema": {"columns": columns},
    }
    return (json.dumps(data, indent=1, ensure_ascii=False) + "\n").encode()
