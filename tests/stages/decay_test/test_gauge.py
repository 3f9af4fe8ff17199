"""Gauges that do not follow: each sign makes the test "cannot tell", and a sound gauge shows none."""

import math

import pytest

from logger.model.finding import Verdict
from logger.model.sample import Series
from logger.model.units import MICRON_PA
from logger.stages.acceptance import DECAY_PROFILES
from logger.stages.decay_test.analysis import DecayResult, analyse_decay
from logger.stages.decay_test.words import SIGN_CHECK
from tests.stages.make import steady, vacuum

HOUR = 3600.0


def decay(series: Series, isolated_s: float = 0.0, **more: object) -> DecayResult:
    ambient = steady(293.15, 2 * HOUR)
    return analyse_decay(
        series, profile=DECAY_PROFILES["ufgs-15182"], isolated_s=isolated_s, temperature=ambient, ambient=ambient,
        **more,  # type: ignore[arg-type]
    )  # fmt: skip


def signs(result: DecayResult) -> set[str]:
    if result.suspicions:
        assert result.verdict.verdict is Verdict.CANNOT_TELL
        assert result.rate.number is None
        assert result.verdict.codes("sign") == tuple(s.key for s in result.suspicions)
        assert set(result.verdict.codes("sign")) <= set(SIGN_CHECK), "it says what to check"
    return {s.key for s in result.suspicions}


@pytest.mark.parametrize("seed", range(5))
def test_a_sound_gauge_shows_no_sign(seed: int) -> None:
    for shape in (
        lambda t: 250.0,
        lambda t: 250.0 + 100.0 * max(t - 600.0, 0.0) / HOUR,
        lambda t: 250.0 - 200.0 * math.expm1(-max(t - 600.0, 0.0) / 600.0),
        lambda t: 250.0 if t < 600.0 else 250.0 + 5000.0 * (t - 600.0) / HOUR,
    ):
        assert signs(decay(vacuum(shape, 4200.0, seed=seed, wander=0.5), 600.0)) == set()


def test_frozen_gauge() -> None:
    result = decay(vacuum(lambda t: 250.0, noise=0.0))
    assert signs(result) == {"gauge-stuck"}
    unchanged = result.verdict.value("unchanged_for")
    assert unchanged is not None and unchanged.number == pytest.approx(HOUR, rel=0.01)


def test_gauge_that_freezes_during_the_test() -> None:
    series = vacuum(lambda t: 250.0 + 30.0 * min(t, 1200.0) / HOUR)
    frozen = [v if t < 1200.0 else series.value[600] for t, v in zip(series.t_s, series.value, strict=True)]
    result = decay(Series("vacuum", series.t_s, frozen, series.u, series.u_scale))
    assert "gauge-stuck" in signs(result)


def test_coarse_digits_alone_are_not_frozen() -> None:
    series = vacuum(lambda t: 250.0 + 40.0 * t / HOUR, noise=0.5, step=10.0)
    assert signs(decay(series)) == set()


def test_gauge_valved_off_before_the_isolation() -> None:
    """Rising alike while the pump ran and after: only its own small volume."""
    result = decay(vacuum(lambda t: 200.0 + 60.0 * t / HOUR, 4800.0), 1200.0)
    assert signs(result) == {"gauge-valved-off"}


def test_gauge_valved_off_shows_against_the_pumps_limit() -> None:
    """Steady at 250 micron over a pump that does 30, and no rise when it is closed off."""
    series = vacuum(lambda t: 250.0, 4800.0)
    assert signs(decay(series, 1200.0, pump_ultimate_pa=30.0 * MICRON_PA)) == {"gauge-above-pump"}
    assert signs(decay(series, 1200.0)) == set()  # nobody said what the pump can do


def test_pump_not_closed_off() -> None:
    result = decay(vacuum(lambda t: 150.0 + 250.0 * math.exp(-t / 2400.0), 4800.0), 1200.0)
    assert signs(result) & {"still-pumped", "reading-falls"}


def test_oil_on_the_sensor_wanders() -> None:
    series = vacuum(lambda t: 250.0 + 40.0 * math.sin(t / 150.0), noise=0.5)
    assert "gauge-erratic" in signs(decay(series))


def test_oil_on_the_sensor_that_reads_high_and_late_is_named() -> None:
    """45 Pa high within minutes and then steady: moisture or the gauge; both are named."""
    result = decay(vacuum(lambda t: 150.0 - 337.0 * math.expm1(-t / 240.0)))
    doubt = next(f for f in result.findings if f.key == "decay.gauge")
    assert set(doubt.codes("cause")) == {"oily_sensor", "little_moisture"}
    rise, pace = doubt.value("rise"), doubt.value("time_constant")
    assert rise is not None and rise.number == pytest.approx(337 * MICRON_PA, rel=0.1)
    assert pace is not None and pace.number == pytest.approx(240.0, rel=0.1)


def test_another_gauge_disagrees() -> None:
    other = Series("system_pressure", [0.0, 1800.0, 3600.0], [3000.0, 3010.0, 3005.0], u=5.0, u_scale=100.0)
    assert signs(decay(vacuum(lambda t: 250.0), other_gauge=other)) == {"gauges-disagree"}
    rough = Series("system_pressure", [0.0, 1800.0, 3600.0], [3000.0, 3010.0, 3005.0], u=5.0, u_scale=3000.0)
    assert signs(decay(vacuum(lambda t: 250.0), other_gauge=rough)) == set()
