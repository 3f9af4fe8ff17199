"""The code of the page's address works once and not for long; nobody guesses it; what a browser may is in its code."""

import pytest

from logger.page.pairing import (
    CODE_S,
    FAILED_S,
    MAX_ADDRESSES,
    MAX_FAILED,
    MAX_SESSIONS,
    SESSION_S,
    BrowserSession,
    Pairing,
    PairingRefused,
    Role,
    may_act,
)


class Clock:
    def __init__(self) -> None:
        self.s = 0.0

    def __call__(self) -> float:
        return self.s


def connected(pairing: Pairing, local: bool = True, role: Role = Role.OPERATE) -> BrowserSession:
    return pairing.pair(pairing.new_code(role, local=local).text, local=local)


def test_a_code_works_once() -> None:
    pairing = Pairing(Clock())
    code = pairing.new_code().text
    session = pairing.pair(code)
    assert pairing.session(session.cookie) is session and may_act(session, session.key)
    with pytest.raises(PairingRefused):
        pairing.pair(code)


def test_without_a_code_nothing_is_the_right_one() -> None:
    with pytest.raises(PairingRefused):
        Pairing(Clock()).pair("")


def test_a_code_has_128_bits_and_the_next_one_ends_it() -> None:
    pairing = Pairing(Clock())
    first, second = pairing.new_code().text, pairing.new_code().text
    assert len(first) == len(second) == 22 and first != second  # base64 of 16 bytes
    with pytest.raises(PairingRefused):
        pairing.pair(first)
    pairing.pair(second)


def test_a_code_is_too_old_after_ten_minutes() -> None:
    clock = Clock()
    pairing = Pairing(clock)
    code = pairing.new_code(local=False)
    assert pairing.waiting() is code
    clock.s = CODE_S
    assert pairing.waiting() is None
    with pytest.raises(PairingRefused):
        pairing.pair(code.text, local=False)


def test_after_ten_wrong_codes_even_the_right_one_waits_a_minute_at_that_address_alone() -> None:
    clock = Clock()
    pairing = Pairing(clock)
    code = pairing.new_code(local=False).text
    for _ in range(MAX_FAILED):
        with pytest.raises(PairingRefused):
            pairing.pair("x" * 22, "192.168.1.66", local=False)
    with pytest.raises(PairingRefused) as refused:
        pairing.pair(code, "192.168.1.66", local=False)
    assert refused.value.locked
    pairing.pair(code, "192.168.1.7", local=False)
    code = pairing.new_code(local=False).text
    clock.s = FAILED_S
    pairing.pair(code, "192.168.1.66", local=False)


def test_failures_of_many_addresses_are_bounded() -> None:
    pairing = Pairing(Clock())
    for i in range(MAX_ADDRESSES + 50):
        with pytest.raises(PairingRefused):
            pairing.pair("x", f"10.0.{i // 250}.{i % 250}", local=False)
    assert len(pairing._failed_s) == MAX_ADDRESSES


def test_a_code_and_a_cookie_count_at_their_own_door() -> None:
    pairing = Pairing(Clock())
    for local in (True, False):
        code = pairing.new_code(local=local).text
        with pytest.raises(PairingRefused):
            pairing.pair(code, local=not local)
        cookie = pairing.pair(code, local=local).cookie
        assert pairing.session(cookie, local) and pairing.session(cookie, not local) is None


def test_a_key_is_of_its_cookie() -> None:
    pairing = Pairing(Clock())
    one, other = connected(pairing), connected(pairing)
    for key in ("", other.key, one.cookie, "\udcff"):
        assert not may_act(one, key)
    assert pairing.session("") is None


def test_each_role_may_what_those_before_it_may() -> None:
    assert [[one.may(needed) for needed in Role] for one in Role] == [
        [True, False, False], [True, True, False], [True, True, True],
    ]  # fmt: skip
    assert connected(Pairing(Clock()), local=False, role=Role.VIEW).role is Role.VIEW


def test_a_revoked_or_old_browser_is_gone_and_is_told_of() -> None:
    clock, ended = Clock(), list[BrowserSession]()
    pairing = Pairing(clock)
    pairing.ended = ended.append
    first, second = connected(pairing), connected(pairing, local=False)
    assert pairing.revoke(first.n) and not pairing.revoke(first.n) and not pairing.revoke(99)
    assert pairing.session(first.cookie) is None and ended == [first]
    clock.s = SESSION_S
    assert pairing.session(second.cookie, local=False) is None and ended == [first, second]


def test_the_oldest_browser_of_a_door_makes_room() -> None:
    pairing = Pairing(Clock())
    laptop = connected(pairing)
    first, *rest = (connected(pairing, local=False) for _ in range(MAX_SESSIONS + 1))
    assert pairing.session(first.cookie, False) is None and pairing.session(laptop.cookie) is laptop
    assert all(pairing.session(one.cookie, False) for one in rest)
