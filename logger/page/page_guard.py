"""What is asked of each request before anything is done with it, and the headers of every answer."""

from collections.abc import MutableMapping
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from logger.api.access import foreign_refusal, length_refusal, problem
from logger.page.pairing import Pairing

KEY_HEADER = "x-rimelog-key"
OPEN = frozenset({"/", "/page.css", "/page.js", "/pair", "/session"})  # nothing of the job; /pair asks for the code
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


class PageGuard:
    """ASGI middleware. hosts: as a Host header names them, such as "127.0.0.1:8471"."""

    def __init__(self, app: ASGIApp, pairing: Pairing, hosts: frozenset[str], cookie: str) -> None:
        self.app, self._pairing, self._hosts, self._cookie = app, pairing, hosts, cookie

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
        if (refusal := foreign_refusal(request, self._hosts) or length_refusal(request)) is not None:
            return refusal
        if request.url.path in OPEN:
            return None
        cookie = request.cookies.get(self._cookie, "")
        if not self._pairing.may_watch(cookie):
            return problem(401, "This browser is not connected.")
        if request.method not in ("GET", "HEAD") and not self._pairing.may_act(
            cookie, request.headers.get(KEY_HEADER, "")
        ):
            return problem(403, "This browser may watch but not act.")
        return None


def _replace(message: MutableMapping[str, Any], headers: tuple[tuple[bytes, bytes], ...]) -> None:
    names = {name for name, _ in headers}
    message["headers"] = [*(pair for pair in message["headers"] if pair[0].lower() not in names), *headers]
