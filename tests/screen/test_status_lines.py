"""The plain lines of `rimelog status` between stages."""

import copy

import pytest

from logger.model.finding import Text
from logger.screen.status_lines import status_lines
from tests.screen.test_layout import STATE


@pytest.mark.parametrize("stage", [None, {"label": "Recovery", "running": False, "elapsed_s": 60.0}])
def test_between_stages_it_says_what_comes_next(stage: dict[str, object] | None) -> None:
    state = copy.deepcopy(STATE)
    state["stage"] = stage
    assert any("no stage is running" in line for line in status_lines(state))
    assert any("Next: " in line and "rimelog stage begin pressure-test" in line for line in status_lines(state))
    assert not any("no stage is running" in line for line in status_lines(STATE))


def test_a_headline_is_not_told_twice() -> None:
    assert Text("cannot tell", "Cannot tell: no pressure.").line == "Cannot tell: no pressure."
    assert Text("held", "No rise.").line == "held: No rise."
