"""The scale: what alarms may trust at once, what must stay first, and whose tare it is."""

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.pipeline.weighing import NS, Weighing


def weighing(*readings: tuple[float, float]) -> Weighing:
    w = Weighing(0.05, 0.02, 0)
    for t_s, kg in readings:
        w.sample(int(t_s * NS), kg)
    return w


def test_flow_counts_at_once() -> None:
    w = weighing(*((t / 10, 40.0 + 0.005 * t) for t in range(600)))
    assert w.on_scale.number == 40.0 + 0.005 * 599


def test_a_knock_is_not_flow_and_passes() -> None:
    steady = [(t / 10, 40.0) for t in range(300)]
    w = weighing(*steady, (30.0, 55.0), (30.1, 20.0))
    assert w.on_scale.number == 40.0 and "knocked" in str(w.on_scale.note)
    w.sample(int(30.5 * NS), 40.0)
    assert w.on_scale.number == 40.0 and w.on_scale.note is None


def test_another_cylinder_is_unknown_until_somebody_says_which() -> None:
    w = weighing(*((t / 10, 80.0) for t in range(300)), *((30 + t / 10, 30.0) for t in range(100)))
    assert w.on_scale.number is None and "cylinder-swap" in str(w.on_scale.problem)
    w.swap("B")
    w.sample(41 * NS, 30.0)
    assert w.on_scale.number == 30.0


def test_told_before_it_happens_it_is_taken_once_it_stands() -> None:
    w = weighing(*((t / 10, 80.0) for t in range(300)))
    w.swap("B")
    for t in range(100):
        w.sample(int((30 + t / 10) * NS), 30.0)
    assert w.on_scale.number == 30.0


def test_the_same_cylinder_put_back_needs_no_word() -> None:
    w = weighing(*((t / 10, 80.0) for t in range(300)), *((30 + t / 10, 0.0) for t in range(100)))
    assert w.on_scale.number is None
    for t in range(50):
        w.sample(int((41 + t / 10) * NS), 80.2)
    assert w.on_scale.number == 80.2


@given(
    rate=st.floats(-0.1, 0.1), start=st.floats(20, 200),
    knocks=st.lists(st.tuples(st.integers(10, 250), st.floats(-60, 60)), max_size=5),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_single_knocks_never_move_the_trusted_mass(
    rate: float, start: float, knocks: list[tuple[int, float]]
) -> None:
    """A knock shorter than the confirmation leaves the mass within what flow can be."""
    at = dict(knocks)
    w = Weighing(0.05, 0.02, 0)
    for t in range(300):
        true = start + rate * t
        w.sample(t * NS, true + at.get(t, 0.0))
        mass = w.on_scale.number
        assert mass is not None
        assert abs(mass - true) <= 0.6 + 0.5 * 2 + abs(rate) * 3
