"""Recovery in words."""

from logger.alarms.words import STOP
from logger.model.finding import Text
from logger.scale.words import MASS_LABELS, MASS_RULE, cylinders, not_counted
from logger.wording.book import Words, alarm, always
from logger.wording.given import Given, sentence

_LEVEL_LAW = "40 CFR 82.156(a)"
_LEVEL_DECISION = "guard band: passes below the level by more than the expanded uncertainty, fails above it by as much"
_NO_VACUUM = ("0_in_hg", "minor_repair", "leaking", "")
_SMALL = (
    "; a small appliance (charged and sealed in a factory with 5 lb or less) is instead recovered to 4 in. Hg of "
    "vacuum, or to 90 % of its charge with the compressor running, 80 % without (40 CFR 82.156(b))"
)


def _mass(f: Given) -> Text:
    if not f.known("recovered"):
        return Text("recovered mass unknown", f"Recovered mass unknown: {f('recovered')}.", MASS_RULE)
    body = f"{f.spread('recovered')} {cylinders(f)}.{not_counted(f)}"
    return Text(f"{f('recovered')} recovered", body, MASS_RULE)


def _phase(f: Given) -> Text:
    rule = "rate as a volume of vapor, inlet superheat, fall of the rate (common practice)"
    if f.has("because"):
        body = f"Liquid or vapor unknown: {', '.join(f.all('because'))}."
        return Text("liquid or vapor: can't tell", body, rule)
    liquid, vapor = (f.known(name) for name in ("rate_as_liquid", "rate_as_vapor"))
    if liquid and vapor:
        until = f" for {f.rough('liquid_until')}" if f.has("liquid_until") else ""
        headline = f"liquid {f('rate_as_liquid')}{until}, then vapor {f('rate_as_vapor')}"
        return Text(headline, f"{sentence(headline)}.", rule)
    headline = f"liquid {f('rate_as_liquid')}" if liquid else f"vapor {f('rate_as_vapor')}"
    return Text(headline, f"{sentence(headline)}; no {'vapor' if liquid else 'liquid'} seen.", rule)


def _stall(f: Given) -> Text:
    causes = _causes(f)
    body = f"No flow for {f.rough('lasted')}, {f.rough('after')} into the recovery"
    body += f": {causes[0]}." if causes else ". No reading shows why."
    return Text(f"no flow for {f.rough('lasted')}", body, "common practice", causes=causes, check_next=f.all("check"))


def _causes(f: Given) -> tuple[str, ...]:
    return tuple(_cause(f, code) for code in f.codes("cause"))


def _cause(f: Given, code: str) -> str:
    """A cause with the readings that speak for it."""
    match code:
        case "cylinder_full":
            return f"cylinder {f.whole('fill')} full of liquid, its float switch may have stopped the recovery machine"
        case "over_saturation":
            return f"cylinder {f('over_saturation')} over saturation, non-condensables or liquid-full"
        case "hot_cylinder":
            return f"cylinder hot, shell {f('shell')}, {f('over_ambient')} over ambient"
        case "cylinder_rose":
            return f"cylinder pressure up {f('cylinder_rise')}, hot or non-condensables in it"
        case "inlet_restricted":
            return f"inlet {f('below_system')} below system, a restriction or closed valve between"
        case "liquid_gone":
            return f"liquid gone, inlet down to {f('inlet')}; the rest is vapor or trapped"
        case "outlet_restricted":
            return f"outlet {f('over_cylinder')} above cylinder, a restriction between"
        case "tripped":
            return f"recovery machine tripped on high pressure, outlet had reached {f('outlet_peak')}"
        case "not_pumping":
            return f"recovery machine not pumping, no pressure rise at outlet ({f('outlet')})"
        case "liquid_left":
            return f"liquid left: {f.whole('share_of_saturation')} of saturation pressure at the system's temperature"
    return TERMS[code]


def _condensing(f: Given) -> Text:
    headline = f"recovery machine condensing {f('condensing_over_ambient')} over ambient"
    rule = "dew temperature at the outlet, median while running (common practice)"
    return Text(headline, f"{sentence(headline)}.", rule)


_GO_ON = {
    "not_held": ("Recover further",),
    "above_already": ("Recover further",),
    "too_close": ("Recover further, or use a better gauge",),
    "no_accuracy": ("Enter the gauge's accuracy in the rig file: `accuracy`",),
}


def _level(f: Given) -> Text:
    required = "required recovery level" if f.code("level") in _NO_VACUUM else "required recovery vacuum"
    rule, judged = _level_rule(f), f.code("judged")
    if judged == "unknown":
        body = f"{sentence(required)} unknown: {f('required')}."
        if f.known("required"):
            body = f"Settled pressure unknown: {f('settled')}."
        return Text(f"{required}: can't tell", body, rule, _LEVEL_DECISION)
    held = f", held {f.rough('settled_for')}" if f.has("settled_for") else ""
    settled, limit = f.beside("settled", "required"), f("required")
    headline, body = {
        "held": (" reached", f"Pulled to {settled}{held}; {limit} required."),
        "not_held": (" not reached", f"{settled} after settling, {limit} required."),
        "above_already": (
            " not reached",
            f"{settled} already {f.rough('settled_for')} after the stop, {limit} required.",
        ),
        "no_accuracy": (": can't tell", f"{settled}{held}; {limit} required. The gauge's accuracy is not stated."),
        "too_close": (
            ": can't tell",
            f"{f.spread('settled')} is too close to the {limit} required.",
        ),
    }[judged]
    if f.code("level") == "leaking":
        body += " Do not pull a leaking part into a vacuum: air gets in. Valve off what does not leak first."
    if f.has("class_from"):
        body += " The pressure class rests on an estimated blend: check it."
    missing = f.all("not_entered")
    enter = (f"Enter {' and '.join(missing)}: until then the strictest level is taken",) if missing else ()
    return Text(f"{required}{headline}", body, rule, _LEVEL_DECISION, check_next=(*_GO_ON.get(judged, ()), *enter))


def _level_rule(f: Given) -> str:
    level = f.code("level")
    if not level:
        return _LEVEL_LAW
    if level in ("minor_repair", "leaking"):
        return f"{_LEVEL_LAW}: {f('level')}"
    assumed = {name.removeprefix("no_") for name in f.codes("not_entered")}
    basis = [f("class"), *(f"{f(name)}{' (assumed)' if name in assumed else ''}" for name in ("charge", "made")
                           if f.has(name))]  # fmt: skip
    return f"{_LEVEL_LAW}, Table 1: {f('level')} ({', '.join(basis)}){_SMALL if f.has('small') else ''}"


def _rebound(f: Given) -> Text:
    rule = "a rebound shows refrigerant left in the system (common practice)"
    judged = f.code("judged")
    if judged == "none":
        return Text("no rebound", f"No rebound: {f.signed('rise')} since the stop, at {f('settled')}.", rule)
    ending = f"still rising {f('rate')}" if judged == "still_rising" else "then leveled"
    headline = f"rebound {f('rise')}"
    body = f"Rebound {f('rise')}, to {f('settled')}, {ending}."
    return Text(headline, body, rule, causes=_causes(f), check_next=f.all("check"))


def _stalled(f: Given) -> str:
    causes = _causes(f)
    if not causes:
        return f"NO FLOW for {f.rough('lasted')}. No reading shows why."
    return f"NO FLOW for {f.rough('lasted')}: {causes[0]}. {f('check')}."


def _flow(f: Given) -> str:
    phase = f.code("phase")
    if phase == "no_flow":
        return "No flow."
    if phase == "not_clear":
        return f"Pulling {f('rate')}, liquid or vapor: not clear yet."
    since = f" for {f.rough('since')}" if f.has("since") else ""
    superheat = f", inlet superheat {f('inlet_superheat')}" if f.has("inlet_superheat") else ""
    return f"Pulling {f('phase')}{since}, {f('rate')}{superheat}."


def _first(f: Given) -> str:
    if not f.has("soonest"):
        return f"{f('first')}."
    in_time = f"about {f.rough('soonest')}" if f.has("latest") else f"{f.rough('soonest')} or more"
    if f.has("latest") and f.rough("latest") != f.rough("soonest"):
        in_time = f"{f.rough('soonest')} to {f.rough('latest')}"
    return f"{f('first')}, in {in_time}."


TERMS = {
    "no_rate": "no rate yet",
    "too_little": "the rate is too small",
    "too_fast_for_vapor": "rate too high for vapor",
    "inlet_saturated": "inlet at saturation",
    "inlet_superheated": "inlet superheated",
    "rate_fell": "the rate fell and leveled",
    "rate_rose": "the rate rose and leveled",
    "outlet_rose": "the rate fell, but outlet pressure rose",
    "fits_either": "the rate fits either",
    "inlet_holds": "inlet pressure holds without flow, a restriction or closed valve",
    "swap_cylinder": "Switch to an empty cylinder",
    "let_settle": "Cool the cylinder, check its weight; once settled, compare pressure with temperature",
    "cool_cylinder": "Cool the cylinder: shade, water or a subcooler",
    "feel_cylinder": "Feel the cylinder and cool it; check for air once it has settled",
    "inlet_path": "Check valves, cores, filter-drier and hose between system and recovery machine",
    "trapped_liquid": "Check inlet hose and valves, other circuits, closed solenoids, oil; warm cold parts",
    "outlet_path": "STOP the recovery machine; check cylinder valve, discharge hose, core depressors",
    "reset": "Check discharge hose, cylinder valve and condenser air, then reset the recovery machine",
    "power": "Check power, high-pressure cut-out, inlet valve",
    "inlet_filter": "Check inlet filter, valves, hose",
    "leaking": "0 psig: leaks make the level of Table 1 unattainable or would contaminate the refrigerant, (a)(2)",
    "estimated": "from an estimated blend",
    "minor_repair": "0 psig: not a major repair, and not followed by an evacuation to the atmosphere",
    "25_mm_absolute": "25 mm Hg absolute",
    "0_in_hg": "0 psig (0 in. Hg of vacuum)",
    "4_in_hg": "4 in. Hg of vacuum",
    "10_in_hg": "10 in. Hg of vacuum",
    "15_in_hg": "15 in. Hg of vacuum",
    "low": "low-pressure appliance",
    "medium": "medium-pressure appliance",
    "high": "high-pressure appliance",
    "very high": "very high-pressure appliance",
    "200_lb_or_more": "charge 200 lb or more",
    "under_200_lb": "charge under 200 lb",
    "new": "recovery equipment made on or after 15 Nov 1993",
    "old": "recovery equipment made before 15 Nov 1993",
    "no_charge": "the full charge",
    "no_made": "the recovery machine's date",
    "small_appliance": "small appliance",
    "oil_or_trapped": "refrigerant boiling out of oil or a trapped section",
    "liquid_warming": "liquid still warming up",
    "leaking_by": "a valve leaking by, or air leaking in",
    "recover_again": "Recover again, then wait again",
    "warm_cold_spots": "Warm cold spots and the oil",
    "open_all": "Open every solenoid and isolated section",
    "liquid": "LIQUID",
    "vapor": "VAPOR",
    "system": "System empties first",
    "cylinder": "Cylinder fills first",
    "either": "Cylinder may fill before the system is empty",
    "cylinder_alone": "At this rate the cylinder fills",
    "unnamed": "not named",
}
ALARMS = {
    "fill-unknown": alarm(
        "FILL UNKNOWN: STOP RECOVERY", f"{STOP} Continue only when the scale reads again and the cylinder is entered."
    ),
    "time-to-limit": alarm(
        "CYLINDER FULL SOON",
        "Get an empty cylinder. Stand by the recovery machine.",  # words: trade
    ),
    "outlet-pressure": alarm(
        "RECOVERY OUTLET PRESSURE HIGH",
        "Stop the recovery machine. Check that the cylinder valve is open and the condenser gets air.",
    ),
    "outlet-blocked": alarm(
        "RESTRICTION: OUTLET FAR ABOVE CYLINDER", "Check cylinder valve, hose, core depressors and filter-drier."
    ),
    "recovery-stalled": alarm(
        "NO RECOVERY FLOW, REFRIGERANT STILL IN SYSTEM",
        "Check that the recovery machine runs and its valves are open. Push on the scale: the reading must move.",
    ),
    "condensing-hot": alarm(
        "RECOVERY CONDENSER HOT", "Check the recovery machine's fan and coil. Air in the cylinder does the same."
    ),
}
WORDS = Words(
    alarms=ALARMS,
    findings={
        "recovery.mass": _mass,
        "recovery.phase": _phase,
        "recovery.stall": _stall,
        "recovery.condensing": _condensing,
        "recovery.level": _level,
        "recovery.rebound": _rebound,
    },
    statements={
        "recovery.started": lambda f: (
            f"Recovery machine started: {f('rate')} into the cylinder"
            if f.code("seen") == "machine"
            else f"Weight on the scale rising: {f('rate')}"
        ),
        "recovery.liquid_ended": lambda f: f"Liquid ended: {f('before')} before, {f('rate')} now",
        "recovery.over": lambda f: f"Recovery flow stopped after {f('moved')}",
        "recovery.flow_unknown": lambda f: f"Flow unknown: {f('why')}. Check the scale and its cable.",
        "recovery.stalled": _stalled,
        "recovery.flow": _flow,
        "recovery.first": _first,
        "recovery.to_pull": lambda f: (
            f"Recover down to {f('required')}, {f('pressure')} now; then stop the recovery machine and mark it"
        ),
        "recovery.to_stop": always("When recovery is done, stop the recovery machine and mark it"),
        "recovery.to_go_on": lambda f: (
            f"Recover further: {f('pressure')} now, {f('required')} required. Start the recovery machine and mark it"
        ),
        "recovery.to_settle": lambda f: f"Wait: pressure settling, {f.so_far('lasted', 'asked')}",
        "recovery.too_close": lambda f: (
            f"Too close to call: {f('pressure')}, {f('required')} required. Recover further to be sure"
        ),
    },
    terms=TERMS,
    labels={
        **MASS_LABELS,
        "after": "began after",
        "lasted": "for",
        "settled": "settled pressure",
        "required": "required pressure",
        "liquid_until": "liquid for",
        "below_system": "inlet below system",
        "over_cylinder": "outlet above cylinder",
        "over_saturation": "cylinder over saturation",
        "over_ambient": "shell over ambient",
        "cylinder_rise": "rise of cylinder pressure",
        "inlet": "inlet pressure",
        "outlet": "outlet pressure",
        "outlet_peak": "highest outlet pressure",
        "shell": "cylinder shell",
        "fill": "liquid fill of the cylinder",
        "rate": "rate at the end",
        "rise": "rebound",
    },
)
