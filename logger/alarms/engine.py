"""The alarm engine: rules, inputs and acts of people in; new memory and changes out. Pure and deterministic.

Delays. A raise needs the condition at its start and at its end and no return in between; doubt (deadband, unknown)
does not stop the clock. A return needs NORMAL without a break for the off-delay; any doubt stops it. So doubt never
speaks for silence, and no sequence of inputs can end a latched alarm.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from logger.alarms.errors import NotAllowed, UnknownAlarm
from logger.alarms.memory import AlarmRow, AlarmState, KeyState
from logger.alarms.rules import PRIORITY_ORDER, AlarmRule, Kind, Look, Verdict, look, remember
from logger.alarms.states import UNSEEN, next_state
from logger.model.alarm import AlarmEvent, Priority, State
from logger.model.events import AlarmChanged
from logger.model.units import NS_PER_S
from logger.model.value import Value, known

MAX_SHELVE_S = 4 * 3600.0
"""The longest an alarm can be shelved. Shelving is timed and bounded (OPC UA part 9, 5.8.17); the figure is ours."""

FLOOD_WINDOW_S = 600.0
FLOOD_COUNT = 10
"""Over ten alarms in ten minutes is a flood (EEMUA 191, from memory)."""

ALARM_COUNT = "alarms_in_ten_minutes"
"""Input the engine itself provides: alarms raised within the flood window."""

KEPT_RAISES = 100  # enough to see a flood, bounded

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
        only: Collection[str] | None = None,
    ) -> Stepped:
        """Judge every rule on the complete present inputs (a missing input is unknown). stage None: between stages.

        only: keys of the rules to judge now; the others keep what they are until the next step.
        """
        now_ns = max(now_ns, state.now_ns)
        keys = dict(state.keys)
        changes: list[AlarmChanged] = []
        recent = [t for t in state.recent_ns if t > now_ns - FLOOD_WINDOW_S * NS_PER_S]
        onsets: dict[str, int] = {}
        for rule in self.rules:
            if only is not None and rule.key not in only:
                continue
            if rule.source == ALARM_COUNT:
                inputs = {**inputs, ALARM_COUNT: known(len(recent), "1")}
            before = keys.get(rule.key, _FRESH)
            after, told = _step_one(rule, before, inputs, stage, now_ns)
            if after is not before:
                keys[rule.key] = after
            if told:
                changes += told
                if told[-1].to_state is State.UNACKNOWLEDGED:
                    onsets[rule.key] = before.pending_ns if before.pending_ns is not None else now_ns
                    if rule.source != ALARM_COUNT and told[-1].event is AlarmEvent.RAISE:
                        recent.append(now_ns)
        first_out, changes = _mark_first_out(state.first_out, self.rules, keys, changes, onsets)
        return AlarmState(now_ns, keys, first_out, tuple(recent[-KEPT_RAISES:])), changes

    def acknowledge(self, state: AlarmState, key: str, operator: str, now_ns: int, reason: str = "") -> Stepped:
        """Someone has seen it. Raises UnknownAlarm, NotAllowed (nothing to acknowledge)."""
        return self._act(state, key, AlarmEvent.ACKNOWLEDGE, operator, reason, now_ns)

    def acknowledge_all(self, state: AlarmState, operator: str, now_ns: int, reason: str = "") -> Stepped:
        """Acknowledge everything that waits for it; nothing to acknowledge is no error."""
        changes: list[AlarmChanged] = []
        for rule in self.rules:
            if state.of(rule.key).state in UNSEEN:
                state, told = self._act(state, rule.key, AlarmEvent.ACKNOWLEDGE, operator, reason, now_ns)
                changes += told
        return state, changes

    def reset(self, state: AlarmState, key: str, operator: str, now_ns: int, reason: str = "") -> Stepped:
        """Let a latched alarm go; it was acknowledged and its condition is gone. Raises UnknownAlarm, NotAllowed."""
        return self._act(state, key, AlarmEvent.RESET, operator, reason, now_ns)

    def shelve(self, state: AlarmState, key: str, operator: str, reason: str, for_s: float, now_ns: int) -> Stepped:
        """Silence one alarm for a time, 0 < for_s <= MAX_SHELVE_S. Raises UnknownAlarm, NotAllowed."""
        rule = self._rule(key)
        if rule.protected:
            raise NotAllowed(f"{rule.label}: this alarm cannot be shelved; acknowledge it to stop the sound")
        if not 0 < for_s <= MAX_SHELVE_S:
            raise NotAllowed(f"{rule.label}: shelve it for up to {MAX_SHELVE_S / 3600:g} h, not {for_s / 3600:g} h")
        _need_reason(rule, reason, "shelving")
        until_ns = max(now_ns, state.now_ns) + int(for_s * NS_PER_S)
        return self._act(state, key, AlarmEvent.SHELVE, operator, reason, now_ns, shelved_until_ns=until_ns)

    def unshelve(self, state: AlarmState, key: str, operator: str, now_ns: int, reason: str = "") -> Stepped:
        """Before its time is over. Raises UnknownAlarm, NotAllowed (not shelved)."""
        return self._act(state, key, AlarmEvent.UNSHELVE, operator, reason, now_ns)

    def out_of_service(self, state: AlarmState, key: str, operator: str, reason: str, now_ns: int) -> Stepped:
        """Until put back: the instrument is broken or away. Raises UnknownAlarm, NotAllowed."""
        rule = self._rule(key)
        if rule.protected:
            raise NotAllowed(f"{rule.label}: this alarm cannot be taken out of service")
        _need_reason(rule, reason, "taking it out of service")
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
            seen = Look(Verdict.CANNOT_TELL, one.value, one.problem)
            if inputs is not None and rule.source != ALARM_COUNT:
                seen = look(rule, inputs, one.history)
            rows.append(
                AlarmRow(
                    key=rule.key,
                    label=rule.label,
                    priority=rule.priority,
                    state=one.state,
                    since_ns=one.since_ns,
                    raised_ns=one.raised_ns,
                    value=seen.number,
                    problem=seen.problem,
                    limit=rule.limit,
                    unit=rule.unit,
                    quantity=rule.quantity,
                    message=rule.action,
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
        raise UnknownAlarm(f"no alarm {key!r}; there are: {', '.join(rule.key for rule in self.rules)}")

    def _act(
        self, state: AlarmState, key: str, event: AlarmEvent, operator: str, reason: str, now_ns: int,
        shelved_until_ns: int | None = None,
    ) -> Stepped:  # fmt: skip
        """A person's act: it must move the alarm, or it is refused."""
        rule, now_ns = self._rule(key), max(now_ns, state.now_ns)
        before = state.of(key)
        to = next_state(before.state, event, rule.latched)
        if to is None:
            raise NotAllowed(f"{rule.label} is {before.state}: nothing to {event}")
        after = replace(
            before, state=to, since_ns=now_ns, operator=operator, reason=reason, shelved_until_ns=shelved_until_ns
        )
        change = _change(rule, before, after, event, f"{event} by {operator or 'the user'}", now_ns)
        keys = {**state.keys, key: after}
        first_out, changes = _mark_first_out(state.first_out, self.rules, keys, [change], {})
        return replace(state, now_ns=now_ns, keys=keys, first_out=first_out), changes


_FRESH = KeyState()


def _step_one(
    rule: AlarmRule, before: KeyState, inputs: Mapping[str, Value], stage: str | None, now_ns: int
) -> tuple[KeyState, list[AlarmChanged]]:
    """One rule, one step. Being suppressed and resumed while normal is not told: the stage events say it."""
    one, told = before, []

    def move(event: AlarmEvent, seen: Look, cause: str) -> None:
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
            told.append(_change(rule, was, one, event, cause, now_ns, seen))

    if one.shelved_until_ns is not None and one.state is State.SHELVED and now_ns >= one.shelved_until_ns:
        move(AlarmEvent.UNSHELVE, _NO_LOOK, "the time it was shelved for is over")
    if not rule.concerns(stage):
        if one.condition or one.pending_ns is not None or one.history:
            one = replace(one, condition=False, pending_ns=None, history=())
        during = f"the {stage.replace('-', ' ')}" if stage is not None else "the time between stages"
        move(AlarmEvent.SUPPRESS, _NO_LOOK, f"not watched during {during}")
        return one, told

    if rule.kind is Kind.RATE:
        source = inputs.get(rule.source)
        history = remember(one.history, now_ns, source.number if source is not None else None, rule.window_s)
        if history is not one.history:
            one = replace(one, history=history)
    seen = look(rule, inputs, one.history)
    if one.state is State.NORMAL and not one.condition and one.pending_ns is None:
        if seen.verdict is not Verdict.IN_ALARM:
            return one, told  # the quiet case, kept cheap
    elif one.state is State.SUPPRESSED:
        move(AlarmEvent.RESUME, seen, "")
    one = _time_condition(rule, one, seen.verdict, now_ns)
    if one.condition:
        move(AlarmEvent.RAISE, seen, _cause(rule, seen))
        stands_s = (now_ns - one.since_ns) / NS_PER_S
        waited = rule.remind_s is not None and one.state is State.ACKNOWLEDGED and stands_s >= rule.remind_s
        if waited and seen.verdict is Verdict.IN_ALARM:
            move(AlarmEvent.REMIND, seen, f"still in alarm {_words(stands_s)} after it was acknowledged")
    else:
        move(
            AlarmEvent.RETURN, seen, "back to normal" + (f" for {_words(rule.off_delay_s)}" if rule.off_delay_s else "")
        )
    return one, told


_NO_LOOK = Look(Verdict.CANNOT_TELL)


def _time_condition(rule: AlarmRule, one: KeyState, verdict: Verdict, now_ns: int) -> KeyState:
    """The condition after its delays; see the module's docstring for which doubt counts for what."""
    towards_change = Verdict.NORMAL if one.condition else Verdict.IN_ALARM
    if verdict is towards_change:
        start_ns = now_ns if one.pending_ns is None else one.pending_ns
        delay_s = rule.off_delay_s if one.condition else rule.on_delay_s
        if now_ns - start_ns >= delay_s * NS_PER_S:
            return replace(one, condition=not one.condition, pending_ns=None)
        return one if one.pending_ns is not None else replace(one, pending_ns=start_ns)
    stops = one.condition or verdict is Verdict.NORMAL
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
    cause: str,
    now_ns: int,
    seen: Look | None = None,
) -> AlarmChanged:
    """Without a look (a person's act) the value is that of the raise."""
    number, problem = (after.value, after.problem) if seen is None else (seen.number, seen.problem)
    acted = seen is None
    return AlarmChanged(
        t_ns=now_ns, key=rule.key, label=rule.label, priority=rule.priority, event=event, from_state=before.state,
        to_state=after.state, value=number, problem=problem, limit=rule.limit, unit=rule.unit, quantity=rule.quantity,
        cause=cause, operator=after.operator if acted else "", reason=after.reason if acted else "",
        message=rule.action,
    )  # fmt: skip


_PAST: dict[Kind, str] = {
    Kind.HIGH: "at or above its limit",
    Kind.LOW: "at or below its limit",
    Kind.RATE: "changing as fast as its limit or faster",
    Kind.PREDICTION: "predicted to be this near",
    Kind.DISAGREE: "two readings disagree",
}


def _cause(rule: AlarmRule, seen: Look) -> str:
    held = f" for {_words(rule.on_delay_s)}" if rule.on_delay_s else ""
    return _PAST.get(rule.kind, seen.problem or "unknown") + held


def _words(seconds: float) -> str:
    return f"{seconds:g} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def _need_reason(rule: AlarmRule, reason: str, act: str) -> None:
    if not reason.strip():
        raise NotAllowed(f"{rule.label}: {act} needs a reason, it is recorded")
