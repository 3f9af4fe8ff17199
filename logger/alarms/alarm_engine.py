"""The alarm engine: rules, inputs and acts of people in; new memory and changes out. Pure and deterministic.

Delays. A raise needs the condition at its start and at its end and no return in between; doubt (deadband, unknown)
does not stop the clock. A return needs NORMAL without a break for the off-delay; any doubt stops it. So doubt never
speaks for silence, and no sequence of inputs can end a latched alarm.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from logger.alarms.errors import NotAllowed, UnknownAlarm
from logger.alarms.memory import AlarmRow, AlarmState, KeyState
from logger.alarms.rules import LIMIT_KINDS, PRIORITY_ORDER, AlarmRule, Condition, Judgment, Kind, evaluate, remember
from logger.alarms.states import UNSEEN, next_state
from logger.model.alarm import AlarmEvent, Priority, State
from logger.model.events import AlarmChanged
from logger.model.points import Quantity
from logger.model.units import NS_PER_S
from logger.model.value import Argument, Statement, Value, known, name_of, number, word

MAX_SHELVE_S = 4 * 3600.0
"""The longest an alarm can be shelved. Shelving is timed and bounded (OPC UA part 9, 5.8.17); the figure is ours."""

FLOOD_WINDOW_S = 600.0
FLOOD_COUNT = 10
"""Over ten alarms in ten minutes is what ISA-18.2 calls an alarm flood (the figure is a Rimelog default)."""

MANY_ALARMS = "many-alarms"
"""The alarm about the number of alarms: it does not count itself."""

ALARM_COUNT = "alarms_in_ten_minutes"
"""Input the engine itself provides: alarms raised within the window."""

MAX_RAISES = 100  # enough to see a flood, bounded

Why = Callable[[], Statement]
Stepped = tuple[AlarmState, list[AlarmChanged]]


@dataclass(frozen=True, slots=True)
class AlarmEngine:
    """Rules in order; the state is the caller's to keep. New limits: a new engine, the same state.

    Rules that watch the number of alarms themselves come last.
    """

    rules: tuple[AlarmRule, ...]

    def __post_init__(self) -> None:
        keys = [rule.key for rule in self.rules]
        doubled = sorted({key for key in keys if keys.count(key) > 1})
        if doubled:
            raise ValueError(f"two alarms with the same key: {', '.join(doubled)}")

    def step(
        self,
        state: AlarmState,
        inputs: Mapping[str, Value],
        stage: str | None,
        now_ns: int,
        only: Sequence[AlarmRule] | None = None,
    ) -> Stepped:
        """Judge every rule on the complete present inputs (a missing input is unknown). stage None: between stages.

        only: those of its rules to judge now; the others keep what they are until the next step.
        """
        now_ns = max(now_ns, state.now_ns)
        keys = dict(state.keys)
        changes: list[AlarmChanged] = []
        recent = [t for t in state.recent_ns if t > now_ns - FLOOD_WINDOW_S * NS_PER_S]
        onsets: dict[str, int] = {}
        for rule in self.rules if only is None else only:
            if rule.source == ALARM_COUNT:
                inputs = {**inputs, ALARM_COUNT: known(len(recent), "1")}
            before = keys.get(rule.key, _FRESH)
            after, news = _step_one(rule, before, inputs, stage, now_ns)
            if after is not before:
                keys[rule.key] = after
            if news:
                changes += news
                if news[-1].to_state is State.UNACKNOWLEDGED:
                    onsets[rule.key] = before.pending_ns if before.pending_ns is not None else now_ns
                    if rule.source != ALARM_COUNT and news[-1].event is AlarmEvent.RAISE:
                        recent.append(now_ns)
        first_out, changes = _mark_first_out(state.first_out, self.rules, keys, changes, onsets)
        return AlarmState(now_ns, keys, first_out, tuple(recent[-MAX_RAISES:])), changes

    def acknowledge(self, state: AlarmState, key: str, operator: str, now_ns: int, reason: str = "") -> Stepped:
        """Someone has seen it. Raises UnknownAlarm, NotAllowed (nothing to acknowledge)."""
        return self._act(state, key, AlarmEvent.ACKNOWLEDGE, operator, reason, now_ns)

    def acknowledge_all(self, state: AlarmState, operator: str, now_ns: int, reason: str = "") -> Stepped:
        """Acknowledge everything that waits for it; nothing to acknowledge is no error."""
        changes: list[AlarmChanged] = []
        for rule in self.rules:
            if state.of(rule.key).state in UNSEEN:
                state, acknowledged = self._act(state, rule.key, AlarmEvent.ACKNOWLEDGE, operator, reason, now_ns)
                changes += acknowledged
        return state, changes

    def reset(self, state: AlarmState, key: str, operator: str, now_ns: int, reason: str = "") -> Stepped:
        """Let a latched alarm go; it was acknowledged and its condition is gone. Raises UnknownAlarm, NotAllowed."""
        return self._act(state, key, AlarmEvent.RESET, operator, reason, now_ns)

    def shelve(self, state: AlarmState, key: str, operator: str, reason: str, for_s: float, now_ns: int) -> Stepped:
        """Silence one alarm for a time, 0 < for_s <= MAX_SHELVE_S. Raises UnknownAlarm, NotAllowed."""
        rule = self._rule(key)
        if rule.protected:
            raise NotAllowed(Statement("alarm.not_shelvable"), about=rule.about)
        if not 0 < for_s <= MAX_SHELVE_S:
            raise NotAllowed(
                Statement("alarm.shelved_for", (_time("longest", MAX_SHELVE_S), _time("asked", for_s))),
                about=rule.about,
            )
        _need_reason(rule, reason, AlarmEvent.SHELVE)
        until_ns = max(now_ns, state.now_ns) + int(for_s * NS_PER_S)
        return self._act(state, key, AlarmEvent.SHELVE, operator, reason, now_ns, shelved_until_ns=until_ns)

    def unshelve(self, state: AlarmState, key: str, operator: str, now_ns: int, reason: str = "") -> Stepped:
        """Before its time is over. Raises UnknownAlarm, NotAllowed (not shelved)."""
        return self._act(state, key, AlarmEvent.UNSHELVE, operator, reason, now_ns)

    def out_of_service(self, state: AlarmState, key: str, operator: str, reason: str, now_ns: int) -> Stepped:
        """Until put back: the instrument is broken or away. Raises UnknownAlarm, NotAllowed."""
        rule = self._rule(key)
        if rule.protected:
            raise NotAllowed(Statement("alarm.stays_in_service"), about=rule.about)
        _need_reason(rule, reason, AlarmEvent.TAKE_OUT)
        return self._act(state, key, AlarmEvent.TAKE_OUT, operator, reason, now_ns)

    def return_to_service(self, state: AlarmState, key: str, operator: str, now_ns: int, reason: str = "") -> Stepped:
        """Raises UnknownAlarm, NotAllowed (it is in service)."""
        return self._act(state, key, AlarmEvent.PUT_BACK, operator, reason, now_ns)

    def present(self, state: AlarmState, inputs: Mapping[str, Value] | None = None) -> list[AlarmRow]:
        """The present alarm list, most pressing first: everything but normal and suppressed."""
        rows = []
        for rule in self.rules:
            one = state.of(rule.key)
            if one.state in (State.NORMAL, State.SUPPRESSED):
                continue
            seen = Judgment(Condition.CANNOT_TELL, one.value, one.problem)
            if inputs is not None and rule.source != ALARM_COUNT:
                seen = evaluate(rule, inputs, one.history)
            rows.append(
                AlarmRow(
                    key=rule.key,
                    about=rule.about,
                    priority=rule.priority,
                    state=one.state,
                    since_ns=one.since_ns,
                    raised_ns=one.raised_ns,
                    value=seen.number,
                    problem=seen.problem,
                    limit=rule.limit,
                    unit=rule.unit,
                    quantity=rule.quantity,
                    first_out=state.first_out == rule.key,
                    protected=rule.protected,
                    shelved_until_ns=one.shelved_until_ns,
                    operator=one.operator,
                    reason=one.reason,
                )
            )
        return sorted(rows, key=lambda row: row.rank)

    def _rule(self, key: str) -> AlarmRule:
        for rule in self.rules:
            if rule.key == key:
                return rule
        there_are = (name_of("there_is", rule.key) for rule in self.rules)
        raise UnknownAlarm(Statement("alarm.unknown", (name_of("asked", key), *there_are)))

    def _act(
        self, state: AlarmState, key: str, event: AlarmEvent, operator: str, reason: str, now_ns: int,
        shelved_until_ns: int | None = None,
    ) -> Stepped:  # fmt: skip
        """A person's act: it must move the alarm, or it is refused."""
        rule, now_ns = self._rule(key), max(now_ns, state.now_ns)
        before = state.of(key)
        to = next_state(before.state, event, rule.latched)
        if to is None:
            raise NotAllowed(
                Statement("alarm.nothing_to", (word("state", before.state), word("act", event))), about=rule.about
            )
        after = replace(
            before, state=to, since_ns=now_ns, operator=operator, reason=reason, shelved_until_ns=shelved_until_ns
        )
        by = (name_of("by", operator),) if operator else ()
        why = Statement("alarm.act", (word("act", event), *by))
        change = _change(rule, before, after, event, why, now_ns)
        keys = {**state.keys, key: after}
        first_out, changes = _mark_first_out(state.first_out, self.rules, keys, [change], {})
        return replace(state, now_ns=now_ns, keys=keys, first_out=first_out), changes


_FRESH = KeyState()


def _step_one(
    rule: AlarmRule, before: KeyState, inputs: Mapping[str, Value], stage: str | None, now_ns: int
) -> tuple[KeyState, list[AlarmChanged]]:
    """One rule, one step. Suppression and its end are no change while normal: the stage events say it."""
    one = before
    changes: list[AlarmChanged] = []
    concerned, seen = rule.concerns(stage), _NOT_JUDGED
    if not concerned and one.state is State.SUPPRESSED and not (one.condition or one.history):
        return one, changes
    if concerned:
        if rule.kind is Kind.RATE:
            source = inputs.get(rule.source)
            history = remember(one.history, now_ns, source.number if source is not None else None, rule.window_s)
            if history is not one.history:
                one = replace(one, history=history)
        seen = evaluate(rule, inputs, one.history)
        quiet = one.state is State.NORMAL and not one.condition and one.pending_ns is None
        if quiet and seen.condition is not Condition.IN_ALARM:
            return one, changes  # kept cheap

    def move(event: AlarmEvent, seen: Judgment, why: Why) -> None:
        nonlocal one
        to = next_state(one.state, event, rule.latched)
        if to is None:
            return
        was, one = one, replace(one, state=to, since_ns=now_ns, shelved_until_ns=None)
        if event is AlarmEvent.RAISE:
            one = replace(
                one, raised_ns=now_ns, value=seen.number, limit=rule.limit, problem=seen.problem, operator="", reason=""
            )
        if {was.state, to} != {State.NORMAL, State.SUPPRESSED}:
            changes.append(_change(rule, was, one, event, why(), now_ns, seen))

    if one.shelved_until_ns is not None and one.state is State.SHELVED and now_ns >= one.shelved_until_ns:
        move(AlarmEvent.UNSHELVE, _NOT_JUDGED, lambda: Statement("alarm.shelf_over"))
    if not concerned:
        if one.condition or one.pending_ns is not None or one.history:
            one = replace(one, condition=False, pending_ns=None, history=())
        during = (word("stage", stage),) if stage is not None else ()
        move(AlarmEvent.SUPPRESS, _NOT_JUDGED, lambda: Statement("alarm.not_watched", during))
        return one, changes

    if one.state is State.SUPPRESSED:
        move(AlarmEvent.RESUME, seen, lambda: Statement("alarm.normal"))
    one = _time_condition(rule, one, seen.condition, now_ns)
    if one.condition:
        move(AlarmEvent.RAISE, seen, lambda: _why(rule, seen))
        stands_s = (now_ns - one.since_ns) / NS_PER_S
        waited = rule.remind_s is not None and one.state is State.ACKNOWLEDGED and stands_s >= rule.remind_s
        if waited and seen.condition is Condition.IN_ALARM:
            move(AlarmEvent.REMIND, seen, lambda: Statement("alarm.reminded", (_time("after", stands_s),)))
    else:
        move(AlarmEvent.RETURN, seen, lambda: Statement("alarm.normal", _held(rule.off_delay_s)))
    return one, changes


_NOT_JUDGED = Judgment(Condition.CANNOT_TELL)


def _time_condition(rule: AlarmRule, one: KeyState, found: Condition, now_ns: int) -> KeyState:
    """The condition after its delays; see the module's docstring for which doubt counts for what."""
    towards_change = Condition.NORMAL if one.condition else Condition.IN_ALARM
    if found is towards_change:
        start_ns = now_ns if one.pending_ns is None else one.pending_ns
        delay_s = rule.off_delay_s if one.condition else rule.on_delay_s
        if now_ns - start_ns >= delay_s * NS_PER_S:
            return replace(one, condition=not one.condition, pending_ns=None)
        return one if one.pending_ns is not None else replace(one, pending_ns=start_ns)
    stops = one.condition or found is Condition.NORMAL
    return replace(one, pending_ns=None) if stops and one.pending_ns is not None else one


def _mark_first_out(
    first_out: str | None,
    rules: tuple[AlarmRule, ...],
    keys: Mapping[str, KeyState],
    changes: list[AlarmChanged],
    onsets: Mapping[str, int],
) -> tuple[str | None, list[AlarmChanged]]:
    """Which alarm began the outbreak. An outbreak lasts while a sounding alarm is unseen (ISA-18.1, from memory)."""
    if not changes:
        return first_out, changes
    loud = [rule for rule in rules if rule.priority is not Priority.LOW and rule.key in keys]
    if not any(keys[rule.key].state in UNSEEN for rule in loud):
        return None, changes
    began = [rule for rule in loud if rule.key in onsets]
    if first_out is not None or not began:
        return first_out, changes
    first = min(began, key=lambda rule: (onsets[rule.key], PRIORITY_ORDER[rule.priority])).key
    return first, [replace(c, first_out=True) if c.key == first else c for c in changes]


def _change(
    rule: AlarmRule,
    before: KeyState,
    after: KeyState,
    event: AlarmEvent,
    why: Statement,
    now_ns: int,
    seen: Judgment | None = None,
) -> AlarmChanged:
    """Where nothing was judged (a person's act) the value is that of the raise."""
    number, problem = (after.value, after.problem) if seen is None else (seen.number, seen.problem)
    acted = seen is None
    return AlarmChanged(
        t_ns=now_ns, key=rule.key, about=rule.about, priority=rule.priority, event=event, from_state=before.state,
        to_state=after.state, value=number, problem=problem, limit=rule.limit, unit=rule.unit, quantity=rule.quantity,
        why=why, operator=after.operator if acted else "", reason=after.reason if acted else "",
    )  # fmt: skip


def _why(rule: AlarmRule, seen: Judgment) -> Statement:
    if rule.kind in LIMIT_KINDS:
        return Statement(f"alarm.{rule.kind}", _held(rule.on_delay_s))
    return Statement("alarm.trouble", (name_of("reason", seen.problem or "unknown"), *_held(rule.on_delay_s)))


def _held(seconds: float) -> tuple[Argument, ...]:
    return (_time("held", seconds),) if seconds else ()


def _time(name: str, seconds: float) -> Argument:
    return number(name, Quantity.TIME, known(seconds, "s"))


def _need_reason(rule: AlarmRule, reason: str, act: AlarmEvent) -> None:
    if not reason.strip():
        raise NotAllowed(Statement("alarm.needs_reason", (word("act", act),)), about=rule.about)
