"""The built-in alarms."""

import pytest

from logger.alarms.alarm_engine import AlarmEngine
from logger.alarms.defaults import DISK, HEALTH, STORE, device_input, trouble_input
from logger.alarms.memory import AlarmState
from logger.alarms.rules import LIMIT_KINDS, Kind
from logger.model.alarm import Priority, State
from logger.model.job import Stage
from logger.model.points import POINTS
from logger.model.units import NS_PER_S, PSI_PA
from logger.model.value import CodedProblem, Value, known, unknown
from logger.pipeline.job_alarms import all_rules
from logger.stages import registry
from logger.stages.acceptance import OWN, DecayProfile, HoldStep
from logger.stages.words import alarm_text
from logger.wording.values import Shown

KINDS = tuple(one.kind for one in registry.STAGES)
RULES = all_rules(tuple(POINTS), {"a1": "Scale"})
ENGINE = AlarmEngine(RULES)
WELL: dict[str, Value] = {
    **{name: known(250.0, point.unit) for name, point in POINTS.items()},
    **{name: known(1.0, "1") for name in HEALTH},
    device_input("a1"): known(1.0, "1"),
    trouble_input("a1"): known(1.0, "1"),
    "cylinder_of_limit": known(0.4, "1"),
    "time_to_limit": known(7200.0, "s"),
    "cylinder_margin": known(1e6, "Pa"),
    "liquid_full_temperature": known(345.0, "K"),
    "recovery_outlet_pressure": known(1.2e6, "Pa"),
    "cylinder_pressure": known(1.0e6, "Pa"),
    "cylinder_temperature": known(305.0, "K"),
    "condensing_over_ambient": known(12.0, "K"),
    "stalled_for": known(0.0, "s"),
    "pressure_change": known(0.0, "Pa"),
    "vacuum_rise": known(2.0, "Pa"),
    "time_to_stop": known(600.0, "s"),
    "charge_to_go": known(20.0, "kg"),
    "high_side_margin": known(8e5, "Pa"),
    "suction_superheat": known(6.0, "K"),
    "discharge_temperature": known(350.0, "K"),
}


def raised(stage: str | None, change: dict[str, Value], seconds: int = 360) -> set[str]:
    state = AlarmState()
    for t in range(0, seconds, 5):
        state, _ = ENGINE.step(state, WELL if t < 20 else {**WELL, **change}, stage, t * NS_PER_S)
    return {row.key for row in ENGINE.present(state)}


@pytest.mark.parametrize("stage", [None, *KINDS])
def test_a_job_that_goes_well_is_silent_all_night(stage: str | None) -> None:
    assert raised(stage, {}, 3600) == set()


_R, _P, _E, _D, _C, _U = KINDS


@pytest.mark.parametrize(
    ("stage", "source", "value", "expected"),
    [
        (_R, "cylinder_of_limit", known(0.91, "1"), {"overfill-soon"}),
        (_R, "cylinder_of_limit", known(1.0, "1"), {"overfill-soon", "overfill"}),
        (_C, "cylinder_of_limit", known(1.0, "1"), {"overfill"}),
        (_C, "cylinder_of_limit", known(0.95, "1"), set()),  # charging from a nearly full cylinder is no alarm
        (None, "cylinder_of_limit", known(0.95, "1"), {"overfill-soon"}),
        (_R, "cylinder_of_limit", unknown("1", "no cylinder"), {"fill-unknown"}),
        (_C, "cylinder_of_limit", unknown("1", "no cylinder"), set()),
        (_R, "time_to_limit", known(500.0, "s"), {"time-to-limit"}),
        (_R, "time_to_limit", unknown("s", "not filling"), set()),
        (None, "cylinder_margin", known(-10.0, "Pa"), {"cylinder-pressure"}),
        (_R, "cylinder_temperature", known(336.0, "K"), {"liquid-full", "cylinder-hot"}),
        (_R, "recovery_outlet_pressure", known(451 * PSI_PA + 101325.0, "Pa"), {"outlet-pressure", "outlet-blocked"}),
        (_R, "stalled_for", known(301.0, "s"), {"recovery-stalled"}),
        (_R, "condensing_over_ambient", known(40.0, "K"), {"condensing-hot"}),
        (_P, "suction_pressure", known(250.0 + 6 * PSI_PA, "Pa"), {"apart-suction_pressure"}),
        (_P, "system_pressure", unknown("Pa", "no readings"), {"no-data-system_pressure"}),
        (_P, "pressure_change", known(-4 * PSI_PA, "Pa"), {"pressure-lost"}),
        (_D, "vacuum_rise", known(30.0, "Pa"), {"vacuum-rise"}),
        (_E, "vacuum_rise", known(30.0, "Pa"), set()),
        (_C, "time_to_stop", known(50.0, "s"), {"charge-near"}),
        (_C, "charge_to_go", known(0.0, "kg"), {"charge-reached"}),
        (_C, "charge_to_go", known(-0.2, "kg"), {"charge-reached", "overcharge"}),
        (_U, "high_side_margin", known(-1.0, "Pa"), {"high-head"}),
        (_U, "suction_superheat", known(1.0, "K"), {"low-superheat"}),
        (_U, "discharge_temperature", known(385.0, "K"), {"discharge-hot"}),
        (_R, "cylinder_mass", unknown("kg", "no readings for 9 s"), {"no-data-cylinder_mass"}),
        (_R, "cylinder_mass", unknown("kg", CodedProblem("open-circuit", "open circuit")), {"fault-cylinder_mass"}),
        (_E, "vacuum", unknown("Pa", CodedProblem("over-range", "over range")), set()),  # at each start
        (_E, "vacuum", unknown("Pa", CodedProblem("short-circuit", "short circuit")), {"fault-vacuum"}),
        (_R, "vacuum", unknown("Pa", "no readings"), set()),
        (None, device_input("a1"), unknown("1", "unplugged"), {"device-a1"}),
        (None, trouble_input("a1"), unknown("1", "supply voltage low"), {"trouble-a1"}),
        (None, "contact", unknown("1", "closed, nobody armed it"), {"contact-closed"}),
        (None, STORE, unknown("1", "disk full"), {"store-trouble"}),
        (None, DISK, unknown("1", "nearly full"), {"disk-low"}),
        (None, "program", unknown("1", "ZeroDivisionError"), {"program-fault"}),
        (None, "verdict", unknown("1", "stage 2: held no vacuum"), {"verdict-changed"}),
        (None, "clock", unknown("1", "slept 90 min"), {"clock-gap"}),
        (None, "awake", unknown("1", "no inhibitor"), {"keep-awake"}),
        (None, "push", unknown("1", "no route"), {"push-trouble"}),
        (None, "sound", unknown("1", "no player"), {"sound-trouble"}),
    ],
)  # fmt: skip
def test_what_each_trouble_raises(stage: str | None, source: str, value: Value, expected: set[str]) -> None:
    assert raised(stage, {source: value}) == expected


def test_a_gap_told_for_one_step_stays_until_seen() -> None:
    state = AlarmState()
    for t, inputs in enumerate([WELL, {**WELL, "clock": unknown("1", "slept 90 min")}, WELL, WELL]):
        state, _ = ENGINE.step(state, inputs, None, t * NS_PER_S)
    (row,) = ENGINE.present(state)
    assert (row.key, row.state, row.audible) == ("clock-gap", State.LATCHED_UNACKNOWLEDGED, True)


def test_points_and_devices_that_are_not_there_are_not_watched() -> None:
    keys = {rule.key for rule in all_rules()}
    assert not any(key.startswith(("no-data-", "fault-", "device-")) for key in keys)
    assert "liquid-full" not in keys
    assert "vacuum-lost" not in keys
    assert {"overfill", "fill-unknown", "cylinder-pressure", "many-alarms", "store-trouble"} <= keys
    assert "push-trouble" not in {rule.key for rule in all_rules(health=(STORE,))}


def test_the_acceptance_profile_sets_the_vacuum_limit() -> None:
    own = DecayProfile("own", "Ours", "the customer", OWN, (HoldStep(None, 600.0, 66.66),))
    stage = Stage(1, _D, 0, settings={"profile": "own"})
    (rule,) = (r for r in all_rules(["vacuum"], stage=stage, profiles={"own": own}) if r.key == "vacuum-rise")
    assert (rule.source, rule.limit) == ("vacuum", 66.66)


def test_every_alarm_says_what_to_do_and_where_its_limit_is_from() -> None:
    for rule in RULES:
        text = alarm_text(rule, Shown())
        assert text.action.endswith("."), rule.key
        assert rule.basis, rule.key
        assert text.label != rule.key
        assert rule.kind in LIMIT_KINDS or rule.limit is None


def test_what_hurts_people_is_urgent_protected_and_never_suppressed() -> None:
    """Overfill, liquid-full and cylinder pressure concern every stage and the time between stages."""
    for key in ("overfill", "liquid-full", "cylinder-pressure"):
        rule = next(r for r in RULES if r.key == key)
        assert (rule.priority, rule.protected, rule.latched, rule.stages) == (Priority.URGENT, True, True, None)


def test_few_alarms_can_wake_someone() -> None:
    """Urgent is rare: alarms are useless when all are urgent (EEMUA 191: about 5 %, from memory)."""
    limits = [rule for rule in RULES if rule.kind not in (Kind.NO_DATA, Kind.FAULT)]
    assert sum(r.priority is Priority.URGENT for r in limits) <= len(limits) / 2
    assert sum(r.priority is Priority.URGENT for r in RULES) <= len(RULES) / 5


def test_numbers_are_in_the_users_units() -> None:
    state, _ = ENGINE.step(AlarmState(), {**WELL, "cylinder_of_limit": known(1.012, "1")}, _R, 0)
    row = ENGINE.present(state)[0]
    assert alarm_text(row, Shown()).measured == "101.2 %, limit 100 %"
    outlet = {**WELL, "recovery_outlet_pressure": known(470 * PSI_PA + 9e4, "Pa")}
    for t in (0, 10):
        state, _ = ENGINE.step(state, outlet, _R, t * NS_PER_S)
    row = next(r for r in ENGINE.present(state) if r.key == "outlet-pressure")
    assert alarm_text(row, Shown(ambient_pa=9e4)).measured == "470.0 psig, limit 451.6 psig"
    state, _ = ENGINE.step(AlarmState(), {**WELL, STORE: unknown("1", "disk full")}, _R, 0)
    assert alarm_text(ENGINE.present(state)[0], Shown("si")).measured == "disk full"
