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
from logger.model.units import NS_PER_S, UNITS, Unit, from_si, show_unit, to_si, user_unit
from logger.model.value import known
from logger.wording.values import Shown, duration

_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
_X_TICKS = 8
_MARK_WIDTH = 0.03  # of the plot, for the number in its circle
_MARK_ROWS = 3
_SAME_LINE = 0.01
_AT_FRAME = 0.03
_LABEL_TALL = 0.085  # of the plot, for the label of a limit
_LABEL_WIDE = 0.25
_LETTERS = "ABCDEFGH"
_SHARE_OF_AXIS = 0.15  # readings that fill less than this beside a limit lose it from a close axis
_STEPS_OF_CLOSE_AXIS = 20  # of the last digit shown, at least: noise does not fill the height
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


def drawing_of(
    plot: Plot,
    begin_ns: int,
    end_ns: int,
    shown: Shown,
    marks: Sequence[tuple[int, str]] = (),
    gaps: Sequence[GapEntry] = (),
) -> dict[str, Any] | None:
    """Data for the template, None when there is nothing that can be drawn."""
    begin_ns, end_ns = plot.span_ns or (begin_ns, end_ns)
    traces = [_within(t, begin_ns, end_ns, 0.0 if plot.log else -math.inf) for t in plot.traces]
    values = [v for t in traces for piece in t.pieces for _, v in piece]
    if not values:
        return None
    span = max(1, end_ns - begin_ns)

    def x(t_ns: int) -> float:
        return _rounded(min(1.0, max(0.0, (t_ns - begin_ns) / span)))  # gaps and marks may reach beyond

    units = [user_unit(plot.quantity, system) for system in (shown.system, shown.other)]
    limits = [(label, v) for label, v in plot.limits if not plot.log or v > 0]
    limits, far = _apart(limits, values) if plot.close else (limits, [])
    named = [(f"{label} {_figure(v, plot.quantity, shown)}", v) for label, v in limits]
    axis = axis_of(plot.log, values, [v for _, v in limits], units[0], shown, plot.close)
    first, second = (scale_of(axis, unit, shown) for unit in units)
    drawn = [_drawn(t, axis, x) for t in traces]
    if sum(not t.computed for t in traces) > 1:
        _lettered(drawn)
    return {
        "title": plot.title,
        "left": first,
        "right": second,
        "x": [[x(t), label] for t, label in time_ticks(begin_ns, end_ns, shown)],
        "traces": drawn,
        "limits": _limits(named, axis, drawn),
        "far": [f"{label} {_figure(v, plot.quantity, shown)}: {where} this scale" for label, v, where in far],
        "marks": _marks([(x(t), text, shown.clock(t)) for t, text in marks if begin_ns <= t <= end_ns]),
        "out": _out([(x(a), x(b), f"gauge {why}") for a, b, why in plot.out_of_range if b > begin_ns and a < end_ns]),
        "gaps": [[x(g.begin_ns), x(g.end_ns)] for g in gaps if _empty(g, traces, begin_ns, end_ns)],
        "zone": shown.zone,
        "alt": _alt(plot, traces, begin_ns, end_ns, shown),
    }


Limit = tuple[str, float]


def _apart(limits: Sequence[Limit], values: Sequence[float]) -> tuple[list[Limit], list[tuple[str, float, str]]]:
    """Limits to draw, and those so far off that the readings beside them would be a flat line."""
    low, high = min(values), max(values)
    near = [one for one in limits if high - low >= _SHARE_OF_AXIS * (max(high, one[1]) - min(low, one[1]))]
    return near, [(label, v, "above" if v > high else "below") for label, v in limits if (label, v) not in near]


def _limits(limits: Sequence[Limit], axis: Axis, drawn: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """y: of the line. label, label_y, right: where its words stand, apart from each other and from the curves.

    Limits that would be one line are one, with both labels.
    """
    out: list[dict[str, Any]] = []
    for label, value in sorted(limits, key=lambda pair: pair[1]):
        y = _rounded(axis.y(value))
        if out and abs(out[-1]["y"] - y) < _SAME_LINE:
            out[-1]["label"] += f", {label}"
        else:
            out.append({"y": y, "label": label})
    points = [point for trace in drawn for piece in trace["pieces"] for point in piece]
    taken: list[tuple[bool, float]] = []
    for one in out:
        places = [
            (right, y)
            for right in (True, False)
            for y in (one["y"] - _LABEL_TALL / 2, one["y"] + _LABEL_TALL / 2)
            if _LABEL_TALL / 2 <= y <= 1 - _LABEL_TALL / 2
        ] or [(True, min(0.95, max(0.05, one["y"])))]
        one["right"], one["label_y"] = max(places, key=lambda place: _room(place, points, taken))
        taken.append((one["right"], one["label_y"]))
    return out


def _room(place: tuple[bool, float], points: Sequence[list[float]], taken: Sequence[tuple[bool, float]]) -> float:
    """How far a label is from the nearest curve or other label, in heights of the plot."""
    right, y = place
    near = [abs(py - y) for px, py in points if (px > 1 - _LABEL_WIDE if right else px < _LABEL_WIDE)]
    return _rounded(min([*near, *(0.5 * abs(ty - y) for side, ty in taken if side is right), 0.3]))


def _lettered(drawn: list[dict[str, Any]]) -> None:
    """A letter on each measured line, each at another place: lines that coincide can be told apart."""
    measured = [trace for trace in drawn if not trace["computed"]]
    for i, trace in enumerate(measured):
        points = [point for piece in trace["pieces"] for point in piece]
        at = 0.06 + 0.88 * (i + 0.5) / len(measured)
        trace["letter"] = _LETTERS[i % len(_LETTERS)]
        trace["at"] = min(points, key=lambda point: abs(point[0] - at)) if points else None


def _out(spans: Sequence[tuple[float, float, str]]) -> list[list[Any]]:
    """From, to, words: on the spans that have room for them, and on the widest."""
    widest = max((b - a for a, b, _ in spans), default=0.0)
    return [[a, b, why if b - a >= min(_MARK_WIDTH, widest) else ""] for a, b, why in spans]


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


def axis_of(log: bool, values: list[float], limits: list[float], unit: Unit, shown: Shown, close: bool = False) -> Axis:
    """An axis that holds values and limits (SI), with round ends in the user's unit. close: to the values."""
    low, high = min([*values, *limits]), max([*values, *limits])
    if log:
        factor = math.log10(unit.factor)  # whole decades of the user's unit
        bottom = math.floor(math.log10(low) - factor + 1e-9)
        top = max(bottom + 1, math.ceil(math.log10(high) - factor - 1e-9))
        edge = [math.log10(v) - factor for v in limits]  # a limit on the frame would not be seen
        room = [
            _AT_FRAME * (top - bottom) * any(abs(v - end) < _AT_FRAME * (top - bottom) for v in edge)
            for end in (bottom, top)
        ]
        return Axis(bottom - room[0] + factor, top + room[1] + factor, True)
    first, last = (from_si(v, unit, shown.ambient_pa) for v in (low, high))
    first, last = min(first, last), max(first, last)
    least = _STEPS_OF_CLOSE_AXIS if close else 5
    if close and last - first < least * 10.0**-unit.digits:
        middle, half = (first + last) / 2, least / 2 * 10.0**-unit.digits
        first, last = middle - half, middle + half
    step = nice_step(max(last - first, 5 * 10.0**-unit.digits))  # no magnifying of what is not shown in numbers
    fine = step / 5
    ends = (math.floor(first / fine) * fine, math.ceil(last / fine) * fine)
    if ends[1] - ends[0] < step:
        ends = (math.floor(first / step) * step, math.floor(first / step + 1 + 1e-9) * step)
    edge = [from_si(v, unit, shown.ambient_pa) for v in limits]  # a limit on the frame would not be seen
    ends = (
        ends[0] - fine * any(v - ends[0] < _AT_FRAME * (ends[1] - ends[0]) for v in edge),
        ends[1] + fine * any(ends[1] - v < _AT_FRAME * (ends[1] - ends[0]) for v in edge),
    )
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
            if not (unit.name == "psig" and n < 0)
        ]
        if unit.name == "psig":
            ticks += _below_the_atmosphere(axis, shown)
    return {"unit": show_unit(unit), "ticks": ticks}


def _below_the_atmosphere(axis: Axis, shown: Shown) -> list[list[Any]]:
    """As a compound gauge has it, in. Hg of vacuum, as far as there is room below 0 psig: every 10, or the deepest."""
    unit = UNITS["inHg"]
    marks = [(_rounded(axis.y(to_si(n, unit, shown.ambient_pa))), f"{n} in. Hg") for n in (10, 20, 30)]
    zero = axis.y(shown.ambient_pa)
    inside = [[y, label] for y, label in marks if 0 <= y <= 1 and y - zero >= _LABEL_TALL]
    apart = axis.y(to_si(10.0, unit, shown.ambient_pa)) - zero
    return inside if apart >= _LABEL_TALL else inside[-1:]


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
    return {"label": trace.label, "computed": trace.computed, "pieces": pieces, "letter": "", "at": None}


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
            figures = [_figure(v, plot.quantity, shown) for v in (points[0][1], low, high, points[-1][1])]
            parts.append("{}: begins at {}, lowest {}, highest {}, ends at {}.".format(trace.label, *figures))
    return " ".join(parts)


def _figure(si: float, quantity: Quantity, shown: Shown) -> str:
    return shown.figure(known(si, ""), quantity)
