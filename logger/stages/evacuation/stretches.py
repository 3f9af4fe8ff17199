"""A pull-down cut where something was done to it: marks, nitrogen breaks, valves closed and opened.

A stretch is pumping without interruption. Evacuations are stretches, or runs of them, between nitrogen breaks.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from logger.model.sample import Series
from logger.refrigerant.errors import OutOfRange
from logger.refrigerant.water import saturation_temperature
from logger.statistics.block_means import blocks
from logger.statistics.isolation import scatter

BREAK = "nitrogen break, seen"
REOPENED = "pressure came down again"
STARTED = "start"
RISE_FACTOR = 1.3
MIN_RISE_DECADES_PER_H = 0.3  # slower is a level that drifts, as water does while it warms
DECADES_PER_S = 1.0 / 60.0
MIN_BREAK_PA = 200.0
PLATEAU_S = 600.0
COLDEST_WATER_K = 238.0  # boiling water under a service pump gets no colder than this before it is all ice
_COUNT = 600


@dataclass(frozen=True, slots=True)
class PumpMark:
    """Something done, as marked by hand. what: the mark's kind or the note's text, such as "oil changed"."""

    t_s: float
    what: str


@dataclass(frozen=True, slots=True)
class Stretch:
    """Pumping from start_s to end_s. begun_by: STARTED, BREAK, REOPENED or the mark's words.

    rises_from_s: where a rise that goes on to the end of the readings begins, None when there is none.
    """

    start_s: float
    end_s: float
    begun_by: str
    lowest_pa: float
    lowest_s: float
    rises_from_s: float | None = None


@dataclass(frozen=True, slots=True)
class EvacuationRun:
    """start_s, end_s; lowest_pa: lowest mean reading; broken_at_s: when gas was let in after it, None at the last."""

    start_s: float
    end_s: float
    lowest_pa: float
    broken_at_s: float | None


@dataclass(frozen=True, slots=True)
class Plateau:
    """A level that stood for a while and then fell on without anything being marked. water_k: where water has that
    vapour pressure, None when water cannot be it.
    """

    start_s: float
    end_s: float
    level_pa: float
    water_k: float | None


def is_break(what: str) -> bool:
    """Do these words speak of letting gas in? They count only beside a rise that was seen."""
    words = what.lower()
    return "break" in words or "nitrogen" in words


@dataclass(frozen=True, slots=True)
class _Excursion:
    low_s: float
    peak_s: float
    closed: bool
    large: bool  # threefold, to 2 mbar at least
    quick: bool  # gas let in


def split(vacuum: Series, marks: Sequence[PumpMark] = ()) -> tuple[Stretch, ...]:
    """Stretches in order; empty for a series without readings."""
    if len(vacuum) < 3:
        return ()
    t, v, noise = _with_breaks_seen(vacuum)
    excursions = _excursions(t, v, noise)
    cuts: dict[float, str] = {t[0]: STARTED}
    for e in excursions:
        if e.closed:
            cuts[e.peak_s] = BREAK if e.quick else REOPENED
    for mark in sorted(marks, key=lambda m: m.t_s):
        if not t[0] < mark.t_s < t[-1]:
            continue
        near = [e.peak_s for e in excursions if e.closed and e.large and abs(e.peak_s - mark.t_s) < 600.0]
        if is_break(mark.what) and near:
            cuts[near[0]] = BREAK  # the mark and what was seen are one event: what was seen has the better time
        else:
            cuts[mark.t_s] = mark.what  # words alone make no break: the pressure must have risen
    open_end = next((e.low_s for e in excursions if not e.closed), None)
    edges = sorted(cuts)
    found = []
    for start, end in zip(edges, [*edges[1:], t[-1]], strict=True):
        inside = [(x, p) for x, p in zip(t, v, strict=True) if start <= x <= end]
        if len(inside) < 2:
            continue
        low_s, low = min(inside, key=lambda row: row[1])
        rises = open_end if open_end is not None and start <= open_end <= end else None
        found.append(Stretch(start, end, cuts[start], low, low_s, rises))
    return tuple(found)


def _with_breaks_seen(vacuum: Series) -> tuple[list[float], list[float], float]:
    """Block means, with a point at the top of the range where the gauge went over it and came back."""
    data = blocks(vacuum, vacuum.t_s[0], vacuum.t_s[-1], _COUNT)
    t, v = list(data.t_s), list(data.value)
    ceiling = vacuum.high if vacuum.high is not None else 5.0 * max(v)
    for gap in vacuum.gaps:
        if "over" in gap.reason and gap.start_s > t[0] and gap.end_s < t[-1]:
            middle = 0.5 * (gap.start_s + gap.end_s)
            place = sum(x < middle for x in t)
            t.insert(place, middle)
            v.insert(place, ceiling)
    return t, v, scatter(data)


def _excursions(t: list[float], v: list[float], noise: float) -> list[_Excursion]:
    """Rises clear of the lowest reading so far, each with the moment it began, its peak and whether it came down."""
    found: list[_Excursion] = []
    low, peak = 0, -1
    for i in range(1, len(v)):
        if peak < 0:
            if v[i] <= v[low]:
                low = i
            elif v[i] > RISE_FACTOR * v[low] and v[i] - v[low] > 8.0 * noise:
                peak = i
        elif v[i] >= v[peak]:
            peak = i
        elif v[i] < 0.75 * v[peak] and v[peak] - v[i] > 8.0 * noise:
            if _steep(t, v, low, peak):
                found.append(
                    _Excursion(
                        _last_low(t, v, low, peak, noise), t[peak], True, _large(v, low, peak), _quick(t, v, low, peak)
                    )
                )
            low, peak = i, -1
    if peak >= 0 and _steep(t, v, low, peak):
        found.append(
            _Excursion(_last_low(t, v, low, peak, noise), t[peak], False, _large(v, low, peak), _quick(t, v, low, peak))
        )
    return found


def _last_low(t: list[float], v: list[float], low: int, peak: int, noise: float) -> float:
    return t[max(i for i in range(low, peak) if v[i] <= v[low] + 3.0 * noise)]


def _steep(t: list[float], v: list[float], low: int, peak: int) -> bool:
    hours = max(t[peak] - t[low], 1.0) / 3600.0
    return v[low] > 0.0 and math.log10(v[peak] / v[low]) > MIN_RISE_DECADES_PER_H * hours


def _large(v: list[float], low: int, peak: int) -> bool:
    return v[peak] >= max(3.0 * v[low], MIN_BREAK_PA)


def _quick(t: list[float], v: list[float], low: int, peak: int) -> bool:
    """Gas let in: large, and more than a decade a minute somewhere on the way up."""
    return _large(v, low, peak) and any(
        math.log10(v[i + 1] / v[i]) > DECADES_PER_S * min(t[i + 1] - t[i], 60.0)
        for i in range(low, peak)
        if v[i] > 0.0 and v[i + 1] > 0.0
    )


def evacuations(stretches: Sequence[Stretch]) -> tuple[EvacuationRun, ...]:
    """Stretches joined between nitrogen breaks."""
    found: list[EvacuationRun] = []
    for s in stretches:
        if found and s.begun_by != BREAK:
            last = found[-1]
            found[-1] = EvacuationRun(last.start_s, s.end_s, min(last.lowest_pa, s.lowest_pa), None)
        else:
            if found:
                last = found[-1]
                found[-1] = EvacuationRun(last.start_s, last.end_s, last.lowest_pa, last.end_s)
            found.append(EvacuationRun(s.start_s, s.end_s, s.lowest_pa, None))
    return tuple(found)


def plateaus(vacuum: Series, stretch: Stretch) -> tuple[Plateau, ...]:
    """Levels that stood for ten minutes or a tenth of the stretch within 15 %, and were left downwards."""
    data = blocks(vacuum, stretch.start_s, stretch.end_s, 120)
    t, v = data.t_s, data.value
    least = max(PLATEAU_S, 0.1 * (stretch.end_s - stretch.start_s))
    found: list[Plateau] = []
    i = 0
    while i < len(v):
        j, low, high = i, v[i], v[i]
        while j + 1 < len(v) and max(high, v[j + 1]) < 1.15 * min(low, v[j + 1]):
            j += 1
            low, high = min(low, v[j]), max(high, v[j])
        if t[j] - t[i] < least or j + 1 >= len(v):
            i += 1
            continue
        level = sum(v[i : j + 1]) / (j + 1 - i)
        inside = abs(math.log(v[j] / v[i])) / (t[j] - t[i])
        ahead = [k for k in range(j + 1, len(v)) if t[k] - t[j] <= 0.5 * (t[j] - t[i])]
        falls = [math.log(v[j] / v[k]) / (t[k] - t[j]) for k in ahead]
        if min(v[j:]) < 0.6 * level and falls and max(falls) > max(4.0 * inside, 0.5 / 3600.0):
            found.append(Plateau(t[i], t[j], level, _water_k(level)))
        i = j + 1
    return tuple(found)


def _water_k(level_pa: float) -> float | None:
    try:
        boils_k = saturation_temperature(level_pa)
    except OutOfRange:
        return None
    return boils_k if boils_k >= COLDEST_WATER_K else None
