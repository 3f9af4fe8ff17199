"""The steady rate and its interval, whatever else gives off gas, and against scipy's own fits."""

import math
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from scipy.optimize import curve_fit

from logger.model.units import MICRON_PA
from logger.stages.decay_test.rise_fit import GasSource, K, RiseFit, Shape, fit_rise
from logger.statistics.block_means import blocks, interpolate
from tests.stages.make import temperature, vacuum

HOUR = 3600.0


def per_hour(pa_s: float) -> float:
    return pa_s * HOUR / MICRON_PA


def fitted(micron: Callable[[float], float], **given: float) -> RiseFit:
    fit = fit_rise(blocks(vacuum(micron, **given), 0.0, math.inf))  # type: ignore[arg-type]
    assert fit is not None
    return fit


# what is given off, and the leak beside it, microns an hour
RISES = [
    ("nothing", lambda t: 0.0),
    ("a store", lambda t: -300.0 * math.expm1(-t / 600.0)),
    ("two stores", lambda t: -100.0 * math.expm1(-t / 60) - 300.0 * math.expm1(-t / 900)),
    ("elastomers, an hour of pumping", lambda t: 400.0 * (math.sqrt(1.0 + t / HOUR) - 1.0)),
    ("the root of the time", lambda t: 200.0 * math.sqrt(t / HOUR)),
    ("metal, an hour of pumping", lambda t: 250.0 * math.log1p(t / HOUR)),
    ("the logarithm of the time", lambda t: 60.0 * math.log1p(t / 30.0)),
]


@pytest.mark.parametrize("leak", [0.0, 150.0])
@pytest.mark.parametrize(("name", "given_off"), RISES, ids=[name for name, _ in RISES])
def test_the_interval_holds_the_leak_whatever_gives_off_gas(
    name: str, given_off: Callable[[float], float], leak: float
) -> None:
    inside = 0
    for seed in range(8):
        fit = fitted(lambda t: 280.0 + leak * t / HOUR + given_off(t), seed=seed, wander=0.4)
        inside += per_hour(fit.low_pa_s) - 0.5 <= leak <= per_hour(fit.high_pa_s) + 0.5
    assert inside >= 7, name


def test_a_bend_is_told_from_a_line() -> None:
    assert fitted(lambda t: 280.0 + 100.0 * t / HOUR).z_bend < 3.0
    assert fitted(lambda t: 280.0 + 250.0 * t / HOUR - 200.0 * math.expm1(-t / 300.0)).z_bend > 10.0


def test_the_curve_against_scipy() -> None:
    """A line and one store fitted to the same block means by scipy's Levenberg-Marquardt."""
    series = vacuum(lambda t: 280.0 + 150.0 * t / HOUR - 200.0 * math.expm1(-t / 300.0), seed=5)
    data = blocks(series, 0.0, HOUR)
    fit = fit_rise(data)
    assert fit is not None

    def model(t: object, a: float, b: float, c: float, tau: float) -> object:
        return a + b * t - c * np.expm1(-t / tau)  # type: ignore[operator]

    t = np.array(data.t_s) - data.t_s[0]
    theirs, covariance = curve_fit(model, t, np.array(data.value), p0=(40.0, 0.005, 20.0, 400.0))
    assert fit.start_pa == pytest.approx(theirs[0], rel=5e-3)
    assert fit.low_pa_s < theirs[1] < fit.high_pa_s
    assert fit.high_pa_s - fit.low_pa_s > 2.0 * K * math.sqrt(covariance[1][1])  # theirs knows the shape
    assert fit.slowest_s == pytest.approx(theirs[3], rel=0.15)
    assert all(fit.at(x) == pytest.approx(model(x - data.t_s[0], *theirs), abs=0.1) for x in (600.0, 1800.0, 3600.0))


@pytest.mark.parametrize("wander", [0.0, 1.5])
def test_the_lines_uncertainty_covers(wander: float) -> None:
    """The true rate lies within two standard uncertainties in about 95 % of tests, with and without slow wander."""
    inside = 0
    for seed in range(60):
        fit = fitted(lambda t: 280.0 + 100.0 * t / HOUR, period=6.0, seed=seed, wander=wander)
        inside += abs(per_hour(fit.line_pa_s) - 100.0) < 2.0 * per_hour(fit.u_line_pa_s)
    assert inside >= 51  # 85 % of 60: a binomial draw of 95 % falls below that once in a thousand


def test_coarse_digits_do_not_make_certainty() -> None:
    """Ten-micron steps and no flicker: a drift of one step in an hour is not told from none."""
    assert per_hour(fitted(lambda t: 283.0 + 5.0 * t / HOUR, noise=0.0, step=10.0).u_line_pa_s) > 2.0


def test_what_a_drier_takes_up_may_hide_a_leak() -> None:
    """Falling at first, then rising: a sink beside a line, and the largest leak lies above the line's own rate."""
    fit = fitted(lambda t: 280.0 + 200.0 * t / HOUR + 120.0 * math.expm1(-t / 2400.0))
    assert fit.taken_up_pa / MICRON_PA == pytest.approx(93.0, rel=0.3)
    assert per_hour(fit.line_pa_s) < 150.0 < 190.0 < per_hour(fit.high_pa_s)


def test_vapor_that_follows_the_weather_is_no_leak() -> None:
    """A level that follows the temperature by 5 %/K (vapor over oil) is fitted with a temperature term."""
    warm = temperature(lambda t: 293.15 + 1.5 * math.sin(t / 900.0))
    data = blocks(vacuum(lambda t: 400.0 * (1.0 + 0.05 * 1.5 * math.sin(t / 900.0))), 0.0, HOUR)
    fit = fit_rise(data, temperature_k=interpolate(warm.t_s, warm.value, data.t_s))
    assert fit is not None
    assert fit.per_k / MICRON_PA == pytest.approx(20.0, rel=0.05)
    assert abs(per_hour(fit.line_pa_s)) < 3.0


def test_a_long_pumping_lets_old_gaskets_explain_a_straight_rise() -> None:
    data = blocks(vacuum(lambda t: 280.0 + 1600.0 * (math.sqrt(1.0 + t / (8 * HOUR)) - 1.0)), 0.0, HOUR)
    unknown, known = fit_rise(data), fit_rise(data, pumped_s=8 * HOUR)
    assert unknown is not None and known is not None
    assert per_hour(known.low_pa_s) < min(5.0, per_hour(unknown.low_pa_s))


@pytest.mark.parametrize("kind", list(Shape))
def test_a_source_gives_off_ever_more_slowly(kind: Shape) -> None:
    rises = [GasSource(kind, 900.0, 1.0).at(300.0 * i) for i in range(9)]
    steps = [b - a for a, b in pairwise(rises)]
    assert all(0.0 < later < earlier for earlier, later in pairwise(steps))


def test_too_few_blocks_give_nothing() -> None:
    assert fit_rise(blocks(vacuum(lambda t: 300.0, 10.0), 0.0, 10.0)) is None
