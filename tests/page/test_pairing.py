"""The code of the page's address works once and not for long; nobody guesses it."""

import pytest

from logger.page.pairing import CODE_S, FAILED_S, MAX_FAILED, MAX_SESSIONS, Pairing, PairingRefused


class Clock:
    def __init__(self) -> None:
        self.s = 0.0

    def __call__(self) -> float:
        return self.s


def test_a_code_works_once() -> None:
    pairing = Pairing(Clock())
    code = pairing.new_code()
    session = pairing.pair(code)
    assert pairing.may_watch(session.cookie) and pairing.may_act(session.cookie, session.key)
    with pytest.raises(PairingRefused):
        pairing.pair(code)


def test_without_a_code_nothing_is_the_right_one() -> None:
    with pytest.raises(PairingRefused):
        Pairing(Clock()).pair("")


def test_a_code_has_128_bits_and_the_next_one_ends_it() -> None:
    pairing = Pairing(Clock())
    first, second = pairing.new_code(), pairing.new_code()
    assert len(first) == len(second) == 22 and first != second  # base64 of 16 bytes
    with pytest.raises(PairingRefused):
        pairing.pair(first)
    pairing.pair(second)


def test_a_code_is_too_old_after_ten_minutes() -> None:
    clock = Clock()
    pairing = Pairing(clock)
    code = pairing.new_code()
    clock.s = CODE_S
    with pytest.raises(PairingRefused):
        pairing.pair(code)


def test_after_ten_wrong_codes_even_the_right_one_waits_a_minute() -> None:
    clock = Clock()
    pairing = Pairing(clock)
    code = pairing.new_code()
    for _ in range(MAX_FAILED):
        with pytest.raises(PairingRefused):
            pairing.pair("x" * 22)
    with pytest.raises(PairingRefused) as refused:
        pairing.pair(code)
    assert refused.value.locked
    clock.s = FAILED_S
    pairing.pair(code)


def test_a_cookie_alone_watches_and_does_not_act() -> None:
    pairing = Pairing(Clock())
    one, other = pairing.pair(pairing.new_code()), pairing.pair(pairing.new_code())
    assert pairing.may_watch(one.cookie)
    for key in ("", other.key, one.cookie):
        assert not pairing.may_act(one.cookie, key)
    assert not pairing.may_watch("") and not pairing.may_act("", one.key)


def test_the_oldest_browser_makes_room() -> None:
    pairing = Pairing(Clock())
    first, *rest = (pairing.pair(pairing.new_code()) for _ in range(MAX_SESSIONS + 1))
    assert not pairing.may_watch(first.cookie) and all(pairing.may_watch(one.cookie) for one in rest)
