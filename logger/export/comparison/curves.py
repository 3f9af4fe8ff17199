"""Both curves as fractions of a plot's area, with ready labels: what the picture and the page draw.

x runs from 0 (left) to 1, y from 0 (top) to 1. A solid, B dashed, each with its letter on the line: told apart in
black and white, and by those who do not see colours.
"""

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from logger.export.comparison import compare_text
from logger.export.comparison.figures import Compared
from logger.export.report.chart import axis_of, nice_step, scale_of
from logger.model.points import Quantity
from logger.model.units import Unit, show_unit, user_unit
from logger.stages.comparison import ComparedCurve, Comparison
from logger.wording.values import Shown, duration

_BROKEN = 5.0  # times the usual spacing: the line is broken there
_TIMES: tuple[tuple[str, float, tuple[float, ...]], ...] = (
    ("s", 1.0, (5, 10, 20, 30)),
    ("min", 60.0, (1, 2, 5, 10, 15, 20, 30)),
    ("h", 3600.0, (0.5, 1, 2, 3, 6, 12, 24, 48)),
)
_MAX_TICKS = 9
_INFLOW = Unit("Pa·m³", Quantity.LEAK_RATE, 1.0, "Pa.m3", digits=6)
_Line = Sequence[tuple[float, float]]
_LETTER_GAP = 0.12  # least distance between the two letters, of the width


def drawing_of(found: Compared, shown: Shown) -> dict[str, Any] | None:
    """Data for a drawing, None when there is no curve."""
    result = found.result
    if result.curves is None:
        return None
    curves = [_drawable(c, result.log_y) for c in result.curves]
    if any(len(c) < 2 for c in curves):
        return None
    first, second = (_y_unit(result.y_unit, system) for system in (shown.system, shown.other))
    axis = axis_of(result.log_y, [y for c in curves for _, y in c], [], first, shown)
    end = max(x for c in curves for x, _ in c)
    unit, ticks = _x_ticks(end, result.x_unit)
    lines = [[(x / end, axis.y(y)) for x, y in c] for c in curves]
    at = _letters(*lines)
    right = None if first == second else scale_of(axis, second, shown)
    names = [compare_text.label(side) for side in (found.a, found.b)]
    return {
        "title": result.y_label,
        "left": scale_of(axis, first, shown),
        "right": right,
        "x": ticks,
        "x_title": f"{result.x_label}, {unit}",
        "curves": [
            {"letter": letter, "label": name, "pieces": _pieces(line), "at": place}
            for letter, name, line, place in zip("AB", names, lines, at, strict=True)
        ],
        "alt": _alt(result, found.headline, curves, names, first),
    }


def _drawable(curve: ComparedCurve, log: bool) -> list[tuple[float, float]]:
    return [(x, y) for x, y in zip(curve.x, curve.y, strict=True) if x >= 0.0 and (not log or y > 0.0)]


def _y_unit(unit: str, system: str) -> Unit:
    if unit == "Pa.m3":
        return _INFLOW
    quantity = {"1": Quantity.RATIO, "kg": Quantity.MASS, "K": Quantity.TEMPERATURE_DIFFERENCE, "Pa": Quantity.VACUUM}
    return user_unit(quantity[unit], system)


def _x_ticks(end: float, x_unit: str) -> tuple[str, list[list[Any]]]:
    """Unit, and (fraction, label) of round times or of seconds per litre."""
    unit, size = x_unit, 1.0
    step = nice_step(end, 6)
    if x_unit == "s":
        unit, size, steps = next((t for t in _TIMES if end <= _MAX_TICKS * t[1] * t[2][-1]), _TIMES[-1])
        step = next((s for s in steps if end / (s * size) <= _MAX_TICKS), nice_step(end / size, 6))
    count = math.floor(end / (step * size) + 1e-9)
    return unit, [[k * step * size / end, f"{k * step:g}"] for k in range(count + 1)]


def _pieces(line: Sequence[tuple[float, float]]) -> list[list[list[float]]]:
    """The line, broken where readings are missing."""
    steps = sorted(b[0] - a[0] for a, b in pairwise(line))
    longest = _BROKEN * steps[len(steps) // 2]
    pieces: list[list[list[float]]] = [[]]
    last = line[0][0]
    for x, y in line:
        if x - last > longest:
            pieces.append([])
        pieces[-1].append([round(x, 5), round(y, 5)])
        last = x
    return pieces


def _letters(a: Sequence[tuple[float, float]], b: Sequence[tuple[float, float]]) -> list[list[float]]:
    """A place on each line for its letter: far from the other line, and not beside the other letter."""
    one = max(_places(a), key=lambda p: _distance(p, b))
    apart = [p for p in _places(b) if abs(p[0] - one[0]) >= _LETTER_GAP] or _places(b)
    two = max(apart, key=lambda p: _distance(p, a))
    return [[round(v, 5) for v in place] for place in (one, two)]


def _places(line: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Off the edges, where the line allows it."""
    wide = [p for p in line if 0.05 <= p[0] <= 0.95]
    return [p for p in wide if 0.06 <= p[1] <= 0.94] or wide or list(line)


def _distance(place: tuple[float, float], line: Sequence[tuple[float, float]]) -> float:
    return min((place[0] - x) ** 2 + (place[1] - y) ** 2 for x, y in line)


def _alt(result: Comparison, headline: str, curves: Sequence[_Line], names: Sequence[str], unit: Unit) -> str:
    """What the picture shows, for someone who cannot see it."""
    scale = " on a logarithmic scale" if result.log_y else ""
    parts = [f"{result.y_label}{scale} over {result.x_label[0].lower()}{result.x_label[1:]}, two lines."]
    for letter, name, line in zip("AB", names, curves, strict=True):
        begins, ends = (f"{y / unit.factor:,.{unit.digits}f} {show_unit(unit)}" for y in (line[0][1], line[-1][1]))
        lasts = duration(line[-1][0]) if result.x_unit == "s" else f"{line[-1][0]:.1f} {result.x_unit}"
        parts.append(f"{letter}, {name}: begins at {begins}, ends at {ends} after {lasts}.")
    return " ".join([*parts, headline + "."])
