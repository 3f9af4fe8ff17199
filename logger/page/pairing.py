"""Who may use the page: a browser that showed the code from the terminal, once, and has its cookie since.

A code has 128 random bits and works once, within CODE_S. The cookie lets a browser watch; to act, it also sends a key
that only its own page can read: cookies do not tell ports apart, so another program of this computer that the browser
visits would be sent the cookie, but not the key. All is forgotten when the page's program ends.
"""

import hmac
import secrets
from collections.abc import Callable
from dataclasses import dataclass

CODE_S = 600.0
MAX_FAILED, FAILED_S = 10, 60.0  # wrong codes, from anyone: the next is looked at a minute after the first of them
MAX_SESSIONS = 16


class PairingRefused(Exception):
    """The message says why. locked: wait and try again."""

    def __init__(self, text: str, locked: bool = False) -> None:
        super().__init__(text)
        self.locked = locked


@dataclass(frozen=True, slots=True)
class BrowserSession:
    """cookie: to watch. key: to act."""

    cookie: str
    key: str


class Pairing:
    """now_s: a clock that only goes forwards."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self._code, self._until_s = "", 0.0
        self._sessions: list[BrowserSession] = []
        self._failed_s: list[float] = []

    def new_code(self) -> str:
        """The one before works no more."""
        self._code, self._until_s = secrets.token_urlsafe(16), self._now_s() + CODE_S
        return self._code

    def pair(self, code: str) -> BrowserSession:
        """Raises PairingRefused."""
        now_s = self._now_s()
        self._failed_s = [at for at in self._failed_s if at > now_s - FAILED_S]
        if len(self._failed_s) >= MAX_FAILED:
            raise PairingRefused("Too many wrong codes. Wait a minute, then try again.", locked=True)
        right = hmac.compare_digest(code.encode(), self._code.encode())
        if not (self._code and right and now_s < self._until_s):
            self._failed_s.append(now_s)
            raise PairingRefused("This code was used, is too old, or is wrong.")
        self._code = ""
        session = BrowserSession(secrets.token_urlsafe(16), secrets.token_urlsafe(16))
        self._sessions = [*self._sessions, session][-MAX_SESSIONS:]
        return session

    def may_watch(self, cookie: str) -> bool:
        return self._of(cookie) is not None

    def may_act(self, cookie: str, key: str) -> bool:
        session = self._of(cookie)
        return session is not None and hmac.compare_digest(session.key.encode(), key.encode())

    def _of(self, cookie: str) -> BrowserSession | None:
        found = [one for one in self._sessions if hmac.compare_digest(one.cookie.encode(), cookie.encode())]
        return found[0] if found else None
