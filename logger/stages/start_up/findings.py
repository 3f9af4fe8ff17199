"""The findings of a start-up, one function each; limits without a named source are common practice."""

from collections.abc import Mapping

from logger.model.finding import Finding, Verdict, worded
from logger.model.sample import Series
from logger.model.value import Value, known
from logger.statistics.steadiness import Hunting, Steadiness
from logger.wording.numbers import difference, duration, kelvin

RA32 = "California Reference Appendix RA3.2: 15 min of settling; superheat within 5 °F, subcooling within 3 °F"
_COMMON = "common practice, no source"
LOW_DISCHARGE_K = 10.0
HIGH_CONDENSING_K = 20.0
WORTH_NAMING = {"K": 0.3, "Pa": 5e3, "1": 0.02}
LABEL = {
    "suction_superheat": "suction superheat",
    "subcooling": "subcooling",
    "discharge_superheat": "discharge superheat",
    "condensing_over_ambient": "condensing over ambient",
    "approach": "approach",
    "valve_position": "valve position",
    "liquid_level": "level",
    "high_side_margin": "high-side margin",
}


def steady_finding(found: Mapping[str, Steadiness], window_s: float) -> Finding:
    """Steady before judged."""
    key, rule = "start_up.steady", RA32
    decision = "not steady only where the trend exceeds its limit by more than its own uncertainty (k=2)"
    if not found:
        text = "Neither superheat nor subcooling can be computed from the recorded points."
        return worded(key, Verdict.CANNOT_TELL, "cannot tell", text, rule, decision)
    inputs = tuple((f"{LABEL[n]}, mean", known(s.mean, "K", s.u_mean)) for n, s in found.items() if s.mean is not None)
    reasons = "; ".join(f"{LABEL[name]}: {s.reason}" for name, s in found.items() if s.steady is not True)
    if any(s.steady is False for s in found.values()):
        return worded(key, Verdict.FAIL, "not steady", f"Not steady: {reasons}.", rule, decision, inputs)
    if any(s.steady is None for s in found.values()):
        return worded(key, Verdict.CANNOT_TELL, "cannot tell", f"Cannot tell: {reasons}.", rule, decision, inputs)
    return worded(key, Verdict.PASS, "steady", f"Steady for {duration(window_s)}.", rule, decision, inputs)


def hunting_finding(swing: Hunting, valve: Series | None) -> list[Finding]:
    if swing.hunting is None:
        return []
    key, rule = "start_up.hunting", f"regular swing of the superheat ({_COMMON})"
    if not swing.hunting or swing.period_s is None:
        return [worded(key, Verdict.PASS, "not hunting", f"Not hunting: {swing.reason}.", rule)]
    inputs = (("period", known(swing.period_s, "s")), ("half of peak to peak", known(swing.amplitude, "K")))
    text = (
        f"Superheat swings by ± {kelvin(swing.amplitude)} every {duration(swing.period_s)}, {swing.cycles} times: "
        "the expansion valve is hunting."
    )
    causes = ("gain too high, or valve too large for the load", "suction sensor or bulb slow, loose or badly placed")
    check: tuple[str, ...] = (
        "contact and place of the suction sensor",
        "gain and reset of the controller, or the valve's size",
    )
    if valve is None:
        check = ("valve position, if it can be read", *check)
    return [worded(key, Verdict.ATTENTION, "hunting", text, rule, "", inputs, causes, check)]


def target_finding(
    name: str,
    value: Value,
    steady: Steadiness | None,
    swing: Hunting | None,
    target_k: float,
    tolerance_k: float,
) -> Finding:
    """A mean against its target; not judged while it is not steady (a hunting valve's mean is)."""
    key, label = f"start_up.{name}", LABEL[name]
    rule = f"{label} within {kelvin(tolerance_k)} of {kelvin(target_k)} ({RA32})"
    decision = "simple acceptance of the mean; beyond the limit by less than its expanded uncertainty: cannot tell"
    inputs = ((label, value), ("target", known(target_k, "K")))
    if value.number is None:
        text = f"{label.capitalize()} unknown: {value.problem}."
        return worded(key, Verdict.CANNOT_TELL, "cannot tell", text, rule, decision, inputs)
    shown = f"{label.capitalize()} {kelvin(value.number)}"
    hunts = swing is not None and swing.hunting is True
    if steady is not None and steady.steady is not True and not hunts:
        return worded(
            key, Verdict.CANNOT_TELL, "not steady yet", f"{shown}, not judged: {steady.reason}.", rule, decision, inputs
        )
    off = value.number - target_k
    if abs(off) <= tolerance_k:
        return worded(key, Verdict.PASS, kelvin(value.number), f"{shown}: on target.", rule, decision, inputs)
    if value.u is not None and abs(off) - 2 * value.u <= tolerance_k:
        text = f"{shown}: past the tolerance by less than the instruments can tell (± {kelvin(2 * value.u)})."
        return worded(key, Verdict.CANNOT_TELL, "cannot tell", text, rule, decision, inputs)
    side = "above" if off > 0 else "below"
    text = f"{shown}: {kelvin(abs(off))} {side} its target."
    return worded(key, Verdict.ATTENTION, f"{side} target", text, rule, decision, inputs)


def discharge_finding(value: Value) -> list[Finding]:
    if value.number is None:
        return []
    key, rule, inputs = "start_up.discharge", f"at least {kelvin(LOW_DISCHARGE_K)} ({_COMMON})", (("superheat", value),)
    if value.number >= LOW_DISCHARGE_K:
        text = f"Discharge superheat {kelvin(value.number)}."
        return [worded(key, Verdict.PASS, kelvin(value.number), text, rule, "", inputs)]
    text = f"Discharge superheat only {kelvin(value.number)}: the compressor may be taking in liquid."
    check = ("suction superheat and its sensor", "oil level and foaming", "discharge sensor and its contact")
    return [worded(key, Verdict.ATTENTION, "low discharge superheat", text, rule, "", inputs, (), check)]


def condensing_finding(value: Value) -> list[Finding]:
    if value.number is None:
        return []
    key, inputs = "start_up.condensing", (("condensing over ambient", value),)
    rule = f"air-cooled: at most {kelvin(HIGH_CONDENSING_K)} over ambient ({_COMMON})"
    if value.number <= HIGH_CONDENSING_K:
        text = f"Condensing {kelvin(value.number)} over ambient."
        return [worded(key, Verdict.PASS, kelvin(value.number), text, rule, "", inputs)]
    text = f"Condensing {kelvin(value.number)} over ambient: high for an air-cooled condenser."
    causes = ("dirty condenser or failed fan", "non-condensables", "overcharged (subcooling would be high too)")
    check = ("condenser surface, fans, air path", "subcooling", "standing pressure against saturation, machine off")
    return [worded(key, Verdict.ATTENTION, "high condensing temperature", text, rule, "", inputs, causes, check)]


def margin_finding(value: Value) -> list[Finding]:
    if value.number is None:
        return []
    key, inputs = "start_up.high_side", (("high-side margin", value),)
    rule, decision = "limit entered for the high side", "below only by more than the expanded uncertainty (k=2)"
    if value.number > 2 * (value.u or 0.0):
        text = f"High side {difference(value.number)} below its limit."
        return [worded(key, Verdict.PASS, "below its limit", text, rule, decision, inputs)]
    if value.number > 0:
        text = f"High side {difference(value.number)} below its limit, closer than the gauge can tell."
        return [worded(key, Verdict.ATTENTION, "at its limit", text, rule, decision, inputs)]
    text = f"High side {difference(-value.number)} over its limit: stop the machine."
    return [worded(key, Verdict.FAIL, "over its limit", text, rule, decision, inputs)]


def compare_finding(before: Mapping[str, Value], after: Mapping[str, Value]) -> Finding:
    """Before and after: what changed by more than the uncertainty of both."""
    rule = "changed where the difference exceeds the expanded uncertainty (k=2) of both, and what is worth naming"
    inputs: list[tuple[str, Value]] = []
    changed: list[str] = []
    same: list[str] = []
    untold: list[str] = []
    for name, now in after.items():
        was, label = before.get(name), LABEL.get(name, name)
        if was is None or was.number is None or now.number is None:
            continue
        if was.unit != now.unit:
            continue
        u = None if was.u is None or now.u is None else (was.u**2 + now.u**2) ** 0.5
        step = now.number - was.number
        inputs.append((f"{label}, change", known(step, now.unit, u)))
        by = _change(step, now.unit)
        if u is None:
            untold.append(f"{label} {by}")
        elif abs(step) > max(2 * u, WORTH_NAMING.get(now.unit, 0.0)):
            changed.append(f"{label} {by}")
        else:
            same.append(label)
    if not inputs:
        text = "Nothing to compare: the baseline has none of these quantities."
        return worded("start_up.compare", Verdict.CANNOT_TELL, "nothing to compare", text, rule)
    parts = [f"changed: {', '.join(changed)}"] if changed else []
    parts += [f"no change beyond uncertainty: {', '.join(same)}"] if same else []
    parts += [f"no uncertainty stated, so not judged: {', '.join(untold)}"] if untold else []
    text = f"Against the baseline, {'; '.join(parts)}."
    headline = f"{len(changed)} changed" if changed else "no change"
    return worded("start_up.compare", Verdict.INFO, headline, text, rule, "", tuple(inputs))


def _change(step: float, unit: str) -> str:
    sign = "+" if step >= 0 else "-"
    if unit == "K":
        return f"{sign}{kelvin(abs(step))}"
    if unit == "Pa":
        return f"{sign}{difference(abs(step))}"
    return f"{sign}{100 * abs(step):.0f} %"
