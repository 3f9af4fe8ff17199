"""docs/alarms.md, from the transition table and the default rules: `python -m tests.alarm_page`."""

from pathlib import Path

from logger.alarms.alarm_engine import FLOOD_COUNT, FLOOD_WINDOW_S, MAX_SHELVE_S
from logger.alarms.rules import AlarmRule, Kind
from logger.alarms.states import AUDIBLE, TABLE
from logger.alarms.words import limit_text
from logger.model.alarm import State
from logger.model.points import POINTS, Quantity
from logger.pipeline.job_alarms import all_rules
from logger.stages import registry
from logger.stages.words import alarm_text
from logger.wording.values import Shown

MADE = "<!-- Made by `python -m tests.alarm_page`. Change the code, not this file. -->"
PAGE = Path(__file__).parent.parent / "docs" / "alarms.md"


def page() -> str:
    """The whole page as markdown."""
    return "\n".join(["# Alarms", "", MADE, "", *_defaults(), "", *_states(), ""])


def _name(state: State) -> str:
    return state.name.lower()


def _states() -> list[str]:
    lines = [
        "## The states of one alarm",
        "",
        "States as in ANSI/ISA-18.2 (IEC 62682); how they are driven is in `logger/alarms/states.py`.",
        f"Sounding until acknowledged: {', '.join(sorted(AUDIBLE))}. Shelving lasts up to {MAX_SHELVE_S / 3600:g} h.",
        f"More than {FLOOD_COUNT} alarms in {FLOOD_WINDOW_S / 60:g} minutes are announced as one.",
        "",
        "```mermaid",
        "stateDiagram-v2",
        *(f'    state "{state}" as {_name(state)}' for state in State),
        f"    [*] --> {_name(State.NORMAL)}",
    ]
    for row in TABLE:
        guard = {None: "", True: " [latching]", False: " [not latching]"}[row.latching]
        lines.append(f"    {_name(row.state)} --> {_name(row.to)} : {row.event}{guard}")
    return [*lines, "```"]


def _defaults() -> list[str]:
    rules = all_rules(tuple(POINTS), {"DEVICE": "Device"})
    of_points = [rule for rule in rules if rule.kind in (Kind.NO_DATA, Kind.FAULT)]
    lines = [
        "## The alarms of every job",
        "",
        "They need no set-up. `[alarms.KEY]` in the rig file changes one; an alarm marked * is protected: never",
        "shelved, switched off, taken out of service or loosened. Set at the limit, cleared past the deadband.",
        "Delays: seconds until set / until cleared. Gauge pressures here are at a barometer of 101.3 kPa.",
        "",
        "| key | what the mechanic reads | priority | watches | limit | deadband | delays | stages | limit from |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for rule in rules:
        if rule not in of_points:
            star = "\\*" if rule.protected else ""
            latched = ", latched" if rule.latched else ""
            label = alarm_text(rule, Shown()).label
            cells = (
                f"`{rule.key}`{star}", label, f"{rule.priority.upper()}{latched}", _watches(rule), *_limits(rule),
                _delays(rule), _stages(rule), rule.basis,
            )  # fmt: skip
            lines.append(f"| {' | '.join(cells)} |")
    lines += [
        "",
        "Every measuring point has two more, `no-data-POINT` and `fault-POINT`:",
        "",
        "| point | priority | stages | delays, no data | delays, fault |",
        "|---|---|---|---|---|",
    ]
    for name in POINTS:
        silent, fault = (rule for rule in of_points if rule.source == name)
        of_point = (f"`{name}`", silent.priority.upper(), _stages(silent), _delays(silent), _delays(fault))
        lines.append(f"| {' | '.join(of_point)} |")
    return [
        *lines,
        "",
        "The alarms record and warn. They replace no relief valve, float switch, pressure cut-out, scale alarm or",
        "person; local codes, the cylinder's markings and licensed practice come first.",
    ]


def _delays(rule: AlarmRule) -> str:
    return f"{rule.on_delay_s:g} / {rule.off_delay_s:g}"


def _watches(rule: AlarmRule) -> str:
    joint = "and" if rule.kind is Kind.DISAGREE else "-"
    source = f"`{rule.source}`" + (f" {joint} `{rule.other}`" if rule.other else "")
    words = {
        Kind.HIGH: "at or above",
        Kind.LOW: "at or below",
        Kind.RATE: "rises as fast as",
        Kind.PREDICTION: "within",
        Kind.DISAGREE: "apart by",
        Kind.UNKNOWN: "unknown",
        Kind.TROUBLE: "in trouble",
    }
    return f"{source} {words[rule.kind]}"


_ABSOLUTE = {Quantity.PRESSURE: Quantity.PRESSURE_DIFFERENCE, Quantity.TEMPERATURE: Quantity.TEMPERATURE_DIFFERENCE}


def _limits(rule: AlarmRule) -> tuple[str, str]:
    if not rule.has_limit:
        return "", ""
    limit = "none yet" if rule.limit is None else _both(rule.limit, rule.quantity)
    return limit, _both(rule.deadband, _ABSOLUTE.get(rule.quantity, rule.quantity)) if rule.deadband else ""


def _both(number: float, quantity: Quantity) -> str:
    """In both systems of units, once where they agree."""
    shown = [limit_text(number, quantity, Shown(system)) for system in ("us", "si")]
    return " / ".join(dict.fromkeys(shown))


def _stages(rule: AlarmRule) -> str:
    if rule.stages is None:
        return "all"
    named = [one.label.lower() for one in registry.STAGES if one.kind in rule.stages]
    return ", ".join([*named, "between stages"] if None in rule.stages else named)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
