"""The chart's data: lowest and highest of each bucket, gaps as null, an axis that holds them and the limit."""

import math
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from logger.page.page_series import series
from tests.page.states import NOW_NS, recovery, vacuum

SEEN = st.floats(0.001, 1e6)


def rows(values: list[float | None], unit: str = "lb") -> list[dict[str, Any]]:
    width = 10**9
    return [
        {"t_ns": NOW_NS + i * width, "end_ns": NOW_NS + (i + 1) * width, "low_shown": v, "unit_shown": unit,
         "high_shown": None if v is None else v * 1.5}
        for i, v in enumerate(values)
    ]  # fmt: skip


def test_a_gap_is_null_and_a_spike_stays() -> None:
    state = recovery(marks=[{"t_ns": NOW_NS - 10, "text": "machine started"}, {"t_ns": 5, "text": "long before"}])
    made = series(state, rows([100.0, None, 4000.0]), recent=False)
    assert made["low"] == [100.0, None, 4000.0] and made["high"] == [150.0, None, 6000.0]
    assert (made["from"], made["step"], made["unit"]) == (NOW_NS / 1e6, 1000.0, "lb")
    assert [one["text"].partition(" machine ")[2] for one in made["marks"]] == ["started"]


def test_a_limit_is_inside_the_axis_with_its_words() -> None:
    made = series(vacuum(100.0, 40.0, "target"), rows([20_000.0, 900.0], "micron"), recent=False)
    assert made["log"] and made["axis"] == [100.0, 100_000.0]
    assert made["limits"] == [{"at": 300.0, "text": "target 300 microns", "good": True}]


def test_without_a_reading_there_is_an_axis_and_a_title() -> None:
    made = series(recovery(), [], recent=True)
    assert made["low"] == [] and made["title"] == "Scale (gross): no trend yet" and len(made["axis"]) == 3


@given(st.lists(st.one_of(st.none(), SEEN), min_size=1, max_size=20), st.booleans())
def test_the_axis_is_round_and_holds_every_reading(values: list[float | None], log: bool) -> None:
    state = vacuum(1.0, 1.0, "limit") if log else recovery()
    low, high, *step = series(state, rows(values), recent=False)["axis"]
    assert all(low <= v * 1.0001 and v * 1.5 <= high * 1.0001 for v in values if v is not None)
    if log:
        assert math.log10(low) == round(math.log10(low)) and math.log10(high) == round(math.log10(high))
    else:
        assert 1 <= round((high - low) / step[0], 6) <= 9
