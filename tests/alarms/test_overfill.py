"""No sequence of inputs silences an overfill: not readings, gaps, stages, time, restarts, other alarms, new engines."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.alarms.alarm_engine import MAX_SHELVE_S, AlarmEngine
from logger.alarms.errors import NotAllowed, OverrideError
from logger.alarms.memory import AlarmState
from logger.alarms.overrides import apply_overrides
from logger.alarms.restore import Restored
from logger.alarms.states import AUDIBLE
from logger.model.alarm import State
from logger.model.events import AlarmChanged
from logger.model.units import NS_PER_S
from logger.model.value import Value, known, unknown
from logger.pipeline.job_alarms import all_rules
from logger.stages import registry

KINDS = tuple(one.kind for one in registry.STAGES)
RULES = all_rules(["cylinder_mass", "cylinder_pressure", "cylinder_temperature"], {"scale": "Scale"})
ENGINE = AlarmEngine(RULES)

values = st.one_of(
    st.none(),
    st.builds(known, st.floats(-10, 10), st.just("1"), st.one_of(st.none(), st.floats(0, 1))),
    st.builds(unknown, st.just("1"), st.sampled_from(["gone", "open circuit", "over range", "device lost", "?"])),
)
steps = st.lists(
    st.tuples(
        st.fixed_dictionaries(
            {"cylinder_of_limit": values, "cylinder_temperature": values, "device:scale": values, "store": values}
        ),
        st.sampled_from([None, *KINDS]),
        st.floats(-1e5, 1e5),  # seconds to the next step, backwards too
        st.booleans(),  # restart before it
    ),
    max_size=30,
)


def given_inputs(inputs: dict[str, Value | None]) -> dict[str, Value]:
    return {key: value for key, value in inputs.items() if value is not None}


def again(record: list[AlarmChanged]) -> AlarmState:
    """As after a restart, from the record alone."""
    restored = Restored()
    for change in record:
        restored.take(change)
    return restored.state


@settings(max_examples=150, deadline=None)
@given(steps, st.floats(1.0, 100.0), st.sampled_from([None, *KINDS]), steps)
def test_once_over_it_sounds_whatever_comes(
    before: list[tuple[dict[str, Value | None], str | None, float, bool]],
    share: float,
    stage: str | None,
    after: list[tuple[dict[str, Value | None], str | None, float, bool]],
) -> None:
    state, now = AlarmState(), 0.0
    record: list[AlarmChanged] = []
    for inputs, s, dt, _ in before:
        now += dt
        state, told = ENGINE.step(state, given_inputs(inputs), s, int(now * NS_PER_S))
        record += told
    state, told = ENGINE.step(state, {"cylinder_of_limit": known(share, "1")}, stage, int(now * NS_PER_S))
    record += told
    assert state.of("overfill").state is State.UNACKNOWLEDGED
    for inputs, s, dt, restart in after:
        now += dt
        state = again(record) if restart else state
        state, told = ENGINE.step(state, given_inputs(inputs), s, int(now * NS_PER_S))
        record += told
        assert state.of("overfill").state in AUDIBLE
        row = next(r for r in ENGINE.present(state) if r.key == "overfill")
        assert row.audible


@settings(max_examples=100, deadline=None)
@given(steps)
def test_acknowledged_it_stays_shown_until_reset(
    after: list[tuple[dict[str, Value | None], str | None, float, bool]],
) -> None:
    state, _ = ENGINE.step(AlarmState(), {"cylinder_of_limit": known(1.2, "1")}, None, 0)
    state, _ = ENGINE.acknowledge(state, "overfill", "me", 0)
    now = 0.0
    for inputs, s, dt, _restart in after:
        now += dt
        state, _ = ENGINE.step(state, given_inputs(inputs), s, int(now * NS_PER_S))
        assert "overfill" in [row.key for row in ENGINE.present(state)]


def test_no_act_puts_it_away_and_only_acknowledging_stops_the_sound() -> None:
    state, _ = ENGINE.step(AlarmState(), {"cylinder_of_limit": known(1.0, "1")}, None, 0)
    with pytest.raises(NotAllowed):
        ENGINE.shelve(state, "overfill", "me", "noise", MAX_SHELVE_S / 2, 0)
    with pytest.raises(NotAllowed):
        ENGINE.out_of_service(state, "overfill", "me", "noise", 0)
    with pytest.raises(NotAllowed):
        ENGINE.reset(state, "overfill", "me", 0)
    state, _ = ENGINE.acknowledge(state, "overfill", "me", 0)
    assert state.of("overfill").state is State.ACKNOWLEDGED


def test_acknowledged_and_still_over_it_sounds_again() -> None:
    over = {"cylinder_of_limit": known(1.1, "1")}
    state, _ = ENGINE.step(AlarmState(), over, None, 0)
    state, _ = ENGINE.acknowledge(state, "overfill", "me", 0)
    state, _ = ENGINE.step(state, over, None, 299 * NS_PER_S)
    assert state.of("overfill").state is State.ACKNOWLEDGED
    state, _ = ENGINE.step(state, over, None, 300 * NS_PER_S)
    assert state.of("overfill").state is State.UNACKNOWLEDGED


TABLES = st.dictionaries(
    st.sampled_from(
        ["enabled", "limit", "deadband", "on_delay", "off_delay", "remind", "priority", "latched", "stages", "source"]
    ),
    st.one_of(
        st.booleans(),
        st.floats(-5, 5),
        st.integers(-5, 5),
        st.sampled_from(["0s", "5s", "2h", "90%", "150%", "0%", "low", "urgent", "overfill", "", "1e400%"]),
        st.lists(st.sampled_from(["charging", "recovery"])),
        st.none(),
    ),
    max_size=5,
)


@settings(max_examples=300, deadline=None)
@given(TABLES)
def test_no_file_loosens_it(table: dict[str, object]) -> None:
    """Whatever the file says, the alarm comes no later at any reading than the built-in one, or the file is refused."""
    try:
        rules = apply_overrides(RULES, {"overfill": table})
    except OverrideError as exc:
        assert all(problem.startswith("alarms.overfill") for problem in exc.problems)
        return
    rule = next(r for r in rules if r.key == "overfill")
    built_in = next(r for r in RULES if r.key == "overfill")
    assert rule.protected
    assert rule.limit is not None
    assert rule.limit <= 1.0
    assert rule.on_delay_s == 0.0
    assert rule.latched
    assert rule.deadband >= built_in.deadband and rule.off_delay_s >= built_in.off_delay_s
    assert rule.remind_s is not None and built_in.remind_s is not None
    assert 0 < rule.remind_s <= built_in.remind_s
    same = replace(
        rule, limit=1.0, basis=built_in.basis, deadband=0.01, off_delay_s=10, remind_s=300, about=built_in.about
    )
    assert same == built_in
    state, _ = AlarmEngine(rules).step(AlarmState(), {"cylinder_of_limit": known(1.0, "1")}, None, 0)
    assert state.of("overfill").state is State.UNACKNOWLEDGED
