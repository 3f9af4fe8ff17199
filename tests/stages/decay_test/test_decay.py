"""The decay test as a whole: physics that is known, leak rate only with a volume, and water told by its pressure."""

import math
import random
from dataclasses import replace

import pytest

from logger.model.finding import Finding, Verdict
from logger.model.sample import NOTHING_STATED, GaugeFacts, Series
from logger.model.units import MICRON_PA
from logger.model.value import known, name_of
from logger.physics.leak_flow import ServiceGas
from logger.refrigerant.water import saturation_pressure, saturation_temperature
from logger.stages.acceptance import DECAY_PROFILES
from logger.stages.decay_test.analysis import DecayResult, analyse_decay
from logger.stages.decay_test.cause import LEAKING, RiseCause
from tests.stages.make import steady, temperature, vacuum

HOUR = 3600.0
GRAMS_PER_YEAR = 1e3 * 365.25 * 24 * HOUR  # of kg/s
R134A = ServiceGas("R-134a", 0.102032, 5.717e5, 11.5e-6)
PROFILE = DECAY_PROFILES["ufgs-15182"]
STILL = GaugeFacts(zero_drift=0.0)


def found(result: DecayResult, key: str) -> Finding:
    return next(f for f in result.findings if f.key == key)


@pytest.mark.parametrize(
    ("micron", "celsius"),
    [(300, -29.5), (500, -24.5), (1000, -17.3), (1500, -12.9), (2025, -9.6), (4588, 0.01), (17546, 20.0)],
)
def test_micron_and_water(micron: float, celsius: float) -> None:
    """(IAPWS; C): where water or ice boils."""
    assert saturation_temperature(micron * MICRON_PA) - 273.15 == pytest.approx(celsius, abs=0.06)
    assert saturation_pressure(celsius + 273.15) / MICRON_PA == pytest.approx(micron, rel=6e-3)


def test_270_pa_is_2025_micron() -> None:
    micron = 270.0 / MICRON_PA
    assert micron == pytest.approx(2025, abs=0.5)


def test_sealed_at_300_micron_and_warmed_10_k() -> None:
    """(C): +10 micron by the gas law, and no leak is made of it."""
    warm = temperature(lambda t: 293.15 + 10.0 * t / HOUR)
    series = vacuum(lambda t: 300.0 * (293.15 + 10.0 * t / HOUR) / 293.15, noise=0.3, step=0.1)
    result = analyse_decay(series, isolated_s=0.0, temperature=warm, temperature_is_gas=True)
    first, last = result.readings[0], result.readings[-1]
    assert (last[1] - first[1]) / MICRON_PA == pytest.approx(10.2, abs=0.5)
    assert (last[2] - first[2]) / MICRON_PA == pytest.approx(0.0, abs=0.5)
    assert result.cause is RiseCause.TIGHT
    untold = analyse_decay(series, isolated_s=0.0)  # nobody measured a temperature
    assert untold.cause is not RiseCause.LEAK


def test_leak_rate_with_a_volume() -> None:
    """(C): 20 L, 300 -> 500 micron in 1 h: 1.48e-4 Pa m3/s; R-134a 484 g/yr to 9.5 kg/yr."""
    series = replace(vacuum(lambda t: 300.0 + 200.0 * t / HOUR), gauge=STILL)
    result = analyse_decay(
        series, isolated_s=0.0, temperature=steady(), volume_m3=0.020, volume_u_m3=0.001, gas=R134A
    )  # fmt: skip
    assert result.cause is RiseCause.LEAK
    assert result.air_flow.number == pytest.approx(1.48e-4, rel=0.01)
    assert result.air_flow.u is not None
    assert 0.04 < result.air_flow.u / 1.48e-4 < 0.06  # the volume's 5 %
    assert result.loss is not None
    assert (result.loss.low.number or 0.0) * GRAMS_PER_YEAR == pytest.approx(484, rel=0.01)
    assert (result.loss.high.number or 0.0) * GRAMS_PER_YEAR == pytest.approx(9500, rel=0.02)
    leak_rate = found(result, "decay.leak-rate")
    assert name_of("gas", "R-134a") in leak_rate.inputs
    assert name_of("assumption", result.loss.assumption) in leak_rate.inputs
    assert (leak_rate.value("loss_low"), leak_rate.value("loss_high")) == (result.loss.low, result.loss.high)


def test_no_volume_no_leak_rate() -> None:
    result = analyse_decay(vacuum(lambda t: 300.0 + 200.0 * t / HOUR), isolated_s=0.0, temperature=steady(), gas=R134A)
    assert result.cause is RiseCause.LEAK
    assert result.air_flow.number is None
    assert "volume is not known" in (result.air_flow.problem or "")
    assert result.loss is None


def test_tight_states_what_it_could_have_seen() -> None:
    for gauge, least in ((STILL, 20.0), (GaugeFacts(), 45.0)):  # a zero that may drift hides a leak
        series = replace(vacuum(lambda t: 280.0), gauge=gauge)
        result = analyse_decay(series, profile=PROFILE, isolated_s=0.0, temperature=steady(), ambient=steady())
        assert result.cause is RiseCause.TIGHT
        assert result.verdict.verdict is Verdict.PASS
        assert result.smallest_rate.number is not None
        assert 0.4 * least < result.smallest_rate.number * HOUR / MICRON_PA < least
    assert result.judgement is not None
    assert result.judgement.confidence > 0.99


def test_smallest_rate_is_honest() -> None:
    """A leak of twice the smallest rate is seen as a rate clear of zero."""
    tight = analyse_decay(vacuum(lambda t: 280.0, wander=0.5), isolated_s=0.0, temperature=steady())
    assert tight.smallest_rate.number is not None
    per_s = 2.0 * tight.smallest_rate.number / MICRON_PA
    leaky = analyse_decay(vacuum(lambda t: 280.0 + per_s * t, wander=0.5), isolated_s=0.0, temperature=steady())
    assert leaky.rate.number is not None
    assert leaky.rate.u is not None
    assert leaky.rate.number > 2.0 * leaky.rate.u


def test_free_water_is_named_by_its_pressure() -> None:
    level = saturation_pressure(293.15) / MICRON_PA
    series = vacuum(lambda t: 400.0 - (level - 400.0) * math.expm1(-t / 400.0), 2 * HOUR, period=5.0, noise=20.0)
    result = analyse_decay(series, isolated_s=0.0, temperature=steady(293.15, 2 * HOUR))
    assert result.cause in (RiseCause.LEVELS_OFF, RiseCause.MASKED)
    water = found(result, "decay.water")
    assert (water.codes("judged"), water.codes("cause")) == (("free",), ("liquid_water",))
    near = water.value("near")
    assert near is not None and near.number == pytest.approx(293.15, abs=0.05)


def test_moisture_well_below_free_water() -> None:
    series = vacuum(lambda t: 280.0 - 150.0 * math.expm1(-t / 400.0))
    result = analyse_decay(series, isolated_s=0.0, temperature=steady())
    assert result.cause is RiseCause.LEVELS_OFF
    water = found(result, "decay.water")
    assert (water.codes("phase"), water.codes("judged")) == (("ice",), ("colder",))
    assert result.levels_off_at.number is not None
    assert result.levels_off_at.number / MICRON_PA == pytest.approx(430, abs=5)


def test_a_leak_beside_moisture() -> None:
    series = vacuum(lambda t: 280.0 + 150.0 * t / HOUR - 120.0 * math.expm1(-t / 300.0), 2 * HOUR)
    result = analyse_decay(series, isolated_s=0.0, temperature=steady(293.15, 2 * HOUR))
    assert result.cause is RiseCause.LEAK_AND_RISE
    assert (result.rate.number or 0.0) * HOUR / MICRON_PA == pytest.approx(150, rel=0.05)


def test_still_bending_is_cannot_tell_or_masked_with_how_long_to_go_on() -> None:
    series = vacuum(lambda t: 280.0 - 400.0 * math.expm1(-t / 5400.0), 1800.0)
    result = analyse_decay(series, isolated_s=0.0, temperature=steady())
    assert result.cause in (RiseCause.CANNOT_TELL, RiseCause.MASKED)
    assert result.judgement is not None
    assert result.judgement.isolate_s > 1800.0


def test_isolation_is_found_without_a_mark() -> None:
    series = vacuum(lambda t: 250.0 if t < 1200.0 else 250.0 + 300.0 * (t - 1200.0) / HOUR, 4800.0)
    result = analyse_decay(series, profile=PROFILE, temperature=steady(293.15, 4800.0), ambient=steady(293.15, 4800.0))
    assert result.isolation.how == "detected"
    assert result.isolation.t_s == pytest.approx(1200.0, abs=60.0)
    assert result.cause is RiseCause.LEAK
    assert result.verdict.verdict is Verdict.FAIL


def test_the_test_ends_when_the_pump_is_opened_again() -> None:
    series = vacuum(lambda t: 250.0 + 60.0 * t / HOUR if t < 3600.0 else 200.0, 4200.0)
    result = analyse_decay(series, isolated_s=0.0, temperature=steady(293.15, 4200.0))
    assert result.sealed_until_s == pytest.approx(3600.0, abs=30.0)
    assert result.cause is RiseCause.LEAK


def test_without_a_profile_nothing_passes() -> None:
    result = analyse_decay(vacuum(lambda t: 280.0), isolated_s=0.0, temperature=steady())
    assert result.verdict.verdict is Verdict.CANNOT_TELL
    assert result.verdict.codes("doubt") == ("no_profile",)
    assert result.verdict.codes("check") == ("choose_profile",)


def test_live_and_final_are_the_same_call() -> None:
    """While it runs the verdict is open and says how far it is."""
    series = vacuum(lambda t: 220.0, 900.0)
    result = analyse_decay(series, profile=PROFILE, isolated_s=0.0, temperature=steady(), ambient=steady())
    assert result.verdict.verdict is Verdict.CANNOT_TELL
    assert result.verdict.codes("doubt") == ("too_short",)
    assert result.verdict.value("hold") == known(HOUR, "s")
    lasted = result.verdict.value("isolated_for")
    assert lasted is not None and lasted.number == pytest.approx(900.0, abs=5.0)


def test_held_by_the_profile_and_yet_leaking_is_said() -> None:
    series = vacuum(lambda t: 230.0 + 100.0 * t / HOUR)
    result = analyse_decay(series, profile=PROFILE, isolated_s=0.0, temperature=steady(), ambient=steady())
    assert result.verdict.verdict is Verdict.PASS
    assert result.cause is RiseCause.LEAK
    assert result.verdict.codes("more") == ("steady_rise",)


@pytest.mark.parametrize("per_kelvin", [0.03, 0.06])
def test_vapour_that_follows_a_steady_warming_is_not_called_a_leak(per_kelvin: float) -> None:
    """Refrigerant over oil gains some 3 % a kelvin, water 6 %: warming in a straight line makes a straight rise."""
    warm = temperature(lambda t: 293.15 + 3.0 * t / HOUR)
    series = vacuum(lambda t: 800.0 * (1.0 + per_kelvin * 3.0 * t / HOUR))
    assert analyse_decay(series, profile=PROFILE, isolated_s=0.0, temperature=warm).cause is RiseCause.CANNOT_TELL
    leaking = vacuum(lambda t: 280.0 + 300.0 * t / HOUR)  # more than 3 K of warming could make of 280 micron
    assert analyse_decay(leaking, profile=PROFILE, isolated_s=0.0, temperature=warm).cause is RiseCause.LEAK


def test_a_leak_that_cooling_hides_is_not_called_tight() -> None:
    """Water vapour at 2000 micron falling with 0.8 K/h makes up for a leak of 95 micron an hour."""
    cooling = temperature(lambda t: 283.15 - 0.8 * t / HOUR)
    series = vacuum(lambda t: 2000.0 * (1.0 - 0.06 * 0.8 * t / HOUR) + 95.0 * t / HOUR)
    assert analyse_decay(series, profile=PROFILE, isolated_s=0.0, temperature=cooling).cause is RiseCause.CANNOT_TELL


def test_a_small_straight_rise_from_a_high_pressure_is_no_leak_yet() -> None:
    series = vacuum(lambda t: 6000.0 + 80.0 * t / HOUR)
    result = analyse_decay(series, profile=PROFILE, isolated_s=0.0, temperature=steady())
    assert result.cause is RiseCause.CANNOT_TELL
    assert found(result, "decay.cause").codes("why") == ("isolated_too_high",)


def test_a_leak_says_what_else_would_look_as_straight() -> None:
    result = analyse_decay(vacuum(lambda t: 300.0 + 200.0 * t / HOUR), isolated_s=0.0, temperature=steady())
    cause = found(result, "decay.cause")
    straight_for = cause.value("straight_for")
    assert straight_for is not None and straight_for.number == pytest.approx(6 * HOUR, rel=0.02)
    assert "slow_moisture" in cause.codes("cause")


def test_a_rate_carries_the_gauges_accuracy() -> None:
    """Simulated: gauges 5 % (k = 1) off in scale; the true flow lies within two standard uncertainties."""
    rng = random.Random(5)
    inside = 0
    for seed in range(60):
        scale = rng.gauss(1.0, 0.05)
        read = vacuum(lambda t, s=scale: s * (280.0 + 300.0 * t / HOUR), period=6.0, seed=seed)  # type: ignore[misc]
        read = replace(read, u_scale=0.05 * read.value[-1])
        flow = analyse_decay(read, isolated_s=0.0, temperature=steady(), volume_m3=0.05, volume_u_m3=0.0).air_flow
        assert flow.number is not None
        assert flow.u is not None
        inside += abs(flow.number - 0.05 * 300.0 * MICRON_PA / HOUR) < 2.0 * flow.u
    assert inside >= 51  # 85 % of 60: a binomial draw of 95 % falls below that once in a thousand


def test_above_what_water_can_make_is_said() -> None:
    """A leak beside water passes the vapour pressure of water: the finding compares where it stands, too."""
    level = saturation_pressure(288.15) / MICRON_PA
    series = vacuum(
        lambda t: 400.0 - level * math.expm1(-t / 900.0) + 1000.0 * t / HOUR, 6 * HOUR, period=20.0, noise=15.0
    )
    result = analyse_decay(series, isolated_s=0.0, temperature=steady(288.15, 6 * HOUR))
    assert result.cause in (RiseCause.MASKED, RiseCause.LEAK_AND_RISE)
    water = found(result, "decay.water")
    assert water.codes("judged") == ("more",)
    assert water.value("now") == known(result.readings[-1][1], "Pa")


def test_a_temperature_beyond_water_does_not_stop_the_analysis() -> None:
    series = vacuum(lambda t: 280.0 - 150.0 * math.expm1(-t / 400.0))
    result = analyse_decay(series, isolated_s=0.0, temperature=steady(140.0))
    assert result.cause is RiseCause.LEVELS_OFF


def test_what_could_hide_a_leak_that_matters_is_not_called_tight() -> None:
    """A flat hour read by a gauge of +/- 40 microns' noise: fine for 4 kg in 10 L, not for 1 kg in 300 L."""
    series = vacuum(lambda t: 280.0, wander=0.5)
    small = analyse_decay(series, isolated_s=0.0, temperature=steady(), gas=R134A, volume_m3=0.01, charge_kg=20.0)
    assert small.cause is RiseCause.TIGHT
    large = analyse_decay(series, isolated_s=0.0, temperature=steady(), gas=R134A, volume_m3=0.3, charge_kg=1.0)
    assert large.cause is RiseCause.CANNOT_TELL
    hidden = found(large, "decay.hidden")
    assert hidden.verdict is Verdict.ATTENTION and hidden.codes("judged") == ("could_matter",)
    allowed = analyse_decay(
        series, isolated_s=0.0, temperature=steady(), gas=R134A, volume_m3=0.3, charge_kg=1.0, leak_that_matters=50.0
    )
    assert allowed.cause is RiseCause.TIGHT


def test_a_tight_system_is_told_how_long_a_test_it_takes() -> None:
    """R-410A, 20 kg in 50 L: an hour hides more than a tenth of the charge a year, a day does not."""
    r410a = ServiceGas("R-410A", 0.0726, 14.4e5, 13.3e-6)

    def flat(hours: float, gauge: GaugeFacts = NOTHING_STATED) -> DecayResult:
        t = [hours * HOUR * i / 720 for i in range(721)]
        near = Series("system_temperature", [t[0], t[360], t[-1]], [294.0] * 3, u=0.05, u_scale=0.3)
        rng = random.Random(4)
        read = [(180.0 + rng.gauss(0.0, 0.4)) * MICRON_PA for _ in t]
        series = Series("vacuum", t, read, 0.4 * MICRON_PA, 3 * MICRON_PA, gauge=gauge)
        return analyse_decay(series, isolated_s=0.0, temperature=near, gas=r410a, volume_m3=0.05, charge_kg=20.0)

    short = flat(1.0)
    assert short.cause is RiseCause.CANNOT_TELL
    asked = found(short, "decay.cause").value("go_on")
    assert asked is not None and asked.number is not None and 8 * HOUR < asked.number <= 36 * HOUR
    assert flat(asked.number / HOUR).cause is RiseCause.TIGHT
    drifting = flat(4.0, GaugeFacts(zero_drift=8 * MICRON_PA / HOUR))  # hides it however long
    assert "state_drift" in found(drifting, "decay.cause").codes("check")


def test_a_thousand_microns_an_hour_is_never_tight() -> None:
    """By a profile that lets 1000 microns in 10 min pass, and 50 L."""
    rising = vacuum(lambda t: 300.0 + 1000.0 * t / HOUR)
    lenient = replace(PROFILE, steps=(replace(PROFILE.steps[-1], limit_pa=1500 * MICRON_PA, hold_s=600.0),))
    for volume_m3 in (None, 0.05):
        result = analyse_decay(rising, profile=lenient, isolated_s=0.0, temperature=steady(), volume_m3=volume_m3)
        assert result.cause is not RiseCause.TIGHT


def test_without_a_stated_accuracy_no_vacuum_holds() -> None:
    series = replace(vacuum(lambda t: 200.0), u_scale=0.0)
    result = analyse_decay(series, profile=PROFILE, isolated_s=0.0, temperature=steady(), ambient=steady())
    assert result.verdict.verdict is Verdict.CANNOT_TELL and "no_accuracy" in result.verdict.codes("doubt")


def test_what_the_gauge_does_is_no_leak() -> None:
    """A zero that drifts as fast as stated, water shown at its factor, a reading that follows its temperature."""
    rising = vacuum(lambda t: 300.0 + 70.0 * t / HOUR)
    assert analyse_decay(rising, isolated_s=0.0, temperature=steady()).cause is RiseCause.LEAK
    drifting = replace(rising, gauge=GaugeFacts(zero_drift=80.0 * MICRON_PA / HOUR))
    assert analyse_decay(drifting, isolated_s=0.0, temperature=steady()).cause is RiseCause.CANNOT_TELL
    warm = temperature(lambda t: 293.15 + 3.0 * t / HOUR)
    rising = vacuum(lambda t: 300.0 + 200.0 * t / HOUR)
    assert analyse_decay(rising, isolated_s=0.0, temperature=warm).cause is RiseCause.LEAK
    warmed = replace(rising, gauge=GaugeFacts(per_k=0.2))
    assert analyse_decay(warmed, isolated_s=0.0, temperature=warm).cause is RiseCause.CANNOT_TELL


@pytest.mark.parametrize(("factor", "judged"), [(None, "more"), (1.4, "free")])
def test_water_that_the_gauge_shows_more_of_is_still_water(factor: float | None, judged: str) -> None:
    level = 1.35 * saturation_pressure(288.15) / MICRON_PA
    read = vacuum(lambda t: 400.0 - (level - 400.0) * math.expm1(-t / 500.0), HOUR, noise=12.0)
    read = replace(read, gauge=GaugeFacts(water_factor=factor))
    result = analyse_decay(read, isolated_s=0.0, temperature=steady(288.15))
    assert result.cause not in LEAKING
    assert found(result, "decay.water").codes("judged") == (judged,)


def test_a_fall_after_isolation_is_named_and_never_tight() -> None:
    """A drier takes gas up: a leak of 100 microns an hour is held back for the whole of a short test."""
    series = vacuum(lambda t: 280.0 + 100.0 * t / HOUR + 100.0 * math.expm1(-t / 1800.0), 1800.0)
    result = analyse_decay(series, isolated_s=0.0, temperature=steady())
    cause = found(result, "decay.cause")
    assert result.cause is RiseCause.CANNOT_TELL and cause.codes("why") == ("taken_up",)
    fell, largest = cause.value("fell"), cause.value("largest_rate")
    assert fell is not None and (fell.number or 0.0) / MICRON_PA == pytest.approx(13.0, rel=0.4)
    assert largest is not None and (largest.number or 0.0) * HOUR / MICRON_PA > 75.0


def test_a_rise_that_gaskets_make_as_well_is_not_called_a_leak_but_bounded() -> None:
    series = vacuum(lambda t: 280.0 + 300.0 * (math.sqrt(1.0 + t / (1.5 * HOUR)) - 1.0), 1800.0)
    result = analyse_decay(series, isolated_s=0.0, temperature=steady())
    assert result.cause in (RiseCause.CANNOT_TELL, RiseCause.MASKED)
    assert result.judgement is not None
    assert result.judgement.at_most_pa_s * HOUR / MICRON_PA > 60.0
    assert result.judgement.isolate_s > 1800.0
