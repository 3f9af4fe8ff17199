"""The moment a pump was valved off: found where there is a kink, and never made up where there is none."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.sample import Series
from logger.statistics.isolation import detect_isolation, marked, sealed_until
from tests.stages.make import vacuum

HOUR = 3600.0


def pumped(t: float, at: float, per_hour: float, tau: float = 400.0) -> float:
    """Down to 200 micron, valved off at `at`, then rising."""
    down = 200.0 + 3000.0 * math.exp(-min(t, at) / tau)
    return down + per_hour * max(t - at, 0.0) / HOUR


@settings(max_examples=25, deadline=None)
@given(st.floats(1200, 3000), st.floats(200, 5000), st.integers(0, 100))
def test_isolation_is_found_within_a_minute(at: float, per_hour: float, seed: int) -> None:
    found = detect_isolation(vacuum(lambda t: pumped(t, at, per_hour), 4800.0, seed=seed))
    assert found.t_s is not None, found.problem
    assert abs(found.t_s - at) < 60.0 + 60.0 * 200.0 / per_hour


@pytest.mark.parametrize("seed", range(20))
def test_none_where_the_pump_just_runs(seed: int) -> None:
    found = detect_isolation(vacuum(lambda t: pumped(t, 1e9, 0.0), 4800.0, seed=seed, wander=0.5))
    assert found.t_s is None
    assert found.problem
    assert "mark the moment" in found.problem


def test_a_tight_system_shows_no_kink() -> None:
    found = detect_isolation(vacuum(lambda t: pumped(t, 3000.0, 0.0), 4800.0))
    assert found.t_s is None


def test_gas_let_in_is_no_isolation() -> None:
    found = detect_isolation(vacuum(lambda t: pumped(t, 1e9, 0.0) if t < 3000 else 20000.0, 3600.0))
    assert found.t_s is None


def test_rising_from_the_first_reading() -> None:
    found = detect_isolation(vacuum(lambda t: 200.0 + t, 600.0))
    assert found.t_s is None
    assert "before it" in (found.problem or "")


@pytest.mark.parametrize("n", [0, 1, 5])
def test_hardly_any_readings(n: int) -> None:
    assert detect_isolation(Series("vacuum", list(range(n)), [30.0] * n)).problem
    assert marked(Series("vacuum", list(range(n)), [30.0] * n), 100.0).t_s is None


@settings(max_examples=25, deadline=None)
@given(st.floats(600, 3000), st.floats(0, 2000), st.floats(0.2, 0.8), st.integers(0, 50))
def test_end_of_the_sealed_stretch(end: float, per_hour: float, drop: float, seed: int) -> None:
    def micron(t: float) -> float:
        level = 250.0 + per_hour * min(t, end) / HOUR
        return level if t < end else level * drop

    assert abs(sealed_until(vacuum(micron, 3600.0, seed=seed), 0.0) - end) < 30.0


@pytest.mark.parametrize("seed", range(10))
def test_sealed_to_the_end(seed: int) -> None:
    series = vacuum(lambda t: 250.0 + 100.0 * t / HOUR, seed=seed, wander=1.0)
    assert sealed_until(series, 0.0) == series.t_s[-1]
