"""Did the vacuum hold, by a named acceptance profile? Held, did not hold, or cannot tell.

Decision rule (ISO/IEC 17025 7.8.6; guarded acceptance and rejection as in JCGM 106:2012): with U the expanded
uncertainty, k = 2, a condition is met only if the reading plus U is within its limit, broken only if the reading
minus U is beyond it; in between nobody can tell. Missing readings never help a test to pass; a limit that was
clearly broken while the readings were good stays broken. In a vapor of which the gauge is stated to show more or less
than is there, a limit is broken or kept only whichever gas it is.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.sample import Gap, Series
from logger.model.value import Argument, Value, known, name_of, number, unknown, word
from logger.stages.acceptance import DecayProfile, HoldStep
from logger.stages.decay_test.gauge import Suspicion
from logger.statistics.block_means import Blocks, blocks

K = 2.0
VERDICT_KEY = "decay.verdict"
MAX_GAP_SHARE = 0.05
ALL_GAPS_SHARE = 0.1
MIN_GAP_S = 30.0
TOP_SHARE = 0.99  # of a gauge's range: from there on it may show no more


@dataclass(frozen=True, slots=True)
class Held:
    """The hold as measured. start, end, highest, rise: Pa with u. ended_s: end of the readings judged.

    gaps: those inside the hold. curve: (time, pressure reached by two means in a row). factors: least and most that
    the gauge may show of 1 that is there.
    """

    start: Value
    end: Value
    highest: Value
    rise: Value
    isolated_s: float
    ended_s: float
    gaps: tuple[Gap, ...]
    gauge_limit: Argument | None
    curve: tuple[tuple[float, float], ...] = ()
    factors: tuple[float, float] = (1.0, 1.0)

    @property
    def lasted_s(self) -> float:
        return self.ended_s - self.isolated_s


def measure_hold(vacuum_series: Series, isolated_s: float, end_s: float) -> Held:
    """Start, end, highest and rise between isolation and `end_s` from block means of at least 10 s or three readings.

    A single spike is not a pressure: the highest is what two means in a row reach. Rises share the gauge's offset,
    which cancels, and keep its share of the reading.
    """
    span = max(end_s - isolated_s, 0.0)
    data = blocks(vacuum_series, isolated_s, end_s, max(6, min(240, int(span / 10.0))))
    gaps = vacuum_series.gaps_within(isolated_s, end_s)
    if len(data) < 3:
        none = unknown("Pa", "too few readings after isolation")
        return Held(none, none, none, none, isolated_s, end_s, gaps, None)
    u_one = max(data.u, vacuum_series.u / math.sqrt(max(sorted(data.n)[len(data.n) // 2], 1)))
    u_level = math.hypot(u_one, vacuum_series.u_scale)
    sustained = [min(a, b) for a, b in pairwise(data.value)]
    start, last, top = data.value[0], data.value[-1], max(sustained)
    share = vacuum_series.u_scale / max(start, vacuum_series.u_scale, 1e-9)
    drift = (vacuum_series.gauge.zero_drift or 0.0) * span / math.sqrt(3.0)
    u_rise = math.hypot(math.sqrt(2.0) * u_one, share * abs(top - start), drift)
    return Held(
        known(start, "Pa", u_level), known(last, "Pa", u_level), known(top, "Pa", u_level),
        known(top - start, "Pa", u_rise), isolated_s, min(data.t_s[-1] + 0.5 * data.width_s, end_s), gaps,
        _at_gauge_limit(vacuum_series, data), tuple(zip(data.t_s[1:], sustained, strict=True)),
        vacuum_series.gauge.factors,
    )  # fmt: skip


def within_range(series: Series, start_s: float, end_s: float) -> tuple[float, float]:
    """The part of a rise that the gauge can show: from the last reading at the bottom of its range to the first of
    three in a row at its top. At either end a reading is a bound, not a value."""
    inside = [(t, v) for t, v in zip(series.t_s, series.value, strict=True) if start_s <= t <= end_s]
    if series.high is not None:
        topped = [v >= TOP_SHARE * series.high for _, v in inside]
        at = next((i for i in range(len(topped) - 2) if all(topped[i : i + 3])), None)
        end_s = end_s if at is None else inside[at][0]
    if series.low is not None:
        start_s = max((t for t, v in inside if v <= series.low and t <= end_s), default=start_s)
    return start_s, end_s


def _at_gauge_limit(series: Series, data: Blocks) -> Argument | None:
    """The end of its range at which a tenth of the means lie: the gauge cannot show what is there."""
    if series.high is not None and sum(v >= TOP_SHARE * series.high for v in data.value) > 0.1 * len(data):
        return number("gauge_top", Quantity.VACUUM, known(series.high, "Pa"))
    if series.low is not None and sum(v <= series.low for v in data.value) > 0.1 * len(data):
        return number("gauge_bottom", Quantity.VACUUM, known(series.low, "Pa"))
    return None


def judge_hold(
    held: Held,
    profile: DecayProfile,
    *,
    step: int = -1,
    earlier_held: int = 0,
    evacuations: int | None = None,
    ambient: Series | None = None,
    suspected: Sequence[Suspicion] = (),
    accuracy_stated: bool = True,
) -> Finding:
    """The verdict, by a guard band: held only if the reading plus U is within the limit, did not hold only if the
    reading minus U is beyond it, otherwise cannot tell; U is k=2 (about 95 %).

    `held` must have been measured up to the end of the profile's hold, or as far as the test went.
    step: which hold of the profile. earlier_held: how many of the profile's earlier holds already held.
    evacuations: how many evacuations the job shows, None when nobody counted.
    """
    hold = profile.steps[step]
    number_of = step % len(profile.steps)
    inputs = (
        number("start", Quantity.VACUUM, held.start),
        number("highest", Quantity.VACUUM, held.highest),
        number("rise", Quantity.VACUUM, held.rise),
        number("isolated_for", Quantity.TIME, known(held.lasted_s, "s")),
        name_of("profile", f"{profile.key}: {profile.described()}"),
        number("hold", Quantity.TIME, known(hold.hold_s, "s")),
        *_limits(hold),
        *(() if accuracy_stated else (word("accuracy", "not_stated"),)),
    )

    def finding(verdict: Verdict, *more: Argument) -> Finding:
        return Finding(VERDICT_KEY, verdict, (*inputs, *more))

    if suspected:
        signs = (one for s in suspected for one in (word("sign", s.key), *s.inputs))
        return finding(Verdict.CANNOT_TELL, *signs)
    if held.highest.number is None or held.start.number is None or held.rise.number is None:
        return finding(Verdict.CANNOT_TELL, word("doubt", "no_readings"))
    broken = _broken(held, hold)
    if broken:
        return finding(Verdict.FAIL, *broken, word("check", "see_cause"))
    doubts = [*_missing(held, hold), *_unmet(held, hold)]
    if not accuracy_stated:
        doubts.append(word("doubt", "no_accuracy"))
    of_profile = (
        number("hold_number", Quantity.COUNT, known(float(number_of + 1), "1")),
        number("holds", Quantity.COUNT, known(float(len(profile.steps)), "1")),
    )
    if number_of > earlier_held:
        held_before = number("held_before", Quantity.COUNT, known(float(earlier_held), "1"))
        doubts += (word("doubt", "earlier_holds"), held_before)
    if profile.evacuations > 1 and number_of == len(profile.steps) - 1:
        doubts += _evacuations(profile.evacuations, evacuations)
    doubts += _ambient_doubt(profile, ambient, held)
    if doubts:
        return finding(Verdict.CANNOT_TELL, *of_profile, *doubts)
    more_to_do = (word("more", "next_hold"),) if number_of < len(profile.steps) - 1 else ()
    return finding(Verdict.PASS, *of_profile, *more_to_do, word("check", "gauge_moves"))


def _limits(hold: HoldStep) -> Iterator[Argument]:
    for name, limit in (("start_max", hold.start_max_pa), ("limit", hold.limit_pa), ("rise_max", hold.rise_max_pa)):
        if limit is not None:
            yield number(name, Quantity.VACUUM, known(limit, "Pa"))


def _evacuations(asked: int, counted: int | None) -> tuple[Argument, ...]:
    if counted is not None and counted >= asked:
        return ()
    wanted = number("evacuations_asked", Quantity.COUNT, known(float(asked), "1"))
    if counted is None:
        return (word("doubt", "evacuations_not_counted"), wanted)
    return (word("doubt", "evacuations"), wanted, number("evacuations", Quantity.COUNT, known(float(counted), "1")))


def _broken(held: Held, hold: HoldStep) -> tuple[Argument, ...]:
    """A limit broken beyond doubt. A test that began above its limit never held: that is not a break."""
    start, top, rise = held.start, held.highest, held.rise
    assert start.number is not None and top.number is not None and rise.number is not None
    guard, shown = K * (top.u or 0.0), held.factors[1]  # in vapor the gauge may show more than is there
    if hold.limit_pa is not None and start.number <= hold.limit_pa < top.number / shown - guard:
        when = next(t for t, p in held.curve if p / shown - guard > hold.limit_pa) - held.isolated_s
        return (word("broken", "limit"), number("after", Quantity.TIME, known(when, "s")))
    if hold.rise_max_pa is not None and rise.number / shown - K * (rise.u or 0.0) > hold.rise_max_pa:
        return (word("broken", "rise"),)
    return ()


def _missing(held: Held, hold: HoldStep) -> list[Argument]:
    doubts: list[Argument] = []
    if held.gauge_limit is not None:
        doubts += (word("doubt", held.gauge_limit.name), held.gauge_limit)
    allowed = max(MAX_GAP_SHARE * hold.hold_s, MIN_GAP_S)
    long = [g for g in held.gaps if g.end_s - g.start_s > allowed]
    lost = sum(g.end_s - g.start_s for g in held.gaps)
    if long:
        gap = known(long[0].end_s - long[0].start_s, "s")
        doubts += (word("doubt", "gap"), number("gap", Quantity.TIME, gap), name_of("gap_reason", long[0].reason))
    elif lost > max(ALL_GAPS_SHARE * hold.hold_s, MIN_GAP_S):
        doubts += (word("doubt", "gaps"), number("lost", Quantity.TIME, known(lost, "s")))
    if hold.hold_s - held.lasted_s > max(0.005 * hold.hold_s, 2.0):
        doubts.append(word("doubt", "too_short"))
    return doubts


def _unmet(held: Held, hold: HoldStep) -> list[Argument]:
    doubts: list[Argument] = []
    start, top, rise = held.start, held.highest, held.rise
    assert start.number is not None and top.number is not None and rise.number is not None
    least, most = held.factors
    if hold.start_max_pa is not None:
        guard = K * (start.u or 0.0)
        if start.number / most - guard > hold.start_max_pa:
            doubts.append(word("doubt", "started_above"))
        elif start.number / least + guard > hold.start_max_pa:
            isolate_at = known(max(hold.start_max_pa - guard, 0.0) * least, "Pa")
            doubts += (word("doubt", "start_within_u"), number("isolate_at", Quantity.VACUUM, isolate_at))
    if hold.limit_pa is not None and start.number > hold.limit_pa:
        if not doubts:
            doubts.append(word("doubt", "started_above_limit"))
    elif hold.limit_pa is not None and top.number / least + K * (top.u or 0.0) > hold.limit_pa:
        doubts.append(word("doubt", "highest_within_u"))
    if hold.rise_max_pa is not None and rise.number / least + K * (rise.u or 0.0) > hold.rise_max_pa:
        doubts.append(word("doubt", "rise_within_u"))
    return doubts


def _ambient_doubt(profile: DecayProfile, ambient: Series | None, held: Held) -> tuple[Argument, ...]:
    if profile.ambient_min_k is None:
        return ()
    least = number("ambient_min", Quantity.TEMPERATURE, known(profile.ambient_min_k, "K"))
    inside = (
        []
        if ambient is None
        else [v for t, v in zip(ambient.t_s, ambient.value, strict=True) if held.isolated_s <= t <= held.ended_s]
    )
    if not inside or ambient is None:
        return (word("doubt", "no_ambient"), least)
    coldest = min(inside)
    if coldest - K * math.hypot(ambient.u, ambient.u_scale) < profile.ambient_min_k:
        return (word("doubt", "cold"), least, number("coldest", Quantity.TEMPERATURE, known(coldest, "K")))
    return ()
