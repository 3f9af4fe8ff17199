"""Pull-down: closed forms, predictions, stalls and their causes, breaks and gains."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.finding import Finding, Verdict
from logger.model.sample import Gap, Series
from logger.model.units import MICRON_PA
from logger.model.value import known, name_of
from logger.refrigerant.water import saturation_pressure
from logger.stages.evacuation.analysis import RESERVATION, PullDown, PumpState, analyse_pull_down
from logger.stages.evacuation.standstill import Origin
from logger.stages.evacuation.stays_above import stays_above
from logger.stages.evacuation.stretches import BREAK, PumpMark
from logger.stages.evacuation.tail_fit import fit_tail
from logger.statistics.block_means import blocks
from sim_device.vacuum import pull_down_series, random_pull_down
from tests.stages.make import steady, vacuum
from tests.stages.vacuum_truth import as_series

HOUR = 3600.0
TARGET = 500 * MICRON_PA


def finding(result: PullDown, key: str) -> Finding:
    return next(f for f in result.findings if f.key == key)


def counted(result: PullDown) -> tuple[float | None, float | None]:
    """Evacuations that reached the target, and those required."""
    count = finding(result, "evacuation.count")
    reached, required = count.value("reached"), count.value("required")
    assert reached is not None and required is not None
    return reached.number, required.number


def sources(result: PullDown) -> set[Origin]:
    return set() if result.standstill is None else {r.source for r in result.standstill.leading}


def test_rate_of_an_exponential_is_its_closed_form() -> None:
    """p = p0 exp(-S t / V): S/V ln(e)/ln(10) decades a second."""
    result = analyse_pull_down(vacuum(lambda t: 20000.0 * math.exp(-t / 600.0), 1500.0), target_pa=TARGET)
    assert result.rate.number == pytest.approx(-HOUR / 600.0 / math.log(10.0), rel=0.02)
    assert result.state is PumpState.PULLING


@settings(max_examples=25, deadline=None)
@given(st.floats(200, 1500), st.floats(1.5, 5.0), st.floats(0, 150), st.integers(0, 50))
def test_time_to_target_of_an_exponential(tau: float, ratio: float, base: float, seed: int) -> None:
    """Known truth: t = tau ln((p0 - base)/(target - base)); it lies in the band."""
    there = tau * math.log((20000.0 - base) / (500.0 - base))
    now = tau * math.log((20000.0 - base) / (500.0 * ratio - base))
    series = vacuum(lambda t: base + (20000.0 - base) * math.exp(-t / tau), now, seed=seed)
    result = analyse_pull_down(series, target_pa=TARGET)
    assert result.soonest.number is not None
    assert result.soonest.number <= 1.05 * (there - now) + 20.0
    if result.latest.number is not None:
        assert result.latest.number >= 0.95 * (there - now) - 20.0
    if result.time_to_target.number is not None:
        assert result.time_to_target.number == pytest.approx(there - now, rel=0.6, abs=60.0)


def test_target_reached() -> None:
    pulled = vacuum(lambda t: 200.0 + 5000.0 * math.exp(-t / 300.0), 3600.0)
    result = analyse_pull_down(pulled, target_pa=TARGET)
    assert result.state is PumpState.REACHED
    assert result.time_to_target.number == 0.0
    progress = finding(result, "evacuation.progress")
    assert (progress.verdict, progress.codes("state")) == (Verdict.PASS, ("reached",))
    unstated = analyse_pull_down(replace(pulled, u_scale=0.0), target_pa=TARGET)
    assert finding(unstated, "evacuation.progress").verdict is Verdict.INFO  # no accuracy of the gauge: no pass
    assert progress.value("time_to_target") == known(0.0, "s")
    assert progress.value("target") == known(TARGET, "Pa")


def test_tailing_is_no_stall() -> None:
    """Outgassing as 1/t: slower and slower, and still on its way."""
    result = analyse_pull_down(vacuum(lambda t: 2.0e6 / (t + 100.0), 3000.0), target_pa=TARGET)
    assert result.state in (PumpState.TAILING, PumpState.PULLING)
    assert result.time_to_target.number == pytest.approx(900.0, rel=0.5)  # 2e6/500 - 100 - 3000


def stalled(level: float, hours: float = 2.0, per_hour: float = 0.0, **more: object) -> PullDown:
    series = vacuum(
        lambda t: (level + 15000.0 * math.exp(-t / 300.0)) * (1.0 + per_hour * t / HOUR), hours * HOUR, period=5.0,
        noise=0.002 * level,
    )  # fmt: skip
    settings_: dict[str, object] = {"target_pa": TARGET, "temperature": steady(295.0, hours * HOUR), **more}
    return analyse_pull_down(series, **settings_)  # type: ignore[arg-type]


def test_steady_base_is_leak_or_pump_and_says_how_to_tell() -> None:
    result = stalled(900.0)
    assert result.state is PumpState.STALLED
    assert {Origin.LEAK, Origin.PUMP} <= sources(result)
    stall = finding(result, "evacuation.stall")
    assert stall.verdict is Verdict.ATTENTION
    assert {"close_at_pump_for_leak", "close_at_pump_for_pump"} <= set(stall.codes("check"))
    assert {"leak", "pump"} <= set(stall.codes("likely"))
    assert result.base.number == pytest.approx(900 * MICRON_PA, rel=0.02)
    assert result.time_to_target.problem == "stalled short of the target"


def test_pump_limit_when_the_pump_is_known() -> None:
    assert stalled(900.0, pump_ultimate_pa=700 * MICRON_PA).cause is Origin.PUMP


def test_water_at_its_vapour_pressure() -> None:
    level = saturation_pressure(295.0) / MICRON_PA
    result = stalled(level)
    assert result.cause is Origin.WATER
    boils = finding(result, "evacuation.water").value("water_boils_at")
    assert boils is not None and boils.number == pytest.approx(295.0, abs=0.5)


def test_cold_water_that_warms_and_its_ice() -> None:
    """At 2000 micron ice at -10 C: the level creeps up while the cold spot warms."""
    result = stalled(2000.0, per_hour=0.05)
    assert result.cause is Origin.WATER
    ice = finding(result, "evacuation.ice")
    boils = ice.value("water_boils_at")
    assert ice.verdict is Verdict.ATTENTION and ice.codes("check") == ("break_and_warm",)
    assert boils is not None and boils.number is not None and boils.number < 273.15  # ice, not water
    assert result.standstill is not None
    assert result.standstill.ice


def test_outgassing_still_comes_down() -> None:
    result = stalled(900.0, per_hour=-0.06)
    assert Origin.OUTGASSING in sources(result)


def test_gauge_at_its_floor_and_ceiling() -> None:
    series = vacuum(lambda t: 600.0, HOUR)
    low = Series("vacuum", series.t_s, series.value, series.u, 0.1, 600 * MICRON_PA, 1e5)
    assert analyse_pull_down(low, target_pa=TARGET).cause is Origin.GAUGE_FLOOR
    high = Series("vacuum", series.t_s, series.value, series.u, 0.1, 0.0, 600 * MICRON_PA)
    assert analyse_pull_down(high, target_pa=TARGET).cause is Origin.GAUGE_CEILING


def oil_change(t: float) -> float:
    if t < 2 * HOUR:
        return 1450.0 + 20000.0 * math.exp(-t / 400.0)
    return 280.0 + 1170.0 * math.exp(-(t - 2 * HOUR) / 400.0)


def test_oil_change_splits_the_curve_and_shows_the_gain() -> None:
    """A stall near 1450 micron that goes on after a pump oil change: common practice, no source."""
    before = vacuum(oil_change, 2 * HOUR, period=5.0)
    stall = analyse_pull_down(before, target_pa=TARGET, temperature=steady(295.0, 2 * HOUR))
    assert stall.state is PumpState.STALLED
    assert Origin.PUMP in sources(stall)
    assert "change_pump_oil" in finding(stall, "evacuation.stall").codes("check")
    whole = vacuum(oil_change, 4 * HOUR, period=5.0)
    result = analyse_pull_down(whole, target_pa=TARGET, marks=[PumpMark(2 * HOUR, "oil changed")])
    assert [s.begun_by for s in result.stretches] == ["start", "oil changed"]
    assert len(result.gains) == 1
    assert result.gains[0].helped
    gain = finding(result, "evacuation.gain")
    assert name_of("act", "oil changed") in gain.inputs and gain.codes("judged") == ("helped",)
    before_pa = gain.value("before")
    assert before_pa is not None and before_pa.number == pytest.approx(1450 * MICRON_PA, rel=0.01)
    assert result.state is PumpState.REACHED


def test_an_act_without_gain_is_said_to_be_none() -> None:
    series = vacuum(lambda t: 900.0 + 15000.0 * math.exp(-t / 300.0), 2 * HOUR, period=5.0)
    result = analyse_pull_down(series, target_pa=TARGET, marks=[PumpMark(HOUR, "hose changed")])
    assert not result.gains[0].helped
    assert finding(result, "evacuation.gain").codes("judged") == ("no_gain",)


def triple(t: float) -> float:
    """Down for 50 min, gas let in to 20 000 micron, three times over; each goes deeper."""
    part, inside = divmod(t, HOUR)
    level = (450.0, 350.0, 250.0)[min(int(part), 2)]
    if inside > 3300.0 and part < 2:
        return 20000.0
    start = 20000.0
    return level + start * math.exp(-inside / 300.0)


@pytest.mark.parametrize("marked", [True, False])
def test_triple_evacuation_with_nitrogen_breaks(marked: bool) -> None:
    series = vacuum(triple, 3 * HOUR, period=4.0)
    marks = [PumpMark(3300.0, "nitrogen break"), PumpMark(6900.0, "nitrogen-break")] if marked else []
    result = analyse_pull_down(series, target_pa=TARGET, marks=marks, evacuations_asked=3)
    assert len(result.evacuations) == 3
    assert sum(s.begun_by == BREAK for s in result.stretches) == 2
    lowest = [e.lowest_pa / MICRON_PA for e in result.evacuations]
    assert lowest == pytest.approx([450, 350, 250], abs=8)
    assert [e.broken_at_s is not None for e in result.evacuations] == [True, True, False]
    assert counted(result) == (3.0, 3.0)
    assert finding(result, "evacuation.count").verdict is Verdict.INFO


def test_words_alone_make_no_evacuation() -> None:
    series = vacuum(lambda t: 250.0 + 20000.0 * math.exp(-t / 300.0), HOUR)
    marks = [PumpMark(1200.0, "nitrogen break"), PumpMark(2400.0, "no nitrogen left")]
    result = analyse_pull_down(series, target_pa=TARGET, marks=marks, evacuations_asked=3)
    assert len(result.evacuations) == 1
    assert counted(result) == (1.0, 3.0)


def test_a_break_beyond_the_gauges_range_is_seen_as_a_gap() -> None:
    def micron(t: float) -> float:
        return 300.0 + 20000.0 * math.exp(-(t if t < 4000.0 else t - 4000.0) / 300.0)

    whole = vacuum(micron, 2 * HOUR, period=4.0, gaps=[(3600.0, 4200.0)], reason="over range")
    result = analyse_pull_down(whole, target_pa=TARGET)
    assert len(result.evacuations) == 2
    lost = Series("vacuum", whole.t_s, whole.value, whole.u, 0.1, 0.0, whole.high, (Gap(3600.0, 4200.0, "link lost"),))
    assert len(analyse_pull_down(lost, target_pa=TARGET).evacuations) >= 1


def test_two_evacuations_that_did_not_reach_the_target_do_not_count() -> None:
    result = analyse_pull_down(
        vacuum(triple, 3 * HOUR, period=4.0), target_pa=400 * MICRON_PA, evacuations_asked=3
    )  # fmt: skip
    count = finding(result, "evacuation.count")
    assert counted(result) == (2.0, 3.0)
    assert (count.verdict, count.codes("check")) == (Verdict.ATTENTION, ("evacuate_again",))


def test_same_base_in_an_earlier_evacuation_speaks_for_a_leak() -> None:
    def micron(t: float) -> float:
        if 3300.0 < t < HOUR:
            return 20000.0
        return 900.0 + 19100.0 * math.exp(-(t if t <= 3300.0 else t - HOUR) / 200.0)

    result = analyse_pull_down(
        vacuum(micron, 2 * HOUR, period=4.0), target_pa=TARGET, temperature=steady(295, 2 * HOUR)
    )
    assert result.standstill is not None
    assert result.standstill.reasons[0].source is Origin.LEAK
    assert "earlier_same" in result.standstill.reasons[0].support
    assert result.standstill.earlier_pa == pytest.approx(900 * MICRON_PA, rel=0.02)


def test_water_that_boiled_off_is_told_afterwards() -> None:
    """A level that stood and was left without anything being done, then a base of wet pump oil."""

    def micron(t: float) -> float:
        if t < 2 * HOUR:
            return 3500.0 + 15000.0 * math.exp(-t / 200.0)
        return 700.0 + 2800.0 * math.exp(-(t - 2 * HOUR) / 120.0)

    result = analyse_pull_down(
        vacuum(micron, 4 * HOUR, period=5.0), target_pa=TARGET, temperature=steady(295, 4 * HOUR)
    )
    assert len(result.plateaus) == 1
    plateau = finding(result, "evacuation.plateau")
    assert plateau.value("water_boils_at") is not None
    assert plateau.codes("check") == ("change_pump_oil_after_water",)
    assert result.cause is Origin.PUMP


def test_valved_off_shows_as_rising() -> None:
    series = vacuum(lambda t: 300.0 if t < 1800.0 else 300.0 + 2.0 * (t - 1800.0), 2400.0)
    result = analyse_pull_down(series, target_pa=TARGET)
    assert result.state is PumpState.RISING
    assert result.time_to_target.problem == "the pressure is rising"


@pytest.mark.parametrize("n", [0, 1, 2, 4])
def test_hardly_any_readings(n: int) -> None:
    result = analyse_pull_down(Series("vacuum", [5.0 * i for i in range(n)], [100.0] * n), target_pa=TARGET)
    assert result.state is PumpState.CANNOT_TELL
    assert result.rate.number is None
    progress = finding(result, "evacuation.progress")
    assert (progress.verdict, progress.codes("state")) == (Verdict.CANNOT_TELL, ("unknown",))
    assert result.rate.problem and progress.value("rate") == result.rate


def test_no_target_no_time() -> None:
    result = analyse_pull_down(vacuum(lambda t: 5000.0 * math.exp(-t / 600.0) + 100.0, 1200.0))
    assert result.time_to_target.problem == "no target was set"


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.0, 1e5), min_size=0, max_size=120),
    st.one_of(st.none(), st.floats(1.0, 1e4)),
    st.lists(st.tuples(st.floats(-100, 2000), st.text(max_size=5)), max_size=3),
)
def test_anything_gives_an_answer(values: list[float], target: float | None, marks: list[tuple[float, str]]) -> None:
    series = Series("vacuum", [10.0 * i for i in range(len(values))], values, 0.1, 1.0, 0.0, 3333.0)
    result = analyse_pull_down(series, target_pa=target, marks=[PumpMark(t, w) for t, w in marks])
    assert result.findings
    for value in (result.rate, result.time_to_target, result.soonest, result.latest, result.base):
        assert (value.number is None) == (value.problem is not None)


@settings(max_examples=15, deadline=None)
@given(st.floats(200, 1700), st.integers(0, 20))
def test_a_note_that_changes_nothing_changes_nothing(at: float, seed: int) -> None:
    """A pressure that falls anyway is no gain of what was noted meanwhile, and the prediction goes on through it."""
    series = vacuum(lambda t: 100.0 + 20000.0 * math.exp(-t / 600.0), 1800.0, seed=seed)
    plain = analyse_pull_down(series, target_pa=TARGET)
    noted = analyse_pull_down(series, target_pa=TARGET, marks=[PumpMark(at, "lunch")])
    assert not any(g.helped for g in noted.gains)
    assert all(f.key != "evacuation.gain" for f in noted.findings)
    assert noted.state is plain.state
    assert noted.time_to_target == plain.time_to_target


def test_a_base_is_as_uncertain_as_the_pace_leaves_it() -> None:
    """Known truth with noise: the true base lies within two standard uncertainties, the time constant being unknown."""
    inside = 0
    for seed in range(60):
        series = vacuum(lambda t: 300.0 + 1500.0 * math.exp(-t / 400.0), 600.0, period=5.0, noise=3.0, seed=seed)
        tail = fit_tail(blocks(series, 0.0, 600.0, 60), 0.0)
        assert tail is not None
        plain = min((f for f in tail.in_play if not f.bend and f.family == "pumped"), key=lambda f: f.criterion)
        inside += abs(plain.base_pa / MICRON_PA - 300.0) < 2.0 * plain.u_base / MICRON_PA
    assert inside >= 51  # 85 % of 60: a binomial draw of 95 % falls below that once in a thousand


def test_a_band_of_the_curves_that_pass_the_target_comes_with_its_reservation() -> None:
    """A hose slows this pump: whether it is that or a base above the target cannot be told yet."""
    told = [
        (r, there)
        for seed in (50002, 50008, 50009)
        for r, there in [_concluded_early(seed)]
        if r.latest.note is not None
    ]
    assert len(told) == 3
    for result, wait_s in told:
        assert result.soonest.number is not None and result.latest.number is not None
        assert result.soonest.number - 20.0 <= wait_s <= result.latest.number + 20.0
        assert result.latest.note == result.time_to_target.note == RESERVATION
        progress = finding(result, "evacuation.progress")
        assert progress.value("latest") == result.latest and progress.value("soonest") == result.soonest


def test_a_band_stays_open_where_the_pressure_may_stay_above_the_target() -> None:
    result, _ = _concluded_early(50013)
    assert result.time_to_target.note == RESERVATION
    assert result.soonest.number is not None and result.latest.number is None


@pytest.mark.parametrize(("rest", "stays"), [(0.0, False), (250.0, False), (600.0, True)])
def test_what_may_stay_above_a_target_of_500_microns(rest: float, stays: bool) -> None:
    data = blocks(vacuum(lambda t: rest + 9000.0 * math.exp(-t / 600.0), 1500.0, period=5.0), 0.0, 1500.0, 60)
    assert stays_above(data, 0.0, TARGET, 4 * HOUR) is stays


def test_gaskets_under_a_steep_fall_are_not_seen_yet() -> None:
    """Rate as the root of the time: at 1200 microns an exponential fits, and 500 are passed after hours."""
    data = blocks(
        vacuum(lambda t: 20000.0 * math.exp(-t / 300.0) + 800.0 * math.sqrt(300.0 / (t + 1.0)), 1000.0, period=5.0),
        400.0, 1000.0, 60,
    )  # fmt: skip
    assert stays_above(data, 0.0, 100 * MICRON_PA, 4 * HOUR)


def _concluded_early(seed: int) -> tuple[PullDown, float]:
    """A simulated clean pull-down, looked at from three times the target; and how long it really took from there."""
    case = replace(random_pull_down(seed, "clean"), volume_m3=0.3, duration_s=3 * HOUR)
    true = [(t, v) for t, v in zip(*pull_down_series(replace(case, noise=0.0))[:2], strict=True) if v is not None]
    there = next(t for t, v in true if v <= TARGET)
    now = max(next(t for t, v in true if v <= 3.0 * TARGET), true[0][0] + 300.0)
    t, p, _ = pull_down_series(case, seed)
    n = sum(x <= now for x in t)
    return analyse_pull_down(as_series(t[:n], p[:n], case, TARGET), target_pa=TARGET), there - now
