"""Plots as fractions: what is drawn lies where its value says, and ticks are round numbers of the user's unit."""

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.export.report.chart import axis_of, drawing_of, time_ticks
from logger.export.report.report_data import GapEntry, Plot, Trace
from logger.model.points import Quantity
from logger.model.units import MICRON_PA, NS_PER_S, to_si, user_unit
from logger.wording.values import Shown

T0 = 1_772_467_200 * NS_PER_S
US = Shown("us", 101_325.0, -6 * 3600)


def one(values: list[float], quantity: Quantity = Quantity.VACUUM, log: bool = True, **more: object) -> Plot:
    piece = tuple((T0 + i * NS_PER_S, v) for i, v in enumerate(values))
    return Plot("Vacuum", quantity, (Trace("Vacuum", (piece,)),), log, **more)  # type: ignore[arg-type]


def test_a_vacuum_over_decades() -> None:
    plot = drawing_of(one([100_000.0, 1000.0, 500 * MICRON_PA]), T0, T0 + 2 * NS_PER_S, US)
    assert plot is not None
    labels = [label for _, label in plot["left"]["ticks"] if label]
    assert labels == ["100", "1,000", "10,000", "100,000", "1,000,000"]
    assert plot["left"]["unit"] == "microns" and plot["right"]["unit"] == "Pa"
    ends = [y for y, label in plot["left"]["ticks"] if label in ("100", "1,000,000")]
    assert ends == [1.0, 0.0]
    (piece,) = plot["traces"][0]["pieces"]
    assert [x for x, _ in piece] == [0.0, 0.5, 1.0]
    # 500 micron lies log10(5) of the way up the lowest of four decades.
    assert piece[2][1] == pytest.approx(1 - math.log10(5) / 4, abs=1e-5)


def test_below_the_atmosphere_a_us_axis_reads_in_hg_where_there_is_room() -> None:
    def below(*values: float) -> list[str]:
        plot = drawing_of(one(list(values), Quantity.PRESSURE, log=False), T0, T0 + NS_PER_S, US)
        assert plot is not None
        labels = [label for _, label in plot["left"]["ticks"]]
        assert not any(label.startswith("-") for label in labels)
        return [label for label in labels if "in. Hg" in label]

    assert below(15_000.0, 150_000.0) == ["10 in. Hg", "20 in. Hg"]
    assert below(60_000.0, 3_000_000.0) == []  # it would lie on the 0
    assert below(200_000.0, 900_000.0) == []


@given(st.lists(st.floats(200.0, 400.0), min_size=2, max_size=30), st.sampled_from(["us", "si"]))
@settings(max_examples=80, deadline=None)
def test_every_value_lies_inside_and_ticks_are_round(values: list[float], system: str) -> None:
    plot = drawing_of(one(values, Quantity.TEMPERATURE, log=False), T0, T0 + len(values) * NS_PER_S, Shown(system))
    assert plot is not None
    assert all(0 <= x <= 1 and 0 <= y <= 1 for piece in plot["traces"][0]["pieces"] for x, y in piece)
    for side in ("left", "right"):
        ticks = plot[side]["ticks"]
        assert 2 <= len(ticks) <= 12
        assert len({label for _, label in ticks}) == len(ticks)
        assert all(re.fullmatch(r"-?[\d,]+(\.\d+)?", label) for _, label in ticks)


def test_what_a_log_scale_cannot_show_breaks_the_line() -> None:
    plot = drawing_of(one([10.0, 0.0, 5.0, 4.0]), T0, T0 + 3 * NS_PER_S, US)
    assert plot is not None
    assert [len(p) for p in plot["traces"][0]["pieces"]] == [1, 2]
    assert drawing_of(one([0.0, -1.0]), T0, T0 + NS_PER_S, US) is None


def test_points_outside_the_stage_are_not_drawn() -> None:
    plot = drawing_of(one([1.0, 2.0, 3.0, 4.0]), T0 + NS_PER_S, T0 + 2 * NS_PER_S, US)
    assert plot is not None
    assert [[x for x, _ in p] for p in plot["traces"][0]["pieces"]] == [[0.0, 1.0]]


def test_a_gap_is_shaded_only_where_nothing_was_measured() -> None:
    gaps = [
        GapEntry(T0 + NS_PER_S, T0 + 3 * NS_PER_S, "cable"),
        GapEntry(T0 - 9 * NS_PER_S, T0 - 5 * NS_PER_S, "before"),
    ]
    whole = drawing_of(one([1.0] * 5), T0, T0 + 4 * NS_PER_S, US, gaps=gaps)
    pieces = (((T0, 1.0), (T0 + NS_PER_S, 1.0)), ((T0 + 3 * NS_PER_S, 1.0), (T0 + 4 * NS_PER_S, 1.0)))
    broken = drawing_of(Plot("Mass", Quantity.MASS, (Trace("Mass", pieces),)), T0, T0 + 4 * NS_PER_S, US, gaps=gaps)
    assert whole is not None and whole["gaps"] == []
    assert broken is not None and broken["gaps"] == [[0.25, 0.75]]


@given(st.integers(1, 40 * 86_400), st.integers(-12 * 3600, 14 * 3600))
@settings(max_examples=150, deadline=None)
def test_time_ticks_are_few_and_inside(span_s: int, offset_s: int) -> None:
    ticks = time_ticks(T0, T0 + span_s * NS_PER_S, Shown("us", 101_325.0, offset_s))
    assert len(ticks) <= 9
    assert all(T0 <= t <= T0 + span_s * NS_PER_S for t, _ in ticks)


def test_clock_times_are_local_and_a_new_day_shows_its_date() -> None:
    labels = [label for _, label in time_ticks(T0, T0 + 3600 * NS_PER_S, US)]
    assert labels[0] == "10:00" and labels[-1] == "11:00"
    assert "03-03" in [label for _, label in time_ticks(T0, T0 + 30 * 3600 * NS_PER_S, US)]


def test_the_picture_is_told_in_words() -> None:
    plot = drawing_of(one([100 * MICRON_PA, 700 * MICRON_PA]), T0, T0 + NS_PER_S, US)
    assert plot is not None
    assert "lowest 100 microns, highest 700 microns" in plot["alt"]


def test_lines_that_coincide_carry_letters_at_places_of_their_own() -> None:
    piece = tuple((T0 + i * NS_PER_S, 1e5 + i) for i in range(100))
    plot = drawing_of(
        Plot("Pressures", Quantity.PRESSURE, (Trace("one", (piece,)), Trace("other", (piece,)))),
        T0,
        T0 + 99 * NS_PER_S,
        US,
    )
    assert plot is not None
    assert [t["letter"] for t in plot["traces"]] == ["A", "B"]
    (x_a, _), (x_b, _) = (t["at"] for t in plot["traces"])
    assert abs(x_a - x_b) > 0.2


def test_labels_of_limits_stand_apart_and_off_the_curve() -> None:
    limits = tuple((f"limit {i}", 300.0 + 3 * i) for i in range(3))
    plot = drawing_of(one([200.0] * 50, Quantity.TEMPERATURE, log=False, limits=limits), T0, T0 + 49 * NS_PER_S, US)
    assert plot is not None
    places = [(one["right"], one["label_y"]) for one in plot["limits"]]
    assert len(places) == 3
    assert all(a[0] != b[0] or abs(a[1] - b[1]) > 0.03 for i, a in enumerate(places) for b in places[:i])


def test_a_hold_shows_how_it_moved_and_names_a_limit_far_off() -> None:
    rise = [26.0 + 0.01 * i for i in range(100)]
    plot = drawing_of(one(rise, log=False, close=True, limits=(("limit", 66.7),)), T0, T0 + 99 * NS_PER_S, US)
    assert plot is not None and plot["limits"] == []
    assert plot["far"] == ["limit 500 microns: above this scale"]
    heights = [y for piece in plot["traces"][0]["pieces"] for _, y in piece]
    assert max(heights) - min(heights) > 0.3
    near = drawing_of(one([40.0, 60.0], log=False, close=True, limits=(("limit", 66.7),)), T0, T0 + NS_PER_S, US)
    assert near is not None and len(near["limits"]) == 1 and near["far"] == []


def test_noise_does_not_fill_the_height_of_a_hold() -> None:
    plot = drawing_of(one([26.0, 26.1] * 20, log=False, close=True), T0, T0 + 39 * NS_PER_S, US)
    assert plot is not None
    heights = [y for piece in plot["traces"][0]["pieces"] for _, y in piece]
    assert max(heights) - min(heights) < 0.1


@pytest.mark.parametrize(("log", "values"), [(True, [40.0, 80.0]), (False, [2.0e5, 4.0e5])])
def test_a_limit_is_never_drawn_on_the_frame(log: bool, values: list[float]) -> None:
    unit = user_unit(Quantity.VACUUM if log else Quantity.PRESSURE, "us")
    for limit in (to_si(1000.0 if log else 50.0, unit), to_si(10.0, unit)):
        axis = axis_of(log, values, [limit], unit, US)
        assert 0.02 < axis.y(limit) < 0.98
