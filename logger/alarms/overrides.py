"""The user's changes to the alarms, from the [alarms] table of a rig or job file.

    [alarms.overfill-soon]
    limit = "85%"
    on_delay = "10s"

    [alarms.no-data-barometer]
    enabled = false

    [alarms.headers-apart]              # one of the user's own: it names its source
    source = "suction_pressure"
    other = "system_pressure"
    kind = "disagree"
    limit = "10psi"
    label = "Headers read differently"

Every fault is reported with its key, all at once. A protected alarm can only be made tighter.
"""

import difflib
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any

from logger.alarms.alarm_engine import ALARM_COUNT
from logger.alarms.errors import OverrideError
from logger.alarms.rules import LIMIT_KINDS, PRIORITY_ORDER, AlarmRule, Kind
from logger.model.alarm import RENAMED, Priority
from logger.model.points import POINTS, Quantity
from logger.model.text import clean
from logger.model.units import STANDARD_ATMOSPHERE_PA, UnitError, example, parse_quantity
from logger.model.value import Statement, name_of

BETWEEN_STAGES = "between-stages"
OWN_WORDS = ("label", "action")  # arguments of an alarm's `about`, shown in place of the program's
_KEYS = (
    "enabled", "limit", "deadband", "on_delay", "off_delay", "remind", "window", "priority", "latched", *OWN_WORDS,
)  # fmt: skip
_OWN_KEYS = ("source", "other", "kind", "quantity", "stages")
_DIFFERENCE: dict[Quantity, Quantity] = {
    Quantity.PRESSURE: Quantity.PRESSURE_DIFFERENCE,
    Quantity.VACUUM: Quantity.PRESSURE_DIFFERENCE,
    Quantity.TEMPERATURE: Quantity.TEMPERATURE_DIFFERENCE,
}
_RATE: dict[Quantity, Quantity] = {
    Quantity.PRESSURE: Quantity.PRESSURE_RATE,
    Quantity.PRESSURE_DIFFERENCE: Quantity.PRESSURE_RATE,
    Quantity.VACUUM: Quantity.PRESSURE_RATE,
    Quantity.MASS: Quantity.MASS_RATE,
}
_OF_TWO = (Kind.HIGH, Kind.LOW, Kind.DISAGREE)
_MAX_S = 24 * 3600.0
_MAX_OWN = 50


def apply_overrides(
    rules: Sequence[AlarmRule],
    table: Mapping[str, Any],
    ambient_pa: float = STANDARD_ATMOSPHERE_PA,
    sources: Mapping[str, Quantity] | None = None,
    stages: Sequence[str] = (),
) -> tuple[AlarmRule, ...]:
    """`rules` as changed by `table` (the [alarms] table as read from TOML); own rules go before the
    one that counts alarms.

    sources: what an alarm of the user's own may watch (measuring points of the rig, live quantities), and what each
    is; None: every measuring point. stages: kinds that an alarm may be limited to.

    Raises OverrideError with every fault.
    """
    if sources is None:
        sources = {name: point.quantity for name, point in POINTS.items()}
    by_key = {rule.key: rule for rule in rules}
    problems: list[str] = []
    own: list[AlarmRule] = []
    off: set[str] = set()
    for given, entry in table.items():
        key = RENAMED.get(given, given)
        where = f"alarms.{clean(str(key), 60)}"
        if not isinstance(entry, Mapping):
            problems.append(f'{where}: is a table of settings, such as limit = "20kg", not {entry!r}')
            continue
        faults = _Faults(where, problems, ambient_pa, stages)
        if key in by_key:
            by_key[key] = _changed(by_key[key], entry, faults)
            if entry.get("enabled") is False:
                off.add(key)
        elif "source" in entry:
            rule = _own_rule(key, entry, faults, sources)
            if rule is not None:
                own.append(rule)
        else:
            near = difflib.get_close_matches(str(key), by_key, n=2)
            hint = f"did you mean {' or '.join(near)}?" if near else "an alarm of your own needs a source"
            problems.append(f"{where}: no such alarm; {hint}")
    if len(own) > _MAX_OWN:
        problems.append(f"alarms: {len(own)} alarms of your own; up to {_MAX_OWN} are watched")
    if problems:
        raise OverrideError(problems)
    active = [by_key[rule.key] for rule in rules if rule.key not in off]
    last = next((i for i, rule in enumerate(active) if rule.source == ALARM_COUNT), len(active))
    return (*active[:last], *own, *active[last:])


class _Faults:
    """Where we are, what is wrong so far, and conversions that note their fault and give None."""

    def __init__(self, where: str, problems: list[str], ambient_pa: float, stages: Sequence[str]) -> None:
        self.where, self.problems, self.ambient_pa, self.stages = where, problems, ambient_pa, stages
        self.begun = len(problems)

    def add(self, key: str, what: str) -> None:
        self.problems.append(f"{self.where}.{key}: {what}")

    @property
    def any(self) -> bool:
        return len(self.problems) > self.begun

    def quantity(self, key: str, given: object, quantity: Quantity) -> float | None:
        if isinstance(given, int | float) and not isinstance(given, bool) and quantity is Quantity.RATIO:
            given = f"{given} 1"
        if not isinstance(given, str):
            self.add(key, f'is a number with its unit in quotes, such as "{_example(quantity)}", not {given!r}')
            return None
        try:
            number = parse_quantity(given, quantity, self.ambient_pa)
        except UnitError as exc:
            self.add(key, str(exc))
            return None
        if not math.isfinite(number):
            self.add(key, f"{given!r} is too large")
            return None
        return number

    def not_negative(self, key: str, given: object, quantity: Quantity, most: float = math.inf) -> float | None:
        number = self.quantity(key, given, quantity)
        if number is not None and not 0 <= number <= most:
            self.add(key, f"{given!r} is outside 0 to {most:g}")
            return None
        return number

    def word(self, key: str, given: object, words: Collection[str]) -> str | None:
        if isinstance(given, str) and given in words:
            return given
        self.add(key, f"is one of {', '.join(words)}, not {given!r}")
        return None

    def flag(self, key: str, given: object) -> bool | None:
        if isinstance(given, bool):
            return given
        self.add(key, f"is true or false, not {given!r}")
        return None


def _example(quantity: Quantity) -> str:
    return {Quantity.PRESSURE_RATE: "300micron/min", Quantity.MASS_RATE: "1lb/min"}.get(quantity) or example(quantity)


def _changed(rule: AlarmRule, entry: Mapping[str, Any], faults: _Faults) -> AlarmRule:
    """The rule with this table's settings; as it was when they have faults."""
    for key in entry:
        if key not in _KEYS:
            what = "cannot be changed for a built-in alarm" if key in _OWN_KEYS else f"no such setting; {_known(_KEYS)}"
            faults.add(key, what)
    changed: dict[str, Any] = {}
    if "enabled" in entry and faults.flag("enabled", entry["enabled"]) is False and rule.protected:
        faults.add("enabled", "this alarm cannot be switched off; acknowledge it to stop the sound")
    _set_numbers(rule, entry, faults, changed)
    if "priority" in entry and (word := faults.word("priority", entry["priority"], [str(p) for p in Priority])):
        changed["priority"] = Priority(word)
    if "latched" in entry and (flag := faults.flag("latched", entry["latched"])) is not None:
        changed["latched"] = flag
    own = [key for key in OWN_WORDS if key in entry]
    for key in own:
        if not isinstance(entry[key], str):
            faults.add(key, f"is a text, not {entry[key]!r}")
    if own and not faults.any:
        words = tuple(name_of(key, clean(entry[key], 200)) for key in own)
        rest = tuple(one for one in rule.about.inputs if one.name not in own)
        changed["about"] = Statement(rule.about.key, (*rest, *words))
    after = replace(rule, **changed)
    if rule.protected:
        _refuse_looser(rule, after, faults)
    return rule if faults.any else after


def _set_numbers(rule: AlarmRule, entry: Mapping[str, Any], faults: _Faults, changed: dict[str, Any]) -> None:
    if not rule.has_limit:
        for key in {"limit", "deadband", "window"} & set(entry):
            faults.add(key, f"this alarm ({rule.kind}) compares with no limit")
    else:
        if "limit" in entry:
            limit = faults.quantity("limit", entry["limit"], rule.quantity)
            changed |= {"limit": limit, "basis": "set by the user"} if limit is not None else {}
        difference = _DIFFERENCE.get(rule.quantity, rule.quantity)
        if "deadband" in entry:
            changed["deadband"] = faults.not_negative("deadband", entry["deadband"], difference)
    for key, name in (("on_delay", "on_delay_s"), ("off_delay", "off_delay_s"), ("remind", "remind_s")):
        if key in entry:
            changed[name] = faults.not_negative(key, entry[key], Quantity.TIME, _MAX_S)
    if "window" in entry and rule.has_limit:
        changed["window_s"] = faults.not_negative("window", entry["window"], Quantity.TIME, _MAX_S)
        if changed["window_s"] == 0:
            faults.add("window", "a window is longer than nothing")
            changed["window_s"] = None
        if rule.kind is not Kind.RATE:
            faults.add("window", f"only a rate is taken over a window, this alarm is {rule.kind}")
    for name in [name for name, number in changed.items() if number is None]:
        del changed[name]


def _refuse_looser(rule: AlarmRule, after: AlarmRule, faults: _Faults) -> None:
    """A protected alarm may come sooner and stay longer, never the other way round."""
    upward = rule.kind in (Kind.HIGH, Kind.DISAGREE) or (rule.kind is Kind.RATE and (rule.limit or 0) >= 0)
    if rule.limit is not None and after.limit is not None:
        looser = after.limit > rule.limit if upward else after.limit < rule.limit
        if looser:
            faults.add("limit", "this alarm can only be made tighter than its own limit")
    remind, remind_was = after.remind_s or math.inf, rule.remind_s or math.inf
    for key, worse in (
        ("deadband", after.deadband < rule.deadband),
        ("on_delay", after.on_delay_s > rule.on_delay_s),
        ("off_delay", after.off_delay_s < rule.off_delay_s),
        ("remind", remind > remind_was),
        ("latched", rule.latched and not after.latched),
        ("priority", PRIORITY_ORDER[after.priority] > PRIORITY_ORDER[rule.priority]),
    ):
        if worse:
            faults.add(key, "this alarm can only be made to come sooner, stay longer or press harder")


def _own_rule(key: str, entry: Mapping[str, Any], faults: _Faults, sources: Mapping[str, Quantity]) -> AlarmRule | None:
    """An alarm of the user's own, or None after noting what is wrong."""
    for name in entry:
        if name not in _KEYS + _OWN_KEYS:
            faults.add(name, f"no such setting; {_known(_KEYS + _OWN_KEYS)}")
    for name in ("source", "other"):
        given = entry.get(name, "")
        if name in entry and not (isinstance(given, str) and given in sources):
            unmeasured = isinstance(given, str) and given in POINTS
            what = "is measured by no channel of this rig" if unmeasured else "is no measuring point or live quantity"
            faults.add(name, f"{given!r} {what}")
    kind_word = faults.word("kind", entry.get("kind"), [str(k) for k in Kind])
    if faults.any or kind_word is None:
        return None
    kind = Kind(kind_word)
    quantity = _quantity(kind, entry, faults, sources)
    if kind in LIMIT_KINDS and "limit" not in entry:
        faults.add("limit", "this alarm needs one")
    if kind is Kind.DISAGREE and "other" not in entry:
        faults.add("other", "name the second source")
    if "other" in entry and kind not in _OF_TWO:
        faults.add("other", f"an alarm of kind {kind} watches one source")
    stages = _stages(entry["stages"], faults) if "stages" in entry else None
    if faults.any or quantity is None:
        return None
    rule = AlarmRule(
        clean(key, 60), Priority.HIGH, kind, entry["source"], quantity, stages=stages, other=entry.get("other"),
        on_delay_s=10.0, off_delay_s=10.0, about=Statement("own", (name_of("label", clean(key, 60)),)),
        basis="set by the user",
    )  # fmt: skip
    plain = {name: given for name, given in entry.items() if name in _KEYS}
    return _changed(rule, plain, faults)


def _quantity(
    kind: Kind, entry: Mapping[str, Any], faults: _Faults, sources: Mapping[str, Quantity]
) -> Quantity | None:
    """What the alarm compares, or None after noting why it cannot be."""
    watched = sources[entry["source"]]
    quantity = _RATE.get(watched) if kind is Kind.RATE else watched
    if quantity is None or (kind is Kind.PREDICTION and watched is not Quantity.TIME):
        faults.add("kind", f"there is no {kind} of a {watched}")
        return None
    if "other" in entry:
        second = sources[entry["other"]]
        quantity = _DIFFERENCE.get(watched, watched)
        if _DIFFERENCE.get(second, second) is not quantity:
            faults.add("other", f"is a {second}, the source a {watched}: they cannot be compared")
            return None
    if entry.get("quantity", quantity) != quantity:
        faults.add("quantity", f"is {quantity} here, not {entry['quantity']!r}")
        return None
    return quantity


def _stages(given: object, faults: _Faults) -> frozenset[str | None] | None:
    words = [*faults.stages, BETWEEN_STAGES]
    if not isinstance(given, list) or not given or any(word not in words for word in given):
        faults.add("stages", f"is a list of {', '.join(words)}, not {given!r}")
        return None
    return frozenset(None if word == BETWEEN_STAGES else word for word in given)


def _known(keys: Sequence[str]) -> str:
    return f"known: {', '.join(keys)}"
