"""A line plot in braille dots: two by four dots a character, min-max bars so that no spike is hidden."""

import math
from collections.abc import Sequence

Ends = list[float | None]

_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))


def spread(lows: Sequence[float | None], highs: Sequence[float | None], columns: int) -> tuple[Ends, Ends]:
    """Equal buckets over all of `columns`: several to a column (lowest and highest of them), or one to several."""
    n = len(lows)
    parts = [slice(k * n // columns, max(k * n // columns + 1, (k + 1) * n // columns)) for k in range(columns)]
    return (
        [min((v for v in lows[part] if v is not None), default=None) for part in parts],
        [max((v for v in highs[part] if v is not None), default=None) for part in parts],
    )


def plot(
    lows: Sequence[float | None],
    highs: Sequence[float | None],
    width: int,
    height: int,
    log: bool = False,
    ends: tuple[float, float] | None = None,
    least: float = 0.0,
) -> tuple[list[str], float, float] | None:
    """(rows from top to bottom, lowest, highest value) or None when there is nothing to draw.

    lows, highs: one pair a dot column (up to 2 * width), oldest first, None where there was no reading.
    log: logarithmic scale; values at or below zero are not drawn. ends: of the scale, for curves to share one.
    least: how far apart the ends of the scale are at the least, in decades when log.
    """

    def scaled(v: float) -> float:
        return math.log10(v) if log else v

    columns = [
        None if lo is None or hi is None or (log and lo <= 0) else (scaled(lo), scaled(hi))
        for lo, hi in zip(lows, highs, strict=True)
    ][-2 * width :]
    drawn = [c for c in columns if c is not None]
    if not drawn:
        return None
    if ends is None:
        bottom, top = min(c[0] for c in drawn), max(c[1] for c in drawn)
    else:
        bottom, top = scaled(ends[0]), scaled(ends[1])
    span = top - bottom
    # A steady reading is a line, not its last digit blown up to the whole plot.
    least = max(least, 0.1 if log else max(0.02 * max(abs(top), abs(bottom)), 1e-6))
    if span < least:
        middle = (top + bottom) / 2
        bottom, top = middle - least / 2, middle + least / 2
    rows_of_dots = 4 * height
    cells = [[0] * width for _ in range(height)]
    shift = 2 * width - len(columns)  # newest at the right edge
    for i, column in enumerate(columns):
        if column is None:
            continue
        x = i + shift
        first, last = (
            max(0, min(rows_of_dots - 1, int((top - v) / (top - bottom) * (rows_of_dots - 1) + 0.5)))
            for v in column[::-1]
        )
        for y in range(first, last + 1):
            cells[y // 4][x // 2] |= _DOTS[x % 2][y % 4]
    rows = ["".join(chr(0x2800 + c) if c else " " for c in row) for row in cells]
    low, high = (10**bottom, 10**top) if log else (bottom, top)
    return rows, low, high
