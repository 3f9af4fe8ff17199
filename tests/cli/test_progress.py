"""Long work says how far it is, changes nothing of what passes, and says nothing where nobody waits."""

import io
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from logger.cli import progress
from logger.cli.progress import counted, counting, working
from tests.terminal import COLOR


@given(st.lists(st.integers()), st.integers(0, 10))
def test_passes_everything_on_in_order(items: list[int], total: int) -> None:
    assert list(counted(items, "Reading", total)) == items
    assert list(counting(quiet=True)(items, "Reading", total)) == items


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Callable[[], str]:
    """Standard error as a terminal; gives what was written."""
    screen = io.StringIO()
    monkeypatch.setattr(progress, "EVERY_S", 0.0)
    monkeypatch.setattr(
        progress, "Console", lambda stderr: Console(file=screen, force_terminal=True, width=80, color_system=None)
    )
    return screen.getvalue


def test_a_terminal_shows_share_rate_and_time_left(terminal: Callable[[], str]) -> None:
    for _ in counted(b"ab" * 500, "Exporting", 1000, unit="records"):
        pass
    assert "Exporting" in terminal()
    assert "100%" in terminal()
    assert "records/s" in terminal()
    assert "0:00:00" in terminal()


def test_sizes_are_summed(terminal: Callable[[], str]) -> None:
    for done in counted([b"x" * 10, b"x" * 30], "Verifying", 80, size=len, unit="bytes"):
        assert done
    assert " 50%" in terminal()


def test_work_of_unknown_length_shows_how_long_it_has_taken(terminal: Callable[[], str]) -> None:
    with working("Starting"):
        pass
    assert "Starting" in terminal()
    assert "0 s" in terminal()


def test_elsewhere_a_line_now_and_then(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(progress, "LINE_S", 0.0)
    assert list(counted(range(4), "Closing", 4)) == [0, 1, 2, 3]
    said = capsys.readouterr().err.splitlines()
    assert [line.split(",")[0] for line in said] == [
        "Closing: 25 %",
        "Closing: 50 %",
        "Closing: 75 %",
        "Closing: 100 %",
    ]
    assert said[-1].endswith("0 s left")


def test_short_work_says_nothing_elsewhere(capsys: pytest.CaptureFixture[str]) -> None:
    assert list(counted(range(4), "Closing", 4)) == [0, 1, 2, 3]
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize("no_color", [None, "1"])
def test_no_color_is_honoured(monkeypatch: pytest.MonkeyPatch, no_color: str | None) -> None:
    """https://no-color.org: any text in the variable means no colour."""
    screen = io.StringIO()
    monkeypatch.delenv("NO_COLOR", raising=False)
    if no_color:
        monkeypatch.setenv("NO_COLOR", no_color)
    monkeypatch.setattr(
        progress, "Console", lambda stderr: Console(file=screen, force_terminal=True, width=80, color_system="256")
    )
    assert list(counted(range(4), "Closing", 4)) == [0, 1, 2, 3]
    assert "Closing" in screen.getvalue()
    assert bool(COLOR.search(screen.getvalue())) is (no_color is None)
