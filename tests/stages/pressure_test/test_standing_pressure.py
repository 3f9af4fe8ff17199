"""Standing pressure: temperature explained, drop found, and no verdict beyond what the instruments can see."""

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.finding import Verdict
from logger.model.sample import Gap, Series
from logger.model.units import PSI_PA, STANDARD_ATMOSPHERE_PA
from logger.model.value import known, name_of
from logger.physics.ambient import weather_u
from logger.physics.leak_flow import service_gas
from logger.physics.nitrogen import sealed_pressure
from logger.stages.acceptance import PRESSURE_PROFILES, PressureProfile, profile_from_mapping
from logger.stages.hidden_leak import ClosedSystem
from logger.stages.pressure_test.analysis import IDEAL, NITROGEN, REASON, StandingResult, Thermometer, analyse_standing
from logger.stages.pressure_test.definition import FILLED_SETTLING_S, progress
from logger.stages.pressure_test.enough import Enough
from sim_device.plant import Plant
from sim_device.scenarios import SCENARIOS

DAY = 86400.0
HOUR = 3600.0
UFGS = PRESSURE_PROFILES["ufgs-15217n"]


def day(
    psig: float = 300.0, lost_psi: float = 0.0, seconds: float = DAY, seed: int = 1, noise_psi: float = 0.05,
    swing_k: float = 6.0, gaps: tuple[tuple[float, float], ...] = (),
) -> tuple[Series, Series]:  # fmt: skip
    """A sealed charge of nitrogen through a day's temperature, losing `lost_psi` evenly over a day."""
    rng = random.Random(seed)
    start = psig * PSI_PA + STANDARD_ATMOSPHERE_PA
    t = [60.0 * i for i in range(int(seconds / 60) + 1)]
    t = [x for x in t if not any(a < x < b for a, b in gaps)]
    kelvin = [295.0 - swing_k * math.sin(2 * math.pi * x / DAY * 0.7) for x in t]
    pressure = [
        sealed_pressure(start - lost_psi * PSI_PA * x / DAY, 295.0, k) + rng.gauss(0, noise_psi * PSI_PA)
        for x, k in zip(t, kelvin, strict=True)
    ]
    stated = tuple(Gap(a, b, "link lost") for a, b in gaps)
    return (
        Series("system_pressure", t, pressure, u=noise_psi * PSI_PA, u_scale=0.5 * PSI_PA, gaps=stated),
        Series("system_temperature", t, kelvin, u=0.05, u_scale=0.3),
    )


def judged(pair: tuple[Series, Series], profile: PressureProfile | None = UFGS, **more: object) -> StandingResult:
    settings_: dict[str, object] = {"thermometer": Thermometer.GAS, "barometer_measured": True, "share": 1.0, **more}
    return analyse_standing(pair[0], profile=profile, temperature=pair[1], **settings_)  # type: ignore[arg-type]


def test_tight_charge_holds_through_a_days_weather() -> None:
    result = judged(day())
    assert result.verdict.verdict is Verdict.PASS, result.verdict
    assert result.verdict.codes("doubt") == result.verdict.codes("check") == ()
    assert result.drop.number is not None
    assert abs(result.drop.number) < 0.1 * PSI_PA
    assert name_of("profile", f"{UFGS.key}: {UFGS.described()}") in result.verdict.inputs
    assert result.verdict.codes("law") == ("real nitrogen",)
    assert name_of("law_source", NITROGEN.source) in result.verdict.inputs


@pytest.mark.parametrize("lost", [0.5, 2.0, 10.0])
def test_a_drop_is_found_and_sized(lost: float) -> None:
    result = judged(day(lost_psi=lost))
    assert result.verdict.verdict is Verdict.FAIL
    assert result.verdict.codes("check") == ("find_leak",)
    assert result.drop.number is not None
    assert result.drop.u is not None
    assert result.drop.number / PSI_PA == pytest.approx(lost, abs=0.1 + 0.03 * lost)
    assert result.rate.number is not None
    assert result.rate.number * DAY / PSI_PA == pytest.approx(-lost, abs=0.1 + 0.03 * lost)


def test_ideal_gas_would_mistake_real_nitrogen_for_a_leak() -> None:
    """At 600 psig and 9 K the ideal law is off by some 2 psi: its own error is in the uncertainty, so no false fail."""
    pair = day(psig=600.0, swing_k=-9.0)
    real, ideal = judged(pair, law=NITROGEN), judged(pair, law=IDEAL)
    assert real.verdict.verdict is Verdict.PASS, real.verdict
    assert ideal.drop.number is not None
    assert ideal.drop.u is not None
    assert abs(ideal.drop.number) > 0.3 * PSI_PA
    assert abs(ideal.drop.number) < 3.0 * ideal.drop.u
    assert ideal.verdict.verdict is not Verdict.FAIL


def test_ambient_brings_uncertainty() -> None:
    gas, air = judged(day()), judged(day(), thermometer=Thermometer.AIR)
    pipe = judged(day(), thermometer=Thermometer.PIPE)
    smallest = [r.smallest_drop.number or 0.0 for r in (gas, pipe, air)]
    assert smallest[2] > 1.5 * smallest[1] > 4.0 * smallest[0] > 0.0
    assert "from the air" in (air.drop.note or "")
    assert "from the pipe" in (pipe.drop.note or "")


# (litres, K of daily swing, hour of the day it began, bar): simulated tight circuits whose gas follows the air late
LATE = [(920, 9.0, 4.0, 30.0), (170, 11.0, 15.0, 40.0)]


@pytest.mark.parametrize(("litres", "swing_k", "began_h", "bar"), LATE)
def test_gas_that_follows_the_air_late_is_not_taken_for_a_leak(
    litres: float, swing_k: float, began_h: float, bar: float
) -> None:
    size = litres / 50.0
    tight = SCENARIOS["nitrogen"]
    begin, fill, end = tight.timeline
    scenario = replace(
        tight, volume_m3=litres / 1000.0, ambient_swing_c=swing_k, ambient_start_h=began_h,
        circuit={"metal_j_k": 4e4 * size, "ambient_ua_w_k": 20.0 * size**0.7},
        timeline=(begin, replace(fill, kw={"to_pa": bar * 1e5}), end),
    )  # fmt: skip
    plant = Plant(scenario, 1)
    rows = []
    for i in range(int(5 * HOUR / 30.0)):
        plant.advance_to(30.0 * i)
        rows.append([plant.read(p) for p in ("system_pressure", "system_temperature", "ambient_temperature")])
    t = [30.0 * i for i in range(len(rows))]
    pressure, pipe, air = (Series("x", t, list(column), u=50.0) for column in zip(*rows, strict=True))
    began = next(x for x, p in zip(t, pressure.value, strict=True) if p >= 0.97 * max(pressure.value)) + 900.0
    for thermometer, near in ((Thermometer.PIPE, pipe), (Thermometer.AIR, air)):
        result = analyse_standing(
            pressure, temperature=near, thermometer=thermometer, began_s=began, gauge_reference=False, share=1.0
        )
        assert result.drop.number is not None and result.drop.u is not None
        assert abs(result.drop.number) < 2.0 * result.drop.u, thermometer


def test_unmeasured_barometer_brings_uncertainty() -> None:
    with_it, without = judged(day()), judged(day(), barometer_measured=False)
    assert with_it.smallest_drop.number is not None
    assert without.smallest_drop.number is not None
    assert without.smallest_drop.number > with_it.smallest_drop.number
    assert "barometer not measured" in (without.drop.note or "")
    absolute = judged(day(), barometer_measured=False, gauge_reference=False)
    assert absolute.smallest_drop.number == pytest.approx(with_it.smallest_drop.number)


def test_a_test_that_could_not_have_seen_it_does_not_pass() -> None:
    """10 psig, air temperature, no barometer: 1 % of the pressure is 0.1 psi and cannot be seen."""
    result = judged(day(psig=10.0), thermometer=Thermometer.AIR, barometer_measured=False)
    assert result.verdict.verdict is Verdict.CANNOT_TELL
    assert result.verdict.codes("doubt") == ("blind",)
    must_see, smallest = result.verdict.value("must_see"), result.smallest_drop.number
    assert must_see is not None and must_see.number is not None
    assert must_see.number == pytest.approx(0.1 * PSI_PA, rel=0.02)
    assert smallest is not None and smallest > must_see.number
    assert result.verdict.codes("check") == ("clamp_pipe",)


def test_too_short_for_the_profile() -> None:
    result = judged(day(seconds=6 * HOUR))
    assert result.verdict.verdict is Verdict.CANNOT_TELL
    assert result.verdict.codes("doubt")[0] == "too_short"
    assert result.verdict.value("hold") == known(DAY, "s")
    assert result.verdict.value("lasted") == known(6 * HOUR, "s")


def test_a_gap_is_no_pass() -> None:
    result = judged(day(gaps=((10000.0, 30000.0),)))
    assert result.verdict.verdict is Verdict.CANNOT_TELL
    assert result.verdict.codes("doubt") == ("gaps",)
    assert result.verdict.value("lost") == known(20000.0, "s")


@pytest.mark.parametrize(("lost", "wanted"), [(0.2, Verdict.PASS), (0.95, Verdict.CANNOT_TELL), (2.0, Verdict.FAIL)])
def test_own_profile_with_a_drop_allowed(lost: float, wanted: Verdict) -> None:
    own = profile_from_mapping("site", {"kind": "standing pressure", "hold": "20h", "drop": "1psi"})
    assert isinstance(own, PressureProfile)
    assert judged(day(lost_psi=lost), profile=own, barometer_measured=False).verdict.verdict is wanted


def test_flow_only_with_a_volume_and_a_loss() -> None:
    assert "volume is not known" in (judged(day(lost_psi=2.0)).flow.problem or "")
    flow = judged(day(lost_psi=2.0), volume_m3=0.1).flow
    assert flow.number == pytest.approx(2.0 * PSI_PA / DAY * 0.1, rel=0.1)
    assert judged(day(), volume_m3=0.1).flow.number is None


@pytest.mark.parametrize(
    ("temperature", "why"),
    [
        (None, "no_temperature"),
        (Series("t", [0.0, 100.0], [295.0, 295.0]), "temperature_at_ends"),
        (Series("t", [0.0, DAY], [295.0, 0.0]), "absolute_zero"),
        (Series("t", [0.0, DAY], [295.0, 500.0]), "out_of_range"),
    ],
)
def test_unusable_temperature_is_unknown_because(temperature: Series | None, why: str) -> None:
    result = analyse_standing(day()[0], profile=UFGS, temperature=temperature)
    assert result.verdict.verdict is Verdict.CANNOT_TELL
    assert result.verdict.codes("why") == (why,)
    assert result.drop.problem == REASON[why]


@pytest.mark.parametrize("n", [0, 1, 3])
def test_hardly_any_readings(n: int) -> None:
    series = Series("system_pressure", [60.0 * i for i in range(n)], [2e6] * n)
    result = analyse_standing(series, profile=UFGS)
    assert result.verdict.verdict is Verdict.CANNOT_TELL
    assert result.verdict.codes("why") == ("few_readings",)
    assert result.drop.problem == REASON["few_readings"]


def test_no_profile_no_verdict() -> None:
    verdict = judged(day(), profile=None).verdict
    assert verdict.verdict is Verdict.CANNOT_TELL
    assert verdict.codes("doubt") == ("no_profile",)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 1000), st.floats(0.0, 0.05), st.floats(-8, 8))
def test_sealed_charge_is_never_failed(seed: int, lost: float, swing: float) -> None:
    """A loss far under what could be seen fails at most once in dozens; here never by more than its uncertainty."""
    result = judged(day(lost_psi=lost, seed=seed, swing_k=swing))
    assert result.drop.number is not None
    assert result.drop.u is not None
    assert abs(result.drop.number - lost * PSI_PA) < 4.0 * result.drop.u


def test_just_short_of_the_least_is_too_short() -> None:
    series = Series("system_pressure", [float(i) for i in range(598)], [2e6] * 598)
    verdict = analyse_standing(series, profile=UFGS).verdict
    assert verdict.codes("why") == ("too_short",)
    assert (verdict.value("lasted"), verdict.value("least")) == (known(597.0, "s"), known(600.0, "s"))


def test_while_nothing_is_known_yet_it_says_what_goes_on() -> None:
    """41 minutes of a question mark: filling, settling, held, then the change."""
    t = [float(s) for s in range(0, 3600, 10)]
    series = Series("system_pressure", t, [min(2.0e6, 1e5 + 1e4 * s) for s in t])
    began = 190.0 + FILLED_SETTLING_S

    def until(s: float) -> Series:
        return Series("system_pressure", t[: int(s / 10)], list(series.value)[: int(s / 10)])

    held, doing = progress(until(120.0), 120.0 + FILLED_SETTLING_S, 120.0, 1800.0)
    assert held.number is None and doing.startswith("filling")
    held, doing = progress(until(600.0), began, 600.0, 1800.0)
    assert held.number is None and doing == "settling: the test counts in 9 min"
    held, doing = progress(until(1300.0), began, 1300.0, 1800.0)
    assert held.number == 210.0 and held.note == "of 30 min" and doing.startswith("held 4 min")
    held, doing = progress(until(3000.0), began, 3000.0, 1800.0)
    assert held.number == 1910.0 and doing == ""


def two_places(psig: float, outdoors_k: float, lost_psi: float, share: float = 0.5) -> tuple[Series, Series, Series]:
    """A day with the system in two places, from CoolProp's nitrogen: one pressure, amounts by density and volume."""
    from CoolProp.CoolProp import PropsSI

    rng, start = random.Random(3), psig * PSI_PA + STANDARD_ATMOSPHERE_PA
    t = [600.0 * i for i in range(145)]
    outside = [295.0 + outdoors_k * x / DAY for x in t]

    def amount(pa: float, kelvin: float) -> float:
        return float(
            share * PropsSI("Dmolar", "P", pa, "T", kelvin, "Nitrogen")
            + (1 - share) * PropsSI("Dmolar", "P", pa, "T", 295.0, "Nitrogen")
        )

    sealed, leak = amount(start, 295.0), amount(start, 295.0) - amount(start - lost_psi * PSI_PA, 295.0)
    pressure = []
    for x, kelvin in zip(t, outside, strict=True):
        held, low, high = sealed - leak * x / DAY, 0.5 * start, 1.5 * start
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (middle, high) if amount(middle, kelvin) < held else (low, middle)
        pressure.append(low + rng.gauss(0, 0.05 * PSI_PA))
    return (
        Series("system_pressure", t, pressure, u=0.05 * PSI_PA, u_scale=0.5 * PSI_PA),
        Series("system_temperature", t, outside, u=0.05, u_scale=0.3),
        Series("second_system_temperature", t, [295.0] * len(t), u=0.05, u_scale=0.3),
    )


@pytest.mark.parametrize(
    ("psig", "outdoors_k", "lost_psi", "verdict"),
    [(400.0, 15.0, 0.0, Verdict.PASS), (400.0, -4.0, 4.0, Verdict.FAIL)],
)
def test_a_system_in_two_places_is_judged_by_both(
    psig: float, outdoors_k: float, lost_psi: float, verdict: Verdict
) -> None:
    pressure, outside, inside = two_places(psig, outdoors_k, lost_psi)
    more: dict[str, object] = {"profile": UFGS, "temperature": outside, "barometer_measured": True}
    alone = analyse_standing(pressure, thermometer=Thermometer.PIPE, **more)  # type: ignore[arg-type]
    assert alone.verdict.verdict is Verdict.CANNOT_TELL
    assert "enter_share" in alone.verdict.codes("check")
    whole = analyse_standing(pressure, thermometer=Thermometer.GAS, second=inside, share=0.5, **more)  # type: ignore[arg-type]
    assert whole.drop.number is not None and whole.drop.u is not None
    assert abs(whole.drop.number - lost_psi * PSI_PA) < 2 * whole.drop.u + 0.1 * PSI_PA
    if lost_psi:
        assert whole.verdict.verdict is verdict
    else:
        assert whole.verdict.verdict is not Verdict.FAIL


@pytest.mark.parametrize(
    ("entered_psig", "verdict"), [(300.0, Verdict.PASS), (303.0, Verdict.PASS), (375.0, Verdict.CANNOT_TELL)]
)
def test_a_system_filled_short_of_its_test_pressure_does_not_pass(entered_psig: float, verdict: Verdict) -> None:
    found = judged(day(), enough=Enough(entered_psig * PSI_PA + STANDARD_ATMOSPHERE_PA)).verdict
    assert found.verdict is verdict
    assert ("below_test" in found.codes("doubt")) is (verdict is Verdict.CANNOT_TELL)


def test_a_part_elsewhere_that_nobody_measures_is_no_leak() -> None:
    """Half the system outdoors cools by 12 K: 6 K of warmth less is no loss; what is stated elsewhere counts."""
    pressure, inside, _ = two_places(400.0, -12.0, 0.0)
    more: dict[str, object] = {"profile": UFGS, "barometer_measured": True, "thermometer": Thermometer.PIPE}
    found = analyse_standing(pressure, temperature=inside, share=0.5, **more)  # type: ignore[arg-type]
    assert found.verdict.verdict is Verdict.CANNOT_TELL
    assert "enter_share" in found.verdict.codes("check")


def test_without_a_stated_accuracy_nothing_passes() -> None:
    pressure, temperature = day()
    blind = replace(pressure, u_scale=0.0)
    result = judged((blind, temperature))
    assert (result.verdict.verdict, result.verdict.codes("doubt")) == (Verdict.CANNOT_TELL, ("no_accuracy",))


def test_the_leak_that_could_hide_by_hand() -> None:
    """Nitrogen at 2170 kPa, R-134a at 572 kPa (20 °C): squares 0.316/4.70 x 17.6/11.5, mass by pV = nRT; by hand."""
    gas = service_gas("R-134a", 0.102032, 571.7e3)
    tested = ClosedSystem(0.1, gas, 20.0, 101325.0)
    pressure, temperature = day()
    found = judged((pressure, temperature), tested=tested).findings[1]
    largest = found.value("largest_flow")
    assert largest is not None and largest.number is not None
    start = 300 * PSI_PA + STANDARD_ATMOSPHERE_PA
    mass = largest.number * 0.102032 / (8.314462618 * 293.15)
    molecular = mass * (0.0280134 / 0.102032) ** 0.5 * (571.7e3 - 101325) / (start - 101325)
    viscous = mass * (571.7e3**2 - 101325**2) / (start**2 - 101325**2) * 17.6 / 11.5
    low, high = found.value("largest_loss_low"), found.value("largest_loss_high")
    assert low is not None and high is not None
    assert low.number == pytest.approx(min(molecular, viscous), rel=1e-2)
    assert high.number == pytest.approx(max(molecular, viscous), rel=1e-2)
    share = found.value("share")
    assert share is not None and share.number == pytest.approx((high.number or 0) * 365.25 * 86400 / 20.0)


@pytest.mark.parametrize(("hours", "pascal"), [(24.0, 1000.0), (6.0, 500.0), (200.0, 2000.0)])
def test_the_barometer_moves_with_the_time(hours: float, pascal: float) -> None:
    assert weather_u(hours * HOUR) == pytest.approx(pascal)
