"""The screen: exactly the size asked for, the large number there, foreign text harmless."""

import copy
import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.clock import local_clock
from logger.model.units import NS_PER_S
from logger.screen.braille import plot
from logger.screen.digits import ROWS, large
from logger.screen.folding import wrapped
from logger.screen.layout import Trend, render
from logger.screen.status_lines import status_lines


def row(label: str, value: float | None, quantity: str, text: str, problem: str | None = None) -> dict[str, Any]:
    return {"label": label, "value": value, "quantity": quantity, "text": text, "problem": problem, "note": None}


STATE: dict[str, Any] = {
    "job": {"job_id": "2026-01-02-01", "refrigerant": "R-407C", "invented": True, "units": "us"},
    "refrigerant": "R-407C",
    "stage": {"label": "Recovery", "running": True, "elapsed_s": 4205.0},
    "ambient": row("Barometric pressure", 101_325.0, "barometer", "29.92 in. Hg"),
    "view": {"headline": "cylinder_of_limit", "lines": ["recovered", "time_to_limit"], "trend": "cylinder_mass",
             "log_trend": False},
    "live": {
        "cylinder_of_limit": row("Cylinder, share of its limit", 0.912, "ratio", "91.2 %"),
        "recovered": row("Recovered", 50.1, "mass", "110.4 lb"),
        "time_to_limit": row("Cylinder full in", 754.0, "time", "12.6 min"),
    },
    "points": [
        {"point": "cylinder_mass", **row("Scale (gross)", 75.0, "mass", "165.3 lb")},
        {"point": "cylinder_pressure", **row("Cylinder pressure", None, "pressure", "unknown", "open circuit")},
    ],
    "findings": [],
    "notes": [],
    "cylinders": ["A", "B"],
    "acts": ["machine-started", "machine-stopped", "valve-opened", "valve-closed"],
    "t_ns": 1_700_000_000_000_000_000,
    "next": {"text": "End recovery, begin pressure test", "command": "rimelog stage begin pressure-test",
             "begin": "pressure-test"},
    "alarms": [
        {"key": "overfill-warning", "label": "Cylinder nearly full", "priority": "high", "active": True,
         "acknowledged": False, "message": "Have the next cylinder ready."},
    ],
    "devices": [{"name": "scale board", "text": "connected", "ok": True}],
    "store": {"text": "stored to 07:15:02", "ok": True},
    "caution_short": "Records and warns only. The cylinder's markings come first.",
    "caution": "Records and warns only. Local codes and the cylinder's markings come first.",
}  # fmt: skip
TREND = Trend([{"low_shown": 100.0 + i, "high_shown": 101.0 + i, "unit_shown": "lb"} for i in range(200)])


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (60, 16), (100, 30)])
@pytest.mark.parametrize("page", ["main", "readings", "findings", "devices"])
def test_it_fits_any_size(size: tuple[int, int], page: str) -> None:
    width, height = size
    lines = render(STATE, TREND, width, height, page)
    assert len(lines) == height
    assert all(line.cell_len <= width for line in lines)


def test_what_matters_is_on_the_main_page() -> None:
    text = "\n".join(line.plain for line in render(STATE, TREND, 80, 24))
    for part in ("Recovery 1:10:05", "SAMPLE DATA", "Cylinder nearly full", "HIGH NEW: ", "110.4 lb", "12 min",
                 "unknown", "q leave", "██", "markings come first"):  # fmt: skip
        assert part in text, part


def test_the_page_of_devices_tells_all_of_each() -> None:
    state = copy.deepcopy(STATE)
    state["devices"] = [
        {"name": f"board {i}", "url": "ble://F0:00:00:00:00:01", "ok": i != 2,
         "text": "connected, battery 41 %, signal -77 dBm when found"} for i in range(4)
    ]  # fmt: skip
    text = " ".join(line.plain.strip() for line in render(state, TREND, 80, 24, "devices"))
    for i in range(4):
        assert f"board {i} at ble://F0:00:00:00:00:01: connected, battery 41 %, signal -77 dBm when found" in text


def test_an_unknown_headline_says_why() -> None:
    state = copy.deepcopy(STATE)
    state["live"]["cylinder_of_limit"] = row("Cylinder", None, "ratio", "unknown", "the scale is silent")
    text = "\n".join(line.plain for line in render(state, TREND, 80, 24))
    assert "the scale is silent" in text
    assert "91" not in text


def test_the_first_alarm_says_whole_what_to_do() -> None:
    state = copy.deepcopy(STATE)
    state["alarms"][0]["message"] = "Have an empty cylinder ready and stay at the machine until it is swapped."
    state["alarms"][0]["measured"] = "91.2 %, limit 90.0 %"
    state["alarms"] *= 2
    lines = [line.plain.rstrip() for line in render(state, TREND, 80, 24)]
    assert lines[1:4] == [
        "HIGH NEW: Cylinder nearly full, 91.2 %, limit 90.0 % (1 of 2: L lists)",
        "Have an empty cylinder ready and stay at the machine until it is swapped.",
        "HIGH NEW: Cylinder nearly full, 91.2 %, limit 90.0 %",
    ]


@pytest.mark.parametrize("size", [(80, 24), (60, 16), (120, 40)])
def test_the_large_number_never_jumps_and_no_sentence_is_cut(size: tuple[int, int]) -> None:
    places = set()
    for count in (0, 1, 2, 9):
        state = copy.deepcopy(STATE)
        state["alarms"] = [
            {"key": f"a{i}", "label": "Recovery outlet far above the cylinder", "priority": "urgent", "active": True,
             "acknowledged": False, "measured": "85.3 psi, limit 75.0 psi",
             "message": "Stop the recovery machine and close the cylinder valve. Check the cylinder valve, the hose, "
             "its core depressors and the filter."} for i in range(count)
        ]  # fmt: skip
        state["advice"] = ["Liquid comes: 1.3 L/s if it were vapor, more than a machine takes; inlet at saturation."]
        lines = [line.plain for line in render(state, TREND, *size)]
        places.add(next(i for i, line in enumerate(lines) if "█" in line))
        assert not [line for line in lines if "…" in line and line is not lines[0]]
        page = " ".join(line.plain.strip() for line in render(state, TREND, *size, "alarms"))
        assert count == 0 or "core depressors and the filter. [a0]" in page
    assert len(places) == 1


@pytest.mark.parametrize(
    ("priority", "acknowledged", "stands"), [("low", True, True), ("high", True, True), ("low", False, False)]
)
def test_what_someone_has_seen_leaves_room_for_the_next_step(priority: str, acknowledged: bool, stands: bool) -> None:
    state = copy.deepcopy(STATE)
    state["alarms"] = [
        {"key": key, "label": label, "priority": priority, "active": True, "acknowledged": acknowledged,
         "message": "Plug in the charger; keep the lid open; set the computer never to sleep. Set an alarm clock too."}
        for key, label in (("keep-awake", "COMPUTER MAY GO TO SLEEP"), ("sound-trouble", "NO ALARM SOUND"))
    ]  # fmt: skip
    lines = [line.plain.rstrip() for line in render(state, TREND, 80, 24)]
    assert lines[1].endswith("COMPUTER MAY GO TO SLEEP (1 of 2: L lists)")
    assert any(line.startswith("Next: End recovery") for line in lines[1:5]) is stands
    state["next"]["text"] = "Let the pressure settle 5 min, then end recovery and begin the pressure test of the system"
    if stands and priority == "low":  # a long one too
        assert state["next"]["text"] in " ".join(line.plain.strip() for line in render(state, TREND, 80, 24)[1:5])


@pytest.mark.parametrize("width", [30, 38, 45, 60])
def test_what_belongs_together_is_not_broken(width: int) -> None:
    state = copy.deepcopy(STATE)
    state["alarms"] *= 3
    assert any("(1 of 3: L lists)" in line.plain for line in render(state, TREND, width, 30))
    path = "/home/mechanic/.local/share/rimelog/jobs/2026-11-28-01/logger.log"
    lines = wrapped(f"messages of the logger: {path}", width)
    assert "".join(lines[1:]) == path and all(line.endswith("/") for line in lines[1:-1])


def test_an_old_number_is_not_shown_as_if_it_were_current() -> None:
    for page in ("main", "readings", "findings"):
        lines = [line.plain for line in render(STATE, TREND, 80, 24, page, lost="the logger has ended")]
        text = "\n".join(lines)
        assert len(lines) == 24
        assert "91.2" not in text and "110.4" not in text and "Cylinder nearly full" not in text
        assert "The logger has ended. " in text.replace("\n", " ")
        assert "--continue 2026-01-02-01" in text
        assert sum("█" in line for line in lines) == 5


def test_a_steady_signal_is_a_line_and_not_its_noise() -> None:
    noise: list[float | None] = [0.1 * (i % 3 - 1) for i in range(100)]
    state = copy.deepcopy(STATE)
    state["alarms"] = []
    rows = [{"low_shown": v, "high_shown": v, "unit_shown": "psig"} for v in noise]
    lines = [line.plain for line in render(state, Trend(rows), 80, 24)]
    assert sum(bool(re.search("[⠁-⣿]", line)) for line in lines) == 1


def test_a_time_far_off_is_not_told_to_the_second() -> None:
    state = copy.deepcopy(STATE)
    state["live"]["time_to_limit"]["value"] = 122_863.0
    text = "\n".join(line.plain for line in render(state, TREND, 80, 24))
    assert "over 10 h" in text and "34:07" not in text
    for seconds, said in ((34.0, "34 s"), (574.0, "9 min 34 s"), (634.0, "10 min"), (5685.0, "1 h 34 min")):
        state["live"]["time_to_limit"]["value"] = seconds
        assert f" {said}" in "\n".join(line.plain for line in render(state, TREND, 80, 24))


def test_a_device_in_trouble_is_named_before_the_many_that_are_well() -> None:
    state = copy.deepcopy(STATE)
    state["devices"] = [{"name": f"board number {i}", "text": "connected", "ok": True} for i in range(6)]
    state["devices"].append({"name": "scale", "text": "lost: no answer", "ok": False})
    text = "\n".join(line.plain for line in render(state, TREND, 80, 24))
    assert "scale lost: no answer · 6 of 7 devices connected · stored to 07:15:02" in text


@given(st.text(alphabet="0123456789.,-+:? %kg", max_size=12), st.integers(1, 120), st.integers(1, 14))
@settings(max_examples=150, deadline=None)
def test_large_digits_keep_their_room(text: str, width: int, height: int) -> None:
    lines = large(text, width, height)
    assert lines == [text] or (len(lines) % ROWS == 0 and len(lines) <= height)
    assert lines == [text] or all(len(line) <= width for line in lines)


@given(
    st.lists(st.one_of(st.none(), st.floats(-1e6, 1e6)), max_size=100), st.integers(1, 60), st.integers(1, 12),
    st.booleans(),
)  # fmt: skip
@settings(max_examples=150, deadline=None)
def test_a_plot_never_fails_and_keeps_its_size(values: list[float | None], width: int, height: int, log: bool) -> None:
    drawn = plot(values, values, width, height, log)
    if drawn is not None:
        rows, low, high = drawn
        assert len(rows) == height and all(len(r) == width for r in rows)
        assert low <= high


def test_a_single_spike_is_drawn() -> None:
    flat: list[float | None] = [10.0] * 100
    spike = [*flat]
    spike[40] = 1000.0
    drawn = plot(flat, spike, 50, 6)
    assert drawn is not None
    assert drawn[2] == 1000.0
    assert drawn[0][0][20] != " "


@pytest.mark.parametrize("size", [(45, 30), (80, 24), (120, 40)])
@pytest.mark.parametrize("buckets", [1, 7, 61, 400])
def test_the_trend_goes_from_edge_to_edge_with_its_spike_and_its_gap(size: tuple[int, int], buckets: int) -> None:
    rows: list[dict[str, Any]] = [{"low_shown": 100.0, "high_shown": 101.0, "unit_shown": "lb"} for _ in range(buckets)]
    rows[0]["high_shown"] = 555.0
    for row_ in rows[buckets // 2 : buckets // 2 + buckets // 4]:
        row_["low_shown"] = row_["high_shown"] = None
    state = copy.deepcopy(STATE)
    state["alarms"], state["live"] = [], {"cylinder_of_limit": state["live"]["cylinder_of_limit"]}
    lines = [line.plain for line in render(state, Trend(rows, "whole stage, 12.4 h", "t last 10 min"), *size)]
    at = next(i for i, line in enumerate(lines) if line.startswith("Scale (gross), lb, whole stage, 12.4 h"))
    assert ("t last 10 min" in lines[at]) is (size[0] > 60)
    assert lines[at + 1].startswith("      555 "), "the spike is on the scale"
    plotted = [line[10:] for line in lines[at + 1 :] if re.search("[⠀-⣿]", line)]
    columns = sorted({i for line in plotted for i, ch in enumerate(line) if ch != " "})
    assert columns[0] == 0 and columns[-1] == size[0] - 12, "from the beginning to now"
    empty = size[0] - 11 - len(columns)
    assert empty == pytest.approx((size[0] - 11) * (buckets // 4) / buckets, abs=1.5)


def test_a_trend_that_cannot_be_had_says_why() -> None:
    text = "\n".join(line.plain for line in render(STATE, Trend(problem="the overview is damaged"), 80, 24))
    assert "Scale (gross): no trend: the overview is damaged" in text and "110.4 lb" in text


def test_plain_lines_hold_everything() -> None:
    text = "\n".join(status_lines(STATE))
    for part in ("Recovery", "110.4 lb", "open circuit", "scale board", "come first"):
        assert part in text


def test_of_several_alarms_the_first_is_named_and_what_is_put_away_is_not_called_over() -> None:
    state, alarm = copy.deepcopy(STATE), STATE["alarms"][0]
    until_ns = 1_772_467_200 * NS_PER_S
    shelved = {"state": "shelved", "active": False, "acknowledged": True, "shelved_until_ns": until_ns}
    out = {"state": "out of service", "active": False, "acknowledged": True, "shelved_until_ns": None}
    state["alarms"] = [
        {**alarm, "key": "a", "label": "A", "first_out": True},
        {**alarm, "key": "b", "label": "B", **shelved, "reason": "sensor moved"},
        {**alarm, "key": "c", "label": "C", **out, "reason": ""},
    ]
    told = [
        "HIGH NEW (came first): A. Have the next cylinder ready.",
        f"HIGH silenced until {local_clock(until_ns, seconds=False)}: B. sensor moved. No warning until then.",
        "HIGH out of service: C. No warning.",
    ]
    assert [line for line in status_lines(state) if line.startswith("HIGH")] == [
        f"{line} [{key}]" for line, key in zip(told, "abc", strict=True)
    ]
    screen = [line.plain.strip() for line in render(state, TREND, 120, 40)]
    assert "HIGH NEW (came first): A (1 of 3: L lists)" in screen
    assert "HIGH out of service: C" in screen
    assert not any("came first" in line.plain for line in render(STATE, TREND, 120, 40)), "there is only one"


def many() -> dict[str, Any]:
    state = copy.deepcopy(STATE)
    state["points"] = [{"point": "vacuum", **row(f"reading {i:02d}", 1.0, "mass", f"{i} lb")} for i in range(40)]
    state["devices"] = [{"name": f"board {i:02d}", "text": "connected", "ok": True} for i in range(40)]
    state["findings"] = [
        {"headline": f"finding {i:02d}", "text": "told", "causes": ["a"], "check_next": ["b"], "rule": "c"}
        for i in range(12)
    ]
    return state


@pytest.mark.parametrize("size", [(80, 24), (45, 24), (60, 16)])
@pytest.mark.parametrize(("page", "word", "count"), [("readings", "reading", 40), ("findings", "finding", 12),
                                                     ("devices", "board", 40)])  # fmt: skip
def test_a_page_with_more_than_fits_goes_on(size: tuple[int, int], page: str, word: str, count: int) -> None:
    width, height = size
    state = many()
    first = [line.plain for line in render(state, TREND, width, height, page)]
    (told,) = [line for line in first if ", part 1 of " in line]
    parts = int(told.split(" of ")[1].split(":")[0])
    seen = ""
    for part in range(parts):
        lines = [line.plain for line in render(state, TREND, width, height, page, part=part)]
        assert len(lines) == height and all(len(line) <= width for line in lines)
        assert any(f"part {part + 1} of {parts}" in line for line in lines) and "space next" in lines[-1]
        seen += "\n".join(lines[:-1])
    assert all(f"{word} {i:02d}" in seen for i in range(count))
    assert [line.plain for line in render(state, TREND, width, height, page, part=parts)] == first
    assert [line.plain for line in render(state, TREND, width, height, page, part=-1)] == lines


@pytest.mark.parametrize("page", ["readings", "findings", "devices"])
def test_a_page_that_fits_has_no_parts(page: str) -> None:
    text = "\n".join(line.plain for line in render(STATE, TREND, 80, 24, page, part=3))
    assert "part" not in text
