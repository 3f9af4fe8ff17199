"""An answer as a table: rows of values in SI, and what each column is."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from logger.export.csv.sheets import text_cell
from logger.model.finding import Verdict
from logger.model.points import Quantity
from logger.model.text import clean
from logger.model.units import from_si, show_unit, user_unit
from logger.model.value import known
from logger.stages import registry
from logger.wording.values import Shown

_MAX_CELL = 34
NONE = "-"


@dataclass(frozen=True, slots=True)
class AnswerColumn:
    """key: as in JSON. label: of the head. quantity: of a number in SI; None: a count or a text."""

    key: str
    label: str
    quantity: Quantity | None = None


@dataclass(frozen=True, slots=True)
class AnswerTable:
    """rows: a value, or None where it is not known, for each column."""

    columns: tuple[AnswerColumn, ...]
    rows: tuple[tuple[Any, ...], ...]
    notes: tuple[str, ...] = ()

    def data(self) -> list[dict[str, Any]]:
        """For JSON: SI."""
        return [{c.key: v for c, v in zip(self.columns, row, strict=True)} for row in self.rows]

    def csv(self, units: str) -> str:
        """In the user's units, named in the head; CRLF, no cell that a spreadsheet takes for a formula."""
        heads = [text_cell(_head(column, units)) for column in self.columns]
        rows = ([_cell(c, value, units) for c, value in zip(self.columns, row, strict=True)] for row in self.rows)
        return "".join(",".join(cells) + "\r\n" for cells in (heads, *rows))

    def lines(self, units: str, width: int = 80) -> list[str]:
        """A table for a terminal; where its columns do not fit beside each other, a few lines for each row."""
        shown = [[_text(c, v, units) for c, v in zip(self.columns, row, strict=True)] for row in self.rows]
        heads = [column.label for column in self.columns]
        widths = [max(map(len, column)) for column in zip(heads, *shown, strict=True)]
        if sum(widths) + 2 * len(widths) - 2 <= width:
            return [self._line(cells, widths) for cells in (heads, *shown)]
        return [line for cells in shown for line in (*_stacked(heads, cells, width), "")][:-1]

    def _line(self, cells: Sequence[str], widths: Sequence[int]) -> str:
        numeric = [c.quantity is not None or all(isinstance(row[i], int | None) for row in self.rows)
                   for i, c in enumerate(self.columns)]  # fmt: skip
        aligned = (cell.rjust(w) if right else cell.ljust(w)
                   for cell, w, right in zip(cells, widths, numeric, strict=True))  # fmt: skip
        return "  ".join(aligned).rstrip()


_AS_WORDS = {
    "verdict": lambda code: Verdict(code).word if code in list(Verdict) else code,
    "stage": registry.label,
}  # of columns of that key: what people read


def answer(columns: Iterable[AnswerColumn], rows: Iterable[Sequence[Any]], *notes: str) -> AnswerTable:
    return AnswerTable(tuple(columns), tuple(tuple(row) for row in rows), notes)


def _stacked(heads: Sequence[str], cells: Sequence[str], width: int) -> list[str]:
    """The first two in a line of their own; the others, where known, with their labels."""
    lines, line = ["  ".join(cells[:2])], "   "
    for head, cell in zip(heads[2:], cells[2:], strict=True):
        if cell == NONE:
            continue
        part = f" {head.lower()} {cell};"
        if len(line) + len(part) > width:
            lines.append(line.rstrip())
            line = "   "
        line += part
    return [*lines, line.rstrip("; ")] if line.strip() else lines


def _head(column: AnswerColumn, units: str) -> str:
    return (
        column.label if column.quantity is None else f"{column.label} ({show_unit(user_unit(column.quantity, units))})"
    )


def _cell(column: AnswerColumn, value: Any, units: str) -> str:
    if value is None:
        return ""
    if column.quantity is None or not isinstance(value, int | float):
        return text_cell(str(value)) if isinstance(value, str) else str(value)
    unit = user_unit(column.quantity, units)
    return f"{from_si(value, unit):.{max(unit.digits, 2)}f}"


def _text(column: AnswerColumn, value: Any, units: str) -> str:
    if value is None or value == "":
        return NONE
    if column.quantity is not None and isinstance(value, int | float):
        return Shown(units).figure(known(float(value), ""), column.quantity)
    text = _AS_WORDS.get(column.key, str)(clean(str(value)))
    return text if len(text) <= _MAX_CELL else text[: _MAX_CELL - 1] + "…"
