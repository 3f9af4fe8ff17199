"""Start-up: against the simulated chiller, and the joint judgement of superheat, subcooling, valve and level."""

import pytest

from logger.alarms.rules import Condition, evaluate
from logger.model.finding import Finding, Verdict
from logger.model.sample import Series
from logger.model.units import PSI_PA
from logger.model.value import DOES_NOT_APPLY, Value, code_of, known, unknown
from logger.refrigerant import find
from logger.stages.high_side import high_side, liquid_side
from logger.stages.start_up.analysis import StartUpResult, analyse_start_up, optimum_high_side, standing_check
from logger.stages.start_up.definition import alarms
from logger.stages.start_up.evaporator_feed import K_PER_F, Feed, judge_feed
from logger.stages.start_up.findings import compare_finding, margin_finding, target_finding
from logger.stages.start_up.live import start_up_now
from tests.stages.plant import START_UP_POINTS, run

R407C = find("R-407C")
NO_VALVE = unknown("1", "no such measuring point in the rig")


def analyse(scenario: str, until_s: float = 3300.0, **more: object) -> StartUpResult:
    found = run(scenario, START_UP_POINTS, until_s)
    return analyse_start_up(found.series, refrigerant=R407C, superheat_target_k=7.5, **more)  # type: ignore[arg-type]


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
    assert result.hunting.period_s == pytest.approx(132.0, rel=0.03)  # the scenario's truth
    assert finding(result, "start_up.hunting").verdict is Verdict.ATTENTION
    assert finding(result, "start_up.steady").verdict is Verdict.FAIL
    for key in ("start_up.suction_superheat", "start_up.feed", "start_up.discharge", "start_up.condensing"):
        judged = finding(result, key)  # nothing is judged while it is not steady
        assert (judged.verdict, judged.codes("judged")) == (Verdict.CANNOT_TELL, ("unsteady",))


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


def feed(
    superheat_f: float, valve: float | None, subcooling_f: float | None = 10.0, change: float = 0.0,
    target_f: float = 11.0, u_f: float = 0.0,
) -> Finding:  # fmt: skip
    return judge_feed(
        Feed(
            known(superheat_f * K_PER_F, "K", u_f * K_PER_F),
            unknown("K", "no liquid line temperature") if subcooling_f is None else known(subcooling_f * K_PER_F, "K"),
            NO_VALVE if valve is None else known(valve, "1"),
            unknown("1", "no level"),
            valve_change=change,
            target_k=target_f * K_PER_F,
        )
    )


@pytest.mark.parametrize(
    ("measured_f", "target_f", "u_f", "verdict", "judged"),
    [
        (25.0, 25.0, 0.5, Verdict.PASS, "on_target"),
        (0.3, 5.0, 0.5, Verdict.ATTENTION, "floodback"),
        (4.5, 5.0, 0.5, Verdict.PASS, "on_target"),
        (3.0, 5.0, 0.5, Verdict.CANNOT_TELL, "perhaps_floodback"),
        (31.0, 25.0, 0.3, Verdict.ATTENTION, "not_opening"),
        (31.0, 25.0, 1.0, Verdict.CANNOT_TELL, "within_u"),
        (18.0, 25.0, 0.5, Verdict.ATTENTION, "low"),
        (10.0, 25.0, 0.5, Verdict.ATTENTION, "floodback"),
    ],
)
def test_the_entered_target_decides_and_u_counts(
    measured_f: float, target_f: float, u_f: float, verdict: Verdict, judged: str
) -> None:
    found = feed(measured_f, 0.5, target_f=target_f, u_f=u_f)
    assert (found.verdict, found.codes("judged")) == (verdict, (judged,))


@pytest.mark.parametrize(
    ("measured_f", "target_f", "verdict"),
    [(0.3, 5.0, Verdict.CANNOT_TELL), (0.0, 4.0, Verdict.CANNOT_TELL), (4.5, 5.0, Verdict.PASS)],
)
def test_a_superheat_that_may_be_none_is_not_on_target(measured_f: float, target_f: float, verdict: Verdict) -> None:
    value = known(measured_f * K_PER_F, "K", 0.5 * K_PER_F)
    assert target_finding("suction_superheat", value, None, target_f * K_PER_F, 5 * K_PER_F).verdict is verdict


def test_a_thermostatic_valve_has_causes_of_its_own() -> None:
    causes = feed(30.0, None).codes("cause")
    assert {"valve_setting", "power_head", "high_load", "low_head"} <= set(causes)


# --- figures against their limits: common practice, no source ----------------------------------------------------


def steady_at(**values: float) -> dict[str, Series]:
    t = [float(i) for i in range(0, 3600, 10)]
    return {
        name: Series(name, t, [v] * len(t), 1e-3, 300.0 if "pressure" in name else 0.15) for name, v in values.items()
    }


def judged(found: StartUpResult, key: str) -> tuple[Verdict, str]:
    one = finding(found, key)
    return one.verdict, one.codes("judged")[0]


# R-134a, CoolProp: 293.0 kPa is 0.0 °C, 1017 kPa 40.0 °C, 666 kPa 25.0 °C.
RUNNING = {
    "suction_pressure": 293.0e3, "suction_temperature": 273.15 + 6.1, "liquid_pressure": 1017e3,
    "liquid_temperature": 273.15 + 34.0, "discharge_pressure": 1017e3, "discharge_temperature": 273.15 + 66.0,
    "ambient_temperature": 273.15 + 27.0,
}  # fmt: skip


def of_r134a(**other: float) -> StartUpResult:
    return analyse_start_up(steady_at(**RUNNING | other), refrigerant=find("R-134a"), superheat_target_k=6.1)


def test_condensing_below_ambient_is_never_a_pass() -> None:
    assert judged(of_r134a(), "start_up.condensing") == (Verdict.PASS, "fine")
    below = of_r134a(ambient_temperature=273.15 + 45.0)
    assert judged(below, "start_up.condensing") == (Verdict.CANNOT_TELL, "below_ambient")
    winter = of_r134a(ambient_temperature=273.15 - 5.0)
    assert judged(winter, "start_up.condensing") == (Verdict.INFO, "held_up")
    assert judged(of_r134a(ambient_temperature=273.15 + 17.0), "start_up.condensing")[0] is Verdict.ATTENTION


def test_a_machine_that_never_ran_is_not_judged() -> None:
    still = of_r134a(suction_pressure=1010e3)
    for key in ("start_up.suction_superheat", "start_up.feed", "start_up.condensing", "start_up.discharge"):
        assert finding(still, key).verdict is Verdict.CANNOT_TELL


@pytest.mark.parametrize(
    ("key", "point", "kelvin", "verdict"),
    [
        ("start_up.discharge_temperature", "discharge_temperature", 273.15 + 112, Verdict.ATTENTION),
        ("start_up.discharge_temperature", "discharge_temperature", 273.15 + 107.1, Verdict.CANNOT_TELL),
        ("start_up.discharge", "discharge_temperature", 273.15 + 45, Verdict.ATTENTION),
        ("start_up.liquid_line", "valve_inlet_temperature", 273.15 + 30, Verdict.ATTENTION),
        ("start_up.liquid_line", "valve_inlet_temperature", 273.15 + 33.6, Verdict.PASS),
        ("start_up.suction_line", "compressor_suction_temperature", 273.15 + 20, Verdict.ATTENTION),
        ("start_up.condenser", "condenser_leaving_temperature", 273.15 + 37, Verdict.PASS),
        ("start_up.condenser", "condenser_leaving_temperature", 273.15 + 32, Verdict.ATTENTION),
        ("start_up.freezing", "leaving_fluid_temperature", 273.15 + 0.2, Verdict.ATTENTION),
        ("start_up.freezing", "leaving_fluid_temperature", 273.15 + 6, Verdict.PASS),
    ],
)
def test_each_figure_against_its_limit(key: str, point: str, kelvin: float, verdict: Verdict) -> None:
    assert finding(of_r134a(**{point: kelvin}), key).verdict is verdict


def test_evaporator_and_total_superheat_and_compression_ratio() -> None:
    """Hand computation: 6.1 K and 20.0 K over 0.0 °C, 1017 / 293; 20 kPa of line drop lift evaporation by 1.86 K."""
    found = of_r134a(compressor_suction_temperature=273.15 + 20.0).metrics
    for name, expected in (("suction_superheat", 6.1), ("total_superheat", 20.0), ("suction_line_rise", 13.9)):
        assert found[name].value.number == pytest.approx(expected, abs=0.05)
    assert found["compression_ratio"].value.number == pytest.approx(3.471, abs=0.002)
    dropped = analyse_start_up(steady_at(**RUNNING), refrigerant=find("R-134a"), suction_line_drop_pa=20e3).metrics
    assert dropped["suction_superheat"].value.number == pytest.approx(6.1 - 1.86, abs=0.05)


@pytest.mark.parametrize(
    ("standing_pa", "judged_as", "verdict"),
    [(666e3, "none", Verdict.PASS), (740e3, "air", Verdict.ATTENTION), (560e3, "below", Verdict.CANNOT_TELL),
     (690e3, "within_u", Verdict.CANNOT_TELL)],
)  # fmt: skip
def test_air_is_told_by_the_standing_pressure(standing_pa: float, judged_as: str, verdict: Verdict) -> None:
    """R-134a at 25 °C: 665.8 kPa (CoolProp); Dalton's law for the air over it."""
    stood = steady_at(suction_pressure=standing_pa, discharge_pressure=standing_pa, ambient_temperature=298.15)
    found = standing_check(stood, find("R-134a"))
    assert found is not None and (found.verdict, found.codes("judged")) == (verdict, (judged_as,))
    warm = standing_check(stood | steady_at(liquid_temperature=305.0), find("R-134a"))
    assert warm is None
    assert standing_check(steady_at(**RUNNING), find("R-134a")) is None


@pytest.mark.parametrize(("outlet_c", "evaporating_c"), [(35, -8), (40, 0), (45, 5)])
def test_the_optimum_high_side_of_carbon_dioxide(outlet_c: float, evaporating_c: float) -> None:
    """Against cycles computed here with CoolProp: isentropic efficiency 0.003 lower for each bar over bar, as in the
    paper's compressor (1.003 - 0.121 x ratio, from memory), no superheat."""
    from CoolProp.CoolProp import PropsSI

    te, tc = evaporating_c + 273.15, outlet_c + 273.15
    p_low = PropsSI("P", "T", te, "Q", 1, "CO2")
    h1, s1 = PropsSI("H", "T", te, "Q", 1, "CO2"), PropsSI("S", "T", te, "Q", 1, "CO2")

    def cop(p_high: float) -> float:
        h2s = PropsSI("H", "P", p_high, "S", s1, "CO2")
        efficiency = 1.003 - 0.121 * p_high / p_low
        return float((h1 - PropsSI("H", "P", p_high, "T", tc, "CO2")) / ((h2s - h1) / efficiency))

    best = max(range(76, 140), key=lambda bar: cop(bar * 1e5))
    found = optimum_high_side(tc, te)
    assert found.number is not None and found.u is not None
    assert abs(found.number / 1e5 - best) < 2 * found.u / 1e5
    assert optimum_high_side(300.0, te).number is None


def test_transcritical_carbon_dioxide_has_no_subcooling() -> None:
    found = analyse_start_up(
        steady_at(
            suction_pressure=3.5e6, discharge_pressure=9.8e6, liquid_temperature=311.0, ambient_temperature=307.0
        ),
        refrigerant=find("R-744"), subcooling_target_k=5.0,
    )  # fmt: skip
    assert "subcooling" not in found.metrics
    assert found.metrics["gas_cooler_approach"].value.number == pytest.approx(4.0)
    assert finding(found, "start_up.subcooling").verdict is Verdict.CANNOT_TELL
    assert finding(found, "start_up.optimum").verdict is Verdict.INFO


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


def test_at_standstill_nothing_is_told_of_a_running_compressor_and_its_alarms_are_over() -> None:
    warm = known(290.0, "K", 0.3)
    readings = {
        "suction_pressure": pressure(110), "discharge_pressure": pressure(112), "liquid_pressure": pressure(112),
        "suction_temperature": warm, "liquid_temperature": warm, "leaving_fluid_temperature": warm,
    }  # fmt: skip
    now = start_up_now(R407C, readings, high_limit_pa=3e6)
    for name in ("suction_superheat", "subcooling", "approach"):
        assert code_of(now[name].problem) == DOES_NOT_APPLY
    assert now["high_side_margin"].number is not None
    (floodback,) = [rule for rule in alarms(None, {}) if rule.key == "low-superheat"]
    assert evaluate(floodback, now).condition is Condition.NORMAL
    running = start_up_now(R407C, readings | {"discharge_pressure": pressure(250)})
    assert running["suction_superheat"].number is not None
