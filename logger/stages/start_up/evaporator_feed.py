"""Is the evaporator fed as it should be? Superheat, subcooling, valve and level judged together.

The entered superheat target decides: high and low are beyond its tolerance, floodback is below half of it. A valve wide
open or nearly closed and the levels are common practice, no source.
"""

from dataclasses import dataclass

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.value import Value, known, name_of, number, word

K_PER_F = 5 / 9
SUPERHEAT_TARGET_K = 11 * K_PER_F
SUPERHEAT_TOLERANCE_K = 5 * K_PER_F  # California Reference Appendix RA3.2
SUBCOOLING_TOLERANCE_K = 3 * K_PER_F  # RA3.2, from memory
FLOODBACK_SHARE = 0.5  # of the target: below it liquid may reach the compressor at the next change of load
LOW_SUBCOOLING_K, HIGH_SUBCOOLING_K = 2.0, 10.0
WIDE_OPEN, NEARLY_CLOSED = 0.95, 0.20
LOW_LEVEL, HIGH_LEVEL = 0.25, 0.75


@dataclass(frozen=True, slots=True)
class Feed:
    """What the window shows. valve, level: 0 to 1. valve_change: of the valve over the window, by its trend.
    unsteady: why nothing is judged yet, None when it may be."""

    superheat: Value
    subcooling: Value
    valve: Value
    level: Value
    valve_change: float = 0.0
    target_k: float = SUPERHEAT_TARGET_K
    tolerance_k: float = SUPERHEAT_TOLERANCE_K
    unsteady: str | None = None


def judge_feed(feed: Feed) -> Finding:
    """One finding with the readings behind it, likely causes and what to check next."""
    inputs = (
        number("suction_superheat", Quantity.TEMPERATURE_DIFFERENCE, feed.superheat),
        number("subcooling", Quantity.TEMPERATURE_DIFFERENCE, feed.subcooling),
        number("valve_position", Quantity.RATIO, feed.valve),
        number("liquid_level", Quantity.RATIO, feed.level),
        number("target", Quantity.TEMPERATURE_DIFFERENCE, known(feed.target_k, "K")),
    )
    superheat, expanded = feed.superheat.number, 2 * (feed.superheat.u or 0.0)
    if superheat is None:
        return Finding("start_up.feed", Verdict.CANNOT_TELL, (*inputs, word("judged", "unknown")))
    if feed.unsteady is not None:
        reason = name_of("reason", feed.unsteady)
        return Finding("start_up.feed", Verdict.CANNOT_TELL, (*inputs, word("judged", "unsteady"), reason))
    flooding, low, high = (
        FLOODBACK_SHARE * feed.target_k,
        feed.target_k - feed.tolerance_k,
        feed.target_k + feed.tolerance_k,
    )
    if superheat - expanded > high:
        verdict, judged, causes, checks = _starved(feed)
    elif superheat + expanded < flooding:
        verdict, judged, causes, checks = _flooding(feed)
    elif superheat + expanded < low:
        verdict, judged, causes, checks = Verdict.ATTENTION, ("low",), ["setpoint_low", "bulb_off"], ["suction_sensor"]
    elif superheat - expanded < flooding:
        verdict, judged, causes, checks = Verdict.CANNOT_TELL, ("perhaps_floodback",), [], ["suction_sensor"]
    elif low <= superheat - expanded and superheat + expanded <= high:
        verdict, judged, causes, checks = _on_target(feed)
    else:
        verdict, judged, causes, checks = Verdict.CANNOT_TELL, ("within_u",), [], ["suction_sensor"]
    said = (*(word("judged", code) for code in judged), *(word("cause", c) for c in causes))
    return Finding("start_up.feed", verdict, (*inputs, *said, *(word("check", c) for c in checks)))


_Judged = tuple[Verdict, tuple[str, ...], list[str], list[str]]


def _starved(feed: Feed) -> _Judged:
    valve, subcooling, level = feed.valve.number, feed.subcooling.number, feed.level.number
    judged = ["starved"]
    causes: list[str] = []
    checks: list[str] = []
    if valve is not None and valve < WIDE_OPEN:
        judged = ["not_opening"]
        causes += ["setpoint", "controller_sensor"]
        checks += ["controller"]
    if subcooling is not None and subcooling < LOW_SUBCOOLING_K:
        causes.insert(0, "short_of_charge_seen")
        checks += ["sight_glass", "charge_and_leaks"]
    elif subcooling is not None:
        causes.append("restriction_seen")
        checks += ["drier_drop", "valve_against_load"]
    else:
        causes += ["short_of_charge", "restriction"]
        checks += ["subcooling_tells"]
    if valve is None:  # a thermostatic valve tells nothing of itself
        causes += ["valve_setting", "power_head"]
        checks += ["valve_setting"]
    causes += ["high_load", "low_head"]
    if level is not None and level < LOW_LEVEL:
        judged.append("low_level")
    return Verdict.ATTENTION, tuple(judged), causes, checks


def _flooding(feed: Feed) -> _Judged:
    valve, subcooling, level = feed.valve.number, feed.subcooling.number, feed.level.number
    closing = valve is not None and (valve <= NEARLY_CLOSED or feed.valve_change < -0.05)
    causes = ["leaking_by", "low_load"] if closing else ["bulb_off", "setpoint_low"]
    if subcooling is not None and subcooling > HIGH_SUBCOOLING_K:
        causes.append("overcharged_seen")
    if level is not None and level > HIGH_LEVEL:
        causes.append("high_level_seen")
    checks = ["suction_sensor", "discharge_and_oil", "load_and_flow"]
    return Verdict.ATTENTION, ("floodback_closing",) if closing else ("floodback",), causes, checks


def _on_target(feed: Feed) -> _Judged:
    valve = feed.valve.number
    if valve is not None and valve >= WIDE_OPEN:
        checks = ["subcooling_and_charge", "drier_and_strainer", "design_load"]
        return Verdict.ATTENTION, ("valve_wide_open",), ["no_reserve"], checks
    if valve is not None and valve <= NEARLY_CLOSED:
        return Verdict.ATTENTION, ("valve_nearly_closed",), ["low_load_or_large_valve"], ["load_flow", "valve_size"]
    return Verdict.PASS, ("on_target",), [], []
