"""A plot as fractions of its area and ready labels, for the report's template to draw.

x runs from 0 (left) to 1, y from 0 (top) to 1. Every number comes in SI; ticks are in the user's units, with the
other system's on the right-hand side.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from logger.export.report.report_data import GapEntry, Plot, Trace
from logger.model.points import Quantity
from logger.model.units import NS_PER_S, Unit, from_si, show_unit, to_si, user_unit
from logger.wording.values import Shown, duration

_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
_X_TICKS = 8
_MARK_WIDTH = 0.03  # of the plot, for the number in its circle
_MARK_ROWS = 3
_SAME_LINE = 0.01
_DAY_NS = 86_400 * NS_PER_S


@dataclass(frozen=True, slots=True)
class Axis:
    """low, high: ends of the scale in SI (log10 of SI on a log axis)."""

    low: float
    high: float
    log: bool

    def y(self, si: float) -> float:
        """Fraction from the top."""
        at = math.log10(si) if self.log else si
        return (self.high - at) / (self.high - self.low)


def laid_out(
    plot: Plot,
    begin_ns: int,
    end_ns: int,
    shown: Shown,
    marks: Sequence[tuple[int, str]] = (),
    gaps: Sequence[GapEntry] = (),
) -> dict[str, Any] | None:
    """Data for the template, None when there is nothing that can be drawn."""
    traces = [_within(t, begin_ns, end_ns, 0.0 if plot.log else -math.inf) for t in plot.traces]
    values = [v for t in traces for piece in t.pieces for _, v in piece]
    if not values:
        return None
    span = max(1, end_ns - begin_ns)

    def x(t_ns: int) -> float:
        return _rounded(min(1.0, max(0.0, (t_ns - begin_ns) / span)))  # gaps and marks may reach beyond

    units = [user_unit(plot.quantity, system) for system in (shown.system, shown.other)]
    limits = [(label, v) for label, v in plot.limits if not plot.log or v > 0]
    axis = axis_of(plot.log, values, [v for _, v in limits], units[0], shown)
    first, second = (scale_of(axis, unit, shown) for unit in units)
    return {
        "title": plot.title,
        "left": first,
        "right": second,
        "x": [[x(t), label] for t, label in time_ticks(begin_ns, end_ns, shown)],
        "traces": [_drawn(t, axis, x) for t in traces],
        "limits": _limits(limits, axis),
        "marks": _marks([(x(t), text, shown.clock(t)) for t, text in marks]),
        "gaps": [[x(g.begin_ns), x(g.end_ns)] for g in gaps if _empty(g, traces, begin_ns, end_ns)],
        "zone": shown.zone,
        "alt": _alt(plot, traces, begin_ns, end_ns, shown),
    }


def _limits(limits: Sequence[tuple[str, float]], axis: Axis) -> list[list[Any]]:
    """Fraction, label; limits that would be one line are one, with both labels."""
    out: list[list[Any]] = []
    for label, value in sorted(limits, key=lambda pair: pair[1]):
        y = _rounded(axis.y(value))
        if out and abs(out[-1][0] - y) < _SAME_LINE:
            out[-1][1] += f", {label}"
        else:
            out.append([y, label])
    return out


def _marks(marks: Sequence[tuple[float, str, str]]) -> list[list[Any]]:
    """Fraction, text, clock time, row: marks close to each other stand in rows above one another."""
    ends = [-1.0] * _MARK_ROWS
    out: list[list[Any]] = []
    for x, text, clock in sorted(marks):
        row = next((i for i, end in enumerate(ends) if x - end >= _MARK_WIDTH), _MARK_ROWS - 1)
        ends[row] = x
        out.append([x, text, clock, row])
    return out


def _empty(gap: GapEntry, traces: Sequence[Trace], begin_ns: int, end_ns: int) -> bool:
    """Whether nothing was measured in the gap: another device may have gone on."""
    measured = (t for trace in traces if not trace.computed for piece in trace.pieces for t, _ in piece)
    overlaps = gap.end_ns > begin_ns and gap.begin_ns < end_ns
    return overlaps and not any(gap.begin_ns < t < gap.end_ns for t in measured)


def _within(trace: Trace, begin_ns: int, end_ns: int, above: float) -> Trace:
    """What can be drawn: pieces broken where a point is outside the time, or a log scale cannot show it."""
    pieces: list[list[tuple[int, float]]] = []
    for piece in trace.pieces:
        pieces.append([])
        for point in piece:
            if begin_ns <= point[0] <= end_ns and point[1] > above:
                pieces[-1].append(point)
            elif pieces[-1]:
                pieces.append([])
    return Trace(trace.label, tuple(tuple(p) for p in pieces if p), trace.computed)


def axis_of(log: bool, values: list[float], limits: list[float], unit: Unit, shown: Shown) -> Axis:
    """An axis that holds values and limits (SI), with round ends in the user's unit."""
    low, high = min([*values, *limits]), max([*values, *limits])
    if log:
        factor = math.log10(unit.factor)  # whole decades of the user's unit
        bottom = math.floor(math.log10(low) - factor + 1e-9)
        top = max(bottom + 1, math.ceil(math.log10(high) - factor - 1e-9))
        return Axis(bottom + factor, top + factor, True)
    first, last = (from_si(v, unit, shown.ambient_pa) for v in (low, high))
    first, last = min(first, last), max(first, last)
    step = nice_step(max(last - first, 5 * 10.0**-unit.digits))  # no magnifying of what is not shown in numbers
    fine = step / 5
    ends = (math.floor(first / fine) * fine, math.ceil(last / fine) * fine)
    if ends[1] - ends[0] < step:
        ends = (math.floor(first / step) * step, math.floor(first / step + 1 + 1e-9) * step)
    si = sorted(to_si(e, unit, shown.ambient_pa) for e in ends)
    return Axis(si[0], si[1], False)


def nice_step(extent: float, wanted: int = 5) -> float:
    """1, 2, 2.5 or 5 times a power of ten, so that about `wanted` steps cover the extent."""
    raw = extent / wanted
    power = 10.0 ** math.floor(math.log10(raw))
    return next(m * power for m in (1, 2, 2.5, 5, 10) if m * power >= raw * 0.999)


def scale_of(axis: Axis, unit: Unit, shown: Shown) -> dict[str, Any]:
    """Ticks of one side: fraction, label ("" for a minor one)."""
    if axis.log:
        ticks = _decades(axis, unit)
    else:
        first, last = sorted(from_si(v, unit, shown.ambient_pa) for v in (axis.low, axis.high))
        step = nice_step(last - first)
        numbers = [k * step for k in range(math.ceil(first / step - 1e-6), math.floor(last / step + 1e-6) + 1)]
        digits = next(d for d in range(12) if all(abs(n - round(n, d)) < step / 1e3 for n in numbers))
        ticks = [
            [_rounded(axis.y(to_si(n, unit, shown.ambient_pa))), f"{round(n, digits) + 0.0:,.{digits}f}"]
            for n in numbers
        ]
    return {"unit": show_unit(unit), "ticks": ticks}


def _decades(axis: Axis, unit: Unit) -> list[list[Any]]:
    factor = math.log10(unit.factor)
    low, high = axis.low - factor, axis.high - factor
    few = high - low < 2.5
    ticks: list[list[Any]] = []
    for exponent in range(math.floor(low), math.ceil(high) + 1):
        for m in range(1, 10):
            number = m * 10.0**exponent
            if low - 1e-9 <= math.log10(number) <= high + 1e-9:
                label = f"{number:,.{max(0, -exponent)}f}" if m == 1 or (few and m in (2, 5)) else ""
                ticks.append([_rounded(axis.y(number * unit.factor)), label])
    return ticks


def time_ticks(begin_ns: int, end_ns: int, shown: Shown) -> list[tuple[int, str]]:
    """Round clock times, at most eight."""
    span_s = (end_ns - begin_ns) / NS_PER_S
    step_s = next((s for s in _STEPS_S if span_s / s <= _X_TICKS), max(86_400, math.ceil(span_s / 6 / 86_400) * 86_400))
    step_ns, offset_ns = step_s * NS_PER_S, shown.utc_offset_s * NS_PER_S
    first = -(-(begin_ns + offset_ns) // step_ns) * step_ns - offset_ns
    whole_days = step_s >= 86_400

    def label(t_ns: int) -> str:
        if whole_days or (end_ns - begin_ns > _DAY_NS and (t_ns + offset_ns) % _DAY_NS == 0):
            return shown.time(t_ns)[5:10]
        return shown.clock(t_ns)[: 8 if step_s < 60 else 5]

    return [(t, label(t)) for t in range(first, end_ns + 1, step_ns)]


def _drawn(trace: Trace, axis: Axis, x: Any) -> dict[str, Any]:
    pieces = [[[x(t), _rounded(axis.y(v))] for t, v in piece] for piece in trace.pieces]
    return {"label": trace.label, "computed": trace.computed, "pieces": pieces}


def _rounded(fraction: float) -> float:
    return round(fraction, 5) + 0.0


def _alt(plot: Plot, traces: Sequence[Trace], begin_ns: int, end_ns: int, shown: Shown) -> str:
    """What the picture shows, for someone who cannot see it."""
    parts = [
        f"{plot.title}{' on a logarithmic scale' if plot.log else ''} over {duration((end_ns - begin_ns) / NS_PER_S)}, "
        f"from {shown.time(begin_ns, seconds=False)} ({shown.zone})."
    ]
    for trace in traces:
        points = [p for piece in trace.pieces for p in piece]
        if points:
            low, high = (f([v for _, v in points]) for f in (min, max))
            told = [_told(v, plot.quantity, shown) for v in (points[0][1], low, high, points[-1][1])]
            parts.append("{}: begins at {}, lowest {}, highest {}, ends at {}.".format(trace.label, *told))
    return " ".join(parts)


def _told(si: float, quantity: Quantity, shown: Shown) -> str:
    unit = user_unit(quantity, shown.system)
    return f"{from_si(si, unit, shown.ambient_pa):,.{unit.digits}f} {show_unit(unit)}"
