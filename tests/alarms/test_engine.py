"""The engine by example; test_machine.py has it by model, test_overfill.py the law that matters most."""

import json
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest

from logger.alarms.alarm_engine import ALARM_COUNT, AlarmEngine
from logger.alarms.errors import NotAllowed, UnknownAlarm
from logger.alarms.memory import AlarmState
from logger.alarms.restore import Restored
from logger.alarms.rules import AlarmRule, Kind
from logger.model.alarm import AlarmEvent, Priority, State
from logger.model.codec import event_from_json, event_to_json
from logger.model.errors import EventError
from logger.model.events import AlarmChanged
from logger.model.points import Quantity
from logger.model.units import NS_PER_S
from logger.model.value import Statement, Value, known, name_of, number, unknown, word
from logger.pipeline.job_alarms import all_rules

HIGH = known(11.0, "kg")
LOW = known(5.0, "kg")
ABOUT = Statement("own", (name_of("label", "A"), name_of("action", "Do this.")))


def make(key: str, **more: Any) -> AlarmRule:
    fields: dict[str, Any] = {"deadband": 1.0, **more}
    return AlarmRule(key, fields.pop("priority", Priority.HIGH), fields.pop("kind", Kind.HIGH),
                     fields.pop("source", key), Quantity.MASS, fields.pop("limit", 10.0), **fields)  # fmt: skip


class Bench:
    """An engine with its state, stepped by hand in seconds."""

    def __init__(self, *rules: AlarmRule, stage: str | None = None) -> None:
        self.engine, self.state, self.stage = AlarmEngine(rules), AlarmState(), stage

    def step(self, t: float, **inputs: Value) -> list[AlarmChanged]:
        self.state, told = self.engine.step(self.state, inputs, self.stage, int(t * NS_PER_S))
        return told

    def states(self, t: float, **inputs: Value) -> list[State]:
        return [c.to_state for c in self.step(t, **inputs)]

    def ack(self, key: str, t: float) -> State:
        self.state, told = self.engine.acknowledge(self.state, key, "me", int(t * NS_PER_S))
        return told[0].to_state


def test_on_delay_needs_the_limit_passed_at_both_ends() -> None:
    bench = Bench(make("a", on_delay_s=5))
    assert bench.states(0, a=HIGH) == []
    assert bench.states(4.9, a=HIGH) == []
    assert bench.states(5, a=known(9.5, "kg")) == []
    assert bench.states(6, a=HIGH) == [State.UNACKNOWLEDGED]


def test_a_dip_past_the_deadband_restarts_the_on_delay() -> None:
    bench = Bench(make("a", on_delay_s=5))
    bench.step(0, a=HIGH)
    bench.step(4, a=LOW)
    assert bench.states(6, a=HIGH) == []
    assert bench.states(11, a=HIGH) == [State.UNACKNOWLEDGED]


def test_doubt_never_ends_an_alarm() -> None:
    bench = Bench(make("a", off_delay_s=5))
    bench.step(0, a=HIGH)
    for t in range(1, 100):
        assert bench.step(t, a=unknown("kg", "gone") if t % 3 else LOW) == []
    assert bench.states(100, a=LOW) == []
    assert bench.states(105, a=LOW) == [State.RETURNED]


def test_a_change_tells_everything() -> None:
    bench = Bench(make("a", on_delay_s=2, about=ABOUT))
    bench.step(0, a=HIGH)
    (told,) = bench.step(3, a=known(12.0, "kg"))
    assert told == AlarmChanged(
        t_ns=3 * NS_PER_S, key="a", about=ABOUT, priority=Priority.HIGH, event=AlarmEvent.RAISE,
        from_state=State.NORMAL,
        to_state=State.UNACKNOWLEDGED, value=12.0, problem=None, limit=10.0, unit="kg", quantity=Quantity.MASS,
        why=Statement("alarm.high", (number("held", Quantity.TIME, known(2, "s")),)), first_out=True,
    )  # fmt: skip
    stored = json.loads(json.dumps(event_to_json(told)))
    assert event_from_json(stored) == told
    del stored["key"]
    with pytest.raises(EventError, match="key"):
        event_from_json(stored)


def test_a_persons_act_is_told_with_name_and_reason() -> None:
    bench = Bench(make("a"))
    bench.step(0, a=HIGH)
    _, (told,) = bench.engine.shelve(bench.state, "a", "Kim", "scale being moved", 600, 5 * NS_PER_S)
    assert (told.operator, told.reason, told.to_state) == ("Kim", "scale being moved", State.SHELVED)
    by_kim = (word("act", AlarmEvent.SHELVE), name_of("by", "Kim"))
    assert (told.value, told.why) == (11.0, Statement("alarm.act", by_kim))


@pytest.mark.parametrize("act", ["acknowledge", "reset", "unshelve", "return_to_service"])
def test_acts_that_do_not_fit_are_refused(act: str) -> None:
    bench = Bench(make("a"))
    bench.step(0, a=LOW)
    with pytest.raises(NotAllowed, match=r"^alarm\.nothing_to\b"):
        getattr(bench.engine, act)(bench.state, "a", "me", 0)
    with pytest.raises(UnknownAlarm, match=r"^alarm\.unknown\b"):
        getattr(bench.engine, act)(bench.state, "b", "me", 0)


def test_shelving_is_bounded_and_needs_a_reason() -> None:
    bench = Bench(make("a"), make("p", protected=True))
    for seconds in (0.0, -1.0, 4 * 3600.1, float("nan"), float("inf")):
        with pytest.raises(NotAllowed, match=r"^alarm\.shelved_for\b"):
            bench.engine.shelve(bench.state, "a", "me", "why", seconds, 0)
    with pytest.raises(NotAllowed, match=r"^alarm\.needs_reason\b"):
        bench.engine.shelve(bench.state, "a", "me", "  ", 60, 0)
    with pytest.raises(NotAllowed, match=r"^alarm\.needs_reason\b"):
        bench.engine.out_of_service(bench.state, "a", "me", "", 0)
    with pytest.raises(NotAllowed, match=r"^alarm\.not_shelvable\b"):
        bench.engine.shelve(bench.state, "p", "me", "why", 60, 0)
    with pytest.raises(NotAllowed, match=r"^alarm\.stays_in_service\b"):
        bench.engine.out_of_service(bench.state, "p", "me", "why", 0)


def test_a_stage_change_does_not_hide_what_nobody_has_seen() -> None:
    bench = Bench(make("a", stages=frozenset({"decay-test"})), stage="decay-test")
    bench.step(0, a=HIGH)
    bench.stage = None
    assert bench.states(1, a=HIGH) == [State.RETURNED]
    assert bench.states(500, a=HIGH) == []
    assert bench.ack("a", 501) is State.NORMAL
    assert bench.step(502, a=HIGH) == []
    assert bench.state.of("a").state is State.SUPPRESSED


def test_a_latched_alarm_seen_by_someone_is_suppressed_by_the_stage() -> None:
    bench = Bench(make("a", latched=True, stages=frozenset({"decay-test"})), stage="decay-test")
    bench.step(0, a=HIGH)
    bench.ack("a", 1)
    assert bench.states(2, a=LOW) == [State.LATCHED_ACKNOWLEDGED]
    bench.stage = None
    assert bench.states(3, a=LOW) == [State.SUPPRESSED]


def test_a_restart_keeps_what_people_must_know_and_times_anew_what_nobody_watched() -> None:
    bench = Bench(make("a", off_delay_s=10), make("b", on_delay_s=10), make("c"), make("d", priority=Priority.LOW))
    told = bench.step(0, a=HIGH, b=LOW, c=LOW, d=LOW)
    told += bench.step(1, a=LOW, b=HIGH, c=HIGH, d=HIGH)
    bench.state, acted = bench.engine.acknowledge(bench.state, "c", "Kim", 2 * NS_PER_S, "seen")
    told += acted
    before = bench.state
    bench.state = restored(told)
    assert before.first_out == bench.state.first_out == "a"
    assert bench.state.recent_ns == before.recent_ns
    for key in "acd":
        assert bench.state.of(key) == replace(before.of(key), pending_ns=None)
    assert bench.step(60, a=LOW, b=HIGH, c=HIGH, d=HIGH) == []
    assert bench.states(70, a=LOW, b=HIGH, c=HIGH, d=HIGH) == [State.RETURNED, State.UNACKNOWLEDGED]


def test_after_a_restart_nobody_is_first_where_all_was_seen() -> None:
    bench = Bench(make("a"), make("d", priority=Priority.LOW))
    told = bench.step(0, a=HIGH, d=LOW)
    told += bench.step(1, a=HIGH, d=HIGH)
    bench.state, acted = bench.engine.acknowledge(bench.state, "a", "Kim", 2 * NS_PER_S)
    assert restored(told).first_out == "a"
    assert restored([*told, *acted]).first_out is bench.state.first_out is None


def restored(changes: Iterable[AlarmChanged]) -> AlarmState:
    again = Restored()
    for change in changes:
        stored = event_from_json(json.loads(json.dumps(event_to_json(change))))
        assert isinstance(stored, AlarmChanged)
        again.take(stored)
    return again.state


def test_a_reminder_only_while_the_reading_is_in_alarm() -> None:
    bench = Bench(make("a", remind_s=300))
    bench.step(0, a=HIGH)
    bench.ack("a", 10)
    assert bench.states(309, a=HIGH) == []
    assert bench.states(310, a=unknown("kg", "gone")) == []
    (told,) = bench.step(311, a=HIGH)
    assert (told.event, told.to_state) == (AlarmEvent.REMIND, State.UNACKNOWLEDGED)
    assert told.why is not None and told.why.key == "alarm.reminded"


def test_rate_alarm_over_real_steps() -> None:
    """A pump that stops: 500 micron, then 10 micron a second."""
    micron = 0.133322387
    rule = next(r for r in all_rules(["vacuum"]) if r.key == "vacuum-lost")
    bench = Bench(rule, stage="evacuation")
    raised = None
    for t in range(600):
        level = 500 + max(0, t - 300) * 10
        for change in bench.step(t, vacuum=known(level * micron, "Pa")):
            raised = raised or (t, change.to_state)
    assert raised is not None
    assert 300 < raised[0] <= 390
    assert raised[1] is State.UNACKNOWLEDGED


def test_first_out_is_the_one_whose_condition_began_first() -> None:
    bench = Bench(make("slow", on_delay_s=10), make("fast"))
    bench.step(0, slow=HIGH, fast=LOW)
    told = bench.step(10, slow=HIGH, fast=HIGH)
    assert [(c.key, c.first_out) for c in told] == [("slow", True), ("fast", False)]
    assert [r.key for r in bench.engine.present(bench.state) if r.first_out] == ["slow"]
    bench.ack("slow", 11)
    assert bench.state.first_out == "slow"  # one of its outbreak still waits
    bench.ack("fast", 12)
    assert bench.state.first_out is None


def test_a_quiet_alarm_is_never_first_out() -> None:
    bench = Bench(make("low", priority=Priority.LOW), make("high"))
    assert [c.first_out for c in bench.step(0, low=HIGH, high=LOW)] == [False]
    assert [c.first_out for c in bench.step(1, low=HIGH, high=HIGH)] == [True]


def test_over_ten_in_ten_minutes_is_a_flood_and_ends_below_five() -> None:
    flood = next(r for r in all_rules() if r.source == ALARM_COUNT)
    bench = Bench(*(make(f"a{i}") for i in range(12)), flood)
    on = {f"a{i}": HIGH for i in range(12)}
    off = {f"a{i}": LOW for i in range(12)}
    for i in range(10):
        bench.step(i, **{**off, **dict(list(on.items())[: i + 1])})
    assert bench.state.of("many-alarms").state is State.NORMAL  # ten is not over ten
    assert "many-alarms" in [c.key for c in bench.step(20, **on)]
    for t in range(30, 1000, 30):
        bench.step(t, **on)
    assert bench.state.of("many-alarms").state is State.RETURNED


def test_the_number_of_kept_raises_is_bounded() -> None:
    bench = Bench(make("a", deadband=0))
    for t in range(3000):
        bench.step(t / 10, a=HIGH if t % 2 else LOW)
    assert len(bench.state.recent_ns) <= 100


def test_present_list_is_most_pressing_first_with_the_present_value() -> None:
    bench = Bench(
        make("low", priority=Priority.LOW), make("high"), make("urgent", priority=Priority.URGENT), make("ok")
    )
    inputs = {"low": HIGH, "high": HIGH, "urgent": HIGH, "ok": LOW}
    bench.step(0, **inputs)
    assert [r.key for r in bench.engine.present(bench.state)] == ["urgent", "high", "low"]
    assert [r.audible for r in bench.engine.present(bench.state)] == [True, True, False]
    bench.ack("urgent", 1)
    rows = bench.engine.present(bench.state, {**inputs, "urgent": known(13.0, "kg")})
    assert [(r.key, r.value) for r in rows] == [("high", 11.0), ("low", 11.0), ("urgent", 13.0)]
    assert rows[-1].standing
    assert not rows[-1].unseen


def test_new_limits_are_a_new_engine_with_the_same_state() -> None:
    bench = Bench(make("a", latched=True))
    bench.step(0, a=HIGH)
    bench.engine = AlarmEngine((make("a", latched=True, limit=20.0),))
    assert bench.states(1, a=HIGH) == [State.LATCHED_UNACKNOWLEDGED]
    assert [r.limit for r in bench.engine.present(bench.state)] == [20.0]


def test_shelved_time_shows_only_while_shelved() -> None:
    bench = Bench(make("a"))
    bench.step(0, a=HIGH)
    bench.state, _ = bench.engine.shelve(bench.state, "a", "me", "why", 60, 0)
    assert bench.engine.present(bench.state)[0].shelved_until_ns == 60 * NS_PER_S
    bench.step(61, a=HIGH)
    assert bench.engine.present(bench.state)[0].shelved_until_ns is None


def test_acknowledging_all_skips_what_is_seen() -> None:
    bench = Bench(make("a"), make("b"), make("c"))
    bench.step(0, a=HIGH, b=HIGH, c=LOW)
    bench.ack("a", 1)
    bench.state, told = bench.engine.acknowledge_all(bench.state, "me", 2 * NS_PER_S)
    assert [c.key for c in told] == ["b"]
    assert bench.engine.acknowledge_all(bench.state, "me", 3 * NS_PER_S) == (bench.state, [])


def test_the_same_key_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="same key: a"):
        AlarmEngine((make("a"), make("a")))
