"""Keys as terminals send them."""

import os
import pty
import sys

import pytest

from logger.screen.key_reader import DOWN, LEFT, RIGHT, UP, Keys, keys_of
from logger.screen.terminal import ONWARD
from tests.terminal import PTY


@pytest.mark.parametrize(
    ("sent", "key"),
    [
        ("r", "r"), ("", ""), (" ", " "), ("\x1b[A", UP), ("\x1bOB", DOWN), ("\x1b[C", RIGHT), ("\x1b[D", LEFT),
        ("\x1b[5~", UP), ("\x1b[6~", DOWN), ("\x1b[15~", ""), ("\x1b", "\x1b"),
    ],
)  # fmt: skip
def test_a_key_is_a_character_or_an_arrow(sent: str, key: str) -> None:
    assert keys_of(sent) == ([key] if sent else [])


def test_a_quick_hand_loses_no_key() -> None:
    assert keys_of("no\x1b[A\x1b[1;5Cb\r") == ["n", "o", UP, RIGHT, "b", "\r"]


def test_arrows_and_space_turn_the_page() -> None:
    assert [ONWARD[key] for key in (" ", DOWN, RIGHT, UP, LEFT, "\x7f")] == [1, 1, 1, -1, -1, -1]


@PTY
def test_a_terminal_that_is_gone_ends_the_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a hang-up is ignored: a window that asks again and again would take half a processor for good."""
    far, near = pty.openpty()
    keys = Keys()
    with os.fdopen(near) as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        keys._old = []
        os.write(far, b"x\n")
        assert keys.pressed(5.0) == "x"
        assert keys.pressed(0.0) == "\n"
        os.close(far)
        with pytest.raises(EOFError):
            keys.pressed(5.0)
