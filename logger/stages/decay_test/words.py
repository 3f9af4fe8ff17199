"""Vacuum decay test in words."""

from collections.abc import Callable
from functools import partial

from logger.model.finding import Text
from logger.wording.book import Words
from logger.wording.given import Given

_SHAPES = (
    "a leak makes a straight rise, moisture and outgassing one that levels off (C. Zapfe, CERN Accelerator School "
    "2006); shapes ranked by the Bayesian information criterion over independent readings"
)
_CALLED = (
    "a leak is called at odds of 20 to 1, a rate clear of zero by two standard uncertainties and at least a tenth of "
    "the allowed rise; no leak is called when the rate plus two standard uncertainties is below that"
)
_GUARD_BAND = (
    "guard band: held only if the reading plus U is within the limit, did not hold only if the reading minus U is "
    "beyond it, otherwise can't tell; U is the expanded uncertainty, k=2 (about 95 %)"
)
_WATER_RULE = "saturation of water and ice: IAPWS SR1-86 and R14-08"
_FLOW_RULE = "Q = V dp/dt at constant temperature; 40 CFR 1065.644 with the temperature correction"


def _verdict(f: Given) -> Text:
    rule = f"profile {f('profile')}" if f.has("profile") else ""
    decision = _GUARD_BAND
    if f.code("accuracy") == "not_stated":
        decision += "; the gauge's accuracy is not stated, so U holds only noise"
    if signs := f.codes("sign"):
        body = f"The gauge cannot be relied on: {'; '.join(_sign(code, f) for code in signs)}."
        checks = tuple(SIGN_CHECK[code] for code in signs)
        return Text("can't tell: check the gauge", body, rule, decision, check_next=checks)
    if doubts := f.codes("doubt"):
        text = "; ".join(_doubt(f, code) for code in doubts)
        return Text("can't tell", f"{text[0].upper()}{text[1:]}.", rule, decision, check_next=f.all("check"))
    match f.code("broken"):
        case "limit":
            above = f"From {f('start')} the vacuum rose above {f('limit')} after {f('after')}"
            return Text("did not hold", f"{above} and reached {f.beside('highest', 'limit')}.", rule, decision,
                        check_next=f.all("check"))  # fmt: skip
        case "rise":
            body = f"The vacuum rose by {f.beside('rise', 'rise_max')}, more than the {f('rise_max')} allowed."
            return Text("did not hold", body, rule, decision, check_next=f.all("check"))
    body = f"From {f('start')} it stayed at or below {f('highest')} for {f('hold')}."
    if "next_hold" in f.codes("more"):
        body += f" This is hold {f('hold_number')} of {f('holds')} of the profile."
    if "steady_rise" in f.codes("more"):
        body += " The profile allows that, but a steady rise shows, as a leak makes it."
    return Text("held", body, rule, decision, check_next=f.all("check"))


def _doubt(f: Given, code: str) -> str:
    match code:
        case "no_profile":
            return "no acceptance profile was chosen, so nothing decides"
        case "not_isolated":
            return f"isolation unknown: {f('reason')}"
        case "no_readings":
            return f"vacuum unknown: {f('highest')}"
        case "gauge_top":
            return f"the gauge reads the top of its range, {f('gauge_top')}"
        case "gauge_bottom":
            return f"the gauge reads the bottom of its range, {f('gauge_bottom')}"
        case "gap":
            return f"no trusted readings for {f('gap')} of the hold ({f('gap_reason')})"
        case "gaps":
            return f"{f('lost')} of the hold without trusted readings"
        case "too_short":
            return f"isolated for {f.beside('isolated_for', 'hold')} of the {f('hold')} required"
        case "started_above":
            return f"isolated at {f.beside('start', 'start_max')}, above the {f('start_max')} required"
        case "start_within_u":
            return (
                f"the start at {f('start')} is within the gauge's uncertainty of the {f('start_max')} required: "
                f"with this gauge isolate at {f('isolate_at')} or less"
            )
        case "started_above_limit":
            return f"isolated at {f.beside('start', 'limit')}, above the limit of {f('limit')}"
        case "highest_within_u":
            return f"the highest reading, {f('highest')}, is within the gauge's uncertainty of the limit {f('limit')}"
        case "rise_within_u":
            return f"the rise of {f('rise')} is within its uncertainty of the {f('rise_max')} allowed"
        case "earlier_holds":
            held = f"{f('held_before')} before it recorded as held"
            return f"this is hold {f('hold_number')} of {f('holds')} of the profile, with {held}"
        case "evacuations_not_counted":
            return f"the profile requires {f('evacuations_asked')} evacuations, and they were not counted"
        case "evacuations":
            return f"the profile requires {f('evacuations_asked')} evacuations, {f('evacuations')} recorded"
        case "no_ambient":
            return f"the profile requires ambient above {f('ambient_min')}, and none was measured"
    return f"ambient went down to {f('coldest')}; the profile requires above {f('ambient_min')}"


def _sign(code: str, f: Given) -> str:
    """What was seen of a gauge that cannot be relied on."""
    match code:
        case "gauge-stuck":
            return f"the reading did not change by a digit for {f('unchanged_for')}: frozen gauge, or steps too coarse"
        case "reading-falls":
            return f"the reading fell from {f('fell_from')} to {f('fell_to')} in a closed system"
        case "gauge-erratic":
            swings = f"{f('swings')} times by more than {f('swings_by')}"
            return f"the reading went up and down {swings}, which a closed system does not do"
        case "gauges-disagree":
            return f"another gauge on the system reads {f('other_gauge')}, the vacuum gauge {f('vacuum_gauge')}"
        case "gauge-valved-off":
            return "the reading rose in the same way before and after the pump was valved off"
        case "gauge-above-pump":
            limit = f"well above the {f('pump_limit')} the pump reaches"
            return f"under the pump the reading was {f('under_pump')}, {limit}, and did not rise when it was valved off"
    return "the reading kept falling after isolation just as before it"


def _cause(f: Given) -> Text:
    code = f.code("cause_code")
    body = _cause_body(f, code)
    if f.has("temperature"):
        body += f" {f('temperature')}"
    checks = tuple(SIGN_CHECK.get(check, TERMS.get(check, check)) for check in f.codes("check"))
    return Text(TERMS.get(code, "can't tell"), body, _SHAPES, _CALLED, f.all("cause"), checks)


def _cause_body(f: Given, code: str) -> str:
    match code:
        case "not_isolated":
            return f"Isolation unknown: {f('reason')}."
        case "gauge":
            return "The gauge cannot be relied on, so the shape of the rise says nothing."
        case "no_shape":
            return f"Unknown: {f('rate')}."
        case "tight":
            return f"No steady rise that matters: {f('largest_rate')} at the most."
        case "levels_off":
            level = f" at about {f('levels_off_at')}" if f.has("levels_off_at") else ""
            settles = f"time constant {f('settles')}"
            return f"The vacuum rose and leveled off{level}, {settles}; a steady rise is below {f('largest_rate')}."
        case "leak":
            return (
                f"The vacuum rises steadily by {f.spread('rate')}, as a leak makes it. Gas given off over more than "
                f"some {f('straight_for')} would look as straight."
            )
        case "leak_and_rise":
            level = f" (it alone would end at {f('levels_off_at')})" if f.has("levels_off_at") else ""
            return f"A steady rise of {f.spread('rate')} shows beside one that levels off{level}."
        case "masked":
            return (
                "The rise bends over, as moisture or refrigerant outgassing from oil makes it; a leak of up to "
                f"{f('largest_rate')} would not show beside it. Dry the system and test again."
            )
    more = f" Keep it isolated for about {f('go_on')} in all." if f.has("go_on") else ""
    return f"Can't tell: {f('why')}.{more}"


def _gauge(f: Given) -> Text:
    body = (
        f"The reading rose by {f('rise')} within minutes (time constant {f('time_constant')}) and then was steady. "
        "Moisture does that, and so does oil on the gauge's sensor, which then reads high and late."
    )
    return Text("check the gauge", body, causes=f.all("cause"), check_next=f.all("check"))


def _leak_rate(f: Given) -> Text:
    if not f.known("flow"):
        return Text("leak rate unknown", f"Leak rate unknown: {f('flow')}.", check_next=f.all("check"))
    body = f"Air leaks in at {f.spread('flow')}."
    if f.has("loss_low"):
        loss = f"between {f('loss_low')} and {f('loss_high')} of {f('gas')}"
        body += f" In service the same hole would lose {loss}: {f('assumption')}."
    return Text(f"leak rate {f('flow')}", body, _FLOW_RULE)


def _water(f: Given) -> Text:
    level, boils = f("levels_off_at"), f("water_boils_at")
    body = f"The rise tends to {level}, the vapor pressure of {f.code('phase')} at {boils}."
    match f.code("judged"):
        case "free":
            body += f" That is where liquid water at the measured {f('near')} holds it: water is left."
        case "more":
            body += f" It is at {f('now')} now. Water at the measured {f('near')} alone could not reach that."
        case "colder":
            body += (
                f" Free water at the measured {f('near')} would rise to {f('water_pressure')}: a cold spot holds "
                "ice or water at that temperature, or it is moisture or refrigerant outgassing from oil."
            )
    headline = {"free": "free water", "more": "more than water"}.get(f.code("judged"), "moisture possible")
    return Text(headline, body, _WATER_RULE, causes=f.all("cause"))


SIGN_CHECK = {
    "gauge-stuck": "the gauge: frozen sensor or display; cycle its power and see it move when its port is opened",
    "reading-falls": "whether the pump was really valved off; a gauge wetted by oil also falls slowly",
    "gauge-erratic": "the gauge for oil or moisture on its sensor: clean or change it, mount it upright, test again",
    "gauges-disagree": "whether the valve between the vacuum gauge and the system is open, and oil on its sensor",
    "gauge-valved-off": "whether the valve between gauge and system is open: the gauge may see only its own volume",
    "gauge-above-pump": "whether the valve between the gauge and the system is open; else the pump's oil",
    "still-pumped": "whether the pump was really valved off, and the moment that was marked",
}
TERMS = {
    "tight": "no leak seen in this test",
    "levels_off": "rises and levels off: no leak seen",
    "leak": "a leak",
    "leak_and_rise": "leak, and something that levels off",
    "masked": "moisture or outgassing; a leak is not ruled out",
    "moisture": "moisture",
    "oil_outgassing": "refrigerant outgassing from oil",
    "outgassing": "outgassing",
    "oily_gauge": "oil on the gauge's sensor, which then reads high",
    "core_or_hose": "a valve core or hose fitting of the test rig itself",
    "slow_moisture": "rarely, very slow moisture from under oil or out of a dead end",
    "leak_with_moisture": "a leak together with moisture or outgassing",
    "moisture_or_outgassing": "moisture or outgassing",
    "evacuate_and_repeat": "keep evacuating, warm the system, break with dry nitrogen and test again",
    "find_leak": "find the leak with nitrogen pressure and soap or an electronic detector",
    "hoses_off": "valve off the hoses at the system and repeat: a rise that stops was the hoses",
    "watch_for_hours": "if none is found, watch for several hours: only a leak stays straight",
    "leak_first": "find and repair the leak first, then evacuate further with nitrogen breaks",
    "dry_system": "dry the system: evacuate longer, warm it, break with dry nitrogen",
    "not_measured": "No temperature was measured: a drift of 3 K either way is allowed for.",
    "large_leveling_part": "what levels off is so large that a leak would not show beside it",
    "still_rising": "it is still rising, and a leak and something that levels off slowly look the same so far",
    "isolated_too_high": "isolated at so high a pressure that what is in it is mostly vapor: evacuate deeper first",
    "vapor_follows_temperature": "vapor over water or oil follows a drifting temperature, in a straight line too",
    "scatter": "the readings scatter too much for so short a test",
    "oily_sensor": "oil on the gauge's sensor",
    "little_moisture": "a little moisture or refrigerant from oil",
    "clean_gauge": "compare with a clean gauge, or clean this one, and test again",
    "enter_volume": "enter the system's internal volume with the job",
    "held_moisture": "moisture held in oil, or refrigerant outgassing from it",
    "liquid_water": "liquid water in the system",
    "leak_beside_water": "a leak beside the water",
    "liquid_refrigerant": "liquid refrigerant, or oil giving off refrigerant",
    "choose_profile": "choose an acceptance profile for the stage",
    "see_cause": "the finding on what made it rise",
    "gauge_moves": "let a little nitrogen in, or open the pump again, and see the gauge move: a gauge shut off from "
    "the system shows a good vacuum too",
}


def _statement(code: str) -> Callable[[Given], str]:
    return partial(_sign, code)


WORDS = Words(
    findings={
        "decay.verdict": _verdict,
        "decay.cause": _cause,
        "decay.gauge": _gauge,
        "decay.leak-rate": _leak_rate,
        "decay.water": _water,
    },
    statements={f"decay.{code}": _statement(code) for code in SIGN_CHECK},
    terms=TERMS,
    labels={
        "start": "vacuum at isolation",
        "highest": "highest in the hold",
        "isolated_for": "time isolated",
        "hold": "hold required",
        "start_max": "vacuum required at isolation",
        "rise_max": "rise allowed",
        "rate": "steady rise",
        "smallest_rate": "smallest steady rise this test could see",
        "largest_rate": "largest steady rise still possible",
        "span": "time looked at",
        "flow": "leak rate, air into vacuum",
        "loss_equal_flow": "loss at equal flow",
        "loss_molecular": "loss, molecular flow",
        "loss_viscous": "loss, viscous flow",
        "levels_off_at": "levels off at",
        "water_boils_at": "water would boil there at",
        "water_pressure": "vapor pressure of water at the measured temperature",
        "near": "temperature measured",
    },
)
