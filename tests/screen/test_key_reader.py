"""Keys as terminals send them."""

import pytest

from logger.screen.key_reader import DOWN, LEFT, RIGHT, UP, keys_of
from logger.screen.terminal import ONWARD


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
