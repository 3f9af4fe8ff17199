"""Time until an amount is through."""

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.value import known, unknown
from logger.scale.time_left import decay_time, time_left
from logger.statistics.least_squares import line


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


def test_the_band_of_a_rate_that_dies_away_is_that_of_all_three() -> None:
    left = time_left(known(5.0, "kg", 0.1), known(0.01, "kg/s", 0.0005), decay=known(1000.0, "s", 20.0))
    taken = 1000 * math.log(2)
    steady_u = 500 * math.hypot(0.1 / 5, 0.0005 / 0.01)
    assert left.value.number == pytest.approx(taken)
    assert left.value.u == pytest.approx(math.hypot(steady_u * taken / 500, 0.1 * taken))
    assert left.value.note == "allows for the falling rate"
    assert left.low_s == pytest.approx(4.8 / 0.011)
    assert left.high_s == pytest.approx(-960 * math.log1p(-5.2 / (0.009 * 960)) * 1.2)


def test_an_amount_that_a_dying_rate_may_not_bring_has_no_latest_time() -> None:
    rate = known(0.01, "kg/s")
    for u_tau in (500.0, 600.0):  # it may be dying within no time
        left = time_left(known(5.0, "kg"), rate, decay=known(1000.0, "s", u_tau))
        assert left.value.number is not None and left.high_s is None
    assert time_left(known(5.0, "kg"), rate, decay=known(1000.0, "s", 244.0)).high_s is not None
    assert time_left(known(5.0, "kg"), rate, decay=known(1000.0, "s", 246.0)).high_s is None  # 98 % of 5.08 kg
    exact = known(1024.0, "s", 256.0)
    assert time_left(known(0.98 * 512, "kg"), known(1.0, "kg/s"), decay=exact).high_s is None
    assert time_left(known(0.0005, "kg"), known(0.01, "kg/s"), decay=known(0.5, "s")).high_s is not None


@pytest.mark.parametrize(("share", "known_to_come"), [(0.9799, True), (0.98, False), (0.9801, False)])
def test_the_last_of_an_exponential_has_no_time(share: float, known_to_come: bool) -> None:
    left = time_left(known(share * 10.0, "kg"), known(1.0, "kg/s"), decay=known(10.0, "s"))
    assert (left.value.number is not None) == known_to_come
    assert left.low_s == pytest.approx(share * 10)


def test_a_rate_within_its_uncertainty_is_none() -> None:
    assert time_left(known(5.0, "kg"), known(0.01, "kg/s", 0.005)).value.problem
    assert time_left(known(5.0, "kg"), known(0.01, "kg/s", 0.0049)).value.number == pytest.approx(500)
    assert time_left(known(5.0, "kg"), known(0.0, "kg/s")).value.problem


def test_what_is_there_is_reached_and_less_than_a_kilogram_is_not() -> None:
    reached = time_left(known(0.0, "kg"), known(0.01, "kg/s"))
    assert (reached.value.number, reached.value.u, reached.low_s, reached.high_s) == (0.0, 0.0, 0.0, 0.0)
    assert time_left(known(0.5, "kg"), known(0.01, "kg/s")).value.number == pytest.approx(50.0)


def test_a_week_is_told_and_more_is_not() -> None:
    week = 7 * 86400.0
    assert time_left(known(week, "kg"), known(1.0, "kg/s")).value.number == week
    more = time_left(known(week + 1, "kg"), known(1.0, "kg/s"))
    assert more.value.number is None and more.low_s == week + 1


def test_a_decay_time_has_the_uncertainty_of_its_line() -> None:
    rng = random.Random(3)
    t = [10.0 * i for i in range(80)]
    found = [decay_time(t, [0.01 * math.exp(-x / 800 + rng.gauss(0, 0.05)) for x in t]) for _ in range(60)]
    ratios = [((f.number or 0) - 800) / (f.u or math.inf) for f in found]
    assert 0.7 < math.sqrt(sum(r * r for r in ratios) / len(ratios)) < 1.3


def test_a_decay_needs_eight_rates_above_zero_and_a_fall_beyond_three_of_its_uncertainties() -> None:
    t = [10.0 * i for i in range(9)]
    falling = [math.exp(-x / 800) for x in t]
    assert decay_time(t[:8], falling[:8]).number == pytest.approx(800)
    assert decay_time(t[:7], falling[:7]).number is None
    assert decay_time(t, [0.0, *falling[1:]]).number == pytest.approx(800)
    assert decay_time(t, [0.0, 0.0, *falling[2:]]).number is None
    with pytest.raises(ValueError, match="zip"):
        decay_time(t, falling[:8])
    rng = random.Random(5)
    for _ in range(300):
        rates = [math.exp(-x / 3000 + rng.gauss(0, 0.02)) for x in t]
        fit = line(t, [math.log(r) for r in rates])
        assert fit is not None
        assert (decay_time(t, rates).number is not None) == (fit.slope + 3 * fit.u_slope < 0)
