"""The judgements of a start-up, one function each; limits without a named source are common practice."""

import math
from collections.abc import Mapping

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.value import Argument, Value, known, name_of, number, word
from logger.statistics.steadiness import Hunting, Steadiness

LOW_DISCHARGE_K = 10.0
HIGH_CONDENSING_K = 20.0
WORTH_NAMING = {"K": 0.3, "Pa": 5e3, "1": 0.02}
_DIFFERENCE = Quantity.TEMPERATURE_DIFFERENCE
FIGURES: dict[str, Quantity] = {
    "suction_superheat": _DIFFERENCE,
    "subcooling": _DIFFERENCE,
    "discharge_superheat": _DIFFERENCE,
    "condensing_over_ambient": _DIFFERENCE,
    "approach": _DIFFERENCE,
    "valve_position": Quantity.RATIO,
    "liquid_level": Quantity.RATIO,
    "high_side_margin": Quantity.PRESSURE_DIFFERENCE,
}
"""What a start-up is judged by and later compared with, and what quantity each is."""


def steady_finding(found: Mapping[str, Steadiness], window_s: float) -> Finding:
    """Steady before judged: not steady only where the trend exceeds its limit by more than its own u (k=2)."""
    key = "start_up.steady"
    if not found:
        return Finding(key, Verdict.CANNOT_TELL, (word("judged", "nothing"),))
    inputs: list[Argument] = [
        number(f"{n}_mean", _DIFFERENCE, known(s.mean, "K", s.u_mean)) for n, s in found.items() if s.mean is not None
    ]
    inputs.append(number("window", Quantity.TIME, known(window_s, "s")))
    for name, one in found.items():
        if one.steady is not True:
            inputs += (word("unsteady", name), name_of("reason", one.reason))
    if any(s.steady is False for s in found.values()):
        return Finding(key, Verdict.FAIL, (*inputs, word("judged", "no")))
    if any(s.steady is None for s in found.values()):
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, word("judged", "unknown")))
    return Finding(key, Verdict.PASS, (*inputs, word("judged", "yes")))


def hunting_finding(swing: Hunting, valve: Series | None) -> list[Finding]:
    """A regular swing of the superheat (common practice)."""
    if swing.hunting is None:
        return []
    if not swing.hunting or swing.period_s is None:
        return [Finding("start_up.hunting", Verdict.PASS, (name_of("reason", swing.reason),))]
    inputs = (
        number("period", Quantity.TIME, known(swing.period_s, "s")),
        number("amplitude", _DIFFERENCE, known(swing.amplitude, "K")),
        number("cycles", Quantity.COUNT, known(float(swing.cycles), "1")),
        word("cause", "gain"),
        word("cause", "bulb"),
        *((word("check", "valve_position"),) if valve is None else ()),
        word("check", "bulb_contact"),
        word("check", "gain_and_size"),
    )
    return [Finding("start_up.hunting", Verdict.ATTENTION, inputs)]


def target_finding(
    name: str,
    value: Value,
    steady: Steadiness | None,
    swing: Hunting | None,
    target_k: float,
    tolerance_k: float,
) -> Finding:
    """A mean against its target; not judged while it is not steady (a hunting valve's mean is).

    Simple acceptance of the mean; beyond the tolerance by less than its expanded uncertainty (k=2): cannot tell.
    """
    key = f"start_up.{name}"
    inputs: tuple[Argument, ...] = (
        number(name, _DIFFERENCE, value),
        number("target", _DIFFERENCE, known(target_k, "K")),
        number("tolerance", _DIFFERENCE, known(tolerance_k, "K")),
    )
    if value.number is None:
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, word("judged", "unknown")))
    hunts = swing is not None and swing.hunting is True
    if steady is not None and steady.steady is not True and not hunts:
        reason = name_of("reason", steady.reason)
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, word("judged", "unsteady"), reason))
    off = value.number - target_k
    by = number("off_by", _DIFFERENCE, known(abs(off), "K", value.u))
    if abs(off) <= tolerance_k:
        return Finding(key, Verdict.PASS, (*inputs, by, word("judged", "on_target")))
    if value.u is not None and abs(off) - 2 * value.u <= tolerance_k:
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, by, word("judged", "within_u")))
    return Finding(key, Verdict.ATTENTION, (*inputs, by, word("judged", "above" if off > 0 else "below")))


def discharge_finding(value: Value) -> list[Finding]:
    if value.number is None:
        return []
    inputs: tuple[Argument, ...] = (
        number("discharge_superheat", _DIFFERENCE, value),
        number("least", _DIFFERENCE, known(LOW_DISCHARGE_K, "K")),
    )
    if value.number >= LOW_DISCHARGE_K:
        return [Finding("start_up.discharge", Verdict.PASS, (*inputs, word("judged", "fine")))]
    checks = tuple(word("check", code) for code in ("suction_superheat", "oil", "discharge_sensor"))
    return [Finding("start_up.discharge", Verdict.ATTENTION, (*inputs, word("judged", "low"), *checks))]


def condensing_finding(value: Value) -> list[Finding]:
    if value.number is None:
        return []
    inputs: tuple[Argument, ...] = (
        number("condensing_over_ambient", _DIFFERENCE, value),
        number("most", _DIFFERENCE, known(HIGH_CONDENSING_K, "K")),
    )
    if value.number <= HIGH_CONDENSING_K:
        return [Finding("start_up.condensing", Verdict.PASS, (*inputs, word("judged", "fine")))]
    causes = tuple(word("cause", code) for code in ("condenser", "non_condensables", "overcharged"))
    checks = tuple(word("check", code) for code in ("condenser_air", "subcooling", "standing"))
    return [Finding("start_up.condensing", Verdict.ATTENTION, (*inputs, word("judged", "high"), *causes, *checks))]


def margin_finding(value: Value) -> list[Finding]:
    """Below the limit only by more than the expanded uncertainty (k=2)."""
    if value.number is None:
        return []
    verdict, judged = Verdict.FAIL, "over"
    if value.number > 2 * (value.u or 0.0):
        verdict, judged = Verdict.PASS, "below"
    elif value.number > 0:
        verdict, judged = Verdict.ATTENTION, "at_limit"
    margin = number("high_side_margin", Quantity.PRESSURE_DIFFERENCE, value)
    return [Finding("start_up.high_side", verdict, (margin, word("judged", judged)))]


def compare_finding(before: Mapping[str, Value], after: Mapping[str, Value], baseline: str = "") -> Finding:
    """Before and after: changed where the difference exceeds the expanded uncertainty (k=2) of both, and what is
    worth naming. baseline: which start-up `before` is of."""
    changes: list[Argument] = []
    judged: list[Argument] = []
    for name, now in after.items():
        was = before.get(name)
        if was is None or was.number is None or now.number is None or was.unit != now.unit:
            continue
        u = None if was.u is None or now.u is None else math.hypot(was.u, now.u)
        step = now.number - was.number
        changes.append(number(f"{name}_change", FIGURES.get(name, _DIFFERENCE), known(step, now.unit, u)))
        code = "same"
        if u is None:
            code = "not_judged"
        elif abs(step) > max(2 * u, WORTH_NAMING.get(now.unit, 0.0)):
            code = "changed"
        judged.append(word(code, name))
    named = (name_of("baseline", baseline),) if baseline else ()
    if not changes:
        return Finding("start_up.compare", Verdict.CANNOT_TELL, named)
    return Finding("start_up.compare", Verdict.INFO, (*changes, *judged, *named))
