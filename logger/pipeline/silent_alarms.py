"""Alarms that did not ring, as something was entered wrongly, and that would have by the facts as corrected.

Nothing is rung backwards: on replay by the corrected facts the limits that protect people are judged again, second by
second, and what the record's own alarms leave silent is listed. Only what happened before the last correction of a
limit counts: from then on alarms were judged by it.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from logger.alarms.alarm_engine import AlarmEngine
from logger.alarms.memory import AlarmState
from logger.alarms.rules import AlarmRule, Kind
from logger.model.alarm import AlarmEvent, Priority
from logger.model.events import AlarmChanged, Corrected
from logger.model.points import POINTS
from logger.model.units import NS_PER_S
from logger.model.value import Value, known
from logger.pipeline.fact_table import fact_of
from logger.pipeline.facts import Facts, target_of
from logger.pipeline.job_alarms import rules_now
from logger.pipeline.job_model import JobModel
from logger.pipeline.live_values import LiveQuantities
from logger.stages.words import alarm_text
from logger.wording.values import Shown

_OF_STAGE = ("stage.kind", "stage.settings.")  # what is judged in it, and by which limits
_ENDS = (AlarmEvent.RETURN, AlarmEvent.SUPPRESS)
APART_NS = 60 * NS_PER_S  # an alarm that rang so long before or after is the same one


@dataclass(frozen=True, slots=True)
class SilentAlarm:
    """raised: as it would have been. end_ns: when it would have cleared; None: not before the record's end. worst: of
    its value meanwhile."""

    raised: AlarmChanged
    end_ns: int | None
    worst: Value

    @property
    def begin_ns(self) -> int:
        return self.raised.t_ns


class SilentAlarms:
    """Fed with the model once a second of a replay by corrected facts."""

    def __init__(self, facts: Facts) -> None:
        self._until_ns = max((one.t_ns for one in _of_limits(facts)), default=0)
        self._rang = list(_spans(p.event for p in facts.events if isinstance(p.event, AlarmChanged)))
        self._state, self._engine, self._rules_of = AlarmState(), AlarmEngine(()), None
        self._quantities = LiveQuantities()
        self._open: dict[str, SilentAlarm] = {}
        self._over: list[SilentAlarm] = []

    @property
    def due(self) -> bool:
        """Whether a limit was corrected at all."""
        return self._until_ns > 0

    def judge(self, model: JobModel) -> None:
        """Judge this second."""
        if not self.due or model.state.job is None:
            return
        stage, rig = model.state.stage, model.state.rig
        of: Any = (rig, stage, model.ambient.pressure_pa)
        if of != self._rules_of:
            self._rules_of = of
            rules = rules_now(rig, model.ambient.pressure_pa, stage, model.state.profiles)
            self._engine = AlarmEngine(tuple(replace(rule, remind_s=None) for rule in rules if _is_watched(rule)))
        inputs = {name: model.value(name) for rule in self._engine.rules for name in rule.sources if name in POINTS}
        inputs |= self._quantities.values(model, stage, {})
        kind = stage.kind if stage is not None else None
        self._state, changes = self._engine.step(self._state, inputs, kind, model.now_ns)
        for change in changes:
            if change.event in _ENDS and change.key in self._open:
                self._over.append(replace(self._open.pop(change.key), end_ns=change.t_ns))
            elif change.event is AlarmEvent.RAISE and change.value is not None:
                self._open[change.key] = SilentAlarm(change, None, known(change.value, change.unit))
        for rule in self._engine.rules:
            one, now = self._open.get(rule.key), inputs.get(rule.source)
            if one is None or now is None or one.worst.number is None or now.number is None or rule.other is not None:
                continue
            if now.number != one.worst.number and (now.number > one.worst.number) == (rule.kind is Kind.HIGH):
                self._open[rule.key] = replace(one, worst=known(now.number, one.raised.unit))

    def found(self) -> tuple[SilentAlarm, ...]:
        """Those of which the record has none at their time, in order."""
        listed = (
            one
            for one in (*self._over, *self._open.values())
            if one.begin_ns < self._until_ns and not self._did_ring(one.raised, one.end_ns)
        )
        return tuple(sorted(listed, key=lambda one: (one.begin_ns, one.raised.key)))

    def _did_ring(self, raised: AlarmChanged, end_ns: int | None) -> bool:
        return any(
            one.key == raised.key
            and (end_ns is None or one.t_ns <= end_ns + APART_NS)
            and (until_ns is None or until_ns >= raised.t_ns - APART_NS)
            for one, until_ns in self._rang
        )


def silent_words(one: SilentAlarm, shown: Shown) -> str:
    """ "CYLINDER FULL: STOP RECOVERY, 109 % at the worst, limit 100 %, 20:14:03 to 20:31:10"."""
    unit, quantity, limit = one.raised.unit, one.raised.quantity, one.raised.limit
    end = "on" if one.end_ns is None else f"to {shown.clock(one.end_ns)}"
    parts = [
        alarm_text(one.raised, shown).label,
        f"{shown.one(one.worst, quantity)} at the worst",
        *([] if limit is None else [f"limit {shown.one(known(limit, unit), quantity)}"]),
        f"{shown.clock(one.begin_ns)} {end}",
    ]
    return ", ".join(parts)


def _of_limits(facts: Facts) -> Iterator[Corrected]:
    """Standing corrections of facts on which a limit that protects people hangs, and undoings of such."""
    for one in facts.corrections:
        event = one.event
        while event.fact == "correction.undone":
            event = facts.corrections[target_of(event.of)[1] - 1].event
        fact = fact_of(event.fact)
        if one.standing and (fact is None or fact.safety or fact.key.startswith(_OF_STAGE)):
            yield one.event


def _is_watched(rule: AlarmRule) -> bool:
    return rule.priority is Priority.URGENT and rule.kind in (Kind.HIGH, Kind.LOW)


def _spans(changes: Iterable[AlarmChanged]) -> Iterator[tuple[AlarmChanged, int | None]]:
    """Each time one was raised, and when its condition was over."""
    running: dict[str, AlarmChanged] = {}
    for change in changes:
        if change.event is AlarmEvent.RAISE:
            if change.key in running:
                yield running[change.key], change.t_ns
            running[change.key] = change
        elif change.event in _ENDS and change.key in running:
            yield running.pop(change.key), change.t_ns
    yield from ((raised, None) for raised in running.values())
