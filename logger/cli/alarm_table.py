"""The alarms in force as a table of 80 columns, and as data."""

import sys
from pathlib import Path
from typing import Any

from logger.alarms.alarm_engine import ALARM_COUNT
from logger.alarms.rules import AlarmRule, Kind
from logger.model.alarm import Priority
from logger.model.points import POINTS, Quantity
from logger.model.text import clean
from logger.model.units import STANDARD_ATMOSPHERE_PA, from_si, show, user_unit
from logger.model.value import known
from logger.pipeline.job_alarms import all_rules, defaults_of, rules_of
from logger.stages import registry
from logger.stages.words import alarm_text
from logger.wording.values import Shown

CAUTION = (
    "The alarms record and warn. They replace no relief valve, float switch, pressure cut-out, scale alarm or person; "
    "local codes, the cylinder's markings and licensed practice come first."
)
_WIDTH = 80
_MARK = {Priority.URGENT: "!!", Priority.HIGH: "!", Priority.LOW: ""}
_WHEN = {
    Kind.HIGH: "≥ {}", Kind.LOW: "≤ {}", Kind.RATE: "rises by {}", Kind.PREDICTION: "≤ {}",
    Kind.DISAGREE: "apart by {}", Kind.UNKNOWN: "unknown", Kind.NO_DATA: "no readings",
    Kind.FAULT: "sensor fault", Kind.TROUBLE: "",
}  # fmt: skip
_OF_POINTS = (Kind.NO_DATA, Kind.FAULT)


def effective(rig_file: Path | None) -> tuple[tuple[AlarmRule, ...], list[str]]:
    """(rules in force, keys switched off by the rig file). Without a rig: the alarms of every job, no points.

    Raises ConfigError.
    """
    from logger.config.rig_file import load_rig

    if rig_file is None:
        return tuple(rule for rule in all_rules(POINTS) if rule.kind not in _OF_POINTS), []
    rig = load_rig(rig_file)
    after = rules_of(rig)
    active = {rule.key for rule in after}
    return after, [rule.key for rule in defaults_of(rig) if rule.key not in active]


def print_table(rules: tuple[AlarmRule, ...], units: str) -> None:
    """units: "us" or "si"."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False, width=_WIDTH)
    for name, width in (("", 2), ("alarm", 19), ("watches", 21), ("set when", 14), ("delay s", 7), ("stages", 11)):
        table.add_column(name, width=width, overflow="fold")
    for rule in rules:
        cells = (
            _MARK[rule.priority], clean(rule.key) + ("*" if rule.protected else ""), _watches(rule),
            _when(rule, units), f"{rule.on_delay_s:g}/{rule.off_delay_s:g}", _stages(rule),
        )  # fmt: skip
        table.add_row(*map(Text, cells))
    Console(file=sys.stdout, width=_WIDTH, highlight=False, no_color=True).print(table)


def notes(rules: tuple[AlarmRule, ...], off: list[str], units: str, *, with_rig: bool) -> list[str]:
    out = [
        "!! urgent: act now; ! high: act within ten minutes; the rest make no sound. * can only be made tighter, never "
        "shelved or switched off. Delay: seconds until set / until cleared."
    ]
    if any(rule.quantity is Quantity.PRESSURE and rule.limit is not None for rule in rules):
        sea_level = "29.92 in. Hg abs" if units == "us" else "101.3 kPa"
        out.append(f"Gauge pressures at a barometer of {sea_level}; a job uses its own.")
    if off:
        out.append(f"Switched off by the rig file: {', '.join(map(clean, off))}.")
    if not with_rig:
        out.append(
            "Every measuring point and device of a rig has its own besides: no-data-POINT, fault-POINT, device-ID; "
            "--rig RIG.toml shows them."
        )
    return [*out, CAUTION]


def rule_data(rule: AlarmRule, units: str) -> dict[str, Any]:
    """JSON: SI and the user's unit. Gauge limits rest on a barometer of 101.325 kPa."""
    limit, text = rule.limit, alarm_text(rule, Shown(units))
    unit = user_unit(rule.quantity, units)
    return {
        "key": clean(rule.key), "label": clean(text.label), "priority": rule.priority.value, "kind": rule.kind.value,
        "source": clean(rule.source), "other": rule.other, "quantity": rule.quantity.value,
        "limit_si": limit, "si_unit": rule.unit, "deadband_si": rule.deadband,
        "limit": None if limit is None else round(from_si(limit, unit, STANDARD_ATMOSPHERE_PA), 6),
        "unit": unit.name, "on_delay_s": rule.on_delay_s, "off_delay_s": rule.off_delay_s,
        "remind_s": rule.remind_s, "latched": rule.latched, "protected": rule.protected,
        "stages": None if rule.stages is None else sorted(s if s else "between-stages" for s in rule.stages),
        "action": clean(text.action), "basis": clean(rule.basis),
    }  # fmt: skip


def _watches(rule: AlarmRule) -> str:
    if rule.kind is Kind.TROUBLE:
        return clean(
            alarm_text(rule, Shown()).label
        )  # such as "RECORDS NOT BEING WRITTEN": its input has no other name
    minus = f" minus {_named(rule.other).lower()}" if rule.other is not None else ""
    return _named(rule.source) + minus


def _named(source: str) -> str:
    if source == ALARM_COUNT:
        return "Alarms in ten minutes"
    live = registry.live_quantities()
    return POINTS[source].label if source in POINTS else live[source].label if source in live else clean(source)


def _when(rule: AlarmRule, units: str) -> str:
    if not rule.has_limit:
        return _WHEN[rule.kind]
    if rule.limit is None:
        return "by the stage"
    if rule.quantity is Quantity.RATIO and rule.limit > 1.5:
        limit = f"{rule.limit:g}"  # a count
    else:
        limit = show(known(rule.limit, ""), rule.quantity, units)
    if rule.kind is Kind.RATE and rule.limit < 0:
        return f"falls by {limit.removeprefix('-')}"
    return _WHEN[rule.kind].format(limit)


def _stages(rule: AlarmRule) -> str:
    if rule.stages is None:
        return "all"
    named = [one.label.lower() for one in registry.STAGES if one.kind in rule.stages]
    return ", ".join([*named, "between stages"] if None in rule.stages else named)
