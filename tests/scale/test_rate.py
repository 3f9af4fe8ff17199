"""The rate of a scale that steps, is bumped, tugged, lifted and swapped. Simulated scales, all invented."""

import math
import random
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.errors import ComputeError
from logger.model.units import POUND_KG
from logger.scale.rate import BIG_JUMP_KG, MassRate, median_rate

TENTH_POUND = 0.1 * POUND_KG
Profile = Callable[[float], float]


class Rig:
    """A scale read at 5 Hz: `flow` in kg/s, `push` in kg added to what the scale feels."""

    def __init__(self, division: float = TENTH_POUND, noise: float = 0.01, hz: float = 5.0, seed: int = 1) -> None:
        self.rate = MassRate(resolution_kg=division)
        self.division, self.noise, self.dt = division, noise, 1 / hz
        self.random = random.Random(seed)
        self.mass, self.t = 50.0, 0.0
        self.rows: list[tuple[float, float | None, float]] = []

    def run(self, until_s: float, flow: Profile, push: Profile = lambda t: 0.0) -> "Rig":
        while self.t < until_s:
            self.mass += flow(self.t) * self.dt
            felt = self.mass + push(self.t) + self.random.gauss(0, self.noise)
            value = self.rate.update(self.t, round(felt / self.division) * self.division)
            self.rows.append((self.t, value.number, value.u or 0.0))
            self.t += self.dt
        return self

    def errors(self, flow: Profile, start: float, end: float) -> list[float]:
        return [rate - flow(t) for t, rate, _ in self.rows if start <= t < end and rate is not None]


def rms(errors: list[float]) -> float:
    return math.sqrt(sum(e * e for e in errors) / len(errors))


@pytest.mark.parametrize("noise", [0.0, 0.01, 0.05])
@pytest.mark.parametrize("flow", [0.0, 0.0005, 0.003, 0.0153, 0.045])
def test_a_steady_rate_is_found_within_its_uncertainty(flow: float, noise: float) -> None:
    ratios: list[float] = []
    for seed in (1, 2, 3):  # the errors of one run are one draw: its long windows share most of their readings
        rig = Rig(noise=noise, seed=seed).run(600, lambda t: flow)
        ratios += [(rate - flow) / u for t, rate, u in rig.rows if t > 120 and rate is not None]
        assert rms(rig.errors(lambda t: flow, 120, 600)) < 0.0004
        assert rig.rate.value.u is not None
        assert rig.rate.value.u < 0.0002
    assert rms(ratios) < 1.3


def simulated(flow: Profile, noise: float, seed: int, ask_s: tuple[float, ...], hz: float = 1.0) -> list[float]:
    """Errors of the rate at each of these times, in its own stated u. noise in divisions.

    The scale rounds, and drifts as MassRate assumes by default.
    """
    rng, rate = random.Random(seed), MassRate(resolution_kg=TENTH_POUND)
    kg, drift, ratios = 30 + rng.random(), rng.gauss(0, TENTH_POUND / 3600), []
    for i in range(round(ask_s[-1] * hz) + 1):
        t = i / hz
        felt = kg + drift * t + rng.gauss(0, noise) * TENTH_POUND
        value = rate.update(t, round(felt / TENTH_POUND) * TENTH_POUND)
        if t in ask_s:
            assert value.number is not None and value.u is not None
            ratios.append((value.number - flow(t)) / value.u)
        kg += flow(t + 0.5 / hz) / hz
    return ratios


@pytest.mark.parametrize(("noise", "hz", "least"), [(0.0, 1.0, 0.4), (0.3, 4.0, 0.8), (0.6, 1.0, 0.8), (1.5, 1.0, 0.8)])
def test_the_stated_uncertainty_is_the_spread_that_steady_flows_have(noise: float, hz: float, least: float) -> None:
    """Within 20 %. A scale whose readings no noise shakes hides where it is in a division: u is a bound then."""
    ratios: list[float] = []
    for seed in range(48):
        flow = math.copysign(10 ** random.Random(seed).uniform(-4.0, -1.4), seed % 2 - 0.5)
        ratios += simulated(lambda t, flow=flow: flow, noise, seed, (150.0, 300.0), hz)  # type: ignore[misc]
    assert least < rms(ratios) < 1.2
    assert sum(abs(z) > 2 for z in ratios) / len(ratios) < 0.1


@pytest.mark.parametrize("tau_s", [300.0, 1000.0, 4000.0])
@pytest.mark.parametrize("noise", [0.0, 0.3, 1.0])
def test_the_stated_uncertainty_covers_a_flow_that_dies_away(noise: float, tau_s: float) -> None:
    """A mean slope alone would lag by twelve of its own uncertainties."""
    ratios: list[float] = []
    for seed in range(8):
        begin = 0.015 * (1 + seed % 3)
        flow = lambda t, begin=begin: begin * math.exp(-t / tau_s)  # noqa: E731
        ratios += simulated(flow, noise, seed, (90.0, 200.0, 350.0, 500.0, 700.0))
    assert rms(ratios) < 1.2
    assert sum(abs(z) > 2 for z in ratios) / len(ratios) < 0.1


@pytest.mark.parametrize(("minutes", "noise"), [(3, 0.4), (6, 1.0), (12, 0.4), (40, 0.4)])
def test_a_median_of_rates_states_its_spread(minutes: int, noise: float) -> None:
    """A thousand rates that share their readings are not a thousand measurements: within 20 %, and what 16 runs leave
    open."""
    errors, stated = [], []
    for seed in range(16):
        rng, rate, rates = random.Random(seed), MassRate(resolution_kg=TENTH_POUND), []
        drift = rng.gauss(0, TENTH_POUND / 3600)
        for t in range(60 * minutes + 60):
            felt = 20 + (0.02 + drift) * t + rng.gauss(0, noise) * TENTH_POUND
            rate.update(float(t), round(felt / TENTH_POUND) * TENTH_POUND)
            if t > 60 and rate.fitted is not None:
                rates.append(rate.fitted)
        found = median_rate(rates, 1.0)
        assert found.number is not None and found.u is not None
        errors.append(found.number - 0.02)
        stated.append(found.u)
    assert 0.7 < rms(errors) / rms(stated) < 1.4
    assert median_rate(rates[:4], 1.0).number is None


@pytest.mark.parametrize("noise", [0.0, 0.01, 0.05])
@pytest.mark.parametrize(("before", "after"), [(0.0153, 0.003), (0.003, 0.0153), (0.0153, 0.0), (0.0, 0.045)])
def test_a_change_is_followed_within_a_minute(before: float, after: float, noise: float) -> None:
    rig = Rig(noise=noise).run(700, lambda t: before if t < 500 else after)
    half, tenth = abs(before - after) / 2, abs(before - after) / 5
    late = [(t - 500, abs(rate - after)) for t, rate, _ in rig.rows if t >= 500 and rate is not None]
    assert next(t for t, off in late if off < half) < 15
    assert next(t for t, off in late if off < tenth) < 35
    assert all(off < tenth for t, off in late if t > 60)


FLOW = 0.0153


@pytest.mark.parametrize("noise", [0.0, 0.01, 0.05])
@pytest.mark.parametrize(
    ("push", "found"),
    [
        pytest.param(lambda t: 3.0 if 300 <= t < 302 else 0.0, [False], id="bump"),
        pytest.param(lambda t: 0.3 if t >= 300 else 0.0, [True], id="hose tugged for good"),
        pytest.param(lambda t: 1.0 if 300 <= t < 320 else 0.0, [True, True], id="leaned on for 20 s"),
        pytest.param(lambda t: 4.0 * math.exp(-(t - 300) / 2) * math.cos(5 * (t - 300)) if t >= 300 else 0.0, None,
                     id="knocked and swinging"),
    ],
)  # fmt: skip
def test_what_is_not_flow_leaves_the_rate_alone(push: Profile, found: list[bool] | None, noise: float) -> None:
    rig = Rig(noise=noise).run(420, lambda t: FLOW, push)
    errors = rig.errors(lambda t: FLOW, 290, 420)
    assert max(map(abs, errors)) < 0.1 * FLOW
    assert len(errors) > 0.9 * 130 * 5
    if found is not None:
        assert [d.stayed for d in rig.rate.disturbances] == found


def test_a_lifted_cylinder_gives_no_rate_and_its_return_gives_it_back() -> None:
    rig = Rig().run(500, lambda t: FLOW, lambda t: -60.0 if 300 <= t < 400 else 0.0)
    during = [rate for t, rate, _ in rig.rows if 302 < t < 400]
    assert all(rate is None for rate in during)
    assert rig.rate.value.number == pytest.approx(FLOW, rel=0.1)
    sizes = [d.size_kg for d in rig.rate.disturbances if d.stayed]
    assert len(sizes) == 2
    assert min(map(abs, sizes)) > BIG_JUMP_KG


def test_a_short_lift_loses_no_flow() -> None:
    rig = Rig().run(400, lambda t: FLOW, lambda t: -60.0 if 300 <= t < 320 else 0.0)
    assert [d.stayed for d in rig.rate.disturbances] == [False]
    assert rig.rate.level.number == pytest.approx(rig.mass, abs=2 * TENTH_POUND)


@pytest.mark.parametrize("flow", [0.05, 0.15, 0.3])
def test_a_rush_of_flow_is_no_jump(flow: float) -> None:
    # Liquid into a vacuum: the flow begins at its fastest and dies away.
    rig = Rig(division=0.01, noise=0.003).run(200, lambda t: -flow * math.exp(-(t - 60) / 30) if t > 60 else 0.0)
    assert not any(d.stayed for d in rig.rate.disturbances)
    assert rig.rate.level.number == pytest.approx(rig.mass, abs=0.05)


def test_while_the_cylinder_is_off_the_scale_it_says_so() -> None:
    rig = Rig().run(400, lambda t: 0.0, lambda t: -50.0 if t >= 300 else 0.0)
    assert rig.rate.value.problem == "cylinder is off the scale"


@given(st.floats(-500, 500), st.integers(0, 2**31))
@settings(max_examples=20, deadline=None)
def test_translation_of_the_scale_changes_nothing(shift: float, seed: int) -> None:
    shift = round(shift / TENTH_POUND) * TENTH_POUND
    plain, moved = MassRate(resolution_kg=TENTH_POUND), MassRate(resolution_kg=TENTH_POUND)
    rng, mass = random.Random(seed), 40.0
    for i in range(200):
        mass += 0.01
        reading = round((mass + rng.gauss(0, 0.02)) / TENTH_POUND) * TENTH_POUND
        a, b = plain.update(float(i), reading), moved.update(float(i), reading + shift)
    assert a.number is not None
    assert b.number == pytest.approx(a.number, abs=1e-9)


@given(st.sampled_from([0.125, 0.5, 2.0, 16.0]), st.integers(0, 2**31))
@settings(max_examples=20, deadline=None)
def test_another_unit_of_mass_scales_rate_and_uncertainty(factor: float, seed: int) -> None:
    small = MassRate(resolution_kg=0.05)
    large = MassRate(resolution_kg=0.05 * factor)
    rng, mass = random.Random(seed), 10.0
    for i in range(150):
        mass += 0.004
        reading = round((mass + rng.gauss(0, 0.03)) / 0.05) * 0.05
        a, b = small.update(float(i), reading), large.update(float(i), reading * factor)
    assert a.number is not None
    assert a.u is not None
    assert b.number == pytest.approx(a.number * factor, rel=1e-6, abs=1e-12)
    assert b.u == pytest.approx(a.u * factor, rel=1e-6)


@given(st.integers(20, 180), st.floats(-40, 40), st.integers(1, 2))
@settings(max_examples=60, deadline=None)
def test_any_short_bump_anywhere_moves_the_rate_by_less_than_its_uncertainty(at: int, size: float, long: int) -> None:
    clean, bumped = MassRate(resolution_kg=0.05), MassRate(resolution_kg=0.05)
    for i in range(200):
        reading = round((30 + 0.012 * i) / 0.05) * 0.05
        a = clean.update(float(i), reading)
        b = bumped.update(float(i), reading + (size if at <= i < at + long else 0.0))
    assert a.number is not None
    assert b.number == pytest.approx(a.number, abs=4 * (a.u or 0.0) + 0.001)


def test_memory_is_bounded_and_a_fast_scale_is_thinned_out() -> None:
    rate = MassRate(resolution_kg=0.01, history_s=60)
    for i in range(60_000):
        rate.update(i / 400, 5.0)
    assert len(rate._line) <= 2 * 60
    assert len(rate._filling) <= 200
    assert rate.value.number == pytest.approx(0.0, abs=1e-9)


def test_nothing_is_claimed_before_there_are_readings() -> None:
    rate = MassRate(resolution_kg=0.01)
    assert (rate.value.number, rate.level.number, rate.quick.number) == (None, None, None)
    assert "not enough readings" in str(rate.update(0.0, 1.0).problem)


def test_settings_that_make_no_sense_are_refused() -> None:
    with pytest.raises(ComputeError, match="resolution"):
        MassRate(resolution_kg=0.0)


def test_rate_in_the_trades_numbers() -> None:
    # Common practice, no source: 121 lb in the first hour of a recovery is about 2.0 lb/min.
    flow = 121 * POUND_KG / 3600
    rig = Rig(hz=1.0).run(900, lambda t: flow)
    assert rig.rate.value.number is not None
    assert rig.rate.value.number * 60 / POUND_KG == pytest.approx(2.017, abs=0.01)


def test_readings_far_apart_show_a_stopped_flow_and_what_the_cylinder_then_was_when_it_is_swapped() -> None:
    """As in a thinned record: a reading each 20 s, 0.04 kg/s that ends, and minutes later the next cylinder."""
    rate, kg = MassRate(resolution_kg=TENTH_POUND, bucket_s=20.0, history_s=1000.0), 20.0
    for i in range(60):
        kg += 0.8 if i < 50 else 0.0
        rate.update(20.0 * i, round(kg / TENTH_POUND) * TENTH_POUND)
    assert rate.level_at(1190.0).number == pytest.approx(kg, abs=TENTH_POUND)
    assert rate.value.number == pytest.approx(0.0, abs=2 * (rate.value.u or 0.0) + 1e-5)
    rate.expect_swap()
    for i in range(60, 70):
        rate.update(20.0 * i, 30.0)
    (jump,) = rate.disturbances
    assert jump.before_kg == pytest.approx(kg, abs=TENTH_POUND)
