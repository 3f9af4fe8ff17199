"""The whole machine against a model of it that is built otherwise.

The model keeps every verdict it ever saw and reads the condition from that list by definition; the state is a few
flags, not a table. hypothesis drives both with inputs, time, stages, acts of people and restarts.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from logger.alarms.alarm_engine import MAX_SHELVE_S, AlarmEngine, Stepped
from logger.alarms.errors import NotAllowed
from logger.alarms.memory import AlarmState
from logger.alarms.restore import Restored
from logger.alarms.rules import AlarmRule, Kind
from logger.model.alarm import AlarmEvent, Priority, State
from logger.model.events import AlarmChanged
from logger.model.points import Quantity
from logger.model.units import NS_PER_S
from logger.model.value import known, unknown

LEVELS = {"normal": 5.0, "between": 9.5, "alarm": 11.0, "unknown": None}
RULES = tuple(
    AlarmRule(
        key, Priority.HIGH, Kind.HIGH, f"{key}_x", Quantity.MASS, 10.0, deadband=1.0, on_delay_s=on,
        off_delay_s=off, latched=latched, stages=stages, protected=protected, remind_s=remind,
    )
    for key, on, off, latched, stages, protected, remind in (
        ("plain", 5.0, 8.0, False, None, False, None),
        ("prompt", 0.0, 0.0, False, None, False, 20.0),
        ("latching", 3.0, 5.0, True, None, False, None),
        ("staged", 2.0, 5.0, False, frozenset({"recovery"}), False, None),
        ("staged-latching", 0.0, 5.0, True, frozenset({"recovery", None}), False, 30.0),
        ("guarded", 0.0, 10.0, True, None, True, 25.0),
    )
)  # fmt: skip
AFTER = st.sampled_from([0, 1, 2, 3, 5, 8, 10, 20, 25, 30])


@dataclass
class Model:
    """One alarm. episode: none, unseen or seen. mode: in, shelved or out."""

    rule: AlarmRule
    seen: list[tuple[int, str]] = field(default_factory=list)
    stood: bool = False  # before all that was seen, at a restart
    concerned: bool = True
    episode: str = "none"
    was_on: bool = False
    mode: str = "in"
    until: int = 0
    since_seen: int = 0

    def condition(self) -> bool:
        """By definition, over everything seen since the alarm last began to concern the stage, or a restart."""
        on, begun = self.stood, 0
        for i, (t, level) in enumerate(self.seen):
            recent = self.seen[begun : i + 1]
            if not on and level == "alarm":
                calm = max((k for k, (_, w) in enumerate(recent) if w == "normal"), default=-1)
                onset = min(u for u, w in recent[calm + 1 :] if w == "alarm")
                if t - onset >= self.rule.on_delay_s * NS_PER_S:
                    on, begun = True, i + 1
            elif on and level == "normal":
                doubt = max((k for k, (_, w) in enumerate(recent) if w != "normal"), default=-1)
                if t - recent[doubt + 1][0] >= self.rule.off_delay_s * NS_PER_S:
                    on, begun = False, i + 1
        return on

    def step(self, level: str, concerned: bool, now: int) -> None:
        if self.mode == "shelved" and now >= self.until:
            self.mode, self.episode = "in", "none"
        self.concerned = concerned
        if not concerned:
            self.seen.clear()
            self.stood = False
        else:
            self.seen.append((now, level))
        on = concerned and self.condition()
        if self.mode == "in":
            if on and (self.episode == "none" or not self.was_on):
                self.episode = "unseen"
            if not on and self.episode == "seen" and not (self.rule.latched and concerned):
                self.episode = "none"
            late = self.rule.remind_s is not None and now - self.since_seen >= self.rule.remind_s * NS_PER_S
            if on and self.episode == "seen" and late and level == "alarm":
                self.episode = "unseen"
        self.was_on = on

    def restart(self) -> None:
        """Nobody watched: what was being timed is timed anew, what was shelved or not of the stage is forgotten."""
        if self.mode == "shelved":
            self.mode, self.episode = "in", "none"
        self.stood = self.was_on = self.was_on and self.mode == "in" and self.episode != "none"
        self.seen.clear()

    def state(self) -> State:
        if self.mode != "in":
            return State.SHELVED if self.mode == "shelved" else State.OUT_OF_SERVICE
        if self.episode == "unseen":
            if self.was_on:
                return State.UNACKNOWLEDGED
            return State.LATCHED_UNACKNOWLEDGED if self.rule.latched else State.RETURNED
        if not self.concerned:
            return State.SUPPRESSED
        if self.episode == "seen":
            return State.ACKNOWLEDGED if self.was_on else State.LATCHED_ACKNOWLEDGED
        return State.NORMAL


class Machine(RuleBasedStateMachine):
    """One alarm, whose rule is drawn first: every step then bears on it."""

    @initialize(which=st.sampled_from(RULES))
    def begin(self, which: AlarmRule) -> None:
        self.rule, self.key = which, which.key
        self.engine = AlarmEngine((which,))
        self.state = AlarmState()
        self.model = Model(which)
        self.level = "normal"
        self.stage: str | None = "recovery"
        self.now = 1_700_000_000 * NS_PER_S
        self.changes: list[AlarmChanged] = []
        self.forgotten: list[AlarmChanged] = []  # those before a restart that forgot what was put away
        self.run()

    def run(self, now: int | None = None) -> None:
        number = LEVELS[self.level]
        inputs = {f"{self.key}_x": known(number, "kg") if number is not None else unknown("kg", "gone")}
        self.state, told = self.engine.step(self.state, inputs, self.stage, self.now if now is None else now)
        self.changes += told
        self.model.step(self.level, self.rule.concerns(self.stage), self.now)

    @rule(level=st.sampled_from(list(LEVELS)), after=AFTER)
    def reading(self, level: str, after: int) -> None:
        self.level = level
        self.now += after * NS_PER_S
        self.run()

    @rule(levels=st.lists(st.sampled_from(list(LEVELS)), min_size=2, max_size=8), after=AFTER)
    def readings(self, levels: list[str], after: int) -> None:
        for level in levels:
            self.reading(level, after)

    @rule(stage=st.sampled_from([None, "recovery", "charging"]), after=AFTER)
    def change_stage(self, stage: str | None, after: int) -> None:
        self.stage = stage
        self.now += after * NS_PER_S
        self.run()

    @rule()
    def acknowledge(self) -> None:
        model = self.model
        allowed = model.mode == "in" and model.episode == "unseen"
        if self.act(allowed, lambda: self.engine.acknowledge(self.state, self.key, "me", self.now)):
            model.episode = "seen" if model.was_on or self.rule.latched else "none"
            model.since_seen = self.now
        self.run()

    @rule()
    def reset(self) -> None:
        allowed = self.model.state() is State.LATCHED_ACKNOWLEDGED
        if self.act(allowed, lambda: self.engine.reset(self.state, self.key, "me", self.now)):
            self.model.episode = "none"
        self.run()

    @rule(for_s=st.sampled_from([5.0, 60.0, MAX_SHELVE_S, 0.0, MAX_SHELVE_S + 1]))
    def shelve(self, for_s: float) -> None:
        model = self.model
        allowed = model.mode == "in" and model.state() is not State.SUPPRESSED and not self.rule.protected
        allowed = allowed and 0 < for_s <= MAX_SHELVE_S
        if self.act(allowed, lambda: self.engine.shelve(self.state, self.key, "me", "why", for_s, self.now)):
            model.mode, model.until = "shelved", self.now + int(for_s * NS_PER_S)
        self.run()

    @rule()
    def unshelve(self) -> None:
        model = self.model
        if self.act(model.mode == "shelved", lambda: self.engine.unshelve(self.state, self.key, "me", self.now)):
            model.mode, model.episode = "in", "none"
        self.run()

    @rule()
    def take_out(self) -> None:
        allowed = self.model.mode != "out" and not self.rule.protected
        if self.act(allowed, lambda: self.engine.out_of_service(self.state, self.key, "me", "why", self.now)):
            self.model.mode = "out"
        self.run()

    @rule()
    def put_back(self) -> None:
        model = self.model
        if self.act(model.mode == "out", lambda: self.engine.return_to_service(self.state, self.key, "me", self.now)):
            model.mode, model.episode = "in", "none"
        self.run()

    @rule()
    def restart(self) -> None:
        again = Restored()
        for change in (*self.forgotten, *self.changes):
            again.take(change)
        before, self.state = self.state.of(self.key), again.state
        if before.state in (State.SHELVED, State.SUPPRESSED):
            self.forgotten, self.changes = [*self.forgotten, *self.changes], []
        else:
            now = self.state.of(self.key)
            assert now.state is before.state
            if now.state is not State.NORMAL:  # suppressed and resumed while normal is not told
                assert (now.since_ns, now.raised_ns) == (before.since_ns, before.raised_ns)
        self.model.restart()
        self.run()

    @rule(back=st.integers(1, 1000))
    def time_cannot_run_backwards(self, back: int) -> None:
        self.run(self.now - back * NS_PER_S)

    def act(self, allowed: bool, do: Callable[[], Stepped]) -> bool:
        if not allowed:
            with pytest.raises(NotAllowed):
                do()
            return False
        self.state, told = do()
        assert len(told) == 1
        assert told[0].operator == "me"
        self.changes += told
        return True

    @invariant()
    def both_agree(self) -> None:
        assert self.state.of(self.key).state is self.model.state()

    @invariant()
    def the_record_has_every_state(self) -> None:
        """Each change goes on from the one before, to the present; quiet suppression alone is told by the stage."""
        quiet = {State.NORMAL, State.SUPPRESSED}
        ends = [State.NORMAL, *(change.to_state for change in self.changes)]
        begins = [*(change.from_state for change in self.changes), self.state.of(self.key).state]
        for end, begin in zip(ends, begins, strict=True):
            assert end is begin or {end, begin} == quiet
        assert all(a.t_ns <= b.t_ns for a, b in pairwise(self.changes))

    @invariant()
    def protected_is_never_put_away(self) -> None:
        put_away = self.state.of(self.key).state in (State.SHELVED, State.OUT_OF_SERVICE)
        assert not (self.rule.protected and put_away)


Machine.TestCase.settings = settings(max_examples=300, stateful_step_count=40, deadline=None)
TestMachine = Machine.TestCase


def test_shelving_is_told_when_its_time_is_over() -> None:
    engine, state = AlarmEngine(RULES), AlarmState()
    inputs = {"prompt_x": known(20.0, "kg")}
    state, _ = engine.step(state, inputs, None, 0)
    state, _ = engine.shelve(state, "prompt", "me", "sensor being moved", 60.0, 0)
    state, quiet = engine.step(state, inputs, None, 59 * NS_PER_S)
    state, told = engine.step(state, inputs, None, 60 * NS_PER_S)
    assert [c for c in quiet if c.key == "prompt"] == []
    assert [(c.event, c.to_state) for c in told if c.key == "prompt"] == [
        (AlarmEvent.UNSHELVE, State.NORMAL),
        (AlarmEvent.RAISE, State.UNACKNOWLEDGED),
    ]
