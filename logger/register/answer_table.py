"""An answer as a table: rows of values in SI, and what each column is."""

import textwrap
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

NONE = "-"
NO_VERDICT = "none drawn"
MIN_OF_ONE_UNIT = 3  # columns of mass: with more, their unit is said once, above the table


@dataclass(frozen=True, slots=True)
class AnswerColumn:
    """key: as in JSON. label: of the head. quantity: of a number in SI; None: a count or a text. none: shown where
    there is nothing."""

    key: str
    label: str
    quantity: Quantity | None = None
    none: str = "-"


@dataclass(frozen=True, slots=True)
class AnswerTable:
    """rows: a value, or None where it is not known, for each column."""

    columns: tuple[AnswerColumn, ...]
    rows: tuple[tuple[Any, ...], ...]
    notes: tuple[str, ...] = ()

    def without_zeros(self) -> "AnswerTable":
        """Without columns of numbers that are all zero."""
        some = [i for i, c in enumerate(self.columns) if c.quantity is None or any(row[i] for row in self.rows)]
        rows = tuple(tuple(row[i] for i in some) for row in self.rows)
        return AnswerTable(tuple(self.columns[i] for i in some), rows, self.notes)

    def data(self) -> list[dict[str, Any]]:
        """For JSON: SI."""
        return [{c.key: v for c, v in zip(self.columns, row, strict=True)} for row in self.rows]

    def csv(self, units: str) -> str:
        """In the user's units, named in the head; CRLF, no cell that a spreadsheet takes for a formula."""
        heads = [text_cell(_head(column, units)) for column in self.columns]
        rows = ([_cell(c, value, units) for c, value in zip(self.columns, row, strict=True)] for row in self.rows)
        return "".join(",".join(cells) + "\r\n" for cells in (heads, *rows))

    def lines(self, units: str, width: int = 80) -> list[str]:
        """For a terminal, without columns of which nothing is known; where it is too wide, a few lines a row."""
        shown = [[_text(c, v, units) for c, v in zip(self.columns, row, strict=True)] for row in self.rows]
        some = [i for i, _ in enumerate(self.columns) if i < 2 or any(cells[i] != NONE for cells in shown)]
        masses = [self.columns[i].quantity is Quantity.MASS for i in some]
        one_unit = sum(masses) > MIN_OF_ONE_UNIT
        table = [_aligned(self.columns[i], [cells[i] for cells in shown], units, not one_unit) for i in some]
        if sum(len(column[0]) for column in table) + 2 * len(table) - 2 <= width:
            unit_line = [f"masses in {show_unit(user_unit(Quantity.MASS, units))}"] if one_unit else []
            return unit_line + ["  ".join(cells).rstrip() for cells in zip(*table, strict=True)]
        return [line for cells in shown for line in (*_stacked(self.columns, cells, width), "")][:-1]


def _aligned(column: AnswerColumn, cells: Sequence[str], units: str, unit_in_head: bool) -> list[str]:
    """Head and cells of one width; a unit that all have stands in the head alone."""
    head = column.label
    if column.quantity is not None:
        unit = f" {show_unit(user_unit(column.quantity, units))}"
        if all(cell == NONE or cell.endswith(unit) for cell in cells):
            cells = [cell.removesuffix(unit) for cell in cells]
            head += f" ({unit.strip()})" if unit_in_head or column.quantity is not Quantity.MASS else ""
    width = max(len(head), *map(len, cells))
    right = column.quantity is not None or all(cell == NONE or cell.isdecimal() for cell in cells)
    return [cell.rjust(width) if right else cell.ljust(width) for cell in (head, *cells)]


_AS_WORDS = {
    "verdict": lambda code: Verdict(code).word if code in list(Verdict) else code,
    "stage": registry.label,
}  # of columns of that key: what people read


def answer(columns: Iterable[AnswerColumn], rows: Iterable[Sequence[Any]], *notes: str) -> AnswerTable:
    return AnswerTable(tuple(columns), tuple(tuple(row) for row in rows), notes)


def _stacked(columns: Sequence[AnswerColumn], cells: Sequence[str], width: int) -> list[str]:
    """The first, and the second when it is a text, in a line of their own; the others, where known, with their
    labels."""
    first = 2 if columns[1:] and columns[1].quantity is None else 1
    named = zip(columns[first:], cells[first:], strict=True)
    rest = "; ".join(f"{column.label.lower()} {cell}" for column, cell in named if cell != NONE)
    wrapped = textwrap.wrap(rest, width, initial_indent="    ", subsequent_indent="    ", break_on_hyphens=False)
    return ["  ".join(cells[:first]), *wrapped]


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
        return column.none
    if column.quantity is not None and isinstance(value, int | float):
        return Shown(units).figure(known(float(value), ""), column.quantity)
    return _AS_WORDS.get(column.key, str)(clean(str(value)))
