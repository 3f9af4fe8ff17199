"""Pressure test in words."""

from logger.model.finding import Text
from logger.model.points import POINTS
from logger.stages import hidden_leak
from logger.wording.book import AlarmText, AlarmWords, Words, alarm, always
from logger.wording.given import Given, sentence

_DECISION = (
    "held only if the drop is not above zero by more than 1.645 of its standard uncertainty (95 %) and the test could "
    "have seen the drop the profile requires it to see; did not hold only if the drop less its expanded uncertainty "
    "is above what is allowed"
)
_OPEN = "pressure test: can't tell"
_UNKNOWN = {
    "no_temperature": "no temperature was measured. Clamp a sensor on the pipe.",
    "absolute_zero": "a temperature reading is not above absolute zero. Check the sensor.",
    "temperature_at_ends": "temperature missing at the start or the end of the test. Check the sensor and repeat.",
}
_DO = {
    "no_profile": "Select a pass/fail standard when the stage begins: `--profile NAME`",
    "too_short": "Keep the system closed until the hold is over",
    "no_accuracy": "Enter the gauge's accuracy in the rig file: `accuracy`",
    "gaps": "Check the gauge's cable and power, then repeat the test",
    "below_test": "Fill with nitrogen to the test pressure, and begin the hold again",
    "below_vapor": "Test at the nameplate's pressure; where one side only is tested, enter `--design-temperature`",
    "no_test_pressure": "Enter the refrigerant, or the nameplate's test pressure: `--test-pressure`",
    "gauge_top": "Use a gauge that reads higher",
    "no_pressure": "Fill with nitrogen to the test pressure",
    "blind": "Test at a higher pressure, or with a finer gauge",
    "rose": "Check that the nitrogen cylinder is shut and the gauge is sound",
    "some_drop": "Soap the joints, or watch longer",
    "near_limit": "Soap the joints, or watch longer",
}


def _why_not(f: Given) -> Text:
    match why := f.code("why"):
        case "too_short":
            held = f"Held {f.beside('lasted', 'least')}; judged from {f('least')} on."
            return Text(_OPEN, f"{held} Keep the system closed.", decision_rule=_DECISION)
        case "few_readings":
            body = "Too few pressure readings. Check the gauge and its cable."
        case "out_of_range":
            reach = f"from {f.whole('coldest')} to {f.whole('warmest')} and up to {f.whole('highest')}"
            body = f"Pressure loss unknown: nitrogen's temperature correction reaches {reach}."
        case _:
            body = f"Pressure loss unknown: {_UNKNOWN[why]}"
    return Text(_OPEN, body, decision_rule=_DECISION)


def _doubt(f: Given, code: str) -> str:
    match code:
        case "no_profile":
            return "no pass/fail standard selected"
        case "too_short":
            return f"held {f.beside('lasted', 'hold')} of the {f('hold')} required"
        case "no_accuracy":
            return "the gauge's accuracy is not stated"
        case "gaps":
            return f"{f('lost')} of the test without trusted readings"
        case "below_test":
            return f"filled to {f('start')} of the {f('test_pressure')} entered"
        case "below_vapor":
            return f"filled to {f('start')}, below {_vapor(f)}"
        case "gauge_top":
            return f"the gauge is at the top of its range, {f('gauge_top')}"
        case "no_test_pressure":
            return "no refrigerant and no test pressure entered to judge the pressure against"
        case "no_pressure":
            return "the system was not above atmospheric pressure"
        case "blind":
            return (
                f"this test cannot see a loss under {f('smallest_drop')}; it must see {f('must_see')}, "
                f"{f('must_see_share')} of the pressure"
            )
        case "rose":
            return "the pressure rose by more than the temperature explains"
        case "some_drop":
            return "a small loss, no larger than the uncertainty"
        case "near_limit":
            return f"the loss is too close to the {f('allowed')} allowed"
    raise KeyError(code)


def _vapor(f: Given) -> str:
    """ "R-410A's vapor pressure at 122 °F, 430 psig (Rimelog default)"."""
    default = "" if f.code("design_basis") == "entered" else " (Rimelog default)"
    return (
        f"{f('refrigerant')}'s vapor pressure at {f.whole('design_temperature')}, {f.whole('vapor_pressure')}{default}"
    )


def _against(f: Given) -> str:
    """What the test pressure was judged against."""
    asked = [f"{f('test_pressure')} entered"] if f.has("test_pressure") else []
    asked += [_vapor(f)] if f.has("vapor_pressure") else []
    return f" Test pressure judged against {' and '.join(asked)}." if asked else ""


def _verdict(f: Given) -> Text:
    if f.has("why"):
        return _why_not(f)
    doubts, failed = f.codes("doubt"), "find_leak" in f.codes("check")
    down = (f.value("drop").number or 0.0) >= 0.0
    moved = f"down {f.spread('drop')}" if down else f"up {f.spread_of_size('drop')}"
    body = f"{f('start')} for {f('lasted')}: {moved}, temperature-corrected"
    if f.has("allowed") and f.value("allowed").number:
        body += f"; {f('allowed')} allowed"
    body += "."
    if not failed and "blind" not in doubts:
        body += f" Smallest loss this test could see: {f('smallest_drop')}."
    if f.has("flow"):
        body += f" Leak: {f('flow')} of nitrogen"
        body += f", in service {f.from_to('loss_low', 'loss_high')} of {f('gas')}." if f.has("loss_low") else "."
    if not any(code.startswith("below") for code in doubts):
        body += _against(f)
    if doubts:
        body += f" {sentence('; '.join(_doubt(f, code) for code in doubts))}."
    headline = _OPEN if doubts else f"pressure lost: {f.beside('drop', 'allowed')}" if failed else "pressure held"
    rule = f"profile {f('profile')}" if f.has("profile") else ""
    if f.has("test_pressure") or f.has("vapor_pressure"):
        rule += f"{'; ' if rule else ''}nameplate and local code decide the test pressure"
    decision = f"{_DECISION}. Temperature correction: {f('law')}, {f('law_source')}"
    return Text(headline, body, rule, decision, check_next=(*(_DO[code] for code in doubts), *f.all("check")))


def _apart(f: Given) -> AlarmText:
    return AlarmText(
        f"{POINTS[f('point')].label} and system gauges disagree",
        "Open every valve between them, or find which gauge is off: a closed valve hides part of the system.",
    )


ALARMS: dict[str, AlarmWords] = {
    "test-overpressure": alarm(
        "TEST PRESSURE TOO HIGH",
        "Shut the nitrogen cylinder. Bleed off slowly; stand clear.",  # words: trade
    ),
    "pressure-lost": alarm("TEST PRESSURE FALLING", "Find the leak. If you are bleeding off, end the stage first."),
    "apart": _apart,
}
WORDS = Words(
    statements={
        "pressure-test.nitrogen_in": lambda f: f"Nitrogen in: system at {f('pressure')}",
        "pressure-test.settled": lambda f: f"Test pressure settled at {f('pressure')}",
        "pressure-test.over": lambda f: f"Test pressure let out, from {f('pressure')}",
        "pressure-test.not_measured": always("System pressure is not measured: time the hold by your own gauge"),
        "pressure-test.no_pressure": lambda f: f"System pressure unknown: {f('why')}. Check the gauge and its cable",
        "pressure-test.to_fill": lambda f: (
            f"Fill with dry nitrogen to {f('wanted') if f.has('wanted') else 'the test pressure'}, shut it in, mark it"
        ),
        "pressure-test.to_settle": lambda f: f"Wait: settling, the test counts in {f.rough('left')}",
        "pressure-test.to_hold": lambda f: f"Wait: held {f.so_far('lasted', 'hold')}",
    },
    alarms=ALARMS,
    findings={"standing-pressure.verdict": _verdict, "standing-pressure.hidden": hidden_leak.words},
    terms={
        "enter_share": (
            "Enter the share of the volume at the measured temperature: `--share` (100% where all of it is in one "
            "place); else measure the second place's temperature too"
        ),
        "real nitrogen": "real nitrogen",
        "ideal gas": "ideal gas",
        "find_leak": "Find the leak: soap every joint, repair, then repeat the test",
        "clamp_pipe": "Clamp a temperature sensor on the pipe, under insulation: the gas follows the air late",
    },
    labels={
        "start": "test pressure",
        "test_pressure": "test pressure entered",
        "vapor_pressure": "vapor pressure at the design temperature",
        "design_temperature": "design temperature",
        "refrigerant": "refrigerant",
        "flow": "leak, of nitrogen",
        "loss_low": "leak in service, at least",
        "loss_high": "leak in service, up to",
        "end": "pressure at the end",
        "drop": "loss, temperature-corrected",
        **hidden_leak.LABELS,
        "split": "uncertainty from volume at each temperature",
        "expected": "expected at the end",
        "smallest_drop": "smallest loss this test could see",
        "temperature_start": "temperature at the start",
        "temperature_end": "temperature at the end",
        "lasted": "held for",
        "least": "shortest time that is judged",
        "hold": "time required",
        "allowed": "loss allowed",
        "lost": "time without trusted readings",
        "must_see": "loss the test must see",
        "must_see_share": "as a share of the pressure",
        "coldest": "coldest with a correction",
        "warmest": "warmest with a correction",
        "highest": "highest pressure with a correction",
    },
)
