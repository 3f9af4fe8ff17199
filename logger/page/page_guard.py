"""What is asked of each request before anything is done with it, and the headers of every answer."""

from collections.abc import Callable, MutableMapping
from dataclasses import dataclass
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from logger.api.access import foreign_refusal, length_refusal, problem
from logger.page.page_door import Guest
from logger.page.pairing import BrowserSession, Pairing, Role, may_act

KEY_HEADER = "x-rimelog-key"
# Nothing of the job; /pair asks for the code.
OPEN = frozenset({"/", "/page.css", "/page.js", "/forms.js", "/pair", "/session"})
OWNERS = "/phones"  # who may use the page: for the browser of this computer alone
ACKNOWLEDGES = "/do/acknowledge"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)


@dataclass(frozen=True, slots=True)
class DoorRules:
    """Of the door that listens at `port`. names: host names beside its address; of a certificate, for the network's."""

    port: int
    local: bool
    tls: bool = False
    names: frozenset[str] = frozenset()

    @property
    def cookie(self) -> str:
        return f"{'__Host-' if self.tls else ''}rimelog-{self.port}"

    def hosts(self, address: str) -> frozenset[str]:
        """As a Host header names them. address: at which the request came in."""
        return frozenset(f"{name}:{self.port}" for name in (*self.names, address))


@dataclass(frozen=True, slots=True)
class Visit:
    """Who asks, as routes find it in `request.state.visit`. session: None without a cookie that counts."""

    door: DoorRules
    address: str
    session: BrowserSession | None


class PageGuard:
    """ASGI middleware. door: the rules of the one that listens at a port. known: told whose connection a guest's is."""

    def __init__(
        self,
        app: ASGIApp,
        pairing: Pairing,
        door: Callable[[int], DoorRules | None],
        known: Callable[[Guest, BrowserSession], None],
    ) -> None:
        self.app, self._pairing, self._door, self._known = app, pairing, door, known

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                _replace(message, HEADERS)
            await send(message)

        answer = self._refusal(Request(scope)) or self.app
        await answer(scope, receive, guarded)

    def _refusal(self, request: Request) -> Response | None:
        address, port = request.scope["server"]
        door = self._door(port)
        if door is None:
            return problem(421, "this host name is not served here")
        if (refusal := foreign_refusal(request, door.hosts(address)) or length_refusal(request)) is not None:
            return refusal
        session = self._pairing.session(request.cookies.get(door.cookie, ""), door.local)
        request.state.visit = Visit(door, request.scope["client"][0], session)
        if session is not None:
            self._known(request.state.guest, session)
        if request.url.path in OPEN:
            return None
        if session is None:
            return problem(401, "This browser is not connected.")
        if request.url.path.startswith(OWNERS) and not session.local:
            return problem(403, "Phones are connected at the laptop.")
        if request.method in ("GET", "HEAD"):
            return None
        if not may_act(session, request.headers.get(KEY_HEADER, "")):
            return problem(403, "This browser may watch but not act.")
        if not session.role.may(Role.ACKNOWLEDGE if request.url.path == ACKNOWLEDGES else Role.OPERATE):
            return problem(403, session.role.says)
        return None


def _replace(message: MutableMapping[str, Any], headers: tuple[tuple[bytes, bytes], ...]) -> None:
    names = {name for name, _ in headers}
    message["headers"] = [*(pair for pair in message["headers"] if pair[0].lower() not in names), *headers]
