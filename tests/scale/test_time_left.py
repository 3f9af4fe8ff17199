"""Time until an amount is through."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.value import known, unknown
from logger.scale.time_left import decay_time, time_left


def test_amount_over_rate_with_its_band() -> None:
    left = time_left(known(10.0, "kg", 0.1), known(0.01, "kg/s", 0.0005))
    assert left.value.number == pytest.approx(1000.0)
    assert left.value.u == pytest.approx(1000 * math.hypot(0.01, 0.05))
    assert left.low_s == pytest.approx(9.8 / 0.011)
    assert left.high_s == pytest.approx(10.2 / 0.009)


@given(st.floats(0.01, 100), st.floats(1e-4, 1), st.floats(0, 0.4), st.floats(0, 0.4))
@settings(max_examples=200, deadline=None)
def test_the_band_holds_the_value(amount: float, rate: float, u_amount: float, u_rate: float) -> None:
    left = time_left(known(amount, "kg", amount * u_amount), known(rate, "kg/s", rate * u_rate))
    if left.value.number is None:
        return
    assert left.low_s is not None
    assert left.high_s is not None
    assert left.low_s <= left.value.number <= left.high_s


def test_a_rate_that_dies_away_takes_longer() -> None:
    rate, tau = 0.01, 1000.0  # 10 kg are still to come
    left = time_left(known(5.0, "kg"), known(rate, "kg/s"), decay=known(tau, "s", 20.0))
    assert left.value.number == pytest.approx(tau * math.log(2))
    assert left.low_s == pytest.approx(500.0)
    assert left.high_s is not None
    assert left.high_s > 1.1 * tau * math.log(2)
    never = time_left(known(12.0, "kg"), known(rate, "kg/s"), decay=known(tau, "s"))
    assert never.value.number is None
    assert "dying away" in str(never.value.problem)
    assert never.high_s is None


@pytest.mark.parametrize(
    ("amount", "rate", "says"),
    [
        (unknown("kg", "charge not entered"), known(0.01, "kg/s"), "charge not entered"),
        (known(5.0, "kg"), unknown("kg/s", "cylinder is off the scale"), "off the scale"),
        (known(5.0, "kg"), known(0.001, "kg/s", 0.001), "no flow"),
        (known(5.0, "kg"), known(-0.01, "kg/s"), "no flow"),
        (known(5000.0, "kg"), known(0.001, "kg/s"), "more than a week"),
    ],
)
def test_unknown_because(amount: object, rate: object, says: str) -> None:
    assert says in str(time_left(amount, rate).value.problem)  # type: ignore[arg-type]


def test_reached_is_zero() -> None:
    assert time_left(known(-0.1, "kg"), known(0.01, "kg/s")).value.number == 0.0


def test_decay_time_of_an_exponential_and_of_what_is_none() -> None:
    t = [10.0 * i for i in range(60)]
    assert decay_time(t, [0.01 * math.exp(-x / 800) for x in t]).number == pytest.approx(800, rel=1e-6)
    assert decay_time(t, [0.01] * 60).number is None
    assert decay_time(t[:4], [0.01, 0.009, 0.008, 0.007]).number is None


def test_a_rate_that_will_not_last_has_no_upper_bound() -> None:
    left = time_left(known(10.0, "kg"), known(0.01, "kg/s"), may_slow="slower once the liquid is gone")
    assert (left.value.note, left.high_s) == ("slower once the liquid is gone", None)
