"""Did the vacuum hold, by a named acceptance profile? Held, did not hold, or cannot tell.

Decision rule (ISO/IEC 17025 7.8.6; guarded acceptance and rejection as in JCGM 106:2012): with U the expanded
uncertainty, k = 2, a condition is met only if the reading plus U is within its limit, broken only if the reading
minus U is beyond it; in between nobody can tell. Missing readings never help a test to pass; a limit that was
clearly broken while the readings were good stays broken.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from logger.model.finding import Finding, Verdict, worded
from logger.model.sample import Gap, Series
from logger.model.value import Value, known, unknown
from logger.stages.acceptance import DecayProfile, HoldStep
from logger.stages.decay_test.gauge import Suspicion
from logger.statistics.block_means import Blocks, blocks
from logger.wording.numbers import duration, exact, temperature, vacuum, vacuum_beside

K = 2.0
HEADLINE = {Verdict.PASS: "held", Verdict.FAIL: "did not hold", Verdict.CANNOT_TELL: "cannot tell"}
MAX_GAP_SHARE = 0.05
ALL_GAPS_SHARE = 0.1
MIN_GAP_S = 30.0
DECISION_RULE = (
    "guard band: held only if the reading plus U is within the limit, did not hold only if the reading minus U is "
    "beyond it, otherwise cannot tell; U is the expanded uncertainty, k = 2 (about 95 %)"
)


@dataclass(frozen=True, slots=True)
class Held:
    """The hold as measured. start, end, highest, rise: Pa with u. ended_s: end of the readings judged.

    gaps: those inside the hold. curve: (time, pressure reached by two means in a row).
    """

    start: Value
    end: Value
    highest: Value
    rise: Value
    isolated_s: float
    ended_s: float
    gaps: tuple[Gap, ...]
    gauge_limit: str | None
    curve: tuple[tuple[float, float], ...] = ()

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
    u_rise = math.hypot(math.sqrt(2.0) * u_one, share * abs(top - start))
    return Held(
        known(start, "Pa", u_level), known(last, "Pa", u_level), known(top, "Pa", u_level),
        known(top - start, "Pa", u_rise), isolated_s, min(data.t_s[-1] + 0.5 * data.width_s, end_s), gaps,
        _at_gauge_limit(vacuum_series, data), tuple(zip(data.t_s[1:], sustained, strict=True)),
    )  # fmt: skip


def _at_gauge_limit(series: Series, data: Blocks) -> str | None:
    """Why the gauge cannot show what is there, if a tenth of the means lie at an end of its range."""
    if series.high is not None and sum(v >= 0.99 * series.high for v in data.value) > 0.1 * len(data):
        return f"the gauge stands at the top of its range, {vacuum(series.high)}"
    if series.low is not None and sum(v <= series.low for v in data.value) > 0.1 * len(data):
        return f"the gauge stands at the bottom of its range, {vacuum(series.low)}"
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
    """The verdict. `held` must have been measured up to the end of the profile's hold, or as far as the test went.

    step: which hold of the profile. earlier_held: how many of the profile's earlier holds already held.
    evacuations: how many evacuations the job shows, None when nobody counted.
    """
    hold = profile.steps[step]
    number = step % len(profile.steps)
    inputs = [("pressure at isolation", held.start), ("highest in the hold", held.highest), ("rise", held.rise)]
    inputs.append(("time isolated", known(held.lasted_s, "s")))
    rule = f"profile {profile.key}: {profile.described()}"
    decision = (
        DECISION_RULE
        if accuracy_stated
        else DECISION_RULE + "; the gauge's accuracy is not stated, so U holds only noise"
    )

    def finding(verdict: Verdict, text: str, checks: Sequence[str] = ()) -> Finding:
        return worded(
            "decay.verdict", verdict, HEADLINE[verdict], text, rule, decision, tuple(inputs), (), tuple(checks)
        )  # fmt: skip

    if suspected:
        return finding(
            Verdict.CANNOT_TELL, "The gauge is not to be relied on: " + "; ".join(s.text for s in suspected) + ".",
            [s.check for s in suspected],
        )  # fmt: skip
    if held.highest.number is None or held.start.number is None or held.rise.number is None:
        return finding(Verdict.CANNOT_TELL, f"Unknown, because {held.highest.problem}.")
    broken = _broken(held, hold)
    if broken:
        return finding(Verdict.FAIL, broken, ("the finding on what made it rise",))
    doubts = _missing(held, hold)
    doubts += _unmet(held, hold)
    if number > earlier_held:
        doubts.append(
            f"this is hold {number + 1} of {len(profile.steps)} of the profile, and {earlier_held} before it are on "
            "record as held"
        )
    if profile.evacuations > 1 and number == len(profile.steps) - 1:
        if evacuations is None:
            doubts.append(f"the profile asks for {profile.evacuations} evacuations and they were not counted")
        elif evacuations < profile.evacuations:
            doubts.append(f"the profile asks for {profile.evacuations} evacuations, {evacuations} are on record")
    doubts += _ambient_doubt(profile, ambient, held)
    if doubts:
        return finding(Verdict.CANNOT_TELL, "; ".join(doubts)[0].upper() + "; ".join(doubts)[1:] + ".")
    text = (
        f"From {vacuum(held.start.number)} it stayed at or below {vacuum(held.highest.number)} for "
        f"{duration(hold.hold_s)}."
    )
    if number < len(profile.steps) - 1:
        text += f" This is hold {number + 1} of {len(profile.steps)} of the profile."
    seen = "let a little nitrogen in, or open the pump again, and see the gauge move: a gauge shut off from the system"
    return finding(Verdict.PASS, text, (seen + " shows a good vacuum too",))


def _broken(held: Held, hold: HoldStep) -> str | None:
    """A limit beyond doubt broken, in words. A test that began above its limit never held: that is not a break."""
    start, top, rise = held.start, held.highest, held.rise
    assert start.number is not None and top.number is not None and rise.number is not None
    guard = K * (top.u or 0.0)
    if hold.limit_pa is not None and start.number <= hold.limit_pa < top.number - guard:
        when = next(t for t, p in held.curve if p - guard > hold.limit_pa) - held.isolated_s
        return (
            f"From {vacuum(start.number)} the pressure rose above {vacuum(hold.limit_pa)} after {duration(when)} and "
            f"reached {vacuum_beside(top.number, hold.limit_pa)}."
        )
    if hold.rise_max_pa is not None and rise.number - K * (rise.u or 0.0) > hold.rise_max_pa:
        told = vacuum_beside(rise.number, hold.rise_max_pa)
        return f"The pressure rose by {told}, more than the {vacuum(hold.rise_max_pa)} allowed."
    return None


def _missing(held: Held, hold: HoldStep) -> list[str]:
    doubts: list[str] = []
    if held.gauge_limit:
        doubts.append(held.gauge_limit)
    allowed = max(MAX_GAP_SHARE * hold.hold_s, MIN_GAP_S)
    long = [g for g in held.gaps if g.end_s - g.start_s > allowed]
    lost = sum(g.end_s - g.start_s for g in held.gaps)
    if long:
        first = long[0]
        doubts.append(
            f"there are no trusted readings for {duration(first.end_s - first.start_s)} of the hold ({first.reason})"
        )
    elif lost > max(ALL_GAPS_SHARE * hold.hold_s, MIN_GAP_S):
        doubts.append(f"{duration(lost)} of the hold have no trusted readings")
    short = hold.hold_s - held.lasted_s
    if short > max(0.005 * hold.hold_s, 2.0):
        doubts.append(
            f"it was isolated for {exact(held.lasted_s, hold.hold_s)} of the {duration(hold.hold_s)} asked for"
        )
    return doubts


def _unmet(held: Held, hold: HoldStep) -> list[str]:
    doubts: list[str] = []
    start, top, rise = held.start, held.highest, held.rise
    assert start.number is not None and top.number is not None and rise.number is not None
    if hold.start_max_pa is not None:
        guard = K * (start.u or 0.0)
        if start.number - guard > hold.start_max_pa:
            told = vacuum_beside(start.number, hold.start_max_pa)
            doubts.append(f"it was isolated at {told}, above the {vacuum(hold.start_max_pa)} asked for")
        elif start.number + guard > hold.start_max_pa:
            doubts.append(
                f"the start at {vacuum(start.number)} is within the gauge's uncertainty of the "
                f"{vacuum(hold.start_max_pa)} asked for: with this gauge isolate at "
                f"{vacuum(max(hold.start_max_pa - guard, 0.0))} or less"
            )
    if hold.limit_pa is not None and start.number > hold.limit_pa:
        if not doubts:
            told = vacuum_beside(start.number, hold.limit_pa)
            doubts.append(f"it was isolated at {told}, above the limit of {vacuum(hold.limit_pa)}")
    elif hold.limit_pa is not None and top.number + K * (top.u or 0.0) > hold.limit_pa:
        doubts.append(
            f"the highest reading, {vacuum(top.number)}, is within the gauge's uncertainty of the limit "
            f"{vacuum(hold.limit_pa)}"
        )
    if hold.rise_max_pa is not None and rise.number + K * (rise.u or 0.0) > hold.rise_max_pa:
        doubts.append(
            f"the rise of {vacuum(rise.number)} is within its uncertainty of the {vacuum(hold.rise_max_pa)} allowed"
        )
    return doubts


def _ambient_doubt(profile: DecayProfile, ambient: Series | None, held: Held) -> list[str]:
    if profile.ambient_min_k is None:
        return []
    inside = (
        []
        if ambient is None
        else [v for t, v in zip(ambient.t_s, ambient.value, strict=True) if held.isolated_s <= t <= held.ended_s]
    )
    if not inside or ambient is None:
        return [f"the profile asks for ambient above {temperature(profile.ambient_min_k)} and none was measured"]
    coldest = min(inside)
    if coldest - K * math.hypot(ambient.u, ambient.u_scale) < profile.ambient_min_k:
        asked = temperature(profile.ambient_min_k)
        return [f"ambient went down to {temperature(coldest)}; the profile asks for above {asked}"]
    return []
