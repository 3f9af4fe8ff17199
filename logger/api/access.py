"""Who may talk to the API: right token, right Host, no foreign Origin, bounded body.

A web page in the mechanic's browser can send requests to loopback; the token (which it cannot read), the Host
check (DNS rebinding) and the Origin check keep it out. No state changes by GET.
"""

import asyncio
import hmac
import json
from collections.abc import Mapping, Sequence
from typing import Any

from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Receive, Scope, Send

MAX_BODY_BYTES = 16_384
MAX_DEPTH = 8
BODY_S = 10.0


def problem(status: int, text: str, why: Sequence[Mapping[str, Any]] = ()) -> JSONResponse:
    """RFC 9457 problem details. why: the reasons as data; "code" is the first one's key."""
    data = {"type": "about:blank", "status": status, "title": text}
    more = {"code": why[0]["key"], "why": why} if why else {}
    return JSONResponse(data | more, status, media_type="application/problem+json")


def shows_token(headers: Mapping[bytes, bytes], token: bytes) -> bool:
    """headers: by name in lower case."""
    return hmac.compare_digest(headers.get(b"authorization", b""), b"Bearer " + token)


class Guard:
    """ASGI middleware; everything but the checks passes through."""

    def __init__(self, app: ASGIApp, token: str, hosts: frozenset[str]) -> None:
        self.app, self._token, self._hosts = app, token.encode(), hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        refusal = self._refusal(Request(scope))
        if refusal is not None:
            await refusal(scope, receive, send)
            return
        await self.app(scope, receive, send)

    def _refusal(self, request: Request) -> JSONResponse | None:
        if (foreign := foreign_refusal(request, self._hosts)) is not None:
            return foreign
        if not shows_token(dict(request.headers.raw), self._token):
            return problem(401, "a valid token is needed")
        return length_refusal(request)


def foreign_refusal(request: Request, hosts: frozenset[str]) -> JSONResponse | None:
    """For another host name (DNS rebinding) or another origin."""
    if request.headers.get("host", "").lower() not in hosts:
        return problem(421, "this host name is not served here")
    origin = request.headers.get("origin")
    if origin is not None and origin.lower().removeprefix(f"{request.scope.get('scheme', 'http')}://") not in hosts:
        return problem(403, "requests from another origin are refused")
    return None


def length_refusal(request: Request) -> JSONResponse | None:
    """For a body that is said to be longer than MAX_BODY_BYTES."""
    length = request.headers.get("content-length")
    if length is not None and (not length.isdecimal() or int(length[:9]) > MAX_BODY_BYTES):
        return problem(413, f"a body has up to {MAX_BODY_BYTES} bytes")
    return None


async def json_object(request: Request) -> dict[str, Any]:
    """The body as a JSON object, or ValueError with the reason. Reads at most MAX_BODY_BYTES, for at most BODY_S."""
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if kind != "application/json":
        raise ValueError("send application/json")
    body = b""
    try:
        async with asyncio.timeout(BODY_S):
            async for chunk in request.stream():
                body += chunk
                if len(body) > MAX_BODY_BYTES:
                    raise ValueError(f"a body has up to {MAX_BODY_BYTES} bytes")
    except (TimeoutError, ClientDisconnect) as exc:
        raise ValueError("the body did not come whole in time") from exc
    try:
        data = json.loads(body.decode("utf-8"), parse_constant=_no_constant)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as exc:
        raise ValueError(f"not JSON: {exc}") from exc
    if not isinstance(data, dict):
        raise ValueError("send a JSON object")
    _check(data, 0)
    return data


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number here")


def _check(data: object, depth: int) -> None:
    """Bounded depth and finite numbers that a float can hold; lone surrogates are no text."""
    if depth > MAX_DEPTH:
        raise ValueError("nested too deeply")
    if isinstance(data, dict):
        for key, value in data.items():
            _check(key, depth + 1)
            _check(value, depth + 1)
    elif isinstance(data, list):
        for value in data:
            _check(value, depth + 1)
    elif isinstance(data, str):
        try:
            data.encode("utf-8")
        except UnicodeEncodeError as exc:
            raise ValueError("text with a lone surrogate") from exc
    elif (isinstance(data, int) and abs(data) > 2**63) or (isinstance(data, float) and abs(data) > 1e300):
        raise ValueError("a number out of any range")
