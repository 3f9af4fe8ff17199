"""What flows, and which cylinder stands there, by the second: laws, and the shapes that fool a scale."""

import random
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.scale.exchange import CylinderChange, CylinderWatched
from logger.scale.flow import Flow
from logger.statistics.by_second import SecondMeans

DIGITS_KG = 0.045 / 12**0.5
Seen = list[tuple[int, int, int]]  # when it was seen, direction, since when


def flows(mass: Callable[[int], float], seconds: int, start: int = 0, noise: float = 0.01, seed: int = 1) -> Seen:
    rng, flow, found = random.Random(seed), Flow(), []
    for t in range(seconds):
        flow.second(start + t, round((mass(t) + rng.gauss(0, noise)) / 0.009) * 0.009, DIGITS_KG, False)
        if flow.began or flow.stopped:
            found.append((start + t, flow.direction, flow.since if flow.began else flow.until))
    return found


def from_at(rate: float, at: int, until: int = 10**9) -> Callable[[int], float]:
    return lambda t: 40.0 + rate * max(0, min(t, until) - at)


@given(st.sampled_from((0.01, 0.03, 0.08, -0.02, -0.09)), st.integers(90, 160), st.integers(0, 10**9))
def test_a_flow_is_seen_within_a_minute_whenever_it_is(rate: float, at: int, start: int) -> None:
    """The same readings later give the same, as much later."""
    seen = flows(from_at(rate, at), at + 61)
    assert [(direction, abs(since - at) <= 8) for _, direction, since in seen] == [(1 if rate > 0 else -1, True)]
    assert flows(from_at(rate, at), at + 61, start) == [(t + start, d, since + start) for t, d, since in seen]


def test_its_end_is_seen_and_when_it_was() -> None:
    seen = flows(from_at(0.05, 100, 300), 500)
    assert [direction for _, direction, _ in seen] == [1, 0]
    assert seen[1][0] <= 300 + 160 and seen[1][2] == pytest.approx(300, abs=15)


@given(st.integers(0, 10**6), st.sampled_from((0.0, 0.01, 0.05)), st.sampled_from((0.0, 1e-5, -1e-5)))
def test_noise_and_drift_are_no_flow(seed: int, noise: float, drift: float) -> None:
    assert flows(lambda t: 40.0 + drift * t, 400, noise=noise, seed=seed) == []


@pytest.mark.parametrize("size", [0.05, 0.2, 0.45, 0.9, 4.0, -0.3, -3.0])
@pytest.mark.parametrize("lasts", [1, 5, 30, 10**6])
def test_a_knock_a_hand_and_a_hose_are_no_flow(size: float, lasts: int) -> None:
    assert flows(lambda t: 40.0 + (size if 150 <= t < 150 + lasts else 0.0), 400) == []


def changes(
    mass: Callable[[int], float], seconds: int, pressure: Callable[[int], float] | None = None
) -> list[CylinderChange]:
    watched, scale, gauge, found = CylinderWatched(), SecondMeans(DIGITS_KG), SecondMeans(70.0), []
    rng = random.Random(2)
    for t in range(seconds):
        scale.add(t, mass(t) + rng.gauss(0, 0.01))
        if pressure is not None:
            gauge.add(t, pressure(t) + rng.gauss(0, 200.0))
        seen = watched.second(t, scale, 0.0, gauge if pressure is not None else None, None)
        if seen is not None:
            found.append(seen)
    return found


def lifted(after_kg: float, off_s: int = 40) -> Callable[[int], float]:
    return lambda t: 60.0 if t < 100 else 0.0 if t < 100 + off_s else after_kg


@given(st.floats(8.0, 150.0).filter(lambda kg: abs(kg - 60.0) > 2.5), st.integers(3, 300))
def test_another_cylinder_is_seen_ten_seconds_after_it_stands(after_kg: float, off_s: int) -> None:
    """One as light as a tool bag once it has been there for longer than a cylinder is held up."""
    at_most = 15 if after_kg > 12.0 else max(15, 62 - off_s)
    (seen,) = changes(lifted(after_kg, off_s), 100 + off_s + at_most)
    assert seen.at == 100 and abs(seen.after_kg - after_kg) < 0.1


@given(st.floats(3.2, 11.5), st.integers(3, 58))
def test_a_bag_alone_while_the_cylinder_is_held_up_is_none(bag_kg: float, held_s: int) -> None:
    lying = lambda t: bag_kg + (0.0 if 100 <= t < 100 + held_s else 60.0)  # noqa: E731
    assert changes(lying, 300) == []
    laid_there_meanwhile = lambda t: 60.0 if t < 100 else bag_kg + (0.0 if t < 100 + held_s else 60.0)  # noqa: E731
    assert changes(laid_there_meanwhile, 300, lambda t: 9e5) == []


@given(st.floats(15.0, 150.0).filter(lambda kg: abs(kg - 60.0) > 13.0), st.integers(3, 80))
def test_another_cylinder_on_a_hose_that_kept_its_pressure_is_seen_when_it_stays(after_kg: float, off_s: int) -> None:
    (seen,) = changes(lifted(after_kg, off_s), 200 + off_s, lambda t: 9e5)
    assert seen.at == 100


@given(st.floats(59.0, 61.0), st.integers(3, 300))
def test_the_same_one_put_back_is_none(after_kg: float, off_s: int) -> None:
    assert changes(lifted(after_kg, off_s), 100 + off_s + 60, lambda t: 9e5) == []


def test_a_twin_is_told_by_its_gauge() -> None:
    (seen,) = changes(lifted(59.2), 200, lambda t: 9e5 if t < 100 else 1.3e6)
    assert seen.twin


@pytest.mark.parametrize("extra", [3.0, 8.0, 30.0])
@pytest.mark.parametrize("lasts", [5, 60, 400])
def test_what_lies_on_the_scale_for_a_while_is_no_cylinder(extra: float, lasts: int) -> None:
    assert changes(lambda t: 60.0 + (extra if 100 <= t < 100 + lasts else 0.0), 700) == []


def test_another_one_in_one_step_is_seen_when_it_stays() -> None:
    """Readings of a scale that was not heard while it was changed."""
    (seen,) = changes(lambda t: 82.0 if t < 100 else 29.5, 200)
    assert seen.at == 100
