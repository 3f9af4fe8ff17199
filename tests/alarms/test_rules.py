"""What one evaluate at the inputs says."""

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.alarms.rules import AlarmRule, Condition, History, Kind, evaluate, remember, slope
from logger.decode import channel, sensor_curves
from logger.model.alarm import Priority
from logger.model.points import Quantity
from logger.model.units import NS_PER_S
from logger.model.value import DEVICE_LOST, CodedProblem, Value, code_of, inapplicable, known, unknown


def rule(kind: Kind, limit: float | None = None, **more: Any) -> AlarmRule:
    return AlarmRule("k", Priority.HIGH, kind, "x", Quantity.MASS, limit, **more)


def verdict(r: AlarmRule, x: float | None, **others: Value) -> Condition:
    value = known(x, "kg") if x is not None else unknown("kg", "gone")
    return evaluate(r, {"x": value, **others}).condition


@pytest.mark.parametrize(
    ("x", "expected"),
    [
        (9.9, Condition.BETWEEN),
        (10.0, Condition.IN_ALARM),
        (10.1, Condition.IN_ALARM),
        (9.0, Condition.BETWEEN),
        (8.999, Condition.NORMAL),
        (None, Condition.CANNOT_TELL),
    ],
)
def test_high(x: float | None, expected: Condition) -> None:
    """Set at the limit, cleared only past limit - deadband (BACnet OUT_OF_RANGE)."""
    assert verdict(rule(Kind.HIGH, 10.0, deadband=1.0), x) == expected


@pytest.mark.parametrize(
    ("x", "expected"),
    [
        (10.1, Condition.BETWEEN),
        (10.0, Condition.IN_ALARM),
        (-5.0, Condition.IN_ALARM),
        (11.0, Condition.BETWEEN),
        (11.001, Condition.NORMAL),
        (None, Condition.CANNOT_TELL),
    ],
)
def test_low(x: float | None, expected: Condition) -> None:
    assert verdict(rule(Kind.LOW, 10.0, deadband=1.0), x) == expected


@pytest.mark.parametrize(
    ("x", "expected"),
    [(599.0, Condition.IN_ALARM), (650.0, Condition.BETWEEN), (721.0, Condition.NORMAL), (None, Condition.NORMAL)],
)
def test_prediction_without_a_number_is_no_alarm(x: float | None, expected: Condition) -> None:
    assert verdict(rule(Kind.PREDICTION, 600.0, deadband=120.0), x) == expected


def test_without_a_limit_nothing_is_judged() -> None:
    for kind in (Kind.HIGH, Kind.LOW, Kind.PREDICTION):
        assert verdict(rule(kind, None), 5.0) is Condition.CANNOT_TELL


def test_a_missing_input_is_unknown() -> None:
    assert evaluate(rule(Kind.HIGH, 1.0), {}).condition is Condition.CANNOT_TELL
    assert evaluate(rule(Kind.UNKNOWN), {}).condition is Condition.IN_ALARM
    assert evaluate(rule(Kind.NO_DATA), {}).problem == "not measured"


def test_uncertainty_counts_against_the_user() -> None:
    r = rule(Kind.HIGH, 10.0, guard_k=2.0)
    assert evaluate(r, {"x": Value(9.85, "kg", 0.05)}).condition is Condition.NORMAL
    assert evaluate(r, {"x": Value(9.91, "kg", 0.05)}).condition is Condition.IN_ALARM
    low = rule(Kind.LOW, 10.0, guard_k=2.0)
    assert evaluate(low, {"x": Value(10.09, "kg", 0.05)}).condition is Condition.IN_ALARM


def test_difference_of_two_sources() -> None:
    r = rule(Kind.HIGH, -10.0, deadband=2.0, other="y")
    assert verdict(r, 40.0, y=known(52.1, "K")) is Condition.NORMAL
    assert verdict(r, 42.0, y=known(52.0, "K")) is Condition.IN_ALARM
    assert verdict(r, 42.0, y=unknown("K", "no table")) is Condition.CANNOT_TELL
    assert verdict(r, 42.0) is Condition.CANNOT_TELL


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [(5, 8, Condition.IN_ALARM), (8, 5, Condition.IN_ALARM), (5, 7.5, Condition.BETWEEN), (5, 6, Condition.NORMAL)],
)
def test_disagreement_is_either_way(a: float, b: float, expected: Condition) -> None:
    assert verdict(rule(Kind.DISAGREE, 3.0, deadband=1.0, other="y"), a, y=known(b, "kg")) == expected


@pytest.mark.parametrize(
    ("problem", "no_data", "fault"),
    [
        (CodedProblem("silent", "no reading for 20 s"), True, False),
        ("open circuit", True, False),  # an instrument's own words
        (CodedProblem("open-circuit", "open circuit or transmitter fault, below 3.6 mA"), False, True),
        (channel.OVER_RANGE, False, True),
        (CodedProblem(DEVICE_LOST, "device lost: unplugged"), False, False),
    ],
)
def test_silence_fault_and_lost_device_are_told_apart(problem: str, no_data: bool, fault: bool) -> None:
    inputs = {"x": unknown("kg", problem)}
    assert (evaluate(rule(Kind.NO_DATA), inputs).condition is Condition.IN_ALARM) is no_data
    assert (evaluate(rule(Kind.FAULT), inputs).condition is Condition.IN_ALARM) is fault
    assert evaluate(rule(Kind.UNKNOWN), inputs).condition is Condition.IN_ALARM
    assert evaluate(rule(Kind.TROUBLE), inputs) == evaluate(rule(Kind.UNKNOWN), inputs)


def test_every_sensor_fault_of_the_decoder_is_one() -> None:
    r = rule(Kind.FAULT)
    curves = (sensor_curves.OPEN, sensor_curves.SHORT, sensor_curves.OPEN_OR_SHORT)
    for problem in (*curves, channel.OVER_RANGE, channel.UNDER_RANGE):
        assert code_of(problem) in r.faults, problem
    assert code_of(channel.NO_BAROMETER) not in r.faults


def history(*points: tuple[float, float]) -> History:
    return tuple((int(t * NS_PER_S), y) for t, y in points)


@pytest.mark.parametrize(
    ("limit", "rate", "expected"),
    [
        (2.0, 2.5, Condition.IN_ALARM),
        (2.0, 1.7, Condition.BETWEEN),
        (2.0, 1.0, Condition.NORMAL),
        (-2.0, -2.5, Condition.IN_ALARM),
        (-2.0, 3.0, Condition.NORMAL),
    ],
)
def test_rate(limit: float, rate: float, expected: Condition) -> None:
    r = rule(Kind.RATE, limit, deadband=0.5, window_s=60.0)
    seen = evaluate(r, {"x": known(1.0, "kg")}, history(*((t, 5 + rate * t) for t in range(0, 60, 10))))
    assert seen.condition == expected
    assert seen.number == pytest.approx(rate)


def test_rate_needs_half_its_window() -> None:
    r = rule(Kind.RATE, 1.0, window_s=60.0)
    assert evaluate(r, {"x": known(1.0, "kg")}, history((0, 0), (29, 1000))).condition is Condition.CANNOT_TELL
    assert evaluate(r, {"x": known(1.0, "kg")}, ()).condition is Condition.CANNOT_TELL


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 500), st.floats(-1e5, 1e5)), min_size=2, max_size=30, unique_by=lambda p: p[0]),
    st.floats(-100, 100),
    st.floats(-1e3, 1e3),
)
def test_slope_of_a_line_is_found_and_offsets_do_not_matter(
    points: list[tuple[float, float]], a: float, b: float
) -> None:
    points = sorted({round(t): y for t, y in points}.items())
    line = history(*((t, a + b * t) for t, _ in points))
    if len(points) < 2:
        assert slope(line) is None
        return
    found = slope(line)
    assert found is not None
    assert found == pytest.approx(b, abs=1e-6 + 1e-9 * abs(a))


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.01, 30), min_size=1, max_size=300))
def test_history_is_bounded_ordered_and_within_its_window(gaps: list[float]) -> None:
    kept: History = ()
    now = 0
    for gap in gaps:
        now += int(gap * NS_PER_S)
        kept = remember(kept, now, 1.0, 60.0)
        assert len(kept) <= 18
        assert all(now - 60 * NS_PER_S <= t <= now for t, _ in kept)
        assert list(kept) == sorted(kept)


@pytest.mark.parametrize(
    "wrong",
    [
        {"deadband": -1.0},
        {"on_delay_s": math.nan},
        {"limit": math.inf},
        {"kind": Kind.DISAGREE},
        {"kind": Kind.RATE, "window_s": 0.0},
    ],
)
def test_nonsense_rules_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="alarm k"):
        AlarmRule("k", Priority.LOW, **{"kind": Kind.HIGH, "source": "x", "limit": 1.0, **wrong})


@pytest.mark.parametrize("kind", [Kind.HIGH, Kind.LOW])
def test_what_cannot_be_so_is_over_and_not_in_doubt(kind: Kind) -> None:
    """A cylinder that cannot fill with liquid kept "near liquid-full" standing for as long as that was so."""
    moot, doubt = inapplicable("kg", "it cannot be so"), unknown("kg", "the scale is silent")
    assert evaluate(rule(kind, 10.0), {"x": moot}).condition is Condition.NORMAL
    two, x = rule(kind, 10.0, other="y"), known(50.0, "kg")
    assert evaluate(two, {"x": x, "y": moot}).condition is Condition.NORMAL
    assert evaluate(two, {"x": x, "y": doubt}).condition is Condition.CANNOT_TELL
