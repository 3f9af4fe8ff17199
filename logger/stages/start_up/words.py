"""Start-up in words."""

from logger.model.finding import Text
from logger.stages.high_side import HIGH_HEAD, HIGH_HEAD_WORDS
from logger.wording.book import Words, alarm
from logger.wording.given import Given, sentence

_RA32 = "California Reference Appendix RA3.2: 15 min of settling; superheat within 5 °F, subcooling within 3 °F"
_COMMON = "common practice"
LABELS = {
    "suction_superheat": "suction superheat",
    "subcooling": "subcooling",
    "discharge_superheat": "discharge superheat",
    "condensing_over_ambient": "condensing over ambient",
    "approach": "approach",
    "total_superheat": "superheat at compressor",
    "suction_line_rise": "suction line rise",
    "compression_ratio": "compression ratio",
    "liquid_line_drop": "liquid line drop",
    "condenser_split": "condenser split",
    "condenser_approach": "condenser approach",
    "gas_cooler_approach": "gas cooler approach",
    "freeze_margin": "leaving fluid above freezing",
    "valve_position": "valve position",
    "liquid_level": "refrigerant level",
    "high_side_margin": "high-side margin",
}


def _checks(f: Given) -> tuple[str, ...]:
    return tuple(CHECKS[code] for code in f.codes("check"))


def _steady(f: Given) -> Text:
    decision = "not steady only where the trend exceeds its limit by more than its own expanded uncertainty"
    judged = f.code("judged")
    if judged == "nothing":
        body = "Steadiness unknown: no readings for superheat or subcooling. Connect pressure and temperature."
        return Text("steadiness: can't tell", body, _RA32, decision)
    reasons = "; ".join(f"{name} ({why})" for name, why in zip(f.all("unsteady"), f.all("reason"), strict=True))
    headline, body = {
        "yes": (f"steady {f.rough('window')}", f"Steady {f.rough('window')}."),
        "no": ("not steady", f"Not steady: {reasons}."),
        "unknown": ("steadiness: can't tell", f"Steadiness unknown: {reasons}. Let it run."),
    }[judged]
    return Text(headline, body, _RA32, decision)


def _hunting(f: Given) -> Text:
    rule = f"regular swing of the superheat ({_COMMON})"
    if f.code("judged") == "unsteady":
        return Text("hunting: can't tell", f"Hunting: not judged, superheat {f('reason')}. Let it run.", rule)
    if not f.has("period"):
        return Text("superheat stable", f"Superheat stable: {f('reason')}.", rule)
    body = f"Expansion valve hunting: superheat ± {f('amplitude')} every {f('period')}, seen {f('cycles')} times."
    return Text("expansion valve hunting", body, rule, causes=f.all("cause"), check_next=_checks(f))


def _target(f: Given, name: str) -> Text:
    label = LABELS[name]
    rule = f"{label} within {f('tolerance')} of {f('target')} ({_RA32})"
    decision = (
        "guard band: on target only where the mean with its expanded uncertainty is within the tolerance, off only "
        "where it is beyond; between them can't tell"
    )
    judged = f.code("judged")
    if judged == "unknown":
        return Text(f"{label} unknown", f"{sentence(label)} unknown: {f(name)}.", rule, decision)
    head = f"{label} {f(name)}"
    target = f"{sentence(head)}, target {f('target')}"
    headline, body = {
        "unsteady": (f"{head}: not steady", f"{target}: not judged, {f('reason') if f.has('reason') else ''}."),
        "on_target": (f"{head}: on target", f"{target} ± {f('tolerance')}: on target."),
        "within_u": (f"{head}: can't tell", f"{target}: off by {f.spread('off_by') if f.has('off_by') else ''}, "
                     f"too close to the {f('tolerance')} allowed for these sensors."),
        "perhaps_none": (f"{head}: can't tell", f"{target}: for these sensors that may be none, liquid at the outlet."),
        "above": (f"{head}: high", f"{target}: {f('off_by') if f.has('off_by') else ''} high."),
        "below": (f"{head}: low", f"{target}: {f('off_by') if f.has('off_by') else ''} low."),
    }[judged]  # fmt: skip
    return Text(headline, body, rule, decision)


_AT_LEAST = "at least"
_WITHIN_U = "below or above only by more than the expanded uncertainty"


def _limited(f: Given, name: str, rule: str, beyond: str) -> Text:
    """A figure against its limit. beyond: headline where it is past it."""
    limit = f"{'minimum' if rule == _AT_LEAST else 'limit'} {f('limit')}"
    rule = f"{rule} {f('limit')} ({_COMMON})"
    label = LABELS.get(name, "discharge line")
    head = f"{label} {f(name)}"
    body = {
        "fine": f"{sentence(head)}, {limit}.",
        "unsteady": f"{sentence(head)}: not judged, {f('reason') if f.has('reason') else ''}.",
        "within_u": f"{sentence(label)} {f.spread(name)}: too close to its {limit} for these sensors.",
        "beyond": f"{beyond}: {label} {f.beside(name, 'limit')}, {limit}.",
    }[f.code("judged")]
    headline = {"unsteady": f"{head}: not steady", "within_u": f"{label}: can't tell", "beyond": beyond}
    return Text(headline.get(f.code("judged"), head), body, rule, _WITHIN_U, f.all("cause"), _checks(f))


def _condensing(f: Given) -> Text:
    judged = f.code("judged")
    if judged == "below_ambient":
        body = (
            f"Condensing {f.size('condensing_over_ambient')} below ambient: not possible while it runs. Wrong sensor, "
            "or the compressor is off."
        )
        return Text("condensing below ambient: can't tell", body, _COMMON, check_next=_checks(f))
    if judged == "held_up":
        body = (
            f"Condensing {f('condensing_over_ambient')} over ambient in cold weather: head pressure control holds it "
            "up. Not judged."
        )
        return Text("condensing held up, cold weather", body, _COMMON)
    return _limited(f, "condensing_over_ambient", "air-cooled: up to", "CONDENSING HIGH")


def _gas_cooler(f: Given) -> Text:
    label, judged = LABELS["gas_cooler_approach"], f.code("judged")
    head = f"{label} {f('gas_cooler_approach')}"
    if judged == "below_ambient":
        body = (
            f"Gas cooler outlet {f.size('gas_cooler_approach')} below ambient: not possible with dry air. Wrong "
            "sensor, or cooled by water."
        )
        return Text("gas cooler outlet below ambient: can't tell", body, _COMMON, check_next=_checks(f))
    limit, why = f("limit"), f("reason") if f.has("reason") else ""
    headline, body = {
        "fine": (head, f"{sentence(head)}, limit {limit}."),
        "unsteady": (f"{head}: not steady", f"{sentence(head)}: not judged, {why}."),
        "within_u": (f"{label}: can't tell", f"{sentence(head)}: too close to its limit {limit} for these sensors."),
        "beyond": ("GAS COOLER APPROACH HIGH", f"GAS COOLER APPROACH HIGH: {head}, limit {limit}."),
    }[judged]
    return Text(headline, body, f"air-cooled: up to {limit} ({_COMMON})", _WITHIN_U, check_next=_checks(f))


def _standing(f: Given) -> Text:
    rule = f"standing pressure within {f('limit')} of saturation at ambient ({_COMMON})"
    over = f.size("over_saturation")
    judged = f.code("judged")
    side = "below" if (f.value("over_saturation").number or 0.0) < 0 else "over"
    headline, body = {
        "air": (
            f"non-condensables, standing {over} over saturation",
            f"Standing pressure {over} over saturation at ambient: air or nitrogen, or another refrigerant. Overcharge "
            "does not do this.",
        ),
        "below": (
            f"standing pressure {over} below saturation",
            f"Standing pressure {over} below saturation at ambient: no liquid left, wrong refrigerant, or not yet at "
            "ambient.",
        ),
        "none": ("no non-condensables found", f"Standing pressure {over} {side} saturation at ambient: no air found."),
        "within_u": (
            "non-condensables: can't tell",
            f"Standing pressure {f.spread_of_size('over_saturation')} {side} saturation: too close for these sensors.",
        ),
    }[judged]
    return Text(headline, body, rule, _WITHIN_U, check_next=_checks(f))


def _optimum(f: Given) -> Text:
    rule = "best COP of a single-stage R-744 cycle: Liao, Zhao, Jakobsen, Applied Thermal Engineering 20 (2000) 831"
    head = f"high side {f('high_side')}, optimum {f('optimum')}"
    judged = f.code("judged")
    if judged == "unsteady":
        return Text(f"{head}: not steady", f"{sentence(head)}: not judged, {f('reason')}.", rule)
    said = {"near": "near its optimum", "above": "above its optimum", "below": "below its optimum"}[judged]
    return Text(f"high side {said}", f"{sentence(head)}. No subcooling above the critical pressure.", rule)


PERFORMANCE = {
    "capacity": "cooling capacity",
    "power": "power",
    "cop": "COP",
    "flow": "refrigerant flow",
    "isentropic_efficiency": "isentropic efficiency",
    "adiabatic_efficiency": "isentropic efficiency by discharge temperature",
    "volumetric_efficiency": "volumetric efficiency",
    "rated_power": "rated power",
    "power_of_rated": "power over rated",
}


def _performance(f: Given) -> Text:
    judged = f.code("judged")
    rule = "enthalpies of CoolProp at the measured states; " + {
        "by_map": "flow of the rated map, corrected to the suction gas (Dabiri and Rice 1981)",
    }.get(judged, f"flow by the compressor's energy balance, 5 % of the power lost to the air ({_COMMON})")
    why = {
        "unsteady": f"not steady, {f('reason') if f.has('reason') else ''}",
        "missing": f"not measured: {', '.join(f.all('needs'))}",
        "wet": "suction gas too near saturation, it may carry liquid",
        "no_state": "no state of this refrigerant at these readings",
        "not_possible": "discharge line colder than any compressor makes it. Check pressures and discharge sensor",
    }
    if judged in why:
        return Text("capacity: can't tell", f"Capacity and efficiency unknown: {why[judged]}.", rule)
    said = ", ".join(f"{label} {f.spread(name)}" for name, label in PERFORMANCE.items() if f.has(name))
    first = next(name for name in PERFORMANCE if f.has(name))
    return Text(f"{PERFORMANCE[first]} {f(first)}", f"{sentence(said)}.", rule)


def _high_side(f: Given) -> Text:
    rule, decision = "limit entered for the high side", "below only by more than the expanded uncertainty"
    margin = f.size("high_side_margin")
    why = f("reason") if f.has("reason") else ""
    headline, body = {
        "unsteady": (
            f"high side {margin} below its limit: not steady",
            f"High side {margin} below its limit: not judged, {why}.",
        ),
        "below": (f"high side {margin} below its limit", f"High side {margin} below its limit."),
        "at_limit": (
            "HIGH SIDE AT ITS LIMIT",
            f"HIGH SIDE AT ITS LIMIT: {margin} below, within the gauge's error.",
        ),
        "over": (f"HIGH SIDE {margin} OVER ITS LIMIT", f"HIGH SIDE {margin} OVER ITS LIMIT: stop the compressor."),
    }[f.code("judged")]
    return Text(headline, body, rule, decision)


def _feed(f: Given) -> Text:
    rule = f"superheat, subcooling, valve and level together ({_COMMON})"
    judged = f.codes("judged")
    if judged[0] == "unknown":
        body = f"Evaporator feed unknown: {f('suction_superheat')}."
        return Text("evaporator feed: can't tell", body, rule)
    if judged[0] == "unsteady":
        body = f"Suction superheat {f('suction_superheat')}, target {f('target')}: not judged, {f('reason')}."
        return Text("evaporator feed: not steady", body, rule)
    unsure = judged[0] in ("perhaps_floodback", "within_u")
    superheat = f"suction superheat {f.spread('suction_superheat') if unsure else f('suction_superheat')}"
    valve = f.known("valve_position")
    at = f", valve {f('valve_position')} open" if valve else ""
    headline = f("judged")
    body = f"{sentence(headline)}: {superheat}{at}"
    body += {
        "starved": "",
        "not_opening": "",
        "floodback": "",
        "floodback_closing": " and closing",
        "low": f", target {f('target')}",
        "perhaps_floodback": f", target {f('target')}",
        "within_u": f", target {f('target')}",
        "valve_wide_open": ": no reserve left",
        "valve_nearly_closed": "",
        "on_target": f", target {f('target')}",
    }[judged[0]]
    if "low_level" in judged:
        body += f". Refrigerant level {f('liquid_level')}"
    causes = tuple(_cause(f, code) for code in f.codes("cause"))
    return Text(headline, f"{body}.", rule, causes=causes, check_next=_checks(f))


def _cause(f: Given, code: str) -> str:
    """A cause with the reading that speaks for it."""
    match code:
        case "short_of_charge_seen":
            return f"short of charge: subcooling only {f('subcooling')}, vapor reaches the valve"
        case "restriction_seen":
            return f"restriction before the valve (drier, solenoid, strainer): subcooling {f('subcooling')}"
        case "overcharged_seen":
            return f"overcharged: subcooling {f('subcooling')}"
        case "high_level_seen":
            return f"too much refrigerant in the evaporator: level {f('liquid_level')}"
    return TERMS[code]


def _figures(f: Given) -> Text:
    figures = ", ".join(f"{LABELS[name]} {f(name)}" for name in LABELS if f.has(name))
    return Text("figures", f"Averages of the time judged: {figures}.")


def _compare(f: Given) -> Text:
    rule = "changed where the difference exceeds the expanded uncertainty of both, and what is worth naming"
    against = (f.has("baseline") and f("baseline")) or "the baseline"
    changed, same, not_judged = (f.codes(code) for code in ("changed", "same", "not_judged"))
    if not (changed or same or not_judged):
        return Text("nothing to compare", f"Nothing to compare: none of these figures in {against}.", rule)
    parts = []
    if changed:
        parts.append(f"changed: {_steps(f, changed)}")
    if same:
        parts.append(f"no change beyond the uncertainty: {', '.join(LABELS[n] for n in same)}")
    if not_judged:
        parts.append(f"not judged, as no accuracy is stated: {_steps(f, not_judged)}")
    headline = f"{len(changed)} of {len(changed + same + not_judged)} figures changed"
    if not changed:
        headline = "no change" if same else "change not judged"
    return Text(headline, f"Compared with {against}, {'; '.join(parts)}.", rule)


def _steps(f: Given, names: tuple[str, ...]) -> str:
    return ", ".join(f"{LABELS[name]} {f.signed(f'{name}_change')}" for name in names)


CHECKS = {
    "valve_position": "Record the valve position",
    "bulb_contact": "Check contact and place of the suction sensor",
    "gain_and_size": "Check gain and reset of the controller, or the valve's size",
    "suction_superheat": "Check the suction superheat",
    "oil": "Check oil level and foaming",
    "discharge_sensor": "Check the discharge sensor and its contact",
    "condenser_air": "Check condenser surface, fans, air path",
    "outlet_sensor": "Check the clamp at the gas cooler outlet",
    "ambient_sensor": "Check the ambient sensor: in the shade, at the condenser's air inlet",
    "running": "Check that the compressor runs",
    "standing_again": "Leave it off overnight and check again",
    "condenser_water": "Check condenser water flow and tubes",
    "line_insulation": "Check the suction line's insulation and length",
    "freezing_point": "Enter the fluid's freezing point if it is not water",
    "valve_setting": "Check the valve's superheat setting and its power head",
    "standing": "With the compressor off, compare standing pressure with saturation",
    "controller": "Check setpoint and sensors of the valve's controller",
    "sight_glass": "Check the sight glass",
    "charge_and_leaks": "Look for leaks before adding any charge",
    "drier_drop": "Check the temperature drop across drier and solenoid",
    "valve_against_load": "Check the valve size against the load",
    "subcooling_tells": "Measure the subcooling: a short charge has little, a restriction enough",
    "suction_sensor": "Check the suction sensor and its contact",
    "discharge_and_oil": "Check discharge superheat and oil level",
    "load_and_flow": "Check load, fluid flow and filters",
    "subcooling_and_charge": "Check subcooling and charge",
    "drier_and_strainer": "Check drier and strainer",
    "design_load": "Check that the load is within the design",
    "load_flow": "Check load and fluid flow",
    "valve_size": "Check the valve size",
}
TERMS = {
    **LABELS,
    "suction_pressure": "suction pressure",
    "discharge_pressure": "discharge pressure",
    "liquid_pressure": "liquid line pressure",
    "suction_temperature": "suction line",
    "compressor_suction_temperature": "suction at compressor",
    "discharge_temperature": "discharge line",
    "liquid_temperature": "liquid line",
    "gain": "gain too high, or valve too large for the load",
    "bulb": "suction sensor or bulb slow, loose or badly placed",
    "condenser": "dirty condenser or failed fan",
    "non_condensables": "non-condensables",
    "overcharged": "overcharged",
    "low": "superheat low",
    "perhaps_floodback": "FLOODBACK NOT RULED OUT",
    "within_u": "sensors too coarse to judge the superheat",
    "high_load": "load above the valve's capacity",
    "low_head": "head pressure too low to feed the valve",
    "valve_setting": "valve set to a high superheat",
    "power_head": "valve's power head has lost its charge",
    "starved": "evaporator starved",  # words: trade
    "not_opening": "high superheat, valve not opening",
    "floodback": "LOW SUPERHEAT, FLOODBACK RISK",
    "floodback_closing": "LOW SUPERHEAT, FLOODBACK RISK",
    "valve_wide_open": "superheat on target, valve wide open",
    "valve_nearly_closed": "superheat on target, valve nearly closed",
    "on_target": "superheat on target",
    "setpoint": "setpoint too high, or controller limited",
    "controller_sensor": "its pressure or temperature sensor wrong",
    "short_of_charge": "short of charge",
    "restriction": "restriction before the valve",
    "leaking_by": "valve leaking by, or not following its motor",
    "low_load": "load or air/fluid flow far too low",
    "bulb_off": "suction sensor or bulb off the pipe, or not insulated",
    "setpoint_low": "setpoint too low, or valve stuck open",
    "no_reserve": "short of charge, restriction, or high load",
    "low_load_or_large_valve": "low load, or valve too large for it",
}
ALARMS = {
    HIGH_HEAD: HIGH_HEAD_WORDS,
    "low-superheat": alarm(
        "LOW SUPERHEAT: FLOODBACK RISK",
        "Check expansion valve, bulb, load and charge. Shut down if frost or sweat reaches the compressor.",
    ),
    "discharge-hot": alarm("DISCHARGE LINE HOT", "Check suction superheat, compression ratio and compressor cooling."),
}
WORDS = Words(
    statements={
        "start_up.compressor_started": lambda f: f"Compressor started: discharge {f('difference')} over suction",
        "start_up.over": lambda f: "Compressor stopped",
        "start_up.to_run": lambda f: f"Wait: let it run until it is steady, {f.so_far('lasted', 'asked')}",
    },
    alarms=ALARMS,
    findings={
        "start_up.steady": _steady,
        "start_up.hunting": _hunting,
        "start_up.suction_superheat": lambda f: _target(f, "suction_superheat"),
        "start_up.subcooling": lambda f: _target(f, "subcooling"),
        "start_up.feed": _feed,
        "start_up.discharge": lambda f: _limited(f, "discharge_superheat", _AT_LEAST, "LOW DISCHARGE SUPERHEAT"),
        "start_up.discharge_temperature": lambda f: _limited(f, "discharge_temperature", "up to", "HOT DISCHARGE LINE"),
        "start_up.compression_ratio": lambda f: _limited(f, "compression_ratio", "up to", "HIGH COMPRESSION RATIO"),
        "start_up.liquid_line": lambda f: _limited(f, "liquid_line_drop", "up to", "LIQUID LINE RESTRICTED"),
        "start_up.suction_line": lambda f: _limited(f, "suction_line_rise", "up to", "SUCTION LINE RISE HIGH"),
        "start_up.condenser": lambda f: _limited(f, "condenser_approach", "up to", "CONDENSER APPROACH HIGH"),
        "start_up.gas_cooler": _gas_cooler,
        "start_up.freezing": lambda f: _limited(f, "freeze_margin", _AT_LEAST, "LEAVING FLUID NEAR FREEZING"),
        "start_up.standing": _standing,
        "start_up.optimum": _optimum,
        "start_up.condensing": _condensing,
        "start_up.high_side": _high_side,
        "start_up.compare": _compare,
        "start_up.performance": _performance,
        "start_up.figures": _figures,
    },
    terms=TERMS,
    labels={
        **LABELS,
        **PERFORMANCE,
        **{f"{name}_mean": f"{LABELS[name]}, mean" for name in ("suction_superheat", "subcooling")},
        **{f"{name}_change": f"{text}, change" for name, text in LABELS.items()},
        "amplitude": "half of peak to peak",
        "discharge_temperature": "discharge line",
        "limit": "limit",
        "standing_pressure": "standing pressure",
        "saturation": "saturation at ambient",
        "high_side": "high side",
        "optimum": "optimum high side",
    },
)
