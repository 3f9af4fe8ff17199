"""Start-up in words."""

from logger.model.finding import Text
from logger.wording.book import Words
from logger.wording.given import Given

_RA32 = "California Reference Appendix RA3.2: 15 min of settling; superheat within 5 °F, subcooling within 3 °F"
_COMMON = "common practice"
LABELS = {
    "suction_superheat": "suction superheat",
    "subcooling": "subcooling",
    "discharge_superheat": "discharge superheat",
    "condensing_over_ambient": "condensing over ambient",
    "approach": "approach",
    "valve_position": "valve position",
    "liquid_level": "refrigerant level",
    "high_side_margin": "high-side margin",
}


def _steady(f: Given) -> Text:
    decision = "not steady only where the trend exceeds its limit by more than its own expanded uncertainty (k=2)"
    judged = f.code("judged")
    if judged == "nothing":
        body = "Neither superheat nor subcooling can be computed from the points recorded."
        return Text("steadiness: can't tell", body, _RA32, decision)
    reasons = "; ".join(f"{name}: {why}" for name, why in zip(f.all("unsteady"), f.all("reason"), strict=True))
    headline, body = {
        "yes": ("steady", f"Steady for {f('window')}."),
        "no": ("not steady", f"Not steady: {reasons}."),
        "unknown": ("steadiness: can't tell", f"Can't tell whether it is steady: {reasons}."),
    }[judged]
    return Text(headline, body, _RA32, decision)


def _hunting(f: Given) -> Text:
    rule = f"regular swing of the superheat ({_COMMON})"
    if not f.has("period"):
        return Text("not hunting", f"Not hunting: {f('reason')}.", rule)
    body = f"Superheat swings ± {f('amplitude')} every {f('period')}, {f('cycles')} times: expansion valve hunting."
    return Text("valve hunting", body, rule, causes=f.all("cause"), check_next=f.all("check"))


def _target(f: Given, name: str) -> Text:
    label = LABELS[name].capitalize()
    rule = f"{label.lower()} within {f('tolerance')} of {f('target')} ({_RA32})"
    decision = (
        "simple acceptance of the mean; beyond the tolerance by less than its expanded uncertainty (k=2): can't tell"
    )
    judged = f.code("judged")
    if judged == "unknown":
        return Text(f"{label} unknown", f"{label} unknown: {f(name)}.", rule, decision)
    head = f"{label} {f(name)}"
    headline, body = {
        "unsteady": (f"{head}: not steady yet", f"{head}, not judged: {f('reason') if f.has('reason') else ''}."),
        "on_target": (f"{head}: on target", f"{head}, target {f('target')}: on target."),
        "within_u": (f"{head}: can't tell", f"{f.spread(name)}: off target by less than the sensors can resolve."),
        "above": (f"{head}: above target", f"{head}: {f('off_by') if f.has('off_by') else ''} above its target."),
        "below": (f"{head}: below target", f"{head}: {f('off_by') if f.has('off_by') else ''} below its target."),
    }[judged]
    return Text(headline, body, rule, decision)


def _discharge(f: Given) -> Text:
    rule = f"at least {f('least')} ({_COMMON})"
    head = f"Discharge superheat {f('discharge_superheat')}"
    if f.code("judged") == "fine":
        return Text(head, f"{head}.", rule)
    body = f"{head}, under {f('least')}: liquid may be reaching the compressor."
    return Text(f"{head}: low", body, rule, check_next=f.all("check"))


def _condensing(f: Given) -> Text:
    rule = f"air-cooled: up to {f('most')} over ambient ({_COMMON})"
    head = f"Condensing {f('condensing_over_ambient')} over ambient"
    if f.code("judged") == "fine":
        return Text(head, f"{head}.", rule)
    return Text(
        f"{head}: high", f"{head}: high for an air-cooled condenser.", rule, causes=f.all("cause"),
        check_next=f.all("check"),
    )  # fmt: skip


def _high_side(f: Given) -> Text:
    rule, decision = "limit entered for the high side", "below only by more than the expanded uncertainty (k=2)"
    headline, body = {
        "below": ("high side below its limit", f"High side {f('high_side_margin')} below its limit."),
        "at_limit": (
            "high side at its limit",
            f"High side {f('high_side_margin')} below its limit, closer than the gauge can resolve.",
        ),
        "over": ("HIGH SIDE OVER ITS LIMIT", f"Stop the compressor: {f.size('high_side_margin')} over the limit."),
    }[f.code("judged")]
    return Text(headline, body, rule, decision)


def _feed(f: Given) -> Text:
    rule = f"superheat, subcooling, valve and level together ({_COMMON})"
    judged = f.codes("judged")
    if judged[0] == "unknown":
        body = f"Superheat unknown: {f('suction_superheat')}."
        return Text("evaporator: can't tell", body, rule)
    superheat, valve = f"Suction superheat {f('suction_superheat')}", f.known("valve_position")
    at = f" with the valve at {f('valve_position')}" if valve else ""
    body = {
        "starved": f"{superheat}{at}: evaporator starved.",
        "not_opening": f"{superheat} with the valve at only {f('valve_position')}: it is not opening.",
        "floodback": f"{superheat}{at}: floodback risk.",
        "floodback_closing": f"{superheat}{at} and closing: floodback risk.",
        "valve_wide_open": f"{superheat}, near its target, but the valve is at {f('valve_position')}: no reserve left.",
        "valve_nearly_closed": f"{superheat}, near its target, with the valve nearly closed at {f('valve_position')}.",
        "on_target": f"{superheat}, near its target of {f('target')}{at}.",
    }[judged[0]]
    if "low_level" in judged:
        body += f" Refrigerant level {f('liquid_level')}."
    causes = tuple(_cause(f, code) for code in f.codes("cause"))
    return Text(f.all("judged")[0], body, rule, causes=causes, check_next=f.all("check"))


def _cause(f: Given, code: str) -> str:
    """A cause with the reading that speaks for it."""
    match code:
        case "short_of_charge_seen":
            return f"short of charge: subcooling only {f('subcooling')}, vapor reaches the valve"
        case "restriction_seen":
            return f"restriction before the valve (drier, solenoid, strainer): subcooling is {f('subcooling')}"
        case "overcharged_seen":
            return f"overcharged: subcooling {f('subcooling')}"
        case "high_level_seen":
            return f"too much refrigerant in the evaporator: level {f('liquid_level')}"
    return TERMS.get(code, code)


def _figures(f: Given) -> Text:
    figures = ", ".join(f"{LABELS[name]} {f(name)}" for name in LABELS if f.has(name))
    return Text("figures", f"Means of the judged time: {figures}.")


def _compare(f: Given) -> Text:
    rule = "changed where the difference exceeds the expanded uncertainty (k=2) of both, and what is worth naming"
    against = (f.has("baseline") and f("baseline")) or "the baseline"
    groups = {code: f.codes(code) for code in ("changed", "same", "not_judged")}
    if not any(groups.values()):
        return Text("nothing to compare", f"Nothing to compare: {against} has none of these figures.", rule)
    parts = []
    if groups["changed"]:
        parts.append("changed: " + ", ".join(f"{LABELS[n]} {f.signed(n + '_change')}" for n in groups["changed"]))
    if groups["same"]:
        parts.append(f"no change beyond uncertainty: {', '.join(LABELS[n] for n in groups['same'])}")
    if groups["not_judged"]:
        told = ", ".join(f"{LABELS[n]} {f.signed(n + '_change')}" for n in groups["not_judged"])
        parts.append(f"no accuracy stated, so not judged: {told}")
    headline = f"{len(groups['changed'])} changed" if groups["changed"] else "no change"
    return Text(headline, f"Against {against}, {'; '.join(parts)}.", rule)


TERMS = {
    **LABELS,
    "gain": "gain too high, or valve too large for the load",
    "bulb": "suction sensor or bulb slow, loose or badly placed",
    "valve_position": "valve position",
    "bulb_contact": "contact and place of the suction sensor",
    "gain_and_size": "gain and reset of the controller, or the valve's size",
    "oil": "oil level and foaming",
    "discharge_sensor": "discharge sensor and its contact",
    "condenser": "dirty condenser or failed fan",
    "non_condensables": "non-condensables",
    "overcharged": "overcharged (subcooling would be high too)",
    "condenser_air": "condenser surface, fans, air path",
    "standing": "standing pressure against saturation, machine off",
    "unknown": "evaporator: can't tell",
    "starved": "evaporator starved",
    "not_opening": "high superheat, valve not opening",
    "floodback": "low superheat: floodback risk",
    "floodback_closing": "low superheat: floodback risk",
    "valve_wide_open": "superheat on target, valve wide open",
    "valve_nearly_closed": "superheat on target, valve nearly closed",
    "on_target": "superheat on target",
    "setpoint": "setpoint too high, or controller limited",
    "controller_sensor": "its pressure or temperature sensor wrong",
    "controller": "setpoint and sensors of the valve's controller",
    "short_of_charge": "short of charge",
    "restriction": "restriction before the valve",
    "sight_glass": "sight glass",
    "charge_and_leaks": "charge, and leaks before adding any",
    "drier_drop": "temperature drop across drier and solenoid",
    "valve_against_load": "valve size against the load",
    "subcooling_tells": "subcooling: it separates the two",
    "leaking_by": "valve leaking by, or not following its motor",
    "low_load": "load or air/fluid flow far too low",
    "bulb_off": "suction sensor or bulb off the pipe, or not insulated",
    "setpoint_low": "setpoint too low, or valve stuck open",
    "suction_sensor": "suction sensor and its contact",
    "discharge_and_oil": "discharge superheat and oil level",
    "load_and_flow": "load, fluid flow and filters",
    "no_reserve": "short of charge, restriction, or high load",
    "subcooling_and_charge": "subcooling and charge",
    "drier_and_strainer": "drier and strainer",
    "design_load": "whether the load is above design",
    "low_load_or_large_valve": "low load, or valve too large for it",
    "load_flow": "load and fluid flow",
    "valve_size": "valve size",
}
WORDS = Words(
    findings={
        "start_up.steady": _steady,
        "start_up.hunting": _hunting,
        "start_up.suction_superheat": lambda f: _target(f, "suction_superheat"),
        "start_up.subcooling": lambda f: _target(f, "subcooling"),
        "start_up.feed": _feed,
        "start_up.discharge": _discharge,
        "start_up.condensing": _condensing,
        "start_up.high_side": _high_side,
        "start_up.compare": _compare,
        "start_up.figures": _figures,
    },
    terms=TERMS,
    labels={
        **LABELS,
        **{f"{name}_mean": f"{text}, mean" for name, text in LABELS.items()},
        **{f"{name}_change": f"{text}, change" for name, text in LABELS.items()},
        "amplitude": "half of peak to peak",
        "least": "lowest expected",
        "most": "highest expected",
    },
)
