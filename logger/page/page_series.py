"""The chart's data: what the daemon remembers of the stage's point, lowest and highest of each bucket."""

import math
from collections.abc import Sequence
from typing import Any

from logger.clock import local_clock
from logger.model.points import POINTS
from logger.page.page_state import TARGET
from logger.screen.words import MIN_SPAN, trend_span

BUCKETS = 1200  # some 40 s each of twelve hours: a spike of a second stays, by its bucket's lowest and highest
FIGURES = 5
Row = dict[str, Any]


def series(state: Row, rows: Sequence[Row], recent: bool) -> Row:
    """rows: of the API's history. Times in ms, UTC; null where there is no reading; what is not stored is left out."""
    view, (since_ns, over, _) = state["view"], trend_span(state, recent)
    point = view["trend"]
    label = POINTS[point].label if point in POINTS else point
    unit = rows[0]["unit_shown"] if rows else ""
    log = bool(view["log_trend"])
    begin_ms = rows[0]["t_ns"] / 1e6 if rows else since_ns / 1e6
    low, high = ([_figures(row[end]) for row in rows] for end in ("low_shown", "high_shown"))
    limits = [one for one in state.get("limits", []) if one["point"] == point]
    return {
        "title": f"{label}, {unit}{', logarithmic' if log else ''}, {over}" if rows else f"{label}: no trend yet",
        "unit": unit,
        "log": log,
        "from": begin_ms,
        "to": state["t_ns"] / 1e6,
        "step": (rows[0]["end_ns"] - rows[0]["t_ns"]) / 1e6 if rows else 1.0,
        "low": low,
        "high": high,
        "axis": _axis([v for v in (*low, *high) if v is not None], [one["shown"] for one in limits], log, unit),
        "limits": [
            {"at": _figures(one["shown"]), "text": f"{one['label']} {one['text']}", "good": one["label"] == TARGET}
            for one in limits
        ],
        "marks": [
            {"t": one["t_ns"] / 1e6, "text": f"{local_clock(one['t_ns'], seconds=False)} {one['text']}"}
            for one in state.get("marks", [])
            if one["t_ns"] >= since_ns
        ],
    }


def _axis(values: Sequence[float], limits: Sequence[float], log: bool, unit: str) -> list[float]:
    """Lowest and highest of the axis and, where it is linear, the step of its lines: whole decades, or round numbers
    with the limits inside."""
    if log:
        above = [v for v in (*values, *limits) if v > 0] or [1.0]
        first, last = math.floor(math.log10(min(above))), math.ceil(math.log10(max(above)))
        return [10.0**first, 10.0 ** max(last, first + 1)]
    inside = [*values, *limits] or [0.0]
    low, high = min(inside), max(inside)
    span = max(high - low, MIN_SPAN.get(unit, 1.0))
    step = 10.0 ** math.floor(math.log10(span / 6))
    step *= next(k for k in (1, 2, 5, 10) if k * step * 6 >= span)
    bottom = math.floor(((low + high - span) / 2) / step) * step
    if low >= 0.0:
        bottom = max(bottom, 0.0)
    top = math.ceil(max(high, bottom + span) / step) * step
    return [round(bottom, 9), round(top, 9), round(step, 9)]


def _figures(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.{FIGURES}g}")
