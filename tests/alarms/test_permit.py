"""The recovery machine's supply: nothing permits while the cylinder is full, or while that unknown."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from logger.alarms.alarm_engine import AlarmEngine
from logger.alarms.errors import AlarmError, NotAllowed
from logger.alarms.memory import AlarmState
from logger.alarms.permit import DEPENDS_ON, Hold, Mode, Situation, arm, objections, still_held, stopped
from logger.model.points import POINTS
from logger.model.units import NS_PER_S
from logger.model.value import Statement, Value, known, unknown
from logger.pipeline.job_alarms import all_rules

ENGINE = AlarmEngine(all_rules(DEPENDS_ON))
GOOD = {
    "cylinder_mass": known(20.0, "kg", 0.02),
    "cylinder_pressure": known(1.0e6, "Pa", 2e3),
    "cylinder_temperature": known(300.0, "K", 0.3),
    "recovery_outlet_pressure": known(1.2e6, "Pa", 2e3),
}
WELL = Situation(
    "recovery", True, "A", known(0.5, "1", 0.002), known(1.5e6, "Pa", 2e3), GOOD, ENGINE.rules, AlarmState()
)  # fmt: skip


def test_nothing_objects_when_all_is_known_and_well() -> None:
    assert objections(WELL) == ()
    hold = arm(WELL)
    assert hold == Hold(Mode.HELD, "A")
    assert still_held(hold, WELL) is hold


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"stage": None, "filling": False}, "not_filling"),
        ({"stage": "charging", "filling": False}, "not_filling"),
        ({"cylinder": None}, "no_cylinder"),
        ({"not_to_be_filled": ["The test of 2020-01-01 ran out: do not fill."]}, "not_to_be_filled"),
        ({"share": unknown("1", "scale: open circuit")}, "fill_unknown"),
        ({"share": known(0.997, "1", 0.002)}, "full"),  # twice its uncertainty counts
        ({"share": known(1.2, "1")}, "full"),
        ({"margin": unknown("Pa", "the cylinder's service pressure is not entered")}, "unknown"),
        ({"margin": known(0.0, "Pa")}, "pressure_at_limit"),
        ({"readings": {k: v for k, v in GOOD.items() if k != "cylinder_mass"}}, "no_scale"),
        ({"readings": {**GOOD, "recovery_outlet_pressure": unknown("Pa", "device lost: silent")}}, "unknown"),
        ({"device_problem": "recovery machine: the device has no output 3"}, "device"),
        ({"rules": tuple(r for r in ENGINE.rules if r.key != "overfill")}, "no_alarm"),
        ({"rules": tuple(r for r in ENGINE.rules if r.key != "fill-unknown")}, "no_alarm"),
        ({"rules": tuple(replace(r, limit=None) if r.key == "overfill" else r for r in ENGINE.rules)}, "no_limit"),
    ],
)
def test_each_thing_that_objects_stops_it_and_says_why(change: dict[str, Any], key: str) -> None:
    bad = replace(WELL, **change)
    assert f"permit.{key}" in [one.key for one in objections(bad)]
    with pytest.raises(NotAllowed, match=f"permit.{key}"):
        arm(bad)
    hold = still_held(arm(WELL), bad)
    assert not hold.permitted
    assert f"permit.{key}" in [one.key for one in hold.why]
    assert still_held(hold, WELL) is hold, "what was stopped does not come back by itself"


def test_what_the_rig_does_not_measure_is_not_asked_for() -> None:
    bare = replace(WELL, margin=None, readings={"cylinder_mass": GOOD["cylinder_mass"]})
    assert objections(bare) == ()


def test_another_cylinder_stops_it() -> None:
    assert not still_held(arm(WELL), replace(WELL, cylinder="B")).permitted


def test_a_reason_of_the_devices_own_stops_it_and_a_released_one_stays_released() -> None:
    assert stopped(arm(WELL), Statement("permit.restarted")).why == (Statement("permit.restarted"),)
    assert stopped(Hold(), Statement("permit.restarted")) == Hold()


@pytest.mark.parametrize("key", ["overfill", "cylinder-pressure", "liquid-full", "outlet-pressure", "cylinder-hot"])
def test_an_alarm_that_asks_to_stop_the_machine_forbids_until_it_is_over_and_acknowledged(key: str) -> None:
    rule_ = next(r for r in ENGINE.rules if r.key == key)
    inputs: dict[str, Value] = {**GOOD, "cylinder_of_limit": WELL.share, "cylinder_margin": known(1.5e6, "Pa")}
    inputs["liquid_full_temperature"] = known(400.0, "K")
    bad = {
        "overfill": {"cylinder_of_limit": known(1.01, "1")},
        "cylinder-pressure": {"cylinder_margin": known(-1.0, "Pa")},
        "liquid-full": {"liquid_full_temperature": known(300.0, "K")},
        "outlet-pressure": {"recovery_outlet_pressure": known(9e6, "Pa")},
        "cylinder-hot": {"cylinder_temperature": known(340.0, "K")},
    }[key]
    state, now = AlarmState(), 0
    for now in range(60):
        state, _ = ENGINE.step(state, {**inputs, **bad}, "recovery", now * NS_PER_S)
    assert objections(replace(WELL, alarms=state))
    state, _ = ENGINE.acknowledge(state, key, "m", now * NS_PER_S)
    assert objections(replace(WELL, alarms=state)), "seen is not over"
    for now in range(60, 200):
        state, _ = ENGINE.step(state, inputs, "recovery", now * NS_PER_S)
    if rule_.latched:
        assert objections(replace(WELL, alarms=state)), "latched is not over"
        state, _ = ENGINE.reset(state, key, "m", now * NS_PER_S)
    assert objections(replace(WELL, alarms=state)) == ()


NUMBER = st.one_of(st.floats(-1.0, 3.0), st.floats(0.9, 1.1))
SHARES = st.one_of(
    st.builds(known, NUMBER, st.just("1"), st.one_of(st.none(), st.floats(0.0, 0.05))),
    st.builds(unknown, st.just("1"), st.sampled_from(["scale: open circuit", "device lost", "no cylinder told"])),
)
READINGS = st.fixed_dictionaries(
    {name: st.one_of(st.just(value), st.builds(unknown, st.just(value.unit), st.just("device lost: silent")))
     for name, value in GOOD.items()}
)  # fmt: skip


class Night(RuleBasedStateMachine):
    """Any order of readings, alarms' steps and people's acts; time only goes forward."""

    def __init__(self) -> None:
        super().__init__()
        self.now_ns = 0
        self.hold = Hold()
        self.alarms = AlarmState()
        self.situation = WELL

    @rule(
        share=SHARES, readings=READINGS, seconds=st.floats(0.0, 40.0),
        stage=st.sampled_from(["recovery", "recovery", None, "evacuation"]),
        cylinder=st.sampled_from(["A", "A", "B", None]),
    )  # fmt: skip
    def readings_come(
        self, share: Value, readings: dict[str, Value], seconds: float, stage: str | None, cylinder: str | None
    ) -> None:
        self.now_ns += int(seconds * NS_PER_S)
        inputs = {**readings, "cylinder_of_limit": share, "cylinder_margin": known(1e6, "Pa")}
        self.alarms, _ = ENGINE.step(self.alarms, inputs, stage, self.now_ns)
        self.situation = replace(
            WELL, share=share, readings=readings, stage=stage, filling=stage == "recovery", cylinder=cylinder,
            alarms=self.alarms,
        )  # fmt: skip
        self.hold = still_held(self.hold, self.situation)

    @rule()
    def all_is_well(self) -> None:
        self.readings_come(WELL.share, GOOD, 40.0, "recovery", "A")

    @rule()
    def someone_arms(self) -> None:
        try:
            self.hold = arm(self.situation)
        except NotAllowed:
            assert objections(self.situation)

    @rule()
    def someone_releases(self) -> None:
        self.hold = Hold()

    @rule(key=st.sampled_from([r.key for r in ENGINE.rules]), act=st.sampled_from(["ack", "reset", "shelve", "out"]))
    def someone_quietens_an_alarm(self, key: str, act: str) -> None:
        try:
            if act == "ack":
                self.alarms, _ = ENGINE.acknowledge(self.alarms, key, "m", self.now_ns)
            elif act == "reset":
                self.alarms, _ = ENGINE.reset(self.alarms, key, "m", self.now_ns)
            elif act == "shelve":
                self.alarms, _ = ENGINE.shelve(self.alarms, key, "m", "why not", 600, self.now_ns)
            else:
                self.alarms, _ = ENGINE.out_of_service(self.alarms, key, "m", "why not", self.now_ns)
        except AlarmError:
            return
        self.situation = replace(self.situation, alarms=self.alarms)
        self.hold = still_held(self.hold, self.situation)

    @invariant()
    def no_permit_against_the_cylinder(self) -> None:
        if not self.hold.permitted:
            return
        share = self.situation.share
        assert share.number is not None
        assert share.number + 2 * (share.u or 0.0) < 1.0
        assert not self.alarms.of("overfill").condition
        assert not self.alarms.of("fill-unknown").condition
        assert self.situation.stage == "recovery"
        assert all(value.number is not None for value in self.situation.readings.values())


TestNight = Night.TestCase
TestNight.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)


@given(share=SHARES)
@settings(max_examples=100, deadline=None)
def test_no_share_at_or_over_its_limit_or_unknown_is_ever_permitted(share: Value) -> None:
    allowed = share.number is not None and share.number + 2 * (share.u or 0.0) < 1.0
    assert (objections(replace(WELL, share=share)) == ()) is allowed


def test_the_points_it_depends_on_are_points() -> None:
    assert set(DEPENDS_ON) <= set(POINTS)
