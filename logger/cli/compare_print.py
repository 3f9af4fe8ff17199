"""A comparison on the terminal: verdict, measures, both curves in braille on one scale, what was compared."""

import shutil
import sys
from typing import Any

import click
from rich.console import Console
from rich.table import Table

from logger.export.comparison import compare_text
from logger.export.comparison.compare_pdf import CAUTION, invented
from logger.export.comparison.figures import Compared
from logger.screen.braille import plot as braille
from logger.wording.values import Shown

_ROWS = 12
_LABELS = 10  # columns for the numbers left of the plot
_B_ON, _B_OFF = 3, 3  # dot columns of the second line drawn and left out


def say(found: Compared, shown: Shown, plot: dict[str, Any] | None) -> None:
    """plot: of curves.drawing_of."""
    width = max(60, min(shutil.get_terminal_size().columns, 110))
    warned = invented(found)
    click.echo(found.title + (f" · {warned.upper()}" if warned else ""))
    for letter, side in (("A", found.a), ("B", found.b)):
        click.echo(f"  {letter}  {compare_text.label(side)}")
    click.echo("")
    click.echo(click.style(found.headline.upper(), bold=True))
    for sentence in compare_text.sentences(found, shown):
        _fold(sentence, width)
    click.echo("")
    rows = compare_text.rows(found, shown)
    if rows:
        _table(["", "A", "B", "B / A (95 %)"], [[r.name, r.a, r.b, r.against] for r in rows], width)
        click.echo("  ± is the expanded uncertainty, k = 2")  # words: appendix
        click.echo("")
    if plot is not None:
        for line in drawn(plot, width, _encodes()):
            click.echo(line)
        click.echo("")
    for remark in compare_text.remarks(found, shown):
        _fold(remark, width)
    click.echo("")
    _table(["", "A", "B"], [list(row) for row in compare_text.circumstances(found, shown)], width)
    click.echo("")
    click.echo(click.wrap_text(CAUTION, width))


def drawn(plot: dict[str, Any], width: int, dots: bool = True) -> list[str]:
    """The plot's lines: A solid, B dashed, each with its letter on it; without braille both in letters."""
    wide = width - _LABELS - 2
    lines = [_columns(curve["pieces"], 2 * wide) for curve in plot["curves"]]
    if dots:  # fractions run from the top; the drawing wants heights
        lines[1] = [v if i % (_B_ON + _B_OFF) < _B_ON or _steep(v) else None for i, v in enumerate(lines[1])]
    grids = [_grid(line, wide) for line in lines]
    cells = [[_joined(a, b, dots) for a, b in zip(*rows, strict=True)] for rows in zip(*grids, strict=True)]
    for curve in plot["curves"]:
        x, y = curve["at"]
        cells[min(_ROWS - 1, int(y * _ROWS))][min(wide - 1, int(x * wide))] = curve["letter"]
    labels = {min(_ROWS - 1, int(y * _ROWS)): text for y, text in reversed(plot["left"]["ticks"]) if text}
    out = [f"{plot['title']}, {plot['left']['unit']}     {_key(dots)}"]
    out += [f"{labels.get(i, ''):>{_LABELS}} |{''.join(row)}".rstrip() for i, row in enumerate(cells)]
    return [*out, f"{'':>{_LABELS}} +{'-' * wide}", _x_labels(plot["x"], wide), f"{plot['x_title']:>{width}}"]


def _steep(column: tuple[float, float] | None) -> bool:
    """A fall within one column: left out, a whole stretch of the line would be gone."""
    return column is not None and column[1] - column[0] > 2.0 / (4 * _ROWS)


def _key(dots: bool) -> str:
    return "A solid, B dashed" if dots else "A and B; * where both are"


def _columns(pieces: list[list[list[float]]], count: int) -> list[tuple[float, float] | None]:
    """Lowest and highest height (0 bottom to 1 top) of the line in each of `count` columns."""
    out: list[tuple[float, float] | None] = [None] * count
    for piece in pieces:
        for (x0, y0), (x1, y1) in zip(piece, piece[1:] or piece, strict=False):
            first, last = (min(count - 1, int(x * count)) for x in (x0, x1))
            for i in range(first, last + 1):
                ends = [y0 + (y1 - y0) * _share(x, x0, x1) for x in (i / count, (i + 1) / count)]
                low, high = (f(1.0 - e for e in ends) for f in (min, max))
                had = out[i]
                out[i] = (low, high) if had is None else (min(low, had[0]), max(high, had[1]))
    return out


def _share(x: float, x0: float, x1: float) -> float:
    return min(1.0, max(0.0, (x - x0) / (x1 - x0))) if x1 > x0 else 0.0


def _grid(line: list[tuple[float, float] | None], wide: int) -> list[str]:
    lows, highs = ([None if v is None else v[k] for v in line] for k in (0, 1))
    made = braille(lows, highs, wide, _ROWS, ends=(0.0, 1.0))
    return made[0] if made is not None else [" " * wide] * _ROWS


def _joined(a: str, b: str, dots: bool) -> str:
    if not dots:
        return " " if a == b == " " else "*" if " " not in (a, b) else "A" if b == " " else "B"
    both = (0 if a == " " else ord(a) - 0x2800) | (0 if b == " " else ord(b) - 0x2800)
    return chr(0x2800 + both) if both else " "


def _x_labels(ticks: list[list[Any]], wide: int) -> str:
    line = [" "] * (_LABELS + 2 + wide + 1)
    free = 0
    for x, text in ticks:
        at = min(len(line) - len(text), max(0, _LABELS + 2 + round(x * wide) - len(text) // 2))
        if at >= free:
            line[at : at + len(text)] = text
            free = at + len(text) + 1
    return "".join(line).rstrip()


def _encodes() -> bool:
    """Whether the output takes braille; an old console or a pipe of one may not."""
    try:
        "\u28ff".encode(sys.stdout.encoding or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _fold(text: str, width: int) -> None:
    click.echo(click.wrap_text(text, width, "  - ", "    "))


def _table(head: list[str], rows: list[list[str]], width: int) -> None:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=True, header_style="none")
    for i, title in enumerate(head):
        table.add_column(title, justify="right" if len(head) == 4 and i else "left", no_wrap=len(head) == 4 and i > 0)
    for row in rows:
        table.add_row(*row)
    console = Console(
        width=width - 2, color_system=None, force_terminal=False, markup=False, highlight=False, emoji=False
    )
    with console.capture() as captured:
        console.print(table)
    for line in captured.get().splitlines():
        click.echo(f"  {line}".rstrip())
