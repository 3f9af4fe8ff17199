"""Charging in words."""

from logger.model.finding import Text
from logger.scale.words import MASS_LABELS, MASS_RULE, not_counted
from logger.stages.high_side import HIGH_HEAD, HIGH_HEAD_WORDS
from logger.wording.book import StatementWords, Words, alarm
from logger.wording.given import Given, many, sentence


def _mass(f: Given) -> Text:
    if not f.known("charged"):
        return Text("charged mass unknown", f"Charged mass unknown: {f('charged')}.", MASS_RULE)
    fastest = f", fastest {f('fastest')}" if f.known("fastest") and f.value("fastest").number else ""
    body = f"Charged {f.spread('charged')} in {f.rough('lasted')}{fastest}.{not_counted(f)}"
    if f.has("drift"):
        body += f" The scale drifted while nothing flowed: up to {f('drift')} in all, in the uncertainty."
    return Text(f"{f('charged')} charged", body, MASS_RULE)


def _target(f: Given) -> Text:
    off, target = f("off_by"), f("target")
    headline, body = {
        "met": ("target met", f"Target met: {f('charged')}, target {target}."),
        "over": (f"OVERCHARGED by {off}", f"OVERCHARGED by {off}, target {target}."),
        "short": (f"{off} short of the target", f"{off} short of the target of {target}."),
        "too_coarse": (
            "target: can't tell",
            f"{f('charged')} charged, target {target}: the scale is too coarse, or drifts too much.",
        ),
    }[f.code("judged")]
    rule, decision = (
        "within one division of the scale of the target",
        "one division plus the expanded uncertainty",
    )
    checks = ("Recover the excess before starting the compressor",) if f.code("judged") == "over" else ()
    return Text(headline, body, rule, decision, check_next=checks)


def _full_charge(f: Given) -> Text:
    rule = "charge on the nameplate"
    decision = "over or short where the difference exceeds its expanded uncertainty and 1 % of the charge"
    if f.code("judged") == "unknown":
        body = f"System charge unknown: what was in it before is not known. Full charge {f('full_charge')}."
        return Text("full charge: can't tell", body, rule, decision)
    if f.code("judged") == "too_coarse":
        body = f"{f('in_the_system')} of {f('full_charge')}: the scale is too coarse, or drifts too much."
        return Text("full charge: can't tell", body, rule, decision)
    headline = {"met": "full charge", "over": "OVER THE FULL CHARGE", "short": "short of the full charge"}
    text = headline[f.code("judged")]
    checks = ("Recover the excess before starting the compressor",) if f.code("judged") == "over" else ()
    body = f"{sentence(text)}: {f('in_the_system')} of {f('full_charge')}."
    return Text(text, body, rule, decision, check_next=checks)


_NO_RATE = {
    "no_full_charge": "full charge of the system not entered. Enter it with the job",
    "no_appliance": "no system named in the job, and earlier jobs are found by that name. Enter it with the job",
}


def _leak_rate(f: Given) -> Text:
    judged = f.code("judged")
    if judged in _NO_RATE:
        return Text("no leak rate", f"No leak rate: {_NO_RATE[judged]}.")
    if judged == "amount_unknown":
        return Text("no leak rate", f"No leak rate: the amount added is unknown ({f('added')}).")
    if judged == "nothing_added":
        return Text("nothing added", f"Nothing added, no leak rate. {_record(f)}")
    method = f("method")
    rule = f"{f('law')}, {f.code('method')} method" if f.has("law") else f"{f.code('method')} method"
    percent = f"{_percent(f)} of the full charge a year"
    headline, decision = f"leak rate {_percent(f)} a year", ""
    check: tuple[str, ...] = ()
    match judged:
        case "no_rate":
            headline, said = "no leak rate", f"{f('leak_rate')}."
        case "unknown_addition":
            headline, said = "no leak rate", f"an unknown amount was added on {f('unknown_addition')}."
        case "other_purpose":
            said = f"{percent}, not judged: added for {f('purpose')}."
        case "too_small":
            least = f("smallest_covered")
            said = f"{percent}. The rule covers {least} of full charge or more; this appliance has less."
        case "excluded":
            said = f"{percent}. Residential and light commercial comfort cooling is not covered."
        case "not_regulated":
            said = f"{percent}. No leak rate limit applies to this refrigerant on this date."
        case "gwp_unknown":
            said = f"{percent}, not judged: the GWP of this refrigerant is not known."
        case "no_refrigerant":
            said = f"{percent}, not judged: refrigerant not known. Enter it with the job."
        case "checks":
            said = (
                f"{percent}. {f('co2e')} t of CO2 equivalent: check for leaks every {f('months')} months, every "
                f"{f('months_detected')} with a leak detection system."
            )
        case "no_checks":
            said = f"{percent}. {f('co2e')} t of CO2 equivalent: no regular leak checks required."
        case _:
            said = f"{percent}; the threshold for {f('class')} is {f('threshold')}."
            decision = f"simple acceptance: {'above' if judged == 'over' else 'at or below'} the threshold"
            if judged == "at_least":
                headline = f"leak rate at least {_percent(f)} a year"
                said = f"at least {said} Earlier jobs are missing: no pass."
            if judged == "over":
                check = (
                    f"Find and repair the leaks by {f('repair_due')}; where an industrial process must be shut down, "
                    "within 120 days",
                    "Test the repair at once, and again within 10 days of that test",
                    "Keep the record of it",
                )
    if f.has("chronic"):
        said += f" {f('of_year')} of the full charge added this calendar year: chronic leaker."
        check = (*check, "Report it to the agency by March 1 of next year")
    return Text(headline, f"{method} method: {said} {_record(f)}", rule, decision, check_next=check)


def _percent(f: Given) -> str:
    """Never shown as the threshold itself where it is above it."""
    if not f.known("leak_rate"):
        return ""
    rate = 100 * (f.value("leak_rate").number or 0.0)
    limit = 100 * (f.value("threshold").number or 0.0) if f.known("threshold") else -1.0
    digits = 4 if f.code("judged") == "over" and f"{rate:.1f}" == f"{limit:.1f}" else 1
    return f"{rate:.{digits}f} %"


def _record(f: Given) -> str:
    """How the mass added was found, and what is on record."""
    parts = [f"charged {f('charged_in_all')}"]
    if f.has("recovered_in_all"):
        parts.append(f"less {f('recovered_in_all')} recovered in this job")
    if f.has("taken_out_earlier"):
        parts.append(f"less {f('taken_out_earlier')} taken out in earlier jobs and not put back")
    text = f"Added {f.spread('added')} ({', '.join(parts)})."
    count = int(f.value("earlier_additions").number or 0)
    if not count:
        text += " No earlier addition to this appliance is on this computer."
    else:
        text += (
            f" On this computer: {many(count, 'earlier addition')} to this appliance, the last on {f('last_addition')}."
        )
    return f"{text} Not every earlier job could be read." if f.code("record") == "incomplete" else text


ALARMS = {
    "charge-near": alarm("TARGET CHARGE NEAR", "Hand on the valve."),
    "charge-reached": alarm("TARGET CHARGE REACHED", "Close the valve now."),
    "overcharge": alarm("OVERCHARGED", "Close the valve. Recover the excess before starting the compressor."),
    HIGH_HEAD: HIGH_HEAD_WORDS,
}


def _close_in(f: Given) -> str:
    soonest, latest = f.rough("soonest"), f.rough("latest")
    return f"Close the valve in {soonest if soonest == latest else f'{soonest} to {latest}'}."


ADVICE: dict[str, StatementWords] = {
    "charging.scale_silent": lambda f: f"Close the valve until the scale is back: {f('why')}.",
    "charging.settling": lambda f: "No flow: wait for the scale to settle.",
    "charging.close_now": lambda f: "Close the valve now.",
    "charging.target_met": lambda f: "Target met, within one scale division.",
    "charging.over_target": lambda f: f"Over the target by {f('over')}.",
    "charging.top_up": lambda f: f"Short by {f('short')}: open the valve slowly, no faster than {f('fastest')}.",
    "charging.wait": lambda f: "Waiting for flow.",
    "charging.slow_down": lambda f: f"Slow down to {f('fastest')} or less, or the charge will overshoot.",
    "charging.close_in": _close_in,
    "charging.unknown": lambda f: f"Charged mass unknown: {f('why')}. Check the scale and its cable",
    "charging.to_charge": lambda f: f"Charge {f('short')} more",
    "charging.none_yet": lambda f: "Weigh the charge in; nothing has gone in yet",
}
WORDS = Words(
    alarms=ALARMS,
    statements={
        **ADVICE,
        "charging.began": lambda f: (
            f"Charging began: {f('rate')} out of the cylinder"
            if f.code("seen") == "off"
            else f"Charging began: {f('rate')} into the system on the scale"
        ),
        "charging.over": lambda f: f"Charging stopped after {f('moved')}",
    },
    findings={
        "charging.mass": _mass,
        "charging.target": _target,
        "charging.full_charge": _full_charge,
        "charging.leak_rate": _leak_rate,
    },
    terms={
        "unnamed": "not named",
        "met": "target met",
        "over": "over the target",
        "short": "short of the target",
        "annualizing": "Annualizing",
        "rolling": "Rolling",
        "comfort-cooling": "comfort cooling and other appliances",
        "residential-light-commercial": "residential and light commercial comfort cooling",
        "commercial": "commercial refrigeration",
        "chronic": "chronic leaker",
        "industrial": "industrial process refrigeration",
    },
    labels={
        "drift": "drift of the scale",
        **MASS_LABELS,
        "leak_rate": "leak rate, share a year",
        "in_the_system": "in the system now",
        "gwp": "GWP (AR4, 100 years)",
        "co2e": "CO2 equivalent, t",
        "of_year": "added this calendar year",
    },
)
