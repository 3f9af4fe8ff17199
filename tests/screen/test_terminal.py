"""The loop behind the screen: what it draws belongs together."""

import re
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pexpect
import pytest

from logger.model.units import NS_PER_S
from logger.screen.terminal import StreamFollower
from logger.screen.words import trend_span
from tests.end_to_end.running import environment
from tests.terminal import COLOR, PTY


class Lost(Exception):
    """The daemon of this test is gone."""


class TwoStages:
    """A daemon whose stage changes, and with it the point whose trend is drawn."""

    def __init__(self) -> None:
        self.over = threading.Event()

    def act(self, action: str, **body: Any) -> dict[str, Any]:
        raise NotImplementedError

    def history(self, point: str, since_ns: int, buckets: int) -> list[dict[str, Any]]:
        return [{"of": point}]

    def stream(self, last_event_id: str = "") -> Iterator[tuple[str, str, dict[str, Any]]]:
        for number, point in ((1, "cylinder_mass"), (2, "vacuum")):
            stage = {"number": number, "running": True, "elapsed_s": 1.0, "begun_ns": 0}
            yield "snapshot", "", {"t_ns": NS_PER_S, "view": {"trend": point}, "stage": stage}
        self.over.set()
        raise Lost


def test_a_trend_is_never_drawn_under_the_name_of_another_point() -> None:
    daemon = TwoStages()
    follower = StreamFollower(lambda: daemon, Lost)
    assert daemon.over.wait(30)
    follower.ended = True
    assert follower.picture is not None
    state, trend = follower.picture
    assert state["view"]["trend"] == "vacuum" and trend.rows == [{"of": "vacuum"}]


def test_the_trend_is_of_the_whole_stage_or_of_the_last_ten_minutes() -> None:
    t_ns = 100_000 * NS_PER_S
    running = {"t_ns": t_ns, "stage": {"running": True, "begun_ns": 5, "elapsed_s": 44_640.0}}
    assert trend_span(running, False) == (5, "whole stage, 12.4 h", "t last 10 min")
    assert trend_span(running, True) == (t_ns - 600 * NS_PER_S, "last 10 min", "t whole stage")
    ended = {"t_ns": t_ns, "stage": {"running": False, "begun_ns": 5, "elapsed_s": 44_640.0}}
    for state in (ended, {"t_ns": t_ns, "stage": None}):
        assert trend_span(state, False) == (t_ns - 1800 * NS_PER_S, "last 30 min", "t last 10 min")
        assert trend_span(state, True) == (t_ns - 600 * NS_PER_S, "last 10 min", "t last 30 min")


def test_the_trend_keeps_up_with_a_clock_that_runs_fast() -> None:
    asked: list[int] = []

    class Fast(TwoStages):
        def history(self, point: str, since_ns: int, buckets: int) -> list[dict[str, Any]]:
            asked.append(since_ns)
            return []

        def stream(self, last_event_id: str = "") -> Iterator[tuple[str, str, dict[str, Any]]]:
            for s in (10_000, 10_001, 10_400, 10_800):  # a second apart for who looks on, but for the second
                yield "snapshot", "", {"t_ns": s * NS_PER_S, "view": {"trend": "vacuum"}, "stage": None}
            self.over.set()
            raise Lost

    daemon = Fast()
    follower = StreamFollower(lambda: daemon, Lost)
    assert daemon.over.wait(30)
    follower.ended = True
    assert asked[:3] == [(s - 1800) * NS_PER_S for s in (10_000, 10_400, 10_800)]


class NoHistory(TwoStages):
    def history(self, point: str, since_ns: int, buckets: int) -> list[dict[str, Any]]:
        raise Lost("the overview is damaged")


def test_without_a_trend_the_readings_go_on() -> None:
    daemon = NoHistory()
    follower = StreamFollower(lambda: daemon, Lost)
    assert daemon.over.wait(30)
    follower.ended = True
    assert follower.picture is not None
    state, trend = follower.picture
    assert state["stage"]["number"] == 2 and trend.problem == "the overview is damaged"


DRAWN = (
    "from rich.console import Console; from logger.screen.layout import render\n"
    "from tests.screen.test_layout import STATE, TREND\n"
    "Console().print(*render(STATE, TREND, 79, 24), sep=chr(10))"
)  # as `watch` makes its console


@PTY
@pytest.mark.parametrize("no_color", [None, "1"])
def test_no_color_is_honoured_on_a_terminal(tmp_path: Path, no_color: str | None) -> None:
    """Weight and reverse remain: an alarm is still told apart."""
    env = environment(tmp_path) | {"TERM": "xterm-256color", "LC_ALL": "C.UTF-8"}
    env.pop("NO_COLOR", None)
    env |= {"NO_COLOR": no_color} if no_color else {}
    said = pexpect.run(f"{sys.executable} -c '{DRAWN}'", env=env, cwd=str(tmp_path), timeout=60).decode()
    assert "HIGH NEW: Cylinder nearly full" in said and re.search(r"\x1b\[1[;m]", said)
    assert bool(COLOR.search(said)) is (no_color is None)
