"""Recovery against the simulated plant, whose truth is known, and stalls and rebounds one by one."""

from datetime import date

import pytest

from logger.alarms.alarm_engine import AlarmEngine
from logger.alarms.memory import AlarmState
from logger.model.alarm import State
from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.sample import Gap, Series
from logger.model.units import PSI_PA
from logger.model.value import Value, known, number, unknown, word
from logger.refrigerant import Refrigerant, find
from logger.scale.ledger import MassLedger
from logger.stages.recovery.analysis import RecoveryResult, analyse_recovery
from logger.stages.recovery.definition import alarms as recovery_alarms
from logger.stages.recovery.level import required_level
from logger.stages.recovery.live import FlowPhase, RecoveryNow, RecoveryWatch, advice, full_in
from logger.stages.recovery.rebound import judge_rebound
from logger.stages.recovery.stall import inputs_of, stall_causes
from tests.stages.plant import RECOVERY_POINTS, Run, run

R407C = find("R-407C")
NEW = date(2001, 1, 1)


_TIME_TO_LIMIT = next(rule for rule in recovery_alarms(None, {}) if rule.key == "time-to-limit")


def analyse(found: Run, **more: object) -> RecoveryResult:
    return analyse_recovery(
        found.series,
        refrigerant=find(found.scenario.refrigerant),
        resolution_kg=found.division,
        cylinder="one",
        level=required_level("high", found.scenario.full_charge_kg, NEW),
        **{"charge_kg": found.scenario.charge_kg, **more},  # type: ignore[arg-type]
    )


def finding(result: RecoveryResult, key: str) -> Finding:
    return next(f for f in result.findings if f.key == key)


@pytest.fixture(scope="module")
def plain() -> tuple[Run, RecoveryResult]:
    found = run("recovery", RECOVERY_POINTS, 2400.0)
    return found, analyse(found)


@pytest.fixture(scope="module")
def bumped() -> tuple[Run, RecoveryResult]:
    found = run("bumped_scale", RECOVERY_POINTS, 1500.0)
    return found, analyse(found)


def test_the_change_over_is_found_within_60_s(plain: tuple[Run, RecoveryResult]) -> None:
    found, result = plain
    told = next(s.t_s for s in result.steps if s.phase is FlowPhase.VAPOUR)
    assert abs(told - found.liquid_gone_s) < 60.0
    assert result.changed_over_s == pytest.approx(found.liquid_gone_s, abs=30.0)
    before = {s.phase for s in result.steps if 90 < s.t_s < found.liquid_gone_s - 30}
    assert before == {FlowPhase.LIQUID}


def test_mass_and_balance(plain: tuple[Run, RecoveryResult]) -> None:
    found, result = plain
    assert result.recovered.number == pytest.approx(found.moved_kg, abs=3 * (result.recovered.u or 0.0))
    assert finding(result, "recovery.balance").verdict is Verdict.INFO
    share = finding(result, "recovery.balance").value("share")
    assert share is not None and share.number == pytest.approx(0.991, abs=0.0005)


def test_rates_as_liquid_and_as_vapour(plain: tuple[Run, RecoveryResult]) -> None:
    found, result = plain
    liquid = [flow for t, flow, share, _ in found.truth if share > 0.99]
    assert result.liquid_rate.number == pytest.approx(sum(liquid) / len(liquid), rel=0.03)
    assert result.vapour_rate.number is not None
    assert result.vapour_rate.number < 0.5 * sum(liquid) / len(liquid)


def test_level_held_and_rebound_told(plain: tuple[Run, RecoveryResult]) -> None:
    found, result = plain
    assert finding(result, "recovery.level").verdict is Verdict.PASS
    rebound = finding(result, "recovery.rebound")
    assert rebound.verdict is Verdict.ATTENTION
    assert rebound.codes("cause")[0] == "oil_or_trapped"  # 0.3 kg of it in the scenario
    assert result.stalls == ()
    assert analyse(found, charge_kg=None).stalls == (), "the end of a recovery is no stall"


def test_bumps_tugs_shifts_and_lifts_leave_rate_mass_and_phase_alone(bumped: tuple[Run, RecoveryResult]) -> None:
    found, result = bumped
    assert result.recovered.number == pytest.approx(found.moved_kg, abs=0.1)  # 0.3 kg shifted, 0.9 kg tugged
    assert result.changed_over_s == pytest.approx(found.liquid_gone_s, abs=30.0)
    assert "step(s) of the scale" in str(result.recovered.note)
    flow = {t: f for t, f, _, _ in found.truth}
    wrong = [s.t_s for s in result.steps if s.rate_kg_s is not None and abs(s.rate_kg_s - flow[s.t_s]) > 0.005]
    running = [t for t in wrong if t > 60.0]  # the start itself is followed within half a minute
    assert len(running) < 10  # the last of a 4 kg swing, of four disturbances in 20 minutes
    assert all(abs(s.rate_kg_s - flow[s.t_s]) < 0.012 for s in result.steps if s.rate_kg_s and s.t_s > 60.0)


def test_a_subcooler_shows_in_condensing_over_ambient(plain: tuple[Run, RecoveryResult]) -> None:
    cooled = analyse(run("recovery_subcooled", RECOVERY_POINTS, 900.0))
    without, with_it = plain[1].condensing_over_ambient.number, cooled.condensing_over_ambient.number
    assert without is not None
    assert with_it is not None
    assert with_it < without - 5.0


@pytest.mark.parametrize(
    ("scenario", "until", "cause"),
    [
        ("restricted_hose", 1500.0, "inlet_restricted"),
        ("restricted_outlet", 450.0, "outlet_restricted"),
    ],
)
def test_a_restriction_is_told_with_its_side(scenario: str, until: float, cause: str) -> None:
    result = analyse(run(scenario, RECOVERY_POINTS, until))
    assert result.stalls
    assert result.stalls[-1].causes[0].code == cause
    stall = [f for f in result.findings if f.key == "recovery.stall"][-1]
    assert (stall.verdict, stall.codes("cause")[0]) == (Verdict.ATTENTION, cause)
    assert analyse(run(scenario, RECOVERY_POINTS, until), charge_kg=None).stalls, "the pressure tells it too"


def test_without_a_scale_everything_is_unknown_because() -> None:
    result = analyse_recovery({}, refrigerant=None, resolution_kg=0.01)
    assert result.recovered.number is None
    assert {f.verdict for f in result.findings} == {Verdict.CANNOT_TELL}
    assert result.steps == ()


def test_a_cylinder_swap_adds_up_and_a_told_name_is_kept() -> None:
    t = [float(i) for i in range(1200)]
    first = [30 + 0.02 * x for x in t[:600]]
    second = [25 + 0.02 * max(0.0, x - 660) for x in t[600:]]
    scale = Series("cylinder_mass", t, [round(v, 2) for v in first + second])
    result = analyse_recovery(
        {"cylinder_mass": scale}, refrigerant=R407C, resolution_kg=0.01, cylinder="A", swaps=((610.0, "B"),)
    )
    masses = {name: mass.number for name, mass in result.ledger.by_cylinder()}
    assert masses["A"] == pytest.approx(12.0, abs=0.05)
    assert masses["B"] == pytest.approx(10.8, abs=0.05)
    assert result.recovered.number == pytest.approx(22.8, abs=0.05)


# --- causes of a stall, each from the readings that support it; figures common practice, no source ---------------

AMBIENT = 298.15
GOOD = {
    "recovery_inlet_pressure": known(8.0e5, "Pa"),
    "recovery_outlet_pressure": known(1.3e6, "Pa"),
    "cylinder_pressure": known(1.1e6, "Pa"),
    "cylinder_temperature": known(300.0, "K"),
    "ambient_temperature": known(AMBIENT, "K"),
}


def first_cause(fill: Value | None = None, peak: float | None = None, **now: float) -> str:
    readings = dict(GOOD) | {point: known(number, "K" if "temp" in point else "Pa") for point, number in now.items()}
    causes = stall_causes(readings, GOOD, R407C, fill, peak)
    return causes[0].code if causes else ""


def test_stall_causes_by_what_the_data_supports() -> None:
    saturation = R407C.bubble_pressure(300.0)
    hot_pa = R407C.bubble_pressure(325.0)
    assert first_cause(known(0.8, "1")) == "cylinder_full"
    assert first_cause(cylinder_pressure=saturation + 4e5) == "over_saturation"
    assert first_cause(cylinder_temperature=325.0, cylinder_pressure=hot_pa) == "hot_cylinder"
    assert first_cause(recovery_inlet_pressure=9e4) == "liquid_gone"
    assert first_cause(recovery_outlet_pressure=2.5e6) == "outlet_restricted"
    assert first_cause(recovery_outlet_pressure=1.11e6, peak=3.9e6) == "tripped"
    assert first_cause(recovery_outlet_pressure=1.1e6) == "not_pumping"
    assert first_cause() == "inlet_holds"
    assert first_cause(system_pressure=8e5, recovery_inlet_pressure=2e5) == "inlet_restricted"


def test_a_cause_has_its_evidence_and_what_to_check() -> None:
    now = GOOD | {"recovery_outlet_pressure": known(2.5e6, "Pa")}
    inputs = inputs_of(stall_causes(now, GOOD, R407C)[:1])
    above = number("over_cylinder", Quantity.PRESSURE_DIFFERENCE, known(1.4e6, "Pa"))
    assert inputs == (word("cause", "outlet_restricted"), above, word("check", "outlet_path"))


def test_no_readings_no_causes() -> None:
    assert stall_causes({}, {}, None) == []


# --- the watch alone ------------------------------------------------------------------------------------------


def feed(
    watch: RecoveryWatch, start: int, end: int, rate: Value, left_of: float = 20.0, **readings: Value
) -> RecoveryNow:
    now = watch.update(float(start), rate, known(left_of, "kg"), known(10.0, "kg"), readings)
    for t in range(start + 1, end):
        now = watch.update(float(t), rate, known(left_of, "kg"), known(10.0, "kg"), readings)
    return now


def test_stall_needs_remaining_charge_and_two_minutes() -> None:
    watch = RecoveryWatch(R407C, known(30.0, "kg"))
    feed(watch, 0, 300, known(0.02, "kg/s", 1e-4))
    feed(watch, 300, 400, known(0.0, "kg/s", 1e-4))
    assert watch.stalled_since_s is None
    feed(watch, 400, 430, known(0.0, "kg/s", 1e-4))
    assert watch.stalled_since_s == pytest.approx(300.0, abs=5.0)
    empty = RecoveryWatch(R407C, known(20.1, "kg"))
    feed(empty, 0, 300, known(0.02, "kg/s", 1e-4))
    feed(empty, 300, 600, known(0.0, "kg/s", 1e-4))
    assert empty.stalled_since_s is None


def test_at_the_required_level_no_flow_is_no_stall() -> None:
    watch = RecoveryWatch(R407C, known(30.0, "kg"), level_pa=67_390.0)
    low = known(60_000.0, "Pa")
    feed(watch, 0, 300, known(0.02, "kg/s", 1e-4), system_pressure=known(8e5, "Pa"))
    feed(watch, 300, 600, known(0.0, "kg/s", 1e-4), system_pressure=low)
    assert watch.stalled_since_s is None


@pytest.mark.parametrize(
    ("refrigerant", "level_pa", "pressure_pa", "kelvin", "stalled"),
    [
        (R407C, 67_390.0, 9.5e5, 298.15, True),  # its dew pressure at 25 °C is 10.2 bar (CoolProp): liquid is left
        (R407C, 67_390.0, 3.0e5, 298.15, True),  # vapour, but plenty
        (R407C, 67_390.0, 1.2e5, 298.15, None),  # nobody can tell
        (R407C, 67_390.0, None, 298.15, None),
        (R407C, 67_390.0, 6.0e4, 298.15, False),  # the end as it should be
        (find("R-123"), 3_333.0, 8.0e4, 298.15, True),  # below the atmosphere; dew at 25 °C is 0.91 bar (CoolProp)
        (find("R-123"), 3_333.0, 2.0e4, 298.15, None),
        (find("R-123"), 3_333.0, 3.0e3, 298.15, False),
        (None, None, 6.0e5, None, True),
        (None, None, 9.0e4, None, None),
    ],
)
def test_without_a_charge_the_pressure_tells_a_stall_from_the_end(
    refrigerant: Refrigerant | None, level_pa: float | None, pressure_pa: float | None, kelvin: float | None,
    stalled: bool | None,
) -> None:  # fmt: skip
    watch = RecoveryWatch(refrigerant, unknown("kg", "the charge is not entered"), level_pa)
    pressure = unknown("Pa", "none") if pressure_pa is None else known(pressure_pa, "Pa")
    around = unknown("K", "none") if kelvin is None else known(kelvin, "K")
    feed(watch, 0, 300, known(0.02, "kg/s", 1e-4), system_pressure=known(9.8e5, "Pa"), ambient_temperature=around)
    now = feed(watch, 300, 700, known(0.0, "kg/s", 1e-4), system_pressure=pressure, ambient_temperature=around)
    assert (watch.stalled_since_s is not None) is (stalled is True)
    problem = now.stall_problem
    assert (problem is not None and "charge is not entered" in problem) is (stalled is None)


@pytest.mark.parametrize("faded", [True, False])
def test_without_a_charge_a_falling_pressure_is_no_stall_unless_the_rate_broke_off(faded: bool) -> None:
    """A large machine's last vapour, too little for its scale; and a scale that stands still, which looks alike."""
    watch = RecoveryWatch(R407C, unknown("kg", "the charge is not entered"), 67_390.0)
    feed(watch, 0, 300, known(0.02, "kg/s", 1e-4), system_pressure=known(9.8e5, "Pa"))
    if faded:
        feed(watch, 300, 600, known(0.002, "kg/s", 1e-4), system_pressure=known(9.0e5, "Pa"))
    longest_s = 0.0
    for t in range(600 if faded else 300, 4000, 5):
        pressure = known(max(6e4, 9e5 * 0.5 ** ((t - 300) / 1200)), "Pa")
        feed(watch, t, t + 5, known(0.0, "kg/s", 1e-4), system_pressure=pressure)
        longest_s = max(longest_s, t - (t if watch.stalled_since_s is None else watch.stalled_since_s))
    assert watch.stalled_since_s is None  # the level is reached
    assert longest_s < 200 if faded else longest_s > 1000


@pytest.mark.parametrize(
    ("recovered_kg", "room_kg", "first"),
    [
        (28.0, 5.1, "system"),  # 2 kg left; the charge may be 3 kg off
        (28.0, 4.9, "either"),
        (3.0, 31.0, "system"),  # how little is in the cylinder, and how fast it fills, changes nothing about it
        (3.0, 29.0, "either"),
        (3.0, 23.0, "cylinder"),
        (30.5, 9.0, "cylinder_alone"),  # more came than was entered: nobody knows how much is left
    ],
)
def test_what_comes_first_is_said_by_mass(recovered_kg: float, room_kg: float, first: str) -> None:
    watch = RecoveryWatch(None, known(30.0, "kg"))
    now = watch.update(0.0, known(0.2, "kg/s", 1e-3), known(recovered_kg, "kg"), known(room_kg, "kg"), {})
    assert now.first == first
    if first == "system":
        assert full_in(now).problem == "the system empties first"
    else:
        assert full_in(now).number == pytest.approx(room_kg / 0.2)


@pytest.mark.parametrize(
    ("charge", "recovered", "room", "first"),
    [
        (unknown("kg", "the charge is not entered"), known(1.0, "kg"), known(9.0, "kg"), "cylinder_alone"),
        (known(3.0, "kg"), unknown("kg", "was off the scale"), known(9.0, "kg"), "cylinder_alone"),
        (known(3.0, "kg"), known(1.0, "kg"), unknown("kg", "no tare"), ""),
    ],
)
def test_where_a_mass_is_unknown_the_cylinder_is_watched_by_its_rate(
    charge: Value, recovered: Value, room: Value, first: str
) -> None:
    watch = RecoveryWatch(None, charge)
    now = watch.update(0.0, known(0.02, "kg/s", 1e-4), recovered, room, {})
    assert now.first == first
    assert full_in(now).number == (None if room.number is None else pytest.approx(450.0))
    later = watch.update(1.0, unknown("kg/s", "cylinder is off the scale"), recovered, room, {})
    assert [one.key for one in advice(later, 1.0)] == ["recovery.flow"]


@pytest.mark.parametrize("spare_kg", [3.5, -3.5])
def test_a_recovery_that_fits_into_its_cylinder_has_no_alarm_of_a_full_one(
    plain: tuple[Run, RecoveryResult], spare_kg: float
) -> None:
    found, result = plain
    charge_kg = found.scenario.full_charge_kg
    engine = AlarmEngine((_TIME_TO_LIMIT,))
    state, raised, first = AlarmState(), False, set()
    watch = RecoveryWatch(R407C, known(charge_kg, "kg"))
    for step in result.steps:
        rate = unknown("kg/s", "no rate") if step.rate_kg_s is None else known(step.rate_kg_s, "kg/s", 2e-4)
        moved_kg = step.recovered_kg or 0.0
        room = known(charge_kg + spare_kg - moved_kg, "kg", 0.02)
        now = watch.update(step.t_s, rate, known(moved_kg, "kg", 0.02), room, {})
        state, news = engine.step(state, {"time_to_limit": full_in(now)}, "recovery", int(step.t_s * 1e9))
        raised = raised or bool(news)
        first.add(now.first)
    assert first == {"system" if spare_kg > 0 else "cylinder"}
    assert raised is (spare_kg < 0)


def test_the_alarm_of_a_full_cylinder_ends_half_a_minute_after_it_left_its_limit() -> None:
    engine, state = AlarmEngine((_TIME_TO_LIMIT,)), AlarmState()
    for t in range(100):
        left = known(540.0 if t < 50 else 690.0, "s")  # 9.0 min, then 11.5 min
        state, _ = engine.step(state, {"time_to_limit": left}, "recovery", t * 10**9)
        assert (state.of("time-to-limit").state is State.UNACKNOWLEDGED) is (15 <= t < 80)


def test_an_inlet_superheat_alone_tells_vapour() -> None:
    pressure = known(5e5, "Pa")
    warm = known(R407C.dew_temperature(5e5) + 12.0, "K")
    watch = RecoveryWatch(R407C, known(30.0, "kg"))
    feed(watch, 0, 60, known(0.004, "kg/s", 1e-5), recovery_inlet_pressure=pressure, recovery_inlet_temperature=warm)
    assert watch.phase is FlowPhase.VAPOUR
    assert "inlet_superheated" in watch.because


def test_time_to_charge_out_holds_in_its_band_as_vapour() -> None:
    found = run("big_r134a", RECOVERY_POINTS, 5.0 * 3600)
    charge = 0.95 * found.scenario.charge_kg
    done = next(t for t, _, _, held in found.truth if held - found.truth[0][3] >= charge)
    result = analyse(found)
    watch = RecoveryWatch(find("R-134a"), known(charge, "kg"))
    for step in result.steps:
        rate = unknown("kg/s", "no rate") if step.rate_kg_s is None else known(step.rate_kg_s, "kg/s", 2e-6)
        now = watch.update(step.t_s, rate, known(step.recovered_kg or 0.0, "kg", 0.02), known(1.0, "kg"), {})
        left = now.time_to_charge_out
        if 300 < step.t_s < found.liquid_gone_s - 60:
            assert left.high_s is None
            assert "once the liquid is gone" in str(left.value.note)
        if found.liquid_gone_s + 3000 < step.t_s < done - 300 and left.value.number is not None:
            assert left.low_s is not None
            assert left.low_s < done - step.t_s < (left.high_s or 1e9)
            assert left.value.number == pytest.approx(done - step.t_s, rel=0.2)


# --- level and rebound ----------------------------------------------------------------------------------------


def pulled_to(low: float, back: float, settle_s: float = 900.0, gaps: tuple[Gap, ...] = ()) -> Series:
    t = [5.0 * i for i in range(int((1000 + settle_s) / 5) + 1)]
    value = [
        8e5 - (8e5 - low) * min(x, 1000) / 1000 if x <= 1000 else low + back * min(1.0, (x - 1000) / 200) for x in t
    ]
    return Series("system_pressure", t, value, 200.0, 500.0, gaps=gaps)


LEVEL = required_level("high", 150.0, NEW)  # 67.39 kPa


@pytest.mark.parametrize(
    ("low", "back", "level", "rebound"),
    [
        (5.0e4, 1e3, Verdict.PASS, Verdict.PASS),
        (5.0e4, 1.2e4, Verdict.PASS, Verdict.ATTENTION),
        (5.0e4, 3e5, Verdict.FAIL, Verdict.ATTENTION),
        (6.7e4, 0.0, Verdict.CANNOT_TELL, Verdict.PASS),
        (9.0e4, 0.0, Verdict.FAIL, Verdict.PASS),
    ],
)
def test_reached_and_still_held_after_settling(low: float, back: float, level: Verdict, rebound: Verdict) -> None:
    found = judge_rebound(pulled_to(low, back), LEVEL)
    assert [f.verdict for f in found.findings] == [level, rebound]
    assert found.stopped_s == pytest.approx(1000.0, abs=10.0)


def test_liquid_left_is_told_by_saturation() -> None:
    ambient = Series("ambient_temperature", (0.0, 1900.0), (293.15, 293.15))
    found = judge_rebound(pulled_to(5e4, 7e5), LEVEL, refrigerant=R407C, temperature=ambient)
    assert found.findings[1].codes("cause")[0] == "liquid_left"


def test_left_before_it_settled_fails_only_where_the_pressure_is_above_already() -> None:
    """After the stop it only rises; without the stop marked nothing says that it does."""
    early = pulled_to(5e4, 3e4, settle_s=200.0)
    (above,) = judge_rebound(early, LEVEL, stopped_s=1000.0).findings
    assert above.verdict is Verdict.FAIL and above.codes("judged") == ("above_already",)
    assert judge_rebound(early, LEVEL).findings[0].verdict is Verdict.CANNOT_TELL
    below = judge_rebound(pulled_to(5e4, 1e4, settle_s=200.0), LEVEL, stopped_s=1000.0)
    assert below.findings[0].verdict is Verdict.CANNOT_TELL


def test_not_settled_yet_or_without_readings_is_never_a_pass() -> None:
    early = judge_rebound(pulled_to(5e4, 0.0, settle_s=200.0), LEVEL)
    assert early.findings[0].verdict is Verdict.CANNOT_TELL
    settled = early.findings[0].value("settled")
    assert settled is not None and "settling" in str(settled.problem)
    holed = judge_rebound(pulled_to(5e4, 0.0, gaps=(Gap(1100.0, 1500.0, "device lost"),)), LEVEL)
    assert holed.findings[0].verdict is Verdict.CANNOT_TELL
    assert judge_rebound(Series("x", (), ()), LEVEL).findings[0].verdict is Verdict.CANNOT_TELL


# --- facts of the trade: common practice, no source -------------------------------------------------------------


def test_230_lb_of_r134a_in_about_five_hours_121_lb_in_the_first() -> None:
    found = run("big_r134a", RECOVERY_POINTS, 5.0 * 3600)
    result = analyse(found)
    assert result.recovered.number is not None
    assert result.recovered.number / 0.45359237 == pytest.approx(230, rel=0.02)
    first_hour = next(s.recovered_kg for s in result.steps if s.t_s >= 3660)
    assert first_hour is not None
    assert first_hour / 0.45359237 == pytest.approx(121, rel=0.1)
    # The cylinder began at 83 psig.
    began = found.series["cylinder_pressure"].value[0]
    assert (began - 101_325) / PSI_PA == pytest.approx(83, abs=2)
    # Cylinder below 125 psig with 85-90 F outside.
    highest = max(found.series["cylinder_pressure"].value)
    assert (highest - 101_325) / PSI_PA < 125
    assert isinstance(result.ledger, MassLedger)


def test_in_a_vacuum_superheated_vapor_is_not_called_liquid() -> None:
    low = 2e4  # so thin a vapor that a little of it looks like more than a machine takes
    hot = known(R407C.dew_temperature(low) + 67.0, "K")
    watch = RecoveryWatch(R407C, known(30.0, "kg"))
    feed(watch, 0, 60, known(0.004, "kg/s", 1e-5), recovery_inlet_pressure=known(low, "Pa"),
         recovery_inlet_temperature=hot)  # fmt: skip
    assert watch.phase is FlowPhase.VAPOUR
