"""Two stages side by side: known differences come out with their size, and equal ones as no difference."""

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.finding import Text, Verdict
from logger.model.sample import Series
from logger.stages.comparison import Comparison, Run
from logger.stages.decay_test.analysis import analyse_decay
from logger.stages.decay_test.compare import compare as compare_decays
from logger.stages.evacuation.compare import compare as compare_pull_downs
from logger.stages.recovery.compare import compare as compare_recoveries
from logger.stages.words import text_of
from logger.statistics.ratio import Answer, Measure
from logger.wording.values import Shown
from tests.stages.make import steady, vacuum

HOUR = 3600.0


def recovery(rate_kg_min: float, seconds: float = HOUR, u: float = 0.02, seed: int = 1) -> Series:
    rng = random.Random(seed)
    t = [5.0 * i for i in range(int(seconds / 5) + 1)]
    mass = [20.0 + 40.0 * -math.expm1(-rate_kg_min / 60.0 * x / 40.0) + rng.gauss(0, u) for x in t]
    return Series("cylinder_mass", t, mass, u=u, u_scale=0.05)


def measure(c: Comparison, part: str) -> Measure:
    return next(m for m in c.measures if part in m.key)


def said(result: Comparison) -> Text:
    return text_of(result.finding, Shown())


def test_a_faster_recovery() -> None:
    """Twice the pace: half the time to every share of the charge."""
    a = Run("without subcooler", recovery(1.0), charge_kg=50.0)
    b = Run("with subcooler", recovery(2.0, seed=2), charge_kg=50.0)
    result = compare_recoveries(a, b)
    mean = measure(result, "mean_rate")
    assert mean.answer is Answer.MORE
    assert mean.ratio.number == pytest.approx(2.0, rel=0.05)
    assert mean.low is not None
    assert mean.high is not None
    assert mean.low < 2.0 < mean.high
    half = [m for m in result.measures if m.key == "time_to"]
    assert all(m.answer is Answer.LESS and m.ratio.number == pytest.approx(0.5, rel=0.05) for m in half)
    assert said(result).headline == "they differ by more than the uncertainty"
    assert "without subcooler" in said(result).body
    assert said(result).body.endswith("Compared as share of the charge.")
    assert result.normalised == "share_of_charge"
    assert max(result.a.y) < 1.0


def test_recoveries_of_unlike_charges_are_compared_by_share() -> None:
    small = Run("small", Series("m", [0.0, 1800.0, 3600.0] * 1, [0.0, 5.0, 10.0]), charge_kg=10.0)
    t = [10.0 * i for i in range(361)]
    a = Run("small", Series("m", t, [10.0 * x / HOUR for x in t], u=0.001), charge_kg=10.0)
    b = Run("large", Series("m", t, [40.0 * x / HOUR for x in t], u=0.004), charge_kg=40.0)
    result = compare_recoveries(a, b)
    assert measure(result, "mean_rate").answer is Answer.SAME
    assert small.charge_kg == 10.0
    unlike = compare_recoveries(Run("a", a.series), Run("b", b.series))
    assert unlike.normalised == "charge_unknown"
    assert measure(unlike, "mean_rate").ratio.number == pytest.approx(4.0, rel=0.02)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 10_000))
def test_equal_recoveries_hardly_ever_differ(one: int, two: int) -> None:
    """Both intervals hold the truth: a difference of more than 3 standard uncertainties does not come of noise."""
    result = compare_recoveries(Run("a", recovery(1.5, seed=one)), Run("b", recovery(1.5, seed=two + 20_000)))
    for m in result.measures:
        assert m.a.number is not None
        assert m.b.number is not None
        gap = abs(m.b.number - m.a.number)
        assert gap < 4.0 * math.hypot(m.a.u or 0.0, m.b.u or 0.0) + 1e-9, m.key


def pulled(tau: float, base: float = 60.0, seed: int = 1) -> Series:
    return vacuum(lambda t: base + 20000.0 * math.exp(-t / tau), 2 * HOUR, period=4.0, seed=seed)


def test_a_hose_that_matters() -> None:
    """Twice the speed on the same volume: half the pumping time between the same pressures."""
    a = Run("long hose", pulled(900.0), volume_m3=0.05, volume_u_m3=0.001)
    b = Run("short hose", pulled(450.0, seed=2), volume_m3=0.05, volume_u_m3=0.001)
    result = compare_pull_downs(a, b)
    pumping = [m for m in result.measures if m.key.startswith("pumping")]
    assert len(pumping) == 2
    assert pumping[0].answer is Answer.LESS
    assert pumping[0].ratio.number == pytest.approx(0.5, rel=0.1)
    assert measure(result, "last_pressure").answer is Answer.SAME
    assert result.log_y
    assert result.normalised == "time_per_liter"


def test_a_larger_circuit_is_no_worse_pump() -> None:
    a = Run("small", pulled(400.0), volume_m3=0.05)
    b = Run("large", pulled(800.0, seed=2), volume_m3=0.10)
    result = compare_pull_downs(a, b)
    m = next(m for m in result.measures if m.key.startswith("pumping"))
    assert m.ratio.number == pytest.approx(1.0, abs=0.1)
    raw = compare_pull_downs(Run("small", a.series), Run("large", b.series))
    assert next(m for m in raw.measures if m.key.startswith("pumping")).answer is Answer.MORE


def test_an_oil_change_that_lowers_the_base() -> None:
    a = Run("old oil", pulled(300.0, base=400.0))
    b = Run("new oil", pulled(300.0, base=150.0, seed=2))
    assert measure(compare_pull_downs(a, b), "last_pressure").answer is Answer.LESS


def test_a_run_that_was_ended_early_is_no_worse_for_it() -> None:
    """The same pump, one stopped after a quarter of the time: compared at the time both had."""
    whole = pulled(900.0)
    early = replace(whole, t_s=whole.t_s[:450], value=whole.value[:450])
    result = compare_pull_downs(Run("whole", whole), Run("early", early))
    assert measure(result, "pressure_after").answer is Answer.SAME
    assert said(result).headline == "no difference beyond the uncertainty"


def decayed(per_hour: float, volume: float | None, seed: int) -> Run:
    series = vacuum(lambda t: 250.0 + per_hour * t / HOUR, seed=seed)
    return Run(
        f"{per_hour:g}", series, volume_m3=volume, volume_u_m3=None if volume is None else 0.02 * volume,
        result=analyse_decay(series, isolated_s=0.0, temperature=steady()),
    )  # fmt: skip


def test_decays_as_gas_let_in() -> None:
    """The same leak on twice the volume rises half as fast and lets in as much."""
    result = compare_decays(decayed(400.0, 0.05, 1), decayed(200.0, 0.10, 2))
    inflow = measure(result, "steady_inflow")
    assert inflow.a.unit == "Pa.m3/s"
    assert inflow.answer is Answer.SAME
    assert inflow.ratio.number == pytest.approx(1.0, abs=0.05)
    bare = compare_decays(decayed(400.0, None, 1), decayed(200.0, None, 2))
    assert measure(bare, "steady_rise").answer is Answer.LESS
    assert measure(bare, "steady_rise").ratio.number == pytest.approx(0.5, abs=0.02)


def test_a_tight_one_against_a_leak_has_no_ratio_but_an_answer() -> None:
    result = compare_decays(decayed(0.0, None, 1), decayed(200.0, None, 2))
    rise = measure(result, "steady_rise")
    assert rise.answer is Answer.MORE
    assert rise.ratio.number is None
    assert "zero within its uncertainty" in (rise.ratio.problem or "")


def test_nothing_in_common_is_unknown_because() -> None:
    empty = Series("vacuum", [], [])
    for compare, why in (
        (compare_recoveries, "nothing_recovered"),
        (compare_pull_downs, "no_common_range"),
        (compare_decays, "not_analyzed"),
    ):
        result = compare(Run("a", empty), Run("b", empty))
        assert result.finding.verdict is Verdict.CANNOT_TELL
        assert [one.value for one in result.finding.inputs if one.name == "why"] == [why]
        assert result.a.x == ()
