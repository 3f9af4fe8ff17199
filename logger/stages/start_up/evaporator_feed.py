"""Is the evaporator fed as it should be? Superheat, subcooling, valve and level judged together.

The limits are common practice, no source: a suction superheat of 10 to 12 °F at its setpoint, over 20 °F with the
valve wide open means starved, near the setpoint with the valve around 60 % is healthy.
"""

from dataclasses import dataclass

from logger.model.finding import Finding, Verdict, worded
from logger.model.value import Value
from logger.wording.numbers import kelvin

K_PER_F = 5 / 9
SUPERHEAT_TARGET_K = 11 * K_PER_F
SUPERHEAT_TOLERANCE_K = 5 * K_PER_F  # California Reference Appendix RA3.2
SUBCOOLING_TOLERANCE_K = 3 * K_PER_F  # RA3.2, from memory
HIGH_SUPERHEAT_K = 20 * K_PER_F
LOW_SUBCOOLING_K, HIGH_SUBCOOLING_K = 2.0, 10.0
WIDE_OPEN, NEARLY_CLOSED = 0.95, 0.20
LOW_LEVEL, HIGH_LEVEL = 0.25, 0.75
RULE = "superheat, subcooling, valve and level together (common practice, no source)"


@dataclass(frozen=True, slots=True)
class Feed:
    """What the window shows. valve, level: 0 to 1. valve_change: of the valve over the window, by its trend."""

    superheat: Value
    subcooling: Value
    valve: Value
    level: Value
    valve_change: float = 0.0
    target_k: float = SUPERHEAT_TARGET_K
    tolerance_k: float = SUPERHEAT_TOLERANCE_K


def judge_feed(feed: Feed) -> Finding:
    """One finding with the readings behind it and what to check next."""
    inputs = (
        ("suction superheat", feed.superheat),
        ("subcooling", feed.subcooling),
        ("valve position", feed.valve),
        ("level", feed.level),
    )
    superheat = feed.superheat.number
    if superheat is None:
        text = f"Feed not judged: {feed.superheat.problem}."
        return worded("start_up.feed", Verdict.CANNOT_TELL, "cannot tell", text, RULE, inputs=inputs)
    high = min(feed.target_k + feed.tolerance_k, HIGH_SUPERHEAT_K)
    low = max(feed.target_k - feed.tolerance_k, 0.0)
    if superheat > high:
        verdict, headline, text, causes, check = _starved(feed, superheat)
    elif superheat < low:
        verdict, headline, text, causes, check = _flooding(feed, superheat)
    else:
        verdict, headline, text, causes, check = _healthy(feed, superheat)
    return worded("start_up.feed", verdict, headline, text, RULE, "", inputs, causes, check)


_Judged = tuple[Verdict, str, str, tuple[str, ...], tuple[str, ...]]


def _starved(feed: Feed, superheat: float) -> _Judged:
    valve, subcooling, level = feed.valve.number, feed.subcooling.number, feed.level.number
    causes: list[str] = []
    check: list[str] = []
    short = subcooling is not None and subcooling < LOW_SUBCOOLING_K
    if valve is not None and valve < WIDE_OPEN:
        text = f"Superheat is {kelvin(superheat)} with the valve at only {100 * valve:.0f} %: it is not opening."
        headline = "high superheat, valve not opening"
        causes += ["setpoint too high or controller limited", "its pressure or temperature sensor wrong"]
        check += ["setpoint and sensors of the valve's controller"]
    else:
        wide = "" if valve is None else f" with the valve at {100 * valve:.0f} %"
        text = f"Superheat is {kelvin(superheat)}{wide}: the evaporator is starved."
        headline = "starved"
    if short and subcooling is not None:
        causes.insert(0, f"short of charge: subcooling only {kelvin(subcooling)}, vapour reaches the valve")
        check += ["sight glass", "charge, and leaks before adding any"]
    elif subcooling is not None:
        causes.append(f"restriction before the valve (drier, solenoid, strainer): subcooling is {kelvin(subcooling)}")
        check += ["temperature drop across drier and solenoid", "valve size against the load"]
    else:
        causes += ["short of charge", "restriction before the valve"]
        check += ["subcooling: it tells the two apart"]
    if level is not None and level < LOW_LEVEL:
        text += f" The level is {100 * level:.0f} %."
    return Verdict.ATTENTION, headline, text, tuple(causes), tuple(check)


def _flooding(feed: Feed, superheat: float) -> _Judged:
    valve, subcooling, level = feed.valve.number, feed.subcooling.number, feed.level.number
    causes: list[str] = []
    closing = valve is not None and (valve <= NEARLY_CLOSED or feed.valve_change < -0.05)
    text = f"Superheat is only {kelvin(superheat)}"
    if valve is not None:
        text += f" with the valve at {100 * valve:.0f} %" + (" and closing" if closing else "")
    text += ": liquid may reach the compressor."
    if closing:
        causes += ["valve leaking by or not following its motor", "load or air/fluid flow far too low"]
    else:
        causes += ["suction sensor or bulb off the pipe or uninsulated", "setpoint too low, or valve stuck open"]
    if subcooling is not None and subcooling > HIGH_SUBCOOLING_K:
        causes.append(f"overcharged: subcooling {kelvin(subcooling)}")
    if level is not None and level > HIGH_LEVEL:
        causes.append(f"much refrigerant: level {100 * level:.0f} %")
    check = ("suction sensor and its contact", "discharge superheat and oil level", "load, fluid flow and filters")
    return Verdict.ATTENTION, "flooding", text, tuple(causes), check


def _healthy(feed: Feed, superheat: float) -> _Judged:
    valve = feed.valve.number
    text = f"Superheat is {kelvin(superheat)}, near its target of {kelvin(feed.target_k)}"
    if valve is not None and valve >= WIDE_OPEN:
        text += f", but the valve is at {100 * valve:.0f} %: nothing in reserve."
        look_at: tuple[str, ...] = ("subcooling and charge", "drier and strainer", "whether the load is above design")
        return Verdict.ATTENTION, "valve at its end", text, ("short of charge, restriction, or high load",), look_at
    if valve is not None and valve <= NEARLY_CLOSED:
        text += f", with the valve nearly closed at {100 * valve:.0f} %."
        look_at = ("load and fluid flow", "valve size")
        return Verdict.ATTENTION, "valve nearly closed", text, ("low load, or valve too large for it",), look_at
    text += "." if valve is None else f", with the valve at {100 * valve:.0f} %."
    return Verdict.PASS, "fed well", text, (), ()
