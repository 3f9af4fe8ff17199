"""The four shapes: parameters against scipy's own fit, and the right shape chosen for known truth."""

import math

import numpy as np
import pytest
from scipy.optimize import curve_fit

from logger.model.units import MICRON_PA
from logger.stages.decay_test.rise_fit import CLEAR, Shape, fit_shapes
from logger.statistics.block_means import blocks, interpolate
from tests.stages.make import temperature, vacuum

HOUR = 3600.0


def per_hour(pa_s: float) -> float:
    return pa_s * HOUR / MICRON_PA


SHAPES = [
    ("flat", lambda t: 280.0, Shape.FLAT),
    ("linear", lambda t: 280.0 + 100.0 * t / HOUR, Shape.LINEAR),
    ("saturating", lambda t: 280.0 - 300.0 * math.expm1(-t / 600.0), Shape.SATURATING),
    ("both", lambda t: 280.0 + 250.0 * t / HOUR - 200.0 * math.expm1(-t / 300.0), Shape.BOTH),
    (
        "two time constants",
        lambda t: 280.0 - 100.0 * math.expm1(-t / 60) - 300.0 * math.expm1(-t / 900),
        Shape.SATURATING,
    ),
]


@pytest.mark.parametrize(("name", "truth", "shape"), SHAPES, ids=[s[0] for s in SHAPES])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_shape_is_found(name: str, truth: object, shape: Shape, seed: int) -> None:
    assert callable(truth)
    series = vacuum(truth, seed=seed, wander=0.4)
    shapes = fit_shapes(blocks(series, 0.0, HOUR))
    assert shapes is not None
    assert shapes.lead([shape]) < CLEAR  # not refused
    lacking = {
        Shape.FLAT: [], Shape.LINEAR: [Shape.FLAT], Shape.SATURATING: [Shape.FLAT, Shape.LINEAR],
        Shape.BOTH: [Shape.FLAT, Shape.LINEAR, Shape.SATURATING],
    }[shape]  # fmt: skip
    for poorer in lacking:
        assert shapes.lead([poorer]) > CLEAR, poorer


def test_both_against_scipy() -> None:
    """The same model fitted to the same block means by scipy's Levenberg-Marquardt."""
    series = vacuum(lambda t: 280.0 + 150.0 * t / HOUR - 200.0 * math.expm1(-t / 300.0), seed=5)
    data = blocks(series, 0.0, HOUR)
    shapes = fit_shapes(data)
    assert shapes is not None
    ours = shapes.by_shape[Shape.BOTH]

    def model(t: object, a: float, b: float, c: float, tau: float) -> object:
        return a + b * t - c * np.expm1(-t / tau)  # type: ignore[operator]

    t = np.array(data.t_s) - data.t_s[0]
    theirs, covariance = curve_fit(model, t, np.array(data.value), p0=(40.0, 0.005, 20.0, 400.0))
    assert ours.start_pa == pytest.approx(theirs[0], rel=1e-3)
    assert ours.rate_pa_s == pytest.approx(theirs[1], abs=0.1 * math.sqrt(covariance[1][1]))
    assert len(ours.terms) == 1
    assert ours.terms[0][0] == pytest.approx(theirs[2], rel=1e-2)
    assert ours.terms[0][1] == pytest.approx(theirs[3], rel=1e-2)
    assert ours.u_rate == pytest.approx(math.sqrt(covariance[1][1]), rel=0.35)


@pytest.mark.parametrize("wander", [0.0, 1.5])
def test_rate_uncertainty_covers(wander: float) -> None:
    """The true rate lies within two standard uncertainties in about 95 % of tests, with and without slow wander."""
    inside = 0
    for seed in range(60):
        series = vacuum(lambda t: 280.0 + 100.0 * t / HOUR, period=6.0, seed=seed, wander=wander)
        shapes = fit_shapes(blocks(series, 0.0, HOUR))
        assert shapes is not None
        fit = shapes.by_shape[Shape.LINEAR]
        inside += abs(per_hour(fit.rate_pa_s) - 100.0) < 2.0 * per_hour(fit.u_rate)
    assert inside >= 51  # 85 % of 60: a binomial draw of 95 % falls below that once in a thousand


def test_coarse_digits_do_not_make_certainty() -> None:
    """Ten-micron steps and no flicker: a drift of one step in an hour is not told from none."""
    series = vacuum(lambda t: 283.0 + 5.0 * t / HOUR, noise=0.0, step=10.0)
    shapes = fit_shapes(blocks(series, 0.0, HOUR))
    assert shapes is not None
    assert per_hour(shapes.by_shape[Shape.LINEAR].u_rate) > 2.0


def test_vapour_that_follows_the_weather_is_no_leak() -> None:
    """A level that follows the temperature by 5 %/K (vapour over oil) is fitted with a temperature term."""
    warm = temperature(lambda t: 293.15 + 1.5 * math.sin(t / 900.0))
    series = vacuum(lambda t: 400.0 * (1.0 + 0.05 * 1.5 * math.sin(t / 900.0)))
    data = blocks(series, 0.0, HOUR)
    kelvin = interpolate(warm.t_s, warm.value, data.t_s)
    shapes = fit_shapes(data, temperature_k=kelvin)
    assert shapes is not None
    assert shapes.best.shape is Shape.FLAT
    assert shapes.best.per_k / MICRON_PA == pytest.approx(20.0, rel=0.05)


def test_too_few_blocks_give_nothing() -> None:
    assert fit_shapes(blocks(vacuum(lambda t: 300.0, 10.0), 0.0, 10.0)) is None
