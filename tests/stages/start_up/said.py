"""Each thing that is said of a start-up (tests/words.py). Invented figures."""

from collections.abc import Mapping
from dataclasses import replace

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.value import Argument, Statement, Value, known, name_of, number, unknown, word
from logger.stages.start_up.analysis import _LIMITED
from logger.stages.start_up.carry import figures_finding
from logger.stages.start_up.definition import alarms
from logger.stages.start_up.evaporator_feed import Feed, judge_feed
from logger.stages.start_up.findings import (
    compare_finding,
    condensing_finding,
    gas_cooler_approach_finding,
    gas_cooler_finding,
    hunting_finding,
    limited,
    margin_finding,
    standing_finding,
    steady_finding,
    target_finding,
)
from logger.stages.start_up.performance import QUANTITIES, TAKES
from logger.statistics.steadiness import Hunting, Steadiness

WINDOW_S = 900.0
YES = Steadiness(True, 6.31, 0.04, 0.2, 0.1, 0.2, WINDOW_S, "steady for 15 min")
RISING = replace(YES, steady=False, reason="still rising")
SETTLING = replace(YES, steady=None, reason="6 min of settling left")
SWINGING = Hunting(True, 131.0, 3.4, 7, 0.8, "swings with a regular period")
STABLE = Hunting(False, None, 0.3, 0, 0.1, "no repeated swing")
NO_LEVEL = unknown("1", "no readings for liquid level")
NO_LIQUID = unknown("K", "no readings for subcooling")
NO_VALVE = unknown("1", "no readings for valve position")


def kelvin(value: float, u: float | None = 0.15) -> Value:
    return known(value, "K", u)


def steady(**found: Steadiness) -> Finding:
    return steady_finding(found, WINDOW_S)


def target(name: str, value: Value, unsteady: str | None = None) -> Finding:
    return target_finding(name, value, unsteady, 6.4, 2.5)


def feed(
    superheat: Value, valve: float | None = 0.52, subcooling: float | None = 6.8, level: float | None = None,
    change: float = 0.0, unsteady: str | None = None,
) -> Finding:  # fmt: skip
    return judge_feed(
        Feed(
            superheat,
            NO_LIQUID if subcooling is None else kelvin(subcooling),
            NO_VALVE if valve is None else known(valve, "1", 0.01),
            NO_LEVEL if level is None else known(level, "1", 0.02),
            change, 6.4, 2.5, unsteady,
        )
    )  # fmt: skip


def figure(key: str, name: str, limit: float, low: bool, checks: tuple[str, ...]) -> list[Finding]:
    side, unit = -1 if low else 1, "1" if name == "compression_ratio" else "K"
    return [
        *limited(key, name, known(limit - side * 3, unit, 0.2), limit, low=low, checks=checks),
        *limited(key, name, known(limit + side * 0.1, unit, 0.2), limit, low=low, checks=checks),
        *limited(key, name, known(limit + side * 3, unit, 0.2), limit, low=low, checks=checks),
        *limited(key, name, known(limit, unit, 0.2), limit, low=low, checks=checks, unsteady="still rising"),
    ]


def standing(pascal: float, u: float = 2e3) -> Finding:
    return standing_finding(known(pascal, "Pa", u), known(6.65e5, "Pa", 5e3), known(6.65e5, "Pa", 5e3), 0.03)


def compared(before: Mapping[str, Value], after: Mapping[str, Value], of: str = "") -> Finding:
    return compare_finding(before, after, of)


BEFORE = {
    "suction_superheat": kelvin(6.3),
    "subcooling": kelvin(7.2),
    "discharge_superheat": kelvin(23.8),
    "condensing_over_ambient": kelvin(13.1),
    "approach": kelvin(4.4),
    "total_superheat": kelvin(11.2),
    "suction_line_rise": kelvin(4.9),
    "compression_ratio": known(3.6, "1", 0.05),
    "liquid_line_drop": kelvin(0.6),
    "condenser_split": kelvin(5.2),
    "condenser_approach": kelvin(2.7),
    "gas_cooler_approach": kelvin(3.1),
    "freeze_margin": kelvin(6.1),
    "valve_position": known(0.52, "1", 0.005),
    "liquid_level": known(0.48, "1", 0.005),
    "high_side_margin": known(5.2e5, "Pa", 3e3),
}
CHANGED = {name: replace(value, number=(value.number or 0.0) * 1.3) for name, value in BEFORE.items()}
UNSTATED = {name: replace(value, u=None) for name, value in CHANGED.items()}


def unknown_performance(why: str, *more: Argument) -> Finding:
    return Finding("start_up.performance", Verdict.CANNOT_TELL, (word("judged", why), *more))


PERFORMANCE = tuple(
    number(name, QUANTITIES[name][0], known(value, QUANTITIES[name][1], u))
    for name, value, u in (
        ("flow", 0.0742, 0.0021), ("capacity", 11_430.0, 340.0), ("cop", 3.18, 0.11),
        ("isentropic_efficiency", 0.64, 0.03), ("adiabatic_efficiency", 0.67, 0.02),
        ("volumetric_efficiency", 0.86, 0.03), ("rated_power", 3480.0, 87.0), ("power_of_rated", 1.03, 0.033),
        ("power", 3590.0, 72.0),
    )
)  # fmt: skip
SAID = (
    *alarms(None, {}),
    steady(),
    steady(suction_superheat=YES, subcooling=YES),
    steady(suction_superheat=RISING, subcooling=YES),
    steady(suction_superheat=SETTLING, subcooling=SETTLING),
    *hunting_finding(STABLE, None),
    *hunting_finding(STABLE, None, "still rising"),
    *gas_cooler_approach_finding(kelvin(2.6), None),
    *gas_cooler_approach_finding(kelvin(9.4), None),
    *gas_cooler_approach_finding(kelvin(-3.4), None),
    *margin_finding(known(4.1e5, "Pa", 7e3), "swings or jumps"),
    *hunting_finding(SWINGING, Series("valve_position", (0.0,), (0.5,))),
    *hunting_finding(SWINGING, None),
    target("suction_superheat", unknown("K", "suction line: open circuit")),
    target("suction_superheat", kelvin(8.8), SETTLING.reason),
    target("suction_superheat", kelvin(7.1)),
    target("suction_superheat", kelvin(9.1, 0.4)),
    target("suction_superheat", kelvin(11.6)),
    target("suction_superheat", kelvin(2.2)),
    target_finding("suction_superheat", kelvin(0.3, 0.4), None, 2.6, 2.5),
    target("subcooling", unknown("K", "liquid line: open circuit")),
    target("subcooling", kelvin(5.9)),
    target("subcooling", kelvin(2.2)),
    feed(unknown("K", "suction line: open circuit")),
    feed(kelvin(13.4), 1.0, 1.2),
    feed(kelvin(13.4), 1.0, 8.3, 0.14),
    feed(kelvin(13.4), None, None),
    feed(kelvin(13.4), 0.31, 7.1),
    feed(kelvin(1.6), 0.64),
    feed(kelvin(1.6), 0.64, 14.6, 0.83),
    feed(kelvin(1.6), 0.44, change=-0.22),
    feed(kelvin(6.8), 0.98),
    feed(kelvin(6.8), 0.11),
    feed(kelvin(6.8)),
    feed(kelvin(3.7, 0.05)),
    feed(kelvin(3.4, 0.3)),
    feed(kelvin(9.1, 0.4)),
    feed(kelvin(6.8), unsteady="still rising"),
    *(one for key, name, limit, low, checks in _LIMITED for one in figure(key, name, limit, low, checks)),
    *condensing_finding(kelvin(13.6), kelvin(301.0)),
    *condensing_finding(kelvin(20.1), kelvin(301.0)),
    *condensing_finding(kelvin(23.9), kelvin(301.0)),
    *condensing_finding(kelvin(23.9), kelvin(301.0), "still rising"),
    *condensing_finding(kelvin(-2.9), kelvin(301.0)),
    *condensing_finding(kelvin(33.0), kelvin(268.0)),
    standing(7.4e5),
    standing(6.1e5),
    standing(6.69e5),
    standing(6.8e5, 2.0e4),
    *gas_cooler_finding(known(98e5, "Pa", 2e4), known(99e5, "Pa", 2e5), None),
    *gas_cooler_finding(known(110e5, "Pa", 2e4), known(99e5, "Pa", 2e5), None),
    *gas_cooler_finding(known(84e5, "Pa", 2e4), known(99e5, "Pa", 2e5), None),
    *gas_cooler_finding(known(84e5, "Pa", 2e4), known(99e5, "Pa", 2e5), "still rising"),
    *margin_finding(known(4.1e5, "Pa", 9e3)),
    *margin_finding(known(1.2e4, "Pa", 9e3)),
    *margin_finding(known(-7.4e4, "Pa", 9e3)),
    Finding("start_up.performance", Verdict.INFO, (word("judged", "by_map"), *PERFORMANCE)),
    Finding("start_up.performance", Verdict.INFO, (word("judged", "by_power"), *PERFORMANCE[:4])),
    unknown_performance("unsteady", name_of("reason", "still rising")),
    unknown_performance("missing", *(word("needs", name) for name in TAKES)),
    unknown_performance("wet"),
    unknown_performance("no_state"),
    unknown_performance("not_possible", number("adiabatic_efficiency", Quantity.RATIO, known(1.8, "1", 0.1))),
    *figures_finding(BEFORE),
    compared(BEFORE, CHANGED, "the start-up of job R-1 on 2025-09-18"),
    compared(BEFORE, BEFORE),
    compared(BEFORE, UNSTATED),
    compared({}, CHANGED, "the start-up of job R-1 on 2025-09-18"),
    Statement("start_up.compressor_started", (number("difference", Quantity.PRESSURE_DIFFERENCE, known(6.1e5, "Pa")),)),
    Statement("start_up.over"),
    Statement(
        "start_up.to_run",
        tuple(number(name, Quantity.TIME, known(s, "s")) for name, s in (("lasted", 250.0), ("asked", 900.0))),
    ),
)
