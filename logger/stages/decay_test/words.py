"""Vacuum decay test in words."""

from logger.model.finding import Text
from logger.stages import hidden_leak
from logger.wording.book import Words, alarm, always
from logger.wording.given import Given, sentence
from logger.wording.numbers import vacuum_in_one

_SHAPES = (
    "a leak makes a straight rise, moisture and outgassing one that slows down (C. Zapfe, CERN Accelerator School "
    "2006); the interval (about 95 %) holds each steady rise that fits the readings together with some outgassing"
)
_CALLED = (
    "a leak is called when that whole interval lies above zero and the rate is at least a quarter of the allowed rise; "
    "no leak is called when the whole interval lies below a fifth of it; between them a leak is not ruled out"
)
_GUARD_BAND = (
    "guard band: held only if the reading plus U is within the limit, did not hold only if the reading minus U is "
    "beyond it, otherwise can't tell; U is the expanded uncertainty (about 95 %)"
)
_OPEN = "decay test: can't tell"
_WATER_RULE = "saturation of water and ice: IAPWS SR1-86 and R14-08"
_FLOW_RULE = "Q = V dp/dt at constant temperature; 40 CFR 1065.644 with the temperature correction"


def _verdict(f: Given) -> Text:
    rule = f"profile {vacuum_in_one(f('profile'), f.system)}" if f.has("profile") else ""
    decision = _GUARD_BAND
    if f.code("accuracy") == "not_stated":
        decision += "; the gauge's accuracy is not stated, U holds only noise"
    if signs := f.codes("sign"):
        body = f"Gauge cannot be trusted: {'; '.join(_sign(code, f) for code in signs)}."
        checks = tuple(SIGN_CHECK[code] for code in signs)
        return Text("decay test: can't tell, check the gauge", body, rule, decision, check_next=checks)
    if doubts := f.codes("doubt"):
        body = f"{sentence('; '.join(_doubt(f, code) for code in doubts))}."
        checks = (*(_DO[code] for code in doubts if code in _DO), *f.all("check"))
        return Text(_OPEN, body, rule, decision, check_next=checks)
    isolated = f"Isolated at {f('start')}"
    match f.code("broken"):
        case "limit":
            top = f.beside("highest", "limit")
            body = f"{isolated}: over the limit of {f('limit')} after {f.rough('after')}, highest {top}."
            return Text(f"decay over limit: {top}", body, rule, decision, check_next=f.all("check"))
        case "rise":
            rise = f.beside("rise", "rise_max")
            body = f"{isolated}: up {rise} in {f.rough('isolated_for')}, {f('rise_max')} allowed."
            return Text(f"pressure rose too far: {rise}", body, rule, decision, check_next=f.all("check"))
    body = f"{isolated}; {_within(f)} in {f('hold')}."
    more = f.codes("more")
    if "next_hold" in more:
        body += f" Hold {f('hold_number')} of {f('holds')}: do the next one."
    if "steady_rise" in more:
        body += " Within what is allowed, but the rise is steady, as from a leak."
    return Text("vacuum held", body, rule, decision, check_next=f.all("check"))


def _within(f: Given) -> str:
    """What was held, with the limit beside it."""
    parts = []
    if f.has("limit") or not f.has("rise_max"):
        limit = f" (limit {f('limit')})" if f.has("limit") else ""
        parts.append(f"highest {f.beside('highest', 'limit') if f.has('limit') else f('highest')}{limit}")
    if f.has("rise_max"):
        up = (f.value("rise").number or 0.0) >= 0.0
        rise = f"up {f.beside('rise', 'rise_max')}" if up else f"down {f.size('rise')}"
        parts.append(f"{rise} ({f('rise_max')} allowed)")
    return ", ".join(parts)


def _doubt(f: Given, code: str) -> str:
    match code:
        case "no_profile":
            return "no pass/fail standard selected"
        case "not_isolated":
            return f"isolation unknown: {f('reason')}"
        case "no_accuracy":
            return "the gauge's accuracy is not stated"
        case "no_readings":
            return f"vacuum unknown: {f('highest')}"
        case "gauge_top":
            return f"the gauge is at the top of its range, {f('gauge_top')}"
        case "gauge_bottom":
            return f"the gauge is at the bottom of its range, {f('gauge_bottom')}"
        case "gap":
            return f"{f('gap')} of the hold without trusted readings ({f('gap_reason')})"
        case "gaps":
            return f"{f('lost')} of the hold without trusted readings"
        case "too_short":
            return f"isolated {f.beside('isolated_for', 'hold')} of the {f('hold')} required"
        case "started_above":
            return f"isolated at {f.beside('start', 'start_max')}, {f('start_max')} or less required"
        case "start_within_u":
            return (
                f"isolated at {f('start')}, too close to the {f('start_max')} required for this gauge: "
                f"isolate at {f('isolate_at')} or less"
            )
        case "started_above_limit":
            return f"isolated at {f.beside('start', 'limit')}, over the limit of {f('limit')}"
        case "highest_within_u":
            return f"highest {f('highest')}, too close to the limit of {f('limit')} for this gauge"
        case "rise_within_u":
            return f"up {f('rise')}, too close to the {f('rise_max')} allowed for this gauge"
        case "earlier_holds":
            return f"hold {f('hold_number')} of {f('holds')}, but {f('held_before')} earlier holds passed on record"
        case "evacuations_not_counted":
            return f"{f('evacuations_asked')} evacuations required, number done not recorded"
        case "evacuations":
            return f"{f('evacuations_asked')} evacuations required, {f('evacuations')} recorded"
        case "no_ambient":
            return f"ambient above {f('ambient_min')} required, none measured"
        case "cold":
            return f"ambient down to {f.beside('coldest', 'ambient_min')}, above {f('ambient_min')} required"
    raise KeyError(code)


def _sign(code: str, f: Given) -> str:
    """What was seen of a gauge that cannot be trusted."""
    match code:
        case "gauge-stuck":
            return f"the reading did not change by a digit for {f.rough('unchanged_for')}"
        case "reading-falls":
            return f"the reading fell from {f('fell_from')} to {f('fell_to')} in a closed system"
        case "gauge-erratic":
            return f"the reading swung {f('swings')} times by more than {f('swings_by')}: a closed system does not"
        case "gauges-disagree":
            return f"another gauge reads {f('other_gauge')}, the vacuum gauge {f('vacuum_gauge')}"
        case "gauge-valved-off":
            return "the reading rose the same way before and after the pump was valved off"
        case "gauge-above-pump":
            reading = f"{f('under_pump')} with the pump on, which reaches {f('pump_limit')}"
            return f"the reading was {reading}, and did not rise when the pump was valved off"
        case "still-pumped":
            return "the reading kept falling after isolation, just as before it"
    raise KeyError(code)


def _cause(f: Given) -> Text:
    code = f.code("cause_code")
    body = _cause_body(f, code)
    if f.has("temperature"):
        body += f" {f('temperature')}"
    checks = tuple(SIGN_CHECK[check] if check in SIGN_CHECK else TERMS[check] for check in f.codes("check"))
    if f.has("fell"):
        body += f" The reading fell by {f('fell')} after isolation: check for a drier, a cooling system or gauge drift."
    headline = TERMS.get(code, "cause of the rise: can't tell")
    if code == "leak":
        headline = f"leak: {f('rate')}"
    elif code == "unknown":
        headline = f"leak not ruled out: up to {f('largest_rate')}"
    return Text(headline, body, _SHAPES, _CALLED, f.all("cause"), checks)


def _cause_body(f: Given, code: str) -> str:
    match code:
        case "not_isolated":
            return f"Cause unknown: {f('reason')}."
        case "gauge":
            return "Cause unknown: the gauge cannot be trusted."
        case "no_shape":
            return f"Cause unknown: {f('rate')}."
        case "tight":
            return f"No leak found: steady rise under {f('largest_rate')}."
        case "levels_off":
            level = f" at about {f('levels_off_at')}" if f.has("levels_off_at") else ""
            return f"Rose and leveled off{level}; steady rise under {f('largest_rate')}."
        case "leak":
            straight = f"Outgassing over more than about {f.rough('straight_for')} would look the same."
            return f"Steady rise of {f.spread('rate')}, as from a leak. {straight}"
        case "leak_and_rise":
            level = f" at {f('levels_off_at')}" if f.has("levels_off_at") else ""
            return f"Steady rise of {f.spread('rate')}, as from a leak, beside a part that levels off{level}."
        case "masked":
            leak = f"A leak of up to {f('largest_rate')} would not show"
            more = f" Or keep it isolated for about {f.rough('go_on')} in total." if f.has("go_on") else ""
            slows = "The rise slows down, as from moisture, refrigerant in oil or gaskets"
            return f"{slows}. {leak}. Dry the system, test again.{more}"
        case "unknown":
            more = f" Keep it isolated for about {f.rough('go_on')} in total." if f.has("go_on") else ""
            return f"A leak of up to {f('largest_rate')} is possible: {f('why')}.{more}"
    raise KeyError(code)


def _gauge(f: Given) -> Text:
    body = (
        f"The reading rose {f('rise')} within minutes, then held. Moisture does that, or oil on the gauge's sensor: it "
        "then reads high and slow."
    )
    return Text("check the gauge", body, causes=f.all("cause"), check_next=f.all("check"))


def _leak_rate(f: Given) -> Text:
    if not f.known("flow"):
        return Text("leak rate unknown", f"Leak rate unknown: {f('flow')}.", check_next=f.all("check"))
    if not f.has("loss_low"):
        return Text(f"leak rate {f('flow')}", f"Leak rate {f('flow')} of air into the vacuum.", _FLOW_RULE)
    loss = f"{f.from_to('loss_low', 'loss_high')} of {f('gas')}"
    body = f"Leak, in service: {loss}, depending on the hole. Air into the vacuum: {f('flow')}."
    return Text(f"leak, in service: {loss}", body, f"{_FLOW_RULE}; {f('assumption')}")


def _water(f: Given) -> Text:
    boils = f"{f.code('phase')} at {f.whole('water_boils_at')}"
    if f.has("supercooled_at"):
        boils += f" or supercooled water at {f.whole('supercooled_at')}"
    body = f"Levels off at about {f('levels_off_at')}, the vapor pressure of {boils}."
    match f.code("judged"):
        case "free":
            body += f" Water at the measured {f.whole('near')} holds it there: liquid water is left."
        case "more":
            body += f" Now {f('now')}: water at the measured {f.whole('near')} alone cannot reach that."
        case "colder":
            body += (
                f" Free water at the measured {f.whole('near')} would reach {f('water_pressure')}: a cold spot with "
                "ice or water, or moisture or refrigerant in oil."
            )
    headline = {"free": "free water", "more": "more than water", "colder": "moisture possible",
                "possible": "moisture possible"}[f.code("judged")]  # fmt: skip
    return Text(headline, body, _WATER_RULE, causes=f.all("cause"))


SIGN_CHECK = {
    "gauge-stuck": "Cycle the gauge's power; the reading must move when its port is opened",
    "reading-falls": "Check that the pump was really valved off; a gauge wetted by oil also falls slowly",
    "gauge-erratic": "Check the gauge's sensor for oil or moisture: clean or change it, mount it upright, test again",
    "gauges-disagree": "Check that the valve between vacuum gauge and system is open; look for oil on the sensor",
    "gauge-valved-off": "Check that the valve between gauge and system is open: the gauge may see only its own volume",
    "gauge-above-pump": "Check that the valve between gauge and system is open; if it is, check the pump's oil",
    "still-pumped": "Check that the pump was really valved off, and when that was marked",
    "gauge_top": "Use a gauge that reads higher, or evacuate further",
    "gauge_bottom": "Use a gauge that reads lower",
}
_DO = {
    "no_accuracy": "Enter the gauge's accuracy in the rig file: `accuracy`",
    "no_readings": "Check the gauge and its cable",
    "gauge_top": "Use a gauge that reads higher, or evacuate further",
    "gauge_bottom": "Use a gauge that reads lower",
    "gap": "Check the gauge's cable and power, then repeat the test",
    "gaps": "Check the gauge's cable and power, then repeat the test",
    "too_short": "Keep it isolated until the hold is over",
    "started_above": "Evacuate further, then isolate again",
    "start_within_u": "Evacuate further, then isolate again",
    "started_above_limit": "Evacuate further, then isolate again",
    "highest_within_u": "Use a more accurate gauge, or evacuate further",
    "rise_within_u": "Use a more accurate gauge",
    "earlier_holds": "Do the earlier holds first",
    "evacuations_not_counted": "Log each evacuation as a stage of its own, with nitrogen breaks between",
    "evacuations": "Break with dry nitrogen and evacuate again",
    "no_ambient": "Connect an ambient temperature sensor",
    "cold": "Warm the system, then repeat the test",
}
TERMS = {
    "tight": "no leak found",
    "levels_off": "rises and levels off: no leak found",
    "leak": "a leak",
    "leak_and_rise": "leak, with moisture or outgassing",
    "masked": "moisture or outgassing: leak not ruled out",
    "moisture": "moisture",
    "oil_outgassing": "refrigerant boiling out of oil",
    "outgassing": "outgassing",
    "oily_gauge": "oil on the gauge's sensor, which then reads high",
    "core_or_hose": "a valve core or hose fitting of the test setup",
    "slow_moisture": "rarely, moisture seeping out of oil or a dead end",
    "leak_with_moisture": "a leak together with moisture or outgassing",
    "moisture_or_outgassing": "moisture or outgassing",
    "evacuate_and_repeat": "Keep evacuating, warm the system, break with dry nitrogen and test again",
    "find_leak": "Find the leak with nitrogen pressure and soap or an electronic detector",
    "hoses_off": "Valve off the hoses at the system and repeat: if the rise stops, it was the hoses",
    "watch_for_hours": "If none is found, watch for several hours: only a leak stays straight",
    "leak_first": "Find and repair the leak first, then evacuate further with nitrogen breaks",
    "dry_system": "Dry the system: evacuate longer, warm it, break with dry nitrogen",
    "not_measured": "No temperature measured: drift is allowed for.",
    "could_hide": "no steady rise seen, but one that matters would not show",
    "state_drift": "State the gauge's zero drift in the rig file, `zero_drift`: what is taken for it hides more",
    "still_rising": "still rising, and a leak and slow outgassing still look the same",
    "too_short": "slow outgassing or gauge drift looks the same in a test this short",
    "taken_up": "something takes up gas, such as a drier, and hides part of a leak",
    "isolated_too_high": "isolated at too high a pressure, mostly vapor; evacuate deeper first",
    "vapor_follows_temperature": "over water or oil a temperature drift gives a straight rise too",
    "scatter": "the readings scatter too much for this short a test",
    "oily_sensor": "oil on the gauge's sensor",
    "little_moisture": "a little moisture, or refrigerant in oil",
    "clean_gauge": "Compare with a clean gauge, or clean this one, and test again",
    "enter_volume": "Enter the system's internal volume with the job",
    "held_moisture": "moisture held in oil, or refrigerant boiling out of it",
    "liquid_water": "liquid water in the system",
    "leak_beside_water": "a leak beside the water",
    "liquid_refrigerant": "liquid refrigerant, or refrigerant boiling out of oil",
    "choose_profile": "Select a pass/fail standard when the stage begins: `--profile NAME`",
    "see_cause": "Find what made it rise",
    "gauge_moves": "Let a little nitrogen in, or open the pump again: the gauge must move (a gauge shut off from the "
    "system shows a good vacuum too)",
}


_ON_COURSE_TO_FAIL = "On course to fail. Check hoses, cores and service valves first, then the system."
ALARMS = {
    "vacuum-rise": alarm("DECAY: PRESSURE RISING SINCE ISOLATION", _ON_COURSE_TO_FAIL),
    "vacuum-over-limit": alarm("DECAY OVER LIMIT", _ON_COURSE_TO_FAIL),
}
WORDS = Words(
    statements={
        "decay.valved_off": lambda f: (
            f"Pressure rising, {f('vacuum')}: pump valved off?"
            if f.code("seen") == "rises"
            else f"Vacuum steady for 10 min, {f('vacuum')}: pump valved off?"
        ),
        "decay.to_isolate": always("When the pump is valved off, mark it"),
        "decay.to_hold": lambda f: f"Wait: isolated {f.so_far('lasted', 'hold')}",
    },
    alarms=ALARMS,
    findings={
        "decay.verdict": _verdict,
        "decay.cause": _cause,
        "decay.gauge": _gauge,
        "decay.leak-rate": _leak_rate,
        "decay.hidden": hidden_leak.words,
        "decay.water": _water,
    },
    terms=TERMS,
    labels={
        **hidden_leak.LABELS,
        "fell": "fall after isolation",
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
        "levels_off_at": "levels off at",
        "water_boils_at": "water would boil there at",
        "supercooled_at": "supercooled water would boil there at",
        "water_pressure": "vapor pressure of water at the measured temperature",
        "near": "temperature measured",
    },
)
