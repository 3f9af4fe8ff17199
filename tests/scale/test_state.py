"""The scale: what alarms may trust at once, what must stay first, and whose tare it is."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.units import NS_PER_S
from logger.scale.state import ScaleState


def weighing(*readings: tuple[float, float]) -> ScaleState:
    w = ScaleState(0.05, 0.02, 0)
    for t_s, kg in readings:
        w.sample(int(t_s * NS_PER_S), kg)
    return w


def test_flow_counts_at_once() -> None:
    w = weighing(*((t / 10, 40.0 + 0.005 * t) for t in range(600)))
    assert w.on_scale.number == 40.0 + 0.005 * 599


def test_a_knock_is_not_flow_and_passes() -> None:
    steady = [(t / 10, 40.0) for t in range(300)]
    w = weighing(*steady, (30.0, 55.0), (30.1, 20.0))
    assert w.on_scale.number == 40.0 and "knocked" in str(w.on_scale.note)
    w.sample(int(30.5 * NS_PER_S), 40.0)
    assert w.on_scale.number == 40.0 and w.on_scale.note is None


def test_another_cylinder_is_unknown_until_somebody_says_which() -> None:
    w = weighing(*((t / 10, 80.0) for t in range(300)), *((30 + t / 10, 30.0) for t in range(100)))
    assert w.on_scale.number is None and "cylinder-swap" in str(w.on_scale.problem)
    w.swap("B")
    w.sample(41 * NS_PER_S, 30.0)
    assert w.on_scale.number == 30.0


def test_told_before_it_happens_it_is_taken_once_it_stands() -> None:
    w = weighing(*((t / 10, 80.0) for t in range(300)))
    w.swap("B")
    for t in range(100):
        w.sample(int((30 + t / 10) * NS_PER_S), 30.0)
    assert w.on_scale.number == 30.0


def test_the_same_cylinder_put_back_needs_no_word() -> None:
    w = weighing(*((t / 10, 80.0) for t in range(300)), *((30 + t / 10, 0.0) for t in range(100)))
    assert w.on_scale.number is None
    for t in range(50):
        w.sample(int((41 + t / 10) * NS_PER_S), 80.2)
    assert w.on_scale.number == 80.2


class Scale:
    """What stands on it, read five times a second."""

    def __init__(self) -> None:
        self.weighing, self.t_s = ScaleState(0.05, 0.02, 0), 0.0

    def stands(self, kg: float, for_s: float, flow_kg_s: float = 0.0) -> float:
        """The mass at the end."""
        for _ in range(round(for_s * 5)):
            self.t_s += 0.2
            kg += 0.2 * flow_kg_s
            self.weighing.sample(int(self.t_s * NS_PER_S), kg)
        return kg

    @property
    def problem(self) -> str:
        return self.weighing.on_scale.problem or ""


@pytest.mark.parametrize("lifted_s", [0.0, 5.0, 120.0])
@pytest.mark.parametrize("entered", ["before", "while lifted", "after"])
def test_a_swap_may_be_told_at_any_time_and_needs_one_word(lifted_s: float, entered: str) -> None:
    scale = Scale()
    scale.stands(59.0, 60)
    if entered == "before":
        scale.weighing.swap("B")
        scale.stands(59.0, 30)
        assert "B was selected" in scale.problem  # its tare does not belong to what stands there
    scale.stands(0.0, lifted_s)
    if entered == "while lifted" and lifted_s:
        scale.weighing.swap("B")
    scale.stands(35.0, 10)
    if entered == "after" or not (lifted_s or entered == "before"):
        assert "cylinder-swap" in scale.problem
        scale.weighing.swap("B")
    scale.stands(35.0, 5)
    assert scale.weighing.on_scale.number == 35.0 and scale.weighing.sure


def test_told_and_standing_there_already_is_told_once_more() -> None:
    scale = Scale()
    scale.stands(59.0, 60)
    scale.weighing.swap("B")
    scale.stands(59.0, 1000)
    assert "again" in scale.problem
    scale.weighing.swap("B")
    assert scale.weighing.on_scale.number == 59.0


def test_the_first_on_an_empty_scale_is_the_one_that_was_told() -> None:
    scale = Scale()
    scale.stands(0.0, 300)
    scale.stands(35.0, 10)
    assert scale.weighing.on_scale.number == 35.0


def test_something_leant_on_it_and_taken_away_needs_no_word() -> None:
    scale = Scale()
    before = scale.stands(40.0, 300, 0.05)
    during = scale.stands(before + 20, 60, 0.05)
    assert scale.problem
    after = scale.stands(during - 20, 10, 0.05)
    assert scale.weighing.on_scale.number == pytest.approx(after)


@given(
    others=st.lists(st.tuples(st.floats(15, 80), st.floats(4, 400), st.floats(-0.1, 0.1)), min_size=1, max_size=4),
    lifted=st.booleans(), silent_s=st.sampled_from([0.0, 30.0, 3600.0]),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_however_long_another_cylinder_stands_there_it_is_not_taken_for_the_told_one(
    others: list[tuple[float, float, float]], lifted: bool, silent_s: float
) -> None:
    """Nobody tells anything, with or without the scale's own silence in between. A is at 60 kg."""
    scale = Scale()
    scale.stands(60.0, 60)
    for kg, for_s, flow_kg_s in others:
        if abs(kg - 60.0) <= 10.0 or abs(kg + for_s * flow_kg_s - 60.0) <= 10.0:
            continue  # no program can tell it by its mass
        scale.stands(0.0, 8.0 if lifted else 0.0)
        scale.t_s += silent_s
        scale.stands(kg, 4.0, flow_kg_s)
        assert scale.problem
        scale.stands(kg + 4.0 * flow_kg_s, for_s, flow_kg_s)
        assert scale.problem


@given(
    rate=st.floats(-0.1, 0.1), start=st.floats(20, 200),
    knocks=st.lists(st.tuples(st.integers(10, 250), st.floats(-60, 60)), max_size=5),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_single_knocks_never_move_the_trusted_mass(rate: float, start: float, knocks: list[tuple[int, float]]) -> None:
    """A knock shorter than the confirmation leaves the mass within what flow can be."""
    at = dict(knocks)
    w = ScaleState(0.05, 0.02, 0)
    for t in range(300):
        true = start + rate * t
        w.sample(t * NS_PER_S, true + at.get(t, 0.0))
        mass = w.on_scale.number
        assert mass is not None
        assert abs(mass - true) <= 0.6 + 0.5 * 2 + abs(rate) * 3
