"""Start-up: against the simulated chiller, and the joint judgement of superheat, subcooling, valve and level."""

import pytest

from logger.model.finding import Finding, Verdict
from logger.model.sample import Series
from logger.model.units import PSI_PA
from logger.model.value import Value, known, unknown
from logger.refrigerant import find
from logger.stages.high_side import high_side, liquid_side
from logger.stages.start_up.analysis import StartUpResult, analyse_start_up
from logger.stages.start_up.evaporator_feed import K_PER_F, Feed, judge_feed
from logger.stages.start_up.findings import compare_finding, margin_finding
from logger.stages.start_up.live import start_up_now
from tests.stages.plant import START_UP_POINTS, run

R407C = find("R-407C")
NO_VALVE = unknown("1", "no such measuring point in the rig")


def analyse(scenario: str, until_s: float = 3300.0, **more: object) -> StartUpResult:
    found = run(scenario, START_UP_POINTS, until_s)
    return analyse_start_up(found.series, refrigerant=R407C, superheat_target_k=6.2, **more)  # type: ignore[arg-type]


def finding(result: StartUpResult, key: str) -> Finding:
    return next(f for f in result.findings if f.key == key)


def test_a_healthy_machine() -> None:
    result = analyse("start_up", high_limit_pa=3.0e6, subcooling_target_k=9.5)
    assert finding(result, "start_up.steady").verdict is Verdict.PASS
    assert finding(result, "start_up.hunting").verdict is Verdict.PASS
    assert finding(result, "start_up.feed").codes("judged") == ("on_target",)
    assert {f.verdict for f in result.findings} == {Verdict.PASS}
    chiller = run("start_up", START_UP_POINTS, 3300.0).plant.chiller
    assert result.metrics["suction_superheat"].value.number == pytest.approx(chiller.superheat_k, abs=0.1)
    assert result.metrics["subcooling"].value.number == pytest.approx(chiller.subcooling_k, abs=0.1)


def test_a_hunting_valve_with_its_period() -> None:
    result = analyse("hunting_valve")
    assert result.hunting.hunting is True
    assert result.hunting.period_s == pytest.approx(127.0, rel=0.03)  # the scenario's truth
    assert finding(result, "start_up.hunting").verdict is Verdict.ATTENTION
    assert finding(result, "start_up.steady").verdict is Verdict.FAIL
    assert finding(result, "start_up.suction_superheat").verdict is Verdict.PASS  # its mean is


@pytest.mark.parametrize(
    ("scenario", "cause"),
    [("starved_evaporator", "short_of_charge_seen"), ("clogged_drier", "restriction_seen")],
)
def test_a_starved_evaporator_with_the_cause_that_subcooling_tells(scenario: str, cause: str) -> None:
    feed = finding(analyse(scenario), "start_up.feed")
    assert (feed.verdict, feed.codes("judged")[0]) == (Verdict.ATTENTION, "starved")
    valve = feed.value("valve_position")
    assert valve is not None and valve.number == pytest.approx(1.0, abs=0.005)
    assert feed.codes("cause")[0] == cause
    assert feed.codes("check")


def test_too_early_is_not_judged() -> None:
    result = analyse("start_up", until_s=600.0)
    assert finding(result, "start_up.steady").verdict is Verdict.CANNOT_TELL
    assert finding(result, "start_up.suction_superheat").verdict is Verdict.CANNOT_TELL


def test_the_window_ends_where_the_machine_last_ran() -> None:
    found = run("start_up", START_UP_POINTS, 3600.0)
    result = analyse_start_up(found.series, refrigerant=R407C)
    assert result.judged_to_s == pytest.approx(found.t_s[-1], abs=10.0)
    still = {
        name: Series(name, [*s.t_s, 4000.0, 4200.0], [*s.value, 8e5, 8e5]) if "pressure" in name else s
        for name, s in found.series.items()
    }
    assert analyse_start_up(still, refrigerant=R407C).judged_to_s < 3700.0


def test_before_and_after() -> None:
    before = analyse("start_up").baseline
    after = analyse("starved_evaporator", baseline=before)
    compared = finding(after, "start_up.compare")
    assert {"suction_superheat", "subcooling"} <= set(compared.codes("changed"))
    superheat, subcooling = compared.value("suction_superheat_change"), compared.value("subcooling_change")
    assert superheat is not None and superheat.number is not None and superheat.number > 0
    assert subcooling is not None and subcooling.number is not None and subcooling.number < 0
    same = finding(analyse("start_up", baseline=before), "start_up.compare")
    assert same.codes("changed") == () and same.codes("same")


def test_a_change_within_the_uncertainty_is_none() -> None:
    before = {"suction_superheat": known(6.0, "K", 0.5), "approach": known(4.0, "K")}
    after = {"suction_superheat": known(7.2, "K", 0.5), "approach": known(9.0, "K", 0.1)}
    found = compare_finding(before, after)
    assert found.codes("changed") == ()
    assert found.codes("same") == ("suction_superheat",)
    assert found.codes("not_judged") == ("approach",)
    assert compare_finding({}, after).verdict is Verdict.CANNOT_TELL


def test_nothing_recorded_is_unknown_because() -> None:
    result = analyse_start_up({}, refrigerant=R407C)
    assert all(f.verdict is Verdict.CANNOT_TELL for f in result.findings)
    assert result.metrics == {}


# --- feed: common practice, no source ---------------------------------------------------------------------------


def feed(superheat_f: float, valve: float | None, subcooling_f: float | None = 10.0, change: float = 0.0) -> Finding:
    return judge_feed(
        Feed(
            known(superheat_f * K_PER_F, "K"),
            unknown("K", "no liquid line temperature") if subcooling_f is None else known(subcooling_f * K_PER_F, "K"),
            NO_VALVE if valve is None else known(valve, "1"),
            unknown("1", "no level"),
            valve_change=change,
        )
    )


@pytest.mark.parametrize("superheat_f", [10.0, 11.0, 12.0])
def test_near_its_setpoint_at_a_60_percent_valve_is_healthy(superheat_f: float) -> None:
    assert feed(superheat_f, 0.60).verdict is Verdict.PASS


@pytest.mark.parametrize("superheat_f", [20.5, 25.0, 40.0])
def test_over_20_f_with_the_valve_at_100_percent_is_starved(superheat_f: float) -> None:
    assert feed(superheat_f, 1.0).codes("judged") == ("starved",)


@pytest.mark.parametrize(
    ("superheat_f", "valve", "subcooling_f", "judged", "cause"),
    [
        (30.0, 1.0, 1.0, "starved", "short_of_charge_seen"),
        (30.0, 1.0, 15.0, "starved", "restriction_seen"),
        (30.0, None, None, "starved", "short_of_charge"),
        (30.0, 0.3, 12.0, "not_opening", "setpoint"),
        (2.0, 0.1, 10.0, "floodback_closing", "leaking_by"),
        (2.0, 0.7, 10.0, "floodback", "bulb_off"),
        (11.0, 1.0, 10.0, "valve_wide_open", "no_reserve"),
        (11.0, 0.1, 10.0, "valve_nearly_closed", "low_load_or_large_valve"),
    ],
)
def test_superheat_subcooling_and_valve_together(
    superheat_f: float, valve: float | None, subcooling_f: float | None, judged: str, cause: str
) -> None:
    found = feed(superheat_f, valve, subcooling_f)
    assert (found.verdict, found.codes("judged")) == (Verdict.ATTENTION, (judged,))
    assert found.codes("cause")[0] == cause
    assert found.codes("check")
    assert [name for name, _ in found.numbers()] == [
        "suction_superheat", "subcooling", "valve_position", "liquid_level", "target",
    ]  # fmt: skip


def test_low_superheat_with_the_valve_closing_is_floodback() -> None:
    found = feed(2.0, 0.5, change=-0.2)
    assert found.codes("judged") == ("floodback_closing",)
    assert found.codes("cause")[0] == "leaking_by"


def test_high_subcooling_with_low_superheat_adds_overcharge() -> None:
    assert "overcharged_seen" in feed(2.0, 0.5, subcooling_f=25.0).codes("cause")


def test_no_superheat_no_judgement() -> None:
    found = judge_feed(Feed(unknown("K", "suction line: open circuit"), NO_VALVE, NO_VALVE, NO_VALVE))
    assert found.verdict is Verdict.CANNOT_TELL
    assert found.codes("judged") == ("unknown",)
    assert found.value("suction_superheat") == unknown("K", "suction line: open circuit")


# --- live -------------------------------------------------------------------------------------------------------


def pressure(psig: float) -> Value:
    return known(psig * PSI_PA + 101_325, "Pa", 2e3)


def test_live_quantities_and_their_reasons() -> None:
    readings = {
        "suction_pressure": pressure(70),
        "suction_temperature": known((55 + 459.67) * 5 / 9, "K", 0.3),
        "liquid_pressure": pressure(250),
        "liquid_temperature": known((95 + 459.67) * 5 / 9, "K", 0.3),
        "discharge_temperature": unknown("K", "open circuit"),
    }
    now = start_up_now(R407C, readings, high_limit_pa=3e6)
    # sources.md: 10.46 F and 12.16 F (CoolProp).
    assert (now["suction_superheat"].number or 0) * 1.8 == pytest.approx(10.46, abs=0.02)
    assert (now["subcooling"].number or 0) * 1.8 == pytest.approx(12.16, abs=0.02)
    assert "open circuit" in str(now["discharge_superheat"].problem)
    assert "Ambient" in str(now["condensing_over_ambient"].problem)
    assert "other end of the condenser" in str(now["condensing_saturation"].note)
    assert now["high_side_margin"].number == pytest.approx(3e6 - 250 * PSI_PA - 101_325)


def test_either_end_of_the_condenser_stands_in_with_a_note() -> None:
    only = {"discharge_pressure": pressure(250)}
    assert high_side(only).note is None
    assert "other end" in str(liquid_side(only).note)
    assert high_side({}).number is None


@pytest.mark.parametrize(
    ("margin_pa", "u_pa", "verdict"),
    [
        (5e4, 1e4, Verdict.PASS),
        (5e4, None, Verdict.PASS),
        (1.5e4, 1e4, Verdict.ATTENTION),  # closer than the gauge can tell is not below
        (0.0, 1e4, Verdict.FAIL),
        (-1e4, 1e4, Verdict.FAIL),
    ],
)
def test_the_high_side_is_below_its_limit_only_beyond_the_gauges_uncertainty(
    margin_pa: float, u_pa: float | None, verdict: Verdict
) -> None:
    (found,) = margin_finding(known(margin_pa, "Pa", u_pa))
    assert found.verdict is verdict
