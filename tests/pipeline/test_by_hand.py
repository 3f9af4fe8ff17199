"""Numbers worked out by hand, put to the public door: what a person with a calculator would expect of each verdict."""

import math
import random
from collections.abc import Callable
from typing import Any

import pytest

import logger
from logger.cylinder.limits import limits
from logger.model.cylinder import Cylinder
from logger.model.finding import Finding, Verdict
from logger.model.job import Job
from logger.model.sample import Series
from logger.model.units import MICRON_PA, PSI_PA, STANDARD_ATMOSPHERE_PA

HOUR, DAY = 3600.0, 86_400.0
START = 400 * PSI_PA + STANDARD_ATMOSPHERE_PA


def by_key(findings: tuple[Finding, ...]) -> dict[str, Finding]:
    return {finding.key: finding for finding in findings}


def nitrogen(outdoor_k: float, lost_psi: float, **settings: object) -> Finding:
    """400 psig for 24 h, half the volume indoors at 294 K; outdoors 288 K at first.

    p (0.5 / T outdoors + 0.5 / T indoors) is constant: 15 K more outdoors are 10.7 psi, 4 K less are 2.9 psi.
    """
    t = [300.0 * i for i in range(289)]
    kelvin = [288.0 + outdoor_k * x / DAY for x in t]
    first = 0.5 / 288.0 + 0.5 / 294.0
    pa = [START * first / (0.5 / k + 0.5 / 294.0) - lost_psi * PSI_PA * x / DAY for x, k in zip(t, kelvin, strict=True)]
    found = logger.analyse(
        "pressure-test",
        {"system_pressure": Series("system_pressure", t, pa, 300.0, 7e3),
         "system_temperature": Series("system_temperature", t, kelvin, 0.05, 0.2)},
        settings,
    )  # fmt: skip
    return by_key(found.findings)["standing-pressure.verdict"]


def test_a_tight_system_half_indoors_does_not_fail_by_the_weather() -> None:
    end = START * (0.5 / 288 + 0.5 / 294) / (0.5 / 303 + 0.5 / 294) - START
    assert end / PSI_PA == pytest.approx(10.7, abs=0.1)
    assert nitrogen(15.0, 0.0).verdict is not Verdict.FAIL
    known = nitrogen(15.0, 0.0, share=0.5)
    drop = known.value("drop")
    assert known.verdict is not Verdict.FAIL and drop is not None and drop.number is not None and drop.u is not None
    assert abs(drop.number) < 2 * drop.u


def test_four_psi_lost_are_not_held_because_it_grew_colder_outdoors() -> None:
    assert nitrogen(-4.0, 4.0).verdict is not Verdict.PASS
    assert nitrogen(-4.0, 4.0, share=0.5).verdict is not Verdict.PASS
    assert nitrogen(0.0, 4.0, share=1.0).verdict is Verdict.FAIL
    # Half of it elsewhere, where nobody measured: 6 K less there are 4 psi.
    assert nitrogen(0.0, 4.0, share=0.5).verdict is Verdict.CANNOT_TELL


def still(psig: float, job: Job | None = None, **settings: object) -> Finding:
    """24 h of nothing lost at one temperature, all of it in one place unless stated otherwise."""
    t = [300.0 * i for i in range(289)]
    pa = psig * PSI_PA + STANDARD_ATMOSPHERE_PA
    found = logger.analyse(
        "pressure-test",
        {"system_pressure": Series("system_pressure", t, [pa] * len(t), 100.0, 3e3),
         "system_temperature": Series("system_temperature", t, [294.0] * len(t), 0.03, 0.2)},
        {name: value for name, value in ({"share": 1.0} | settings).items() if value is not None},
        job=job, marks={"holding": 0.0},
    )  # fmt: skip
    return by_key(found.findings)["standing-pressure.verdict"]


@pytest.mark.parametrize(
    ("refrigerant", "psig", "settings", "doubts"),
    [
        # The model codes' tables for R-22: 144 psig low side (80 °F), 278 air-cooled high side (125 °F).
        ("R-22", 150.0, {}, ("below_vapor",)),
        ("R-22", 150.0, {"design_temperature": 299.82}, ()),
        ("R-22", 150.0, {"test_pressure": 150 * PSI_PA + STANDARD_ATMOSPHERE_PA}, ()),
        ("R-22", 100.0, {"test_pressure": 100 * PSI_PA + STANDARD_ATMOSPHERE_PA}, ("below_vapor",)),
        ("R-22", 275.0, {}, ()),
        ("R-404A", 150.0, {"test_pressure": 150 * PSI_PA + STANDARD_ATMOSPHERE_PA}, ("below_vapor",)),
        ("R-32", 150.0, {}, ("below_vapor",)),
        ("R-32", 450.0, {}, ()),
        ("R-32", 450.0, {"design_temperature": 330.0}, ("below_vapor",)),
        # R-123 at 104 °F: 7.7 psig; its burst disk keeps the test under 15
        ("R-123", 9.0, {}, ()),
        ("R-744", 300.0, {}, ("no_test_pressure",)),
        ("R-744", 600.0, {"test_pressure": 600 * PSI_PA + STANDARD_ATMOSPHERE_PA}, ()),
        ("", 300.0, {}, ("no_test_pressure",)),
    ],
)
def test_a_test_pressure_is_judged_by_what_the_system_will_carry(
    refrigerant: str, psig: float, settings: dict[str, Any], doubts: tuple[str, ...]
) -> None:
    found = still(psig, job=Job("", refrigerant), **settings)
    assert [code for code in found.codes("doubt") if code != "blind"] == list(doubts)
    if doubts:
        assert found.verdict is Verdict.CANNOT_TELL
    elif refrigerant in ("R-22", "R-32"):
        assert found.value("test_pressure") is not None or found.value("vapor_pressure") is not None


def test_one_thermometer_does_not_speak_for_all_of_a_system() -> None:
    """Half of it outdoors, unmeasured and 12 K colder: 8.6 psi less than 400 psig, and nothing lost."""
    assert still(400.0, job=Job("", "R-22"), share=1.0).verdict is Verdict.PASS
    alone = still(400.0, job=Job("", "R-22"), share=None)
    assert alone.verdict is Verdict.CANNOT_TELL
    assert "enter_share" in alone.codes("check")
    colder = (0.5 / 288.0 + 0.5 / 294.0) / (0.5 / 276.0 + 0.5 / 294.0)
    t = [300.0 * i for i in range(289)]
    pa = [START * (1.0 + (colder - 1.0) * x / DAY) for x in t]
    found = logger.analyse(
        "pressure-test",
        {"system_pressure": Series("system_pressure", t, pa, 100.0, 3e3),
         "system_temperature": Series("system_temperature", t, [294.0] * len(t), 0.03, 0.2)},
        job=Job("", "R-22"),
    )  # fmt: skip
    assert by_key(found.findings)["standing-pressure.verdict"].verdict is Verdict.CANNOT_TELL


def test_a_measured_barometer_takes_the_weather_out_of_a_pressure_test() -> None:
    """30 hPa less around a gauge: 0.44 psi that nothing lost."""
    t = [300.0 * i for i in range(289)]
    around = Series("barometer", t, [1.02e5 - 3e3 * x / DAY for x in t], 5.0, 50.0)
    pa = Series("system_pressure", t, [START] * len(t), 100.0, 3e3)
    warm = Series("system_temperature", t, [294.0] * len(t), 0.03, 0.2)
    measured = {"system_pressure": pa, "system_temperature": warm}
    drops = [
        by_key(logger.analyse("pressure-test", series, {"share": 1.0}, gauges=frozenset({"system_pressure"})).findings)[
            "standing-pressure.verdict"
        ].value("drop")
        for series in (measured, measured | {"barometer": around})
    ]
    without, measured_u = (one.u for one in drops if one is not None)
    assert without is not None and measured_u is not None
    assert without**2 - measured_u**2 == pytest.approx(1000.0**2, rel=0.1)  # what a day's weather may be


def test_a_leak_that_a_pressure_test_finds_has_its_size() -> None:
    """Q = V dp/dt: 50 L, 4 psi in 24 h: 0.05 x 27579 / 86400 = 0.016 Pa m3/s of nitrogen. Viscous, R-22 at 21 °C
    is 9.4 bar abs: squares (9.4^2 - 1.01^2) / (28.6^2 - 1.01^2) = 0.107, viscosity 17.6 / 13.7."""
    t = [300.0 * i for i in range(289)]
    pa = [START - 4 * PSI_PA * x / DAY for x in t]
    found = logger.analyse(
        "pressure-test",
        {"system_pressure": Series("system_pressure", t, pa, 100.0, 3e3),
         "system_temperature": Series("system_temperature", t, [294.0] * len(t), 0.03, 0.2)},
        {"share": 1.0}, job=Job("", "R-22", 20.0, volume_m3=0.05),
    )  # fmt: skip
    lost = by_key(found.findings)["standing-pressure.verdict"]
    flow, high = lost.value("flow"), lost.value("loss_high")
    assert lost.verdict is Verdict.FAIL
    assert flow is not None and flow.number == pytest.approx(0.01596, rel=0.03)
    by_hand = 0.01596 * 0.0864 / (8.314 * 293.15) * 0.107 * 17.6 / 13.7
    molecular = 0.01596 * 0.0864 / (8.314 * 293.15) * math.sqrt(28.0 / 86.4) * (9.4 - 1.01) / (28.6 - 1.01)
    assert high is not None and high.number == pytest.approx(max(by_hand, molecular), rel=0.05)


def vacuum(per_hour: float, accuracy_micron: float | None, start: float = 200.0, gain: float = 1.0) -> Series:
    rng, t = random.Random(7), [10.0 * i for i in range(361)]
    micron = [round(gain * (start + per_hour * x / HOUR) + rng.gauss(0, 0.5)) for x in t]
    u_scale = 0.0 if accuracy_micron is None else accuracy_micron * MICRON_PA / math.sqrt(3)
    return Series("vacuum", t, [m * MICRON_PA for m in micron], 0.6 * MICRON_PA, u_scale)


def decay(series: Series, volume_m3: float, profile: str = "ufgs-15182") -> dict[str, Finding]:
    warm = Series("system_temperature", [0.0, 1800.0, 3600.0], [294.0] * 3, 0.05, 0.2)
    found = logger.analyse(
        "decay-test", {"vacuum": series, "system_temperature": warm}, {"profile": profile},
        job=Job("", "R-410A", 20.0, volume_m3=volume_m3), marks={"isolated": 0.0},
    )  # fmt: skip
    return by_key(found.findings)


def test_a_thousand_microns_an_hour_in_50_liters_are_a_leak_of_that_size() -> None:
    """Q = V dp/dt = 0.05 m3 x 133.3 Pa / 3600 s = 1.85e-3 Pa m3/s."""
    found = decay(vacuum(1000.0, 20.0), 0.05)
    assert found["decay.cause"].codes("cause_code") == ("leak",)
    flow = found["decay.leak-rate"].value("flow")
    assert flow is not None and flow.number == pytest.approx(0.05 * 133.3 / 3600, rel=0.05)
    assert all(finding.verdict is not Verdict.PASS for finding in found.values())


def test_a_gauge_of_unknown_accuracy_passes_nothing() -> None:
    """12 % low: 480 shown are 545 against a limit of 500."""
    shown = vacuum(345.0, None, gain=0.88)
    assert shown.value[-1] / MICRON_PA == pytest.approx(480, abs=2)
    decides = decay(shown, 0.05)["decay.verdict"]
    assert decides.verdict is Verdict.CANNOT_TELL


def superheat(measured_f: float, target_f: float) -> dict[str, Finding]:
    from logger.refrigerant import SHIPPED

    medium, t = SHIPPED.find("R-410A"), [5.0 * i for i in range(241)]
    low, high = medium.dew_pressure(277.0), medium.dew_pressure(313.0)
    level = {"suction_pressure": (low, 300.0, 2e3), "suction_temperature": (277.0 + measured_f / 1.8, 0.05, 0.1),
             "discharge_pressure": (high, 300.0, 5e3)}  # fmt: skip
    rng = random.Random(3)
    series = {
        point: Series(point, t, [value + rng.gauss(0, noise / 3) for _ in t], noise, accuracy)
        for point, (value, noise, accuracy) in level.items()
    }
    return by_key(
        logger.analyse("start-up", series, {"superheat_target": target_f / 1.8}, job=Job("", "R-410A")).findings
    )


def test_the_target_that_was_entered_decides() -> None:
    on_target = superheat(25.0, 25.0)
    assert on_target["start_up.suction_superheat"].verdict is Verdict.PASS
    assert on_target["start_up.feed"].codes("judged") == ("on_target",)
    wet = superheat(0.3, 5.0)
    assert wet["start_up.feed"].codes("judged")[0] in ("floodback", "perhaps_floodback")
    assert wet["start_up.feed"].verdict is not Verdict.PASS


@pytest.mark.parametrize(
    ("refrigerant", "bar", "fits"),
    [("R-410A", 30, False), ("R-410A", 48, True), ("R-32", 35, False), ("R-32", 48, True), ("R-125", 30, False),
     ("R-125", 49, True), ("R-134a", 22, True)],
)  # fmt: skip
def test_a_un_cylinder_holds_what_its_test_pressure_allows(refrigerant: str, bar: float, fits: bool) -> None:
    """P200(3): at least the vapor pressure at 65 °C less 1 bar: R-410A 42, R-32 47, R-134a 18 bar, gauge. R-125 is then
    above its critical temperature: what its filling ratio gives."""
    cylinder = Cylinder("C", 12.0, 26.0, None, None, refrigerant, test_pressure_pa=bar * 1e5)
    found = limits(cylinder, "un", refrigerant).suitability
    assert (found.verdict is Verdict.PASS) is fits, found


def started(
    superheat_k: Callable[[float], float], minutes: float, refrigerant: str = "R-410A", **fixed: float
) -> dict[str, Finding]:
    """Stands for 10 min, then runs: R-410A at 4 °C and 45 °C."""
    from logger.refrigerant import SHIPPED

    medium, t = SHIPPED.find(refrigerant), [10.0 * i for i in range(round(minutes * 6))]
    low, high, rest = fixed.pop("low", 0.0) or medium.dew_pressure(277.15), fixed.pop("high", 0.0), 293.0
    high = high or medium.dew_pressure(318.15)
    cold = medium.dew_temperature(low)
    stands = medium.dew_pressure(rest)
    levels = {
        "suction_pressure": [stands if x < 600 else low for x in t],
        "discharge_pressure": [stands if x < 600 else high for x in t],
        "suction_temperature": [rest if x < 600 else cold + superheat_k(x) for x in t],
    } | {point: [rest if x < 600 else level for x in t] for point, level in fixed.items()}
    rng = random.Random(5)
    series = {}
    for point, values in levels.items():
        u, u_scale = (200.0, 2e3) if point.endswith("pressure") else (0.03, 0.15)
        series[point] = Series(point, t, [v + rng.gauss(0, u) for v in values], u, u_scale)
    settings = {"superheat_target": 6.0, "high_side_limit": 1.3 * high}
    return by_key(logger.analyse("start-up", series, settings, job=Job("", refrigerant)).findings)


@pytest.mark.parametrize("period_s", [120.0, 280.0, 320.0, 400.0, 600.0, 900.0, 1200.0])
def test_slow_hunting_is_hunting(period_s: float) -> None:
    """5 K either way: three periods of 20 min need an hour."""
    found = started(lambda t: 6.0 + 5.0 * math.sin(2 * math.pi * t / period_s), 105.0)
    assert found["start_up.hunting"].verdict is Verdict.ATTENTION
    period = found["start_up.hunting"].value("period")
    assert period is not None and period.number == pytest.approx(period_s, rel=0.1)
    assert not [key for key, one in found.items() if one.verdict is Verdict.PASS and key != "start_up.steady"]


def test_what_is_not_steady_passes_nothing() -> None:
    """Superheat still falling, and a swing that nobody can call regular yet."""
    for superheat in (lambda t: 14.0 - 8.0 * t / 2400.0, lambda t: 6.0 + 5.0 * math.sin(2 * math.pi * t / 900.0)):
        found = started(superheat, 35.0)
        assert not [key for key, one in found.items() if one.verdict is Verdict.PASS]


def test_hunting_that_was_cured_is_not_told() -> None:
    found = started(lambda t: 6.0 + (5.0 * math.sin(2 * math.pi * t / 300.0) if t < 3000.0 else 0.0), 75.0)
    assert found["start_up.hunting"].verdict is Verdict.PASS
    assert found["start_up.feed"].verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("outlet_k", "verdict"), [(310.0, Verdict.PASS), (303.0, Verdict.CANNOT_TELL), (318.0, Verdict.ATTENTION)]
)
def test_a_gas_cooler_does_not_cool_below_the_air(outlet_k: float, verdict: Verdict) -> None:
    """R-744 at 95 bar, air at 307 K: an outlet below that is a sensor's."""
    found = started(
        lambda t: 6.0, 40.0, "R-744", low=3.5e6, high=9.5e6, liquid_temperature=outlet_k, ambient_temperature=307.0
    )
    assert found["start_up.gas_cooler"].verdict is verdict
    assert ("start_up.optimum" in found) is (verdict is not Verdict.CANNOT_TELL)


def isolated_at_an_end(start: float, per_hour: float, low: float | None, high: float | None) -> dict[str, Finding]:
    rng, t = random.Random(2), [5.0 * i for i in range(756)]
    true = [start + per_hour * x / HOUR + rng.gauss(0, 0.4) for x in t]
    shown = [round(min(max(p, low or 0.0), high or 1e9)) * MICRON_PA for p in true]
    ends = [None if end is None else end * MICRON_PA for end in (low, high)]
    accuracy = 10 * MICRON_PA / math.sqrt(3)
    return decay(Series("vacuum", t, shown, 0.5 * MICRON_PA, accuracy, ends[0], ends[1]), 0.05)


@pytest.mark.parametrize(
    ("start", "per_hour", "low", "high", "verdict", "causes"),
    [
        (20.0, 200.0, 250.0, None, Verdict.CANNOT_TELL, {"gauge"}),  # never leaves the bottom
        (20.0, 200.0, 100.0, None, Verdict.CANNOT_TELL, {"leak"}),  # a rise of 200 an hour once it does
        (250.0, 3000.0, None, 1000.0, Verdict.FAIL, {"leak"}),  # over 500 for certain, however far
        (250.0, 230.0, None, 480.0, Verdict.CANNOT_TELL, {"leak"}),  # levels off at the top: the gauge, not water
        (250.0, 400.0, None, 255.0, Verdict.CANNOT_TELL, {"gauge"}),
    ],
)
def test_the_end_of_a_gauges_range_is_a_bound(
    start: float, per_hour: float, low: float | None, high: float | None, verdict: Verdict, causes: set[str]
) -> None:
    found = isolated_at_an_end(start, per_hour, low, high)
    assert found["decay.verdict"].verdict is verdict
    assert set(found["decay.cause"].codes("cause_code")) == causes
    if causes == {"leak"}:
        rate = found["decay.cause"].value("rate")
        assert rate is not None and rate.number == pytest.approx(per_hour * MICRON_PA / HOUR, rel=0.1)


def test_a_pressure_test_at_the_top_of_its_gauge_holds_nothing() -> None:
    t = [300.0 * i for i in range(289)]
    top = 500 * PSI_PA + STANDARD_ATMOSPHERE_PA
    found = logger.analyse(
        "pressure-test",
        {"system_pressure": Series("system_pressure", t, [top] * len(t), 100.0, 3e3, None, top),
         "system_temperature": Series("system_temperature", t, [294.0] * len(t), 0.03, 0.2)},
        {"share": 1.0}, job=Job("", "R-22"), marks={"holding": 0.0},
    )  # fmt: skip
    held = by_key(found.findings)["standing-pressure.verdict"]
    assert (held.verdict, held.codes("doubt")) == (Verdict.CANNOT_TELL, ("gauge_top",))


@pytest.mark.parametrize(
    ("superheat_k", "verdict"), [(6.5, Verdict.PASS), (8.6, Verdict.CANNOT_TELL), (11.5, Verdict.ATTENTION)]
)
def test_near_the_edge_of_the_tolerance_nobody_can_tell(superheat_k: float, verdict: Verdict) -> None:
    """6.0 K asked for, 2.8 K (5 °F) either way: 8.6 K known to some 0.4 K may be off target."""
    found = started(lambda t: superheat_k, 40.0)
    assert found["start_up.suction_superheat"].verdict is verdict
    assert found["start_up.feed"].verdict is verdict


def charged(
    moved: Callable[[float], float], target: float, accuracy: float = 0.05, lasted: float = 5400.0
) -> dict[str, Finding]:
    rng, t = random.Random(8), [float(i) for i in range(round(lasted))]
    shown = [round((40.0 - moved(x) + rng.gauss(0, 0.002)) / 0.01) * 0.01 for x in t]
    return by_key(
        logger.analyse(
            "charging", {"cylinder_mass": Series("cylinder_mass", t, shown, 0.004, accuracy / math.sqrt(3))},
            {"target": target, "direction": "supply"}, job=Job("", "R-410A", target), division_kg=0.01,
        ).findings
    )  # fmt: skip


def test_a_scale_that_drifts_while_nothing_flows_is_in_the_uncertainty() -> None:
    """4 kg in five minutes; the scale creeps by 0.2 kg in 40 min before and after: 4.4 kg shown against 4.4 asked."""

    def creeps(t: float) -> float:
        return 4.0 * min(max((t - 2400.0) / 300.0, 0.0), 1.0) + 0.2 * t / 2400.0

    found = charged(creeps, 4.45)
    mass, drift = found["charging.mass"].value("charged"), found["charging.mass"].value("drift")
    assert drift is not None and drift.number == pytest.approx(0.45, rel=0.15)  # over the hour and a half
    assert mass is not None and mass.u is not None and abs((mass.number or 0.0) - 4.0) < 2 * mass.u
    assert found["charging.target"].verdict is Verdict.CANNOT_TELL
    still = charged(lambda t: 4.0 * min(max((t - 2400.0) / 300.0, 0.0), 1.0), 4.0)
    assert still["charging.mass"].value("drift") is None
    assert still["charging.target"].verdict is Verdict.PASS


def test_a_scale_too_coarse_for_the_charge_does_not_pass() -> None:
    """0.5 kg of R-410A by a scale of +/- 0.1 kg."""
    assert charged(lambda t: min(0.5, t / 600.0), 0.5, accuracy=0.1)["charging.target"].verdict is Verdict.CANNOT_TELL
    assert charged(lambda t: min(0.5, t / 600.0), 0.5, accuracy=0.01)["charging.target"].verdict is Verdict.PASS


def test_a_recovery_gauge_of_unknown_accuracy_holds_nothing() -> None:
    """R-410A, 120 kg: 0.67 bar absolute asked (10 in.Hg), 0.60 shown."""
    t = [15.0 * i for i in range(360)]
    pa = [max(0.6e5, 9e5 * math.exp(-x / 400.0)) for x in t]
    for accuracy, verdict in ((0.0, Verdict.CANNOT_TELL), (2e3, Verdict.PASS)):
        series = {
            "recovery_inlet_pressure": Series("recovery_inlet_pressure", t, pa, 100.0, accuracy),
            "cylinder_mass": Series("cylinder_mass", t, [12.0 + min(110.0, x / 10.0) for x in t], 0.01, 0.05),
        }
        found = logger.analyse("recovery", series, job=Job("", "R-410A", 120.0), division_kg=0.02)
        assert by_key(found.findings)["recovery.level"].verdict is verdict
