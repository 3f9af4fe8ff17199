"""Evacuation in words."""

from logger.model.finding import Text
from logger.wording.book import Words, alarm, always
from logger.wording.given import Given, many, sentence

_RULE = "the vacuum gauge's reading against the target of the stage"
_FIT = "a pump and hose pulling down to the pump's blank-off plus the gas load, or outgassing as a power of time"
_BAND = (
    f"time to target: the better fit of {_FIT}; the range is that of every fit that passes the target and that the "
    "readings do not rule out at odds of 20 to 1"
)
_WATER_RULE = "saturation of water and ice: IAPWS SR1-86 and R14-08"


def _progress(f: Given) -> Text:
    state = f.code("state")
    if not f.has("vacuum"):
        body = f"Pull-down unknown: {f('rate')}. Wait for more readings, or check the vacuum gauge."
        return Text("pull-down: can't tell yet", body, _RULE)
    headline = {
        "pulling": "pulling down: ",
        "tailing": "leveling off: ",
        "stalled": "stalled at ",
        "reached": "target reached: ",
        "rising": "LOSING VACUUM: ",
        "unknown": "pull-down: can't tell yet, ",
    }[state] + f("vacuum")
    body = sentence(headline)
    if state in ("pulling", "tailing", "rising"):
        body += f", {_rate(f)}"
    if f.has("target"):
        body += _target(f)
    checks = ("If the pump has stopped, close its valve now: air and oil can get in",) if state == "rising" else ()
    decision = _BAND if state != "reached" and f.has("target") else ""
    return Text(headline, f"{body}.", _RULE, decision, check_next=checks)


def _rate(f: Given) -> str:
    if not f.known("pressure_rate"):
        return "rate unknown"
    falling = (f.value("pressure_rate").number or 0.0) < 0.0
    return f"{'falling' if falling else 'rising'} {f.size('pressure_rate')}"


def _target(f: Given) -> str:
    target = f("target")
    if f.code("state") in ("rising", "stalled", "reached"):
        return f" (target {target})"
    if not f.known("time_to_target"):
        if f.known("soonest"):
            return f". Target {target} in {f.rough('soonest')} at the earliest; {f('time_to_target')}"
        return f". Time to the target of {target} unknown: {f('time_to_target')}"
    if not f.value("time_to_target").number:
        return f". Target {target} reached within the gauge's uncertainty"
    text = f". Target {target} in about {f.rough('time_to_target')}"
    if not (f.known("soonest") and f.known("latest")):
        return f"{text}, but {f('latest')}"
    note = f.value("latest").note
    return f"{text} ({f.rough('soonest')} to {f.rough('latest')}){f', {note}' if note else ''}"


def _stall(f: Given) -> Text:
    body = f"Stalled at {f('level')}"
    if f.has("target"):
        body += {"above": ", above", "near": ", near"}[f.code("against_target")] + f" the target of {f('target')}"
    likely = f.codes("likely")
    if len(likely) == 1:
        body += f". Most likely {TERMS[likely[0]]}: {_support(f, likely[0])}."
    else:
        body += f". The readings fit {' or '.join(f.all('likely'))}."
    causes = tuple(f"{TERMS[code]}: {_support(f, code)}" for code in f.codes("cause"))
    return Text(f"stalled at {f('level')}", body, f"the better fit of {_FIT}", causes=causes, check_next=f.all("check"))


def _support(f: Given, source: str) -> str:
    """What speaks for a cause or against it."""
    return "; ".join(_because(f, code) for code in f.codes(f"support_{source}"))


def _because(f: Given, code: str) -> str:
    match code:
        case "at_gauge_top":
            return f"reading at the gauge's top, {f('gauge_top')}"
        case "at_gauge_bottom":
            return f"reading at the gauge's bottom, {f('gauge_bottom')}"
        case "boils_at":
            return f"this is the vapor pressure of {_phases(f)}"
        case "temperature_agrees":
            return f"{f('near')} measured"
        case "too_cold_for_water":
            return f"less likely, because water at {f('near')} cannot reach this level"
        case "boiling_cools":
            return f"boiling cools water below the {f('near')} measured"
        case "level_rises":
            return f"rising {f.size('drift')} an hour"
        case "level_falls" | "still_falling":
            return f"still falling {f.size('drift')} an hour"
        case "steady_base":
            return f"steady at {f('level')}, however long it is pumped"
        case "earlier_same":
            return f"an earlier evacuation ended at {f('earlier_level')}"
        case "pump_limit":
            return f"pump rated for {f('pump_limit')}"
        case "above_pump_limit":
            return f"above the {f('pump_limit')} the pump reaches with clean oil"
    return TERMS[code]


def _phases(f: Given) -> str:
    """Below the triple point ice, and water that has not frozen yet, which is colder at the same pressure."""
    if f.has("supercooled_at"):
        return f"ice at {f.whole('water_boils_at')} or supercooled water at {f.whole('supercooled_at')}"
    return f"water at {f.whole('water_boils_at')}"


def _ice(f: Given) -> Text:
    body = f"{f('level')} is the vapor pressure of {_phases(f)}."
    body += " Ice dries slowly and can block a line."
    return Text("ice possible", body, _WATER_RULE, check_next=f.all("check"))


def _water(f: Given) -> Text:
    body = f"Water boils at {f.whole('water_boils_at')} at this vacuum: the level holds until the water is gone."
    return Text("water boiling off", body, _WATER_RULE)


def _plateau(f: Given) -> Text:
    body = f"Stalled at {f('level')} for {f.rough('lasted')}, then pulled down further"
    if not f.has("water_boils_at"):
        return Text("stalled, then pulled down further", f"{body}.")
    body += f": {_phases(f)} boiled off until it was gone."
    return Text("moisture: water boiled off", body, _WATER_RULE, check_next=f.all("check"))


def _gain(f: Given) -> Text:
    act = f("act")
    body = f"After '{act}': from {f('before')} to {f('after')}"
    if f.code("judged") == "helped":
        return Text(f"{act}: helped", f"{body}, lower than the {f('heading')} it was heading for.")
    return Text(f"{act}: no gain", f"{body}; it was heading for {f('heading')}. No gain.")


def _count(f: Given) -> Text:
    whole = many(f.value("evacuations").number or 0.0, "evacuation")
    breaks = f.value("breaks").number
    body = f"{whole} with {many(breaks, 'nitrogen break')}" if breaks else f"{whole}, no nitrogen break"
    body += f"; lowest {', '.join(f.all('lowest'))}."
    if f.has("target") and f("reached") != f("evacuations"):
        body += f" Target {f('target')} reached in {f('reached')} of them."
    if not f.has("required"):
        return Text(whole, body)
    return Text(f"{f('reached')} of {f('required')} evacuations", body, check_next=f.all("check"))


TERMS = {
    "gauge_top": "gauge at the top of its range",
    "gauge_bottom": "gauge at the bottom of its range",
    "water": "water boiling off",
    "outgassing": "refrigerant boiling out of oil",
    "leak": "a leak",
    "pump": "the pump at its blank-off (wet oil)",
    "no_temperature": "no temperature measured to compare it with",
    "oil_store": "a lot of refrigerant in oil can look steady",
    "not_steady": "less likely, because the level is not steady",
    "oil_helped": "an oil change lowered it before",
    "water_in_oil": "its oil took up water that boiled off before",
    "gas_ballast_and_break": "Keep pumping with the gas ballast open, warm the coldest part, break with dry nitrogen",
    "watch_for_ice": "Look for ice: a frozen spot dries slowly",
    "close_at_pump_for_leak": "Close the valve at the pump and watch: a steady rise is a leak, no rise is the pump",
    "caps_and_cores": "Tighten and cap the hose connections and valve cores first",
    "change_pump_oil": "Change the pump oil, then check the pump's blank-off with its inlet closed",
    "close_at_pump_for_pump": "Close the valve at the pump and watch: no rise means the system is tight",
    "warm_the_oil": "Keep pumping, run the crankcase heater or warm the oil, break with dry nitrogen",
    "wait_for_range": "Wait until the pressure is in the gauge's range; check that the gauge's valve is open",
    "lower_gauge": "Use a gauge that reads lower: the true vacuum may be deeper than shown",
    "break_and_warm": "Break with dry nitrogen to just above atmospheric pressure, warm the cold spot, then pump again",
    "change_pump_oil_after_water": "Change the pump oil: it took up part of the water",
    "evacuate_again": "Break with dry nitrogen and evacuate again",
}
ALARMS = {
    "vacuum-lost": alarm("LOSING VACUUM", "Close the pump valve now, or air and oil get in. Then check the pump."),
}
WORDS = Words(
    statements={
        "evacuation.pump_started": lambda f: (
            "Vacuum pump started" + (f": {f('pressure')} and falling" if f.has("pressure") else "")
        ),
        "evacuation.not_measured": always("Vacuum is not measured: pull down by your own gauge"),
        "evacuation.no_vacuum": lambda f: f"Vacuum unknown: {f('why')}. Check the vacuum gauge and its valve",
        "evacuation.to_pull": lambda f: f"Pull down to {f('target')}: {f('vacuum')} now",
    },
    alarms=ALARMS,
    findings={
        "evacuation.progress": _progress,
        "evacuation.stall": _stall,
        "evacuation.ice": _ice,
        "evacuation.water": _water,
        "evacuation.plateau": _plateau,
        "evacuation.gain": _gain,
        "evacuation.count": _count,
    },
    terms=TERMS,
    labels={
        "vacuum": "final vacuum",
        "rate": "decades of pressure an hour",
        "pressure_rate": "rate",
        "drift": "drift an hour",
        "water_boils_at": "water would boil there at",
        "supercooled_at": "supercooled water would boil there at",
        "lasted": "for",
        "before": "level before",
        "heading": "was heading for",
        "after": "level after",
        "near": "temperature measured",
        "pump_limit": "blank-off stated for the pump",
        "lowest": "lowest of an evacuation",
    },
)
