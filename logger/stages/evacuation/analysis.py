"""Evacuation: how fast it comes down, when it will be there, and why it is not.

Used live (every ten seconds or so, on a bounded series) and at the stage's end: the same call. Pure; unknown inputs
lead to a Value that says why, never to an exception.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from logger.model.finding import Finding
from logger.model.sample import Series
from logger.model.value import Value, known, unknown
from logger.stages.evacuation.findings import (
    Gain,
    count_finding,
    gain_finding,
    plateau_finding,
    progress_finding,
    standstill_findings,
)
from logger.stages.evacuation.standstill import Origin, Standstill, explain
from logger.stages.evacuation.stays_above import stays_above
from logger.stages.evacuation.stretches import (
    BREAK,
    REOPENED,
    EvacuationRun,
    Plateau,
    PumpMark,
    Stretch,
    evacuations,
    plateaus,
    split,
)
from logger.stages.evacuation.tail_fit import HORIZON_S, MIN_PA, PossibleTails, fit_tail, predict
from logger.statistics.block_means import Blocks, blocks, interpolate
from logger.statistics.isolation import scatter
from logger.statistics.least_squares import line

K = 2.0
MIN_STALL_S = 600.0
TAIL_FACTOR = 4.0  # the fit begins where the reading was this many times what it is now
SURELY = 0.999  # share of the evidence on curves that pass the target
SOONER, LATER = 1.15, 1.3  # by which a band is wider than its fits: oil and gaskets follow none of them exactly
RESERVATION = "if it does not level off above the target"
LEVELING = -3.0  # decades an hour: what still halves within six minutes does not level off; our own figure
SETTLED_PER_H = 0.2  # of the reading: a level that moves less is standing


class PumpState(StrEnum):
    """The value is the code that words.py knows it by."""

    PULLING = "pulling"
    TAILING = "tailing"
    STALLED = "stalled"
    REACHED = "reached"
    RISING = "rising"
    CANNOT_TELL = "unknown"


@dataclass(frozen=True, slots=True)
class PullDown:
    """What one evacuation stage shows so far.

    rate: decades of pressure an hour now, negative while it comes down (UCUM "h-1"). pressure_rate: Pa/s.
    time_to_target: s; soonest and latest are its band, each unknown with its reason. base: where it ends, Pa.
    tail: fitted curves (`tail.best.at(t_s - stretches[-1].start_s)`). standstill: why it stands, when it does.
    gains: what marked acts changed. plateaus: levels that stood and were left again.
    """

    state: PumpState
    stretches: tuple[Stretch, ...]
    evacuations: tuple[EvacuationRun, ...]
    rate: Value
    pressure_rate: Value
    time_to_target: Value
    soonest: Value
    latest: Value
    base: Value
    tail: PossibleTails | None
    standstill: Standstill | None
    gains: tuple[Gain, ...]
    plateaus: tuple[Plateau, ...]
    findings: tuple[Finding, ...]

    @property
    def cause(self) -> Origin | None:
        """The cause of a standstill, when one leads alone."""
        return None if self.standstill is None else self.standstill.cause


def analyse_pull_down(
    vacuum: Series,
    *,
    target_pa: float | None = None,
    marks: Sequence[PumpMark] = (),
    temperature: Series | None = None,
    pump_ultimate_pa: float | None = None,
    evacuations_asked: int | None = None,
) -> PullDown:
    """Analyse a pull-down. One time axis, absolute Pa; target_pa: what is wanted, None when nobody said.

    marks: what was done. temperature: of the system, else of the air. pump_ultimate_pa: stated for the pump.
    """
    if len(vacuum) and min(vacuum.value) < MIN_PA:  # nothing a service gauge can read: no pressure
        usable = [(t, v) for t, v in zip(vacuum.t_s, vacuum.value, strict=True) if v >= MIN_PA]
        vacuum = replace(vacuum, t_s=[t for t, _ in usable], value=[v for _, v in usable])
    stretches = split(vacuum, marks)
    if not stretches:
        return _nothing("too few readings yet to judge the pull-down" if len(vacuum) else "no vacuum reading yet")
    last, gains = _current(vacuum, stretches)
    whole = evacuations(stretches)
    end = last.end_s if last.rises_from_s is None else last.rises_from_s
    recent = _recent(vacuum, last, end)
    tail = fit_tail(recent, last.start_s)
    rate, pressure_rate = _rates(vacuum, last)
    stood = tuple(p for s in stretches for p in plateaus(vacuum, s))
    state, standing = _state(vacuum, last, recent, tail, target_pa, rate)
    standstill = None
    if standing is not None:
        near = None
        if temperature is not None and len(temperature) > 0:
            near = interpolate(temperature.t_s, temperature.value, [standing.t_s[-1]])[0]
        standstill = explain(
            standing.t_s, standing.value, standing.u, tail, last.start_s, near_k=near, gauge_low_pa=vacuum.low,
            gauge_high_pa=vacuum.high, pump_ultimate_pa=pump_ultimate_pa,
            earlier_bases_pa=[e.lowest_pa for e in whole[:-1]],
            water_went=any(p.water_k is not None for p in stood),
            oil_helped=any(g.helped and "oil" in g.what.lower() for g in gains),
        )  # fmt: skip
    soonest, likely, latest = _times(state, tail, target_pa, last, end, rate, recent)
    base = unknown("Pa", "the curve does not yet show where it ends")
    if tail is not None and tail.base_high_pa - tail.base_low_pa < 0.5 * recent.value[-1]:
        base = known(tail.best.base_pa, "Pa", 0.25 * (tail.base_high_pa - tail.base_low_pa))
    findings = [
        progress_finding(
            state.value, rate, pressure_rate, likely, soonest, latest, target_pa, vacuum.value[-1], vacuum.u_scale > 0.0
        )
    ]
    if standstill is not None:
        findings += standstill_findings(standstill, target_pa, state is PumpState.STALLED)
    findings += [plateau_finding(p) for p in stood]
    findings += [gain_finding(g) for g in gains if g.helped or g.stood]
    if len(whole) > 1 or (evacuations_asked or 1) > 1:
        findings.append(count_finding(whole, evacuations_asked, target_pa))
    return PullDown(
        state, stretches, whole, rate, pressure_rate, likely, soonest, latest, base, tail, standstill, gains,
        stood, tuple(findings),
    )  # fmt: skip


def _recent(vacuum: Series, stretch: Stretch, end_s: float) -> Blocks:
    """The tail: from where the reading was last four times what it is now; twenty readings where there are."""
    data = blocks(vacuum, stretch.start_s, end_s, 400)
    if len(data) < 3:
        return data
    now = data.value[-1]
    above = [t for t, v in zip(data.t_s, data.value, strict=True) if v > TAIL_FACTOR * now]
    begin = above[-1] if above else data.t_s[0]
    inside = [t for t in vacuum.t_s if stretch.start_s <= t <= end_s]
    return blocks(vacuum, min(begin, inside[-min(20, len(inside))]), end_s, 60)


def _rates(vacuum: Series, stretch: Stretch) -> tuple[Value, Value]:
    """Slope over the last five minutes, or the last fifth of the stretch if that is longer."""
    window = max(300.0, 0.2 * (stretch.end_s - stretch.start_s))
    begin = max(stretch.end_s - window, stretch.start_s)
    if stretch.rises_from_s is not None and stretch.end_s - stretch.rises_from_s > 60.0:
        begin = max(begin, stretch.rises_from_s)
    data = blocks(vacuum, begin, stretch.end_s, 60)
    why = "too few readings for a rate"
    if len(data) < 5 or min(data.value) <= 0.0 or data.t_s[-1] - data.t_s[0] < 20.0:
        return unknown("h-1", why), unknown("Pa/s", why)
    logs = line(data.t_s, [math.log10(v) for v in data.value], data.u / min(data.value) / math.log(10.0))
    plain = line(data.t_s, data.value, data.u)
    if logs is None or plain is None:
        return unknown("h-1", why), unknown("Pa/s", why)
    return known(logs.slope * 3600.0, "h-1", logs.u_slope * 3600.0), known(plain.slope, "Pa/s", plain.u_slope)


def _state(
    vacuum: Series, stretch: Stretch, recent: Blocks, tail: PossibleTails | None, target_pa: float | None, rate: Value
) -> tuple[PumpState, Blocks | None]:
    """The state, and the part that stands still when one does."""
    if stretch.rises_from_s is not None:
        return PumpState.RISING, None
    if len(recent) < 5 or rate.number is None or rate.u is None:
        return PumpState.CANNOT_TELL, None
    now = recent.value[-1]
    if target_pa is not None:
        guard = K * math.hypot(vacuum.u_scale, scatter(recent))
        if sum(recent.value[-3:]) / 3.0 + guard <= target_pa:
            return PumpState.REACHED, None
    standing = _standing(vacuum, stretch)
    if standing is not None:
        if target_pa is None or tail is None:
            return PumpState.STALLED, standing
        crossing = predict(tail, stretch.end_s - stretch.start_s, target_pa)
        if crossing.likely_s is None and (now > target_pa or crossing.soonest_s is None):
            return PumpState.STALLED, standing
    steepest = _steepest(vacuum, stretch)
    if rate.number - 2.0 * rate.u > 0.05:
        return PumpState.RISING, standing
    return (PumpState.TAILING if rate.number > max(0.4 * steepest, LEVELING) else PumpState.PULLING), standing


def _standing(vacuum: Series, stretch: Stretch) -> Blocks | None:
    """The last part, ten minutes at least, over which the level moves by less than a fifth an hour."""
    length = stretch.end_s - stretch.start_s
    for share in (0.6, 0.4, 0.25, 0.15):
        window = max(MIN_STALL_S, share * length)
        if window > length:
            return None
        data = blocks(vacuum, stretch.end_s - window, stretch.end_s, 60)
        if len(data) < 8 or min(data.value) <= 0.0:
            return None
        fit = line(data.t_s, [math.log(v) for v in data.value], data.u / min(data.value))
        if fit is not None and abs(fit.slope) * 3600.0 < SETTLED_PER_H:
            return data
    return None


def _steepest(vacuum: Series, stretch: Stretch) -> float:
    """Steepest fall of the stretch over a fortieth of it, decades an hour (negative)."""
    data = blocks(vacuum, stretch.start_s, stretch.end_s, 40)
    return min(
        (
            math.log10(b / a) / (tb - ta) * 3600.0
            for a, b, ta, tb in zip(data.value, data.value[1:], data.t_s, data.t_s[1:], strict=False)
            if a > 0.0 and b > 0.0
        ),
        default=0.0,
    )


def _times(
    state: PumpState,
    tail: PossibleTails | None,
    target_pa: float | None,
    stretch: Stretch,
    end_s: float,
    rate: Value,
    recent: Blocks,
) -> tuple[Value, Value, Value]:
    """(soonest, likely, latest) from now. A curve that tails off is never sooner than at its present rate."""

    def none(why: str) -> tuple[Value, Value, Value]:
        return unknown("s", why), unknown("s", why), unknown("s", why)

    if target_pa is None:
        return none("no target was set")
    if state is PumpState.REACHED:
        return known(0.0, "s"), known(0.0, "s"), known(0.0, "s")
    if state is PumpState.RISING:
        return none("the pressure is rising")
    if state is PumpState.STALLED:
        return none("stalled short of the target")
    if tail is None:
        return none("too few readings yet")
    crossing = predict(tail, end_s - stretch.start_s, target_pa)
    maybe = "it may level off above the target"
    soonest = crossing.soonest_s
    now = recent.value[-1]
    if rate.number is not None and rate.u is not None and now > target_pa:
        fastest = rate.number - 2.0 * rate.u
        at_rate = math.log10(now / target_pa) / -fastest * 3600.0 if fastest < 0.0 else math.inf
        soonest = at_rate if soonest is None else min(soonest, at_rate)
        soonest = soonest if math.isfinite(soonest) else None
    note, latest = None, crossing.latest_s
    if crossing.share <= SURELY:
        note = RESERVATION
        if stays_above(recent, stretch.start_s, target_pa, HORIZON_S):
            latest = None
    latest = None if latest is None or latest * LATER > HORIZON_S else latest * LATER
    return (
        unknown("s", maybe) if soonest is None else known(soonest / SOONER, "s"),
        unknown("s", maybe) if crossing.likely_s is None else known(crossing.likely_s, "s", note=note),
        unknown("s", maybe) if latest is None else known(latest, "s", note=note),
    )


def _current(vacuum: Series, stretches: Sequence[Stretch]) -> tuple[Stretch, tuple[Gain, ...]]:
    """The stretch to judge, and what each marked act changed.

    A mark that changed nothing does not begin a new curve: the stretch goes on through it.
    """
    current = stretches[0]
    gains: list[Gain] = []
    for after in stretches[1:]:
        if after.begun_by in (BREAK, REOPENED):
            current = after
            continue
        gain = _gain(vacuum, current, after)
        if gain is not None:
            gains.append(gain)
        if gain is not None and gain.helped:
            current = after
        else:
            low = min(current, after, key=lambda s: s.lowest_pa)
            current = replace(
                current, end_s=after.end_s, lowest_pa=low.lowest_pa, lowest_s=low.lowest_s,
                rises_from_s=after.rises_from_s,
            )  # fmt: skip
    return current, tuple(gains)


def _gain(vacuum: Series, before: Stretch, after: Stretch) -> Gain | None:
    """Against where the curve before the act was heading: a pressure that falls anyway is no gain."""
    now, then = _end_level(vacuum, after), _end_level(vacuum, before)
    tail = fit_tail(_recent(vacuum, before, before.end_s), before.start_s)
    if now is None or then is None or tail is None:
        return None
    end = after.end_s if after.rises_from_s is None else after.rises_from_s
    ahead = [fit.at(end - before.start_s) for fit in tail.in_play]
    heading = known(tail.best.at(end - before.start_s), "Pa", 0.25 * (max(ahead) - min(ahead)))
    stood = _standing(vacuum, before) is not None
    return Gain(after.begun_by, after.start_s, known(*then), heading, known(*now), stood)


def _end_level(vacuum: Series, stretch: Stretch) -> tuple[float, str, float] | None:
    """Mean of the last readings of a stretch before it rose, as a Value's number, unit and u."""
    end = stretch.end_s if stretch.rises_from_s is None else stretch.rises_from_s
    data = blocks(vacuum, max(stretch.start_s, end - 120.0), end, 12)
    if len(data) < 3:
        return None
    level = sum(data.value) / len(data)
    return level, "Pa", scatter(data) / math.sqrt(len(data))


def _nothing(why: str) -> PullDown:
    none = unknown("s", why)
    rate, pressure_rate = unknown("h-1", why), unknown("Pa/s", why)
    finding = progress_finding(PumpState.CANNOT_TELL.value, rate, pressure_rate, none, none, none, None, None)
    return PullDown(
        PumpState.CANNOT_TELL, (), (), rate, pressure_rate, none, none, none,
        unknown("Pa", why), None, None, (), (), (finding,),
    )  # fmt: skip
