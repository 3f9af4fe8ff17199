"""The loop behind the screen: what it draws belongs together."""

import threading
from collections.abc import Iterator
from typing import Any

from logger.screen.live import Follower


class Lost(Exception):
    """The daemon of this test is gone."""


class TwoStages:
    """A daemon whose stage changes, and with it the point whose trend is drawn."""

    def __init__(self) -> None:
        self.over = threading.Event()

    def act(self, action: str, **body: Any) -> dict[str, Any]:
        raise NotImplementedError

    def history(self, point: str, seconds: float, buckets: int) -> list[dict[str, Any]]:
        return [{"of": point}]

    def stream(self, last_event_id: str = "") -> Iterator[tuple[str, str, dict[str, Any]]]:
        for number, point in ((1, "cylinder_mass"), (2, "vacuum")):
            stage = {"number": number, "running": True, "elapsed_s": 1.0}
            yield "snapshot", "", {"view": {"trend": point}, "stage": stage}
        self.over.set()
        raise Lost


def test_a_trend_is_never_drawn_under_the_name_of_another_point() -> None:
    daemon = TwoStages()
    follower = Follower(lambda: daemon, Lost)
    assert daemon.over.wait(30)
    follower.ended = True
    assert follower.picture is not None
    state, trend = follower.picture
    assert state["view"]["trend"] == "vacuum" and trend == [{"of": "vacuum"}]
