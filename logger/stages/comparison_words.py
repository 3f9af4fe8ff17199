"""A comparison in words: what each measure says, in the reader's units, and its finding."""

from logger.model.finding import Text
from logger.model.value import known, number
from logger.stages.comparison import Comparing
from logger.statistics.ratio import Answer, K, Measure
from logger.wording.book import Words
from logger.wording.given import Given, sentence
from logger.wording.values import Shown

CAVEAT = (
    "One run of each: all else that differed between them (weather, hoses, warm-up) is in the difference, and how much "
    "runs differ of themselves is not known."
)
NORMALISED = {
    "share_of_charge": "compared as share of the charge",
    "time_per_liter": "compared as time per liter of circuit",
    "gas_let_in": "compared as gas let in, pressure times volume",
    "charge_unknown": "not normalized: a charge is not known for both",
    "volume_unknown": "not normalized: a volume is not known for both",
    "as_they_are": "compared as they are: each is the mean of the window that was judged",
    "volume_cancels": "both on one circuit, its volume cancels: times and pressures are compared as they are",
}
HEADLINES = {
    "differ": "they differ by more than the uncertainty",
    "same": "no difference beyond the uncertainty",
    "unknown": "cannot tell",
}
_RULE = "95 % intervals from the instruments' and the readings' uncertainty"


def name_of_measure(measure: Measure, by: Comparing, shown: Shown) -> str:
    return by.measures[measure.key].name(Given(measure.at, shown, {}))


def said_of_measure(measure: Measure, by: Comparing, shown: Shown) -> str:
    """Such as "mean rate over the common part: B recovered 12% faster (8% to 16%, 95 %)"."""
    return f"{name_of_measure(measure, by, shown)}: {_answer(measure, by, shown)}"


def _answer(measure: Measure, by: Comparing, shown: Shown) -> str:
    a, b, words = measure.a, measure.b, by.measures[measure.key]
    if a.number is None or b.number is None:
        return f"unknown, because {a.problem or b.problem or 'unknown'}"
    if measure.answer is Answer.CANNOT_TELL:
        return "not judged, because no uncertainty is stated"
    low, high, ratio = measure.low, measure.high, measure.ratio.number
    if measure.answer is Answer.SAME:
        between = "" if low is None else f" (B is {low:.2f} to {high:.2f} times A)"
        return f"no difference beyond the uncertainty{between}"
    word = words.more if measure.answer is Answer.MORE else words.less
    if measure.difference is not None:
        gap = known(abs(b.number - a.number), a.unit, measure.u_difference)
        given = Given((number("gap", measure.difference, gap),), shown, {})
        u = "" if gap.u is None else f" (± {shown.spread(K * gap.u, measure.difference)}, 95 %)"
        return f"B {words.verb} {given('gap')} {word}{u}"
    if ratio is None or low is None or high is None:
        return f"B {words.verb} {word}"
    if ratio >= 2.0:
        digits = 1 if ratio < 20.0 else 0
        times, first, last = (f"{x:,.{digits}f}" for x in (ratio, low, high))
        return f"B is {times} times A ({first} to {last}, 95 %)"
    ends = sorted((abs(low - 1.0), abs(high - 1.0)))
    digits = 0 if ends[1] - ends[0] >= 0.02 else 1
    change, first, last = (f"{x:.{digits}%}" for x in (abs(ratio - 1.0), *ends))
    return f"B {words.verb} {change} {word} ({first} to {last}, 95 %)"


def _compared(f: Given) -> Text:
    why = f("why") if f.has("why") else f("normalised")
    body = f"A is {f('a')}, B is {f('b')}. {sentence(why)}."
    return Text(HEADLINES[f.code("judged")], body, _RULE)


WORDS = Words(
    findings=dict.fromkeys(("compare.recovery", "compare.pull-down", "compare.decay"), _compared),
    terms={
        **NORMALISED,
        "nothing_recovered": "nothing was recovered over a part common to both",
        "no_common_range": "the two did not pass through a common range of pressures",
        "not_analyzed": "a decay of one or both could not be analyzed",
    },
)
