"""The high side: its pressure, its limit as entered for a charging or a start-up, and the alarm of that."""

from collections.abc import Mapping

from logger.alarms.rules import AlarmRule, Kind
from logger.model.alarm import Priority
from logger.model.points import POINTS, Quantity
from logger.model.units import PSI_PA
from logger.model.value import Value, unknown
from logger.stages.definition import LiveQuantity
from logger.wording.book import alarm

HIGH_SIDE_LIMIT_HELP = "the pressure not to be exceeded, such as 380psig"
HIGH_SIDE_MARGIN = LiveQuantity("high_side_margin", "High side below limit", Quantity.PRESSURE_DIFFERENCE)


HIGH_HEAD = "high-head"
HIGH_HEAD_WORDS = alarm(
    "HIGH HEAD PRESSURE",
    "Stop the compressor. Check condenser fans, water flow and valves, charge, and air in the system.",
)


def high_head(*stages: str) -> AlarmRule:
    """The alarm on the margin, in Pa, between the high side and its limit."""
    return AlarmRule(
        HIGH_HEAD, Priority.URGENT, Kind.LOW, "high_side_margin",
        Quantity.PRESSURE_DIFFERENCE, 0.0, deadband=10 * PSI_PA, on_delay_s=2, off_delay_s=30,
        stages=frozenset(stages), latched=True,
        basis="the job's high-side limit",
    )  # fmt: skip


def high_side(readings: Mapping[str, Value]) -> Value:
    """Discharge pressure, else liquid line pressure with a note."""
    discharge = value_of(readings, "discharge_pressure")
    return discharge if discharge.number is not None else _instead(discharge, value_of(readings, "liquid_pressure"))


def liquid_side(readings: Mapping[str, Value]) -> Value:
    """Liquid line pressure, else discharge pressure with a note."""
    liquid = value_of(readings, "liquid_pressure")
    return liquid if liquid.number is not None else _instead(liquid, value_of(readings, "discharge_pressure"))


def _instead(wanted: Value, other: Value) -> Value:
    if other.number is None:
        return wanted
    return other.with_note("; ".join(n for n in (other.note, "pressure taken at the other end of the condenser") if n))


def value_of(readings: Mapping[str, Value], point: str) -> Value:
    missing = unknown(POINTS[point].unit, f"{POINTS[point].label}: no such measuring point in the rig")
    return readings.get(point, missing)
