"""Who may use the page: a browser that showed a code, once, and has its cookie since.

A code has 128 random bits and works once, within CODE_S, at the door it was made for: this computer's (loopback), or
the local network's, for a phone. It carries what the browser may do and who holds it. The cookie lets a browser watch;
to act, it also sends a key that only its own page can read: cookies do not tell ports apart, so another program of this
computer that the browser visits would be sent the cookie, but not the key. All is forgotten when the page's program
ends.
"""

import hmac
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum

CODE_S = 600.0
SESSION_S = 7 * 86_400.0
MAX_FAILED, FAILED_S = 10, 60.0  # wrong codes of one address: its next is looked at a minute after the first of them
MAX_ADDRESSES = 256
MAX_SESSIONS = 16  # of each door


class PairingRefused(Exception):
    """The message says why. locked: wait and try again."""

    def __init__(self, text: str, locked: bool = False) -> None:
        super().__init__(text)
        self.locked = locked


class Role(StrEnum):
    """What a browser may do. Each may what those before it may."""

    VIEW = "view"
    ACKNOWLEDGE = "acknowledge"
    OPERATE = "operate"

    def may(self, needed: "Role") -> bool:
        return list(Role).index(self) >= list(Role).index(needed)

    @property
    def says(self) -> str:
        return {
            Role.VIEW: "This phone may view. Ask for operate on the laptop.",
            Role.ACKNOWLEDGE: "This phone may view and acknowledge alarms. Ask for operate on the laptop.",
            Role.OPERATE: "",
        }[self]


@dataclass(frozen=True, slots=True)
class PairingCode:
    """local: for the door of this computer. name: who acts with it; "" for the one of `rimelog setup`."""

    text: str
    local: bool
    role: Role
    name: str
    until_s: float


@dataclass(frozen=True, slots=True)
class BrowserSession:
    """n: counts from 1. cookie: to watch. key: to act. since_s: of the pairing's clock."""

    n: int
    local: bool
    role: Role
    name: str
    address: str
    since_s: float
    cookie: str = field(repr=False)
    key: str = field(repr=False)


class Pairing:
    """now_s: a clock that only goes forwards. ended: told of each session that is revoked or makes room."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self._codes: dict[bool, PairingCode] = {}  # the newest of each door
        self._sessions: dict[int, BrowserSession] = {}
        self._failed_s: dict[str, list[float]] = {}
        self._count = 0
        self.ended: Callable[[BrowserSession], None] = lambda session: None

    def new_code(self, role: Role = Role.OPERATE, name: str = "", local: bool = True) -> PairingCode:
        """The one before, of the same door, works no more."""
        made = PairingCode(secrets.token_urlsafe(16), local, role, name, self._now_s() + CODE_S)
        self._codes[local] = made
        return made

    def waiting(self) -> PairingCode | None:
        """The phone's code that still works."""
        code = self._codes.get(False)
        return code if code is not None and self._now_s() < code.until_s else None

    def pair(self, code: str, address: str = "127.0.0.1", local: bool = True) -> BrowserSession:
        """Raises PairingRefused."""
        now_s = self._now_s()
        failed = [at for at in self._failed_s.pop(address, []) if at > now_s - FAILED_S]
        if failed:
            self._failed_s[address] = failed
        if len(failed) >= MAX_FAILED:
            raise PairingRefused("Too many wrong codes. Wait a minute, then try again.", locked=True)
        waiting = self._codes.get(local)
        if waiting is None or not _same(code, waiting.text) or now_s >= waiting.until_s:
            self._failed_s[address] = [*failed, now_s]
            if len(self._failed_s) > MAX_ADDRESSES:
                del self._failed_s[next(iter(self._failed_s))]
            raise PairingRefused("This code was used, is too old, or is wrong.")
        del self._codes[local]
        self._count += 1
        session = BrowserSession(
            self._count, local, waiting.role, waiting.name, address, now_s, secrets.token_urlsafe(16),
            secrets.token_urlsafe(16),
        )  # fmt: skip
        beside = [one for one in self.sessions() if one.local is local]
        for oldest in beside[: max(0, len(beside) + 1 - MAX_SESSIONS)]:
            self.revoke(oldest.n)
        self._sessions[session.n] = session
        return session

    def sessions(self) -> Iterator[BrowserSession]:
        """Oldest first."""
        for one in list(self._sessions.values()):
            if self._now_s() < one.since_s + SESSION_S:
                yield one
            else:
                self.revoke(one.n)

    def revoke(self, n: int) -> bool:
        """Whether there was one."""
        session = self._sessions.pop(n, None)
        if session is not None:
            self.ended(session)
        return session is not None

    def session(self, cookie: str, local: bool = True) -> BrowserSession | None:
        """Whose cookie it is, at the door it was given at."""
        found = [one for one in self.sessions() if one.local is local and _same(cookie, one.cookie)]
        return found[0] if found else None


def may_act(session: BrowserSession, key: str) -> bool:
    return _same(session.key, key)


def _same(a: str, b: str) -> bool:
    return hmac.compare_digest(a.encode("utf-8", "replace"), b.encode("utf-8", "replace"))
