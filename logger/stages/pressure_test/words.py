"""Pressure test in words."""

from logger.model.finding import Text
from logger.wording.book import Words
from logger.wording.given import Given

_DECISION = (
    "held only if the drop is not above zero by more than 1.645 of its standard uncertainty (95 %) and the test could "
    "have seen the drop the profile asks for; did not hold only if the drop less its expanded uncertainty (k=2) is "
    "above what is allowed"
)


def _why_not(f: Given) -> Text:
    body = {
        "few_readings": "Too few pressure readings. Check the gauge and its cable.",
        "out_of_range": f"Not corrected for temperature: {f('detail') if f.has('detail') else 'out of range'}.",
        "no_temperature": "No temperature was measured: without one a pressure change says nothing. "
        "Clamp a sensor on the pipe.",
        "absolute_zero": "A temperature is not above absolute zero. Check the sensor.",
        "temperature_at_ends": "The temperature was not measured at both ends of the test.",
    }
    if f.code("why") == "too_short":
        text = f"Held for {f('lasted')} so far; {f('least')} is the least that can be judged."
    else:
        text = body[f.code("why")]
    return Text("can't tell", text, decision_rule=_DECISION)


def _doubt(f: Given, code: str) -> str:
    match code:
        case "no_profile":
            return "no acceptance profile was chosen"
        case "too_short":
            return f"held for {f('lasted')} of the {f('hold')} required"
        case "gaps":
            return f"{f('lost')} of the test without trusted readings"
        case "no_pressure":
            return "the pressure was not above ambient"
        case "blind":
            return (
                f"a drop under {f('smallest_drop')} cannot be seen with these instruments, and the test must see "
                f"{f('must_see_share')} of the pressure, {f('must_see')}"
            )
        case "rose":
            return "the pressure rose by more than temperature explains: something else came in, or a sensor drifts"
        case "some_drop":
            return "a small drop shows, within the uncertainty"
        case _:
            return f"the drop is within its uncertainty of the {f('allowed')} allowed"


def _verdict(f: Given) -> Text:
    if f.has("why"):
        return _why_not(f)
    drop = f.value("drop").number or 0.0
    moved = f"down {f.spread('drop')}" if drop >= 0 else f"up {f.spread_of_size('drop')}"
    body = f"Pressure {moved} in {f('lasted')}, corrected for temperature ({f('law')})."
    body += f" A drop under {f('smallest_drop')} could not have been seen."
    doubts = [_doubt(f, code) for code in f.codes("doubt")]
    if doubts:
        body += f" Can't tell: {'; '.join(doubts)}."
    headline = "can't tell" if doubts else "did not hold" if "find_leak" in f.codes("check") else "held"
    source = f("law_source")
    rule = f"profile {f('profile')}; {source}" if f.has("profile") else source
    return Text(headline, body, rule, _DECISION, check_next=f.all("check"))


WORDS = Words(
    findings={"standing-pressure.verdict": _verdict},
    terms={
        "find_leak": "find the leak: soap on every joint, then repeat",
        "clamp_pipe": "clamp a temperature sensor on the pipe, under insulation: the gas follows the air late",
    },
    labels={
        "expected": "expected at the end",
        "smallest_drop": "smallest drop that could be seen",
        "temperature_start": "temperature at the start",
        "temperature_end": "temperature at the end",
        "lasted": "time",
        "hold": "time required",
        "allowed": "drop allowed",
        "lost": "time without trusted readings",
        "must_see": "drop the test must see",
        "must_see_share": "as a share of the pressure",
    },
)
