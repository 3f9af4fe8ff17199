"""Evacuation in words."""

from logger.model.finding import Text
from logger.wording.book import Words
from logger.wording.given import Given

_RULE = "a pump and hose coming down to p_ultimate + Q/S, or outgassing as a power of time; ranked by BIC"
_BAND = "the band holds every fit that passes the target and that the readings do not refuse at odds of 20 to 1"
_WATER_RULE = "saturation of water and ice: IAPWS SR1-86 and R14-08"


def _progress(f: Given) -> Text:
    state = f.code("state")
    if state == "unknown" and not f.has("vacuum"):
        return Text("vacuum: can't tell", f"Vacuum unknown: {f('rate')}.", _RULE)
    body = f"At {f('vacuum')}."
    if f.has("target"):
        body += f" {_target(f)}"
    headline = {
        "pulling": "pulling down",
        "tailing": "leveling off toward the target",
        "stalled": f"stalled at {f('vacuum')}",
        "reached": f"target reached: {f('vacuum')}",
        "rising": f"vacuum rising: {f('vacuum')}",
        "unknown": "can't tell yet",
    }[state]
    return Text(headline, body, _RULE, _BAND)


def _target(f: Given) -> str:
    target = f("target")
    if not f.known("time_to_target"):
        if f.known("soonest"):
            return f"Target {target} in {f('soonest')} at the earliest; {f('time_to_target')}."
        return f"Target {target}: {f('time_to_target')}."
    if f.code("state") == "reached":
        return f"Target {target} reached."
    if not f.value("time_to_target").number:
        return f"Target {target} reached within the gauge's uncertainty."
    text = f"Target {target} in about {f('time_to_target')}"
    if not (f.known("soonest") and f.known("latest")):
        return f"{text}, but {f('latest')}."
    note = f.value("latest").note
    return f"{text} ({f('soonest')} to {f('latest')}){f', {note}' if note else ''}."


def _stall(f: Given) -> Text:
    against = {"above": f", above the target of {f('target')}", "near": f", near the target of {f('target')}"} if (
        f.has("target")
    ) else {}  # fmt: skip
    body = f"Stalled at {f('level')}{against.get(f.code('against_target'), '')}. "
    likely = f.codes("likely")
    if len(likely) == 1:
        body += f"Most likely {TERMS[likely[0]]}: {_support(f, likely[0])}."
    else:
        body += f"The readings do not show which: {' or '.join(f.all('likely'))}."
    causes = tuple(f"{TERMS[code]}: {_support(f, code)}" for code in f.codes("cause"))
    return Text(f"stalled at {f('level')}", body, _RULE, causes=causes, check_next=f.all("check"))


def _support(f: Given, source: str) -> str:
    """What speaks for a cause or against it."""
    return ", ".join(_because(f, code) for code in f.codes(f"support_{source}"))


def _because(f: Given, code: str) -> str:
    match code:
        case "at_gauge_top":
            return f"the reading is at the gauge's top, {f('gauge_top')}"
        case "at_gauge_bottom":
            return f"the reading is at the gauge's bottom, {f('gauge_bottom')}"
        case "boils_at":
            return f"water has this vapor pressure at {f('water_boils_at')}"
        case "temperature_agrees":
            return f"{f('near')} was measured"
        case "too_cold_for_water":
            return f"water at {f('near')} cannot reach this level"
        case "boiling_cools":
            return f"boiling cools water below the {f('near')} measured"
        case "level_rises" | "level_falls" | "still_falling":
            way = "rises" if code == "level_rises" else "falls"
            return f"the level {way} by {f.size('drift')} an hour"
        case "steady_base":
            return f"steady at {f('level')} however long it is pumped"
        case "earlier_same":
            return f"an earlier evacuation ended at {f('earlier_level')}"
        case "pump_limit":
            return f"the pump's own limit is stated as {f('pump_limit')}"
        case "above_pump_limit":
            return f"above the {f('pump_limit')} the pump reaches with clean oil"
    return TERMS[code]


def _ice(f: Given) -> Text:
    body = (
        f"At {f('level')} any water left is below its triple point and freezes, here at about {f('water_boils_at')}: "
        "ice dries slowly and can block a line."
    )
    return Text("ice possible", body, _WATER_RULE, check_next=f.all("check"))


def _water(f: Given) -> Text:
    body = f"Water boils at {f('water_boils_at')} at this vacuum: the level holds until the water is gone."
    return Text("water boiling off", body, _WATER_RULE)


def _plateau(f: Given) -> Text:
    body = f"Held at {f('level')} for {f('lasted')}, then pulled down further"
    if not f.has("water_boils_at"):
        return Text("plateau, then pulled down further", f"{body}.")
    body += f", as when water boils off until it is gone (here at {f('water_boils_at')})."
    return Text("water boiled off", body, _WATER_RULE, check_next=f.all("check"))


def _gain(f: Given) -> Text:
    act = f("act")
    body = f"After '{act}' the level went from {f('before')} to {f('after')}; it was heading for {f('heading')}"
    if f.code("judged") == "helped":
        return Text(f"{act}: it helped", f"{body}.")
    return Text(f"{act}: no gain seen", f"{body}: no gain beyond the readings' scatter.")


def _count(f: Given) -> Text:
    evacuations, breaks = int(f.value("evacuations").number or 0), int(f.value("breaks").number or 0)
    body = f"{_many(evacuations, 'evacuation')} with {_many(breaks, 'nitrogen break')}"
    body += f"; lowest {', '.join(f.all('lowest'))}."
    if f.has("target") and f("reached") != f("evacuations"):
        body += f" {f('reached')} of them reached {f('target')}."
    if not f.has("required"):
        return Text(_many(evacuations, "evacuation"), body)
    return Text(f"{f('reached')} of {f('required')} evacuations", body, check_next=f.all("check"))


def _many(count: int, thing: str) -> str:
    return f"{count} {thing}{'' if count == 1 else 's'}"


TERMS = {
    "gauge_top": "gauge at the top of its range",
    "gauge_bottom": "gauge at the bottom of its range",
    "water": "water boiling off",
    "outgassing": "refrigerant outgassing from oil",
    "leak": "a leak",
    "pump": "the pump at its limit (wet oil)",
    "no_temperature": "no temperature was measured beside it",
    "oil_store": "a lot of refrigerant in oil can look steady",
    "not_steady": "the level is not steady, which speaks against it",
    "oil_helped": "an oil change lowered it before",
    "water_in_oil": "its oil took up water that boiled off before",
    "gas_ballast_and_break": "keep pumping with the gas ballast open, warm the coldest part, break with dry nitrogen",
    "watch_for_ice": "watch for ice: a frozen spot dries slowly",
    "close_at_pump_for_leak": "close the valve at the pump and watch: a steady rise is a leak, no rise is the pump",
    "caps_and_cores": "tighten and cap the hose connections and valve cores first",
    "change_pump_oil": "change the pump oil, and check the pump's blank-off with its inlet closed",
    "close_at_pump_for_pump": "close the valve at the pump and watch: no rise means the system is tight",
    "warm_the_oil": "keep pumping, run the crankcase heater or warm the oil, break with dry nitrogen",
    "wait_for_range": "wait until the pressure is in the gauge's range; check that the gauge's valve is open",
    "lower_gauge": "take the reading as 'at or below'; use a gauge that reads lower",
    "break_and_warm": "break with dry nitrogen to a few psi, warm the cold spot, then pump again",
    "change_pump_oil_after_water": "change the pump oil: it takes up part of the water",
    "evacuate_again": "break with dry nitrogen and evacuate again",
}
WORDS = Words(
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
        "drift": "drift an hour",
        "water_boils_at": "water would boil there at",
        "lasted": "for",
        "before": "level before",
        "heading": "was heading for",
        "after": "level after",
        "near": "temperature measured",
        "lowest": "lowest of an evacuation",
    },
)
