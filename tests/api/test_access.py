"""The guard and the bounds of a body by themselves, without a server: what comes past them, to the last byte."""

import asyncio
from typing import Any

import pytest
from starlette.requests import Request
from starlette.types import Message, Receive, Scope, Send

from logger.api import access
from logger.api.access import MAX_BODY_BYTES, MAX_DEPTH, Guard, json_object, problem

TOKEN = "t0ken"
HOSTS = frozenset({"127.0.0.1:8123", "localhost:8123"})
SOUND = {"host": "127.0.0.1:8123", "authorization": f"Bearer {TOKEN}"}


def answered(headers: dict[str, str], kind: str = "http") -> int | None:
    """Status of the refusal; None when the request came through to the app."""
    reached: list[str] = []
    sent: list[Message] = []

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        reached.append(scope["type"])

    async def receive() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Message) -> None:
        sent.append(message)

    raw = [(name.encode(), value.encode()) for name, value in headers.items()]
    scope = {"type": kind, "method": "POST", "path": "/", "query_string": b"", "headers": raw}
    asyncio.run(Guard(app, TOKEN, HOSTS)(scope, receive, send))
    assert bool(reached) is not bool(sent)  # a refused request never reaches the app
    return None if reached else int(sent[0]["status"])


@pytest.mark.parametrize(
    ("changes", "status"),
    [
        ({}, None),
        ({"host": "LOCALHOST:8123"}, None),
        ({"host": ""}, 421), ({"host": None}, 421), ({"host": "127.0.0.1"}, 421), ({"host": "evil.example:8123"}, 421),
        ({"origin": "http://127.0.0.1:8123"}, None), ({"origin": "HTTP://LOCALHOST:8123"}, None),
        ({"origin": "https://127.0.0.1:8123"}, 403), ({"origin": "null"}, 403), ({"origin": ""}, 403),
        ({"origin": "http://evil.example"}, 403), ({"origin": "http://http://localhost:8123"}, 403),
        ({"authorization": None}, 401), ({"authorization": ""}, 401), ({"authorization": "Bearer "}, 401),
        ({"authorization": TOKEN}, 401), ({"authorization": f"Bearer {TOKEN} "}, 401),
        ({"authorization": f"Bearer {TOKEN[:-1]}"}, 401), ({"authorization": f"bearer {TOKEN}"}, 401),
        ({"content-length": "0"}, None), ({"content-length": "16384"}, None), ({"content-length": "16385"}, 413),
        ({"content-length": "-1"}, 413), ({"content-length": "x"}, 413), ({"content-length": "1e3"}, 413),
        ({"content-length": ""}, 413), ({"content-length": "9" * 5000}, 413),
        # The first that objects answers: nobody without a token learns what a body may be.
        ({"host": "evil.example", "authorization": None}, 421),
        ({"origin": "null", "authorization": None}, 403),
        ({"authorization": None, "content-length": "x"}, 401),
    ],
)  # fmt: skip
def test_who_comes_through(changes: dict[str, str | None], status: int | None) -> None:
    headers = {name: value for name, value in {**SOUND, **changes}.items() if value is not None}
    assert answered(headers) == status


def test_what_is_no_request_is_the_apps() -> None:
    assert answered({}, "lifespan") is None


def read(*chunks: bytes, kind: str = "application/json", most: int | None = None) -> dict[str, Any]:
    """most: chunks that may be asked for."""
    left = list(chunks)

    async def receive() -> Message:
        if most is not None:
            assert len(chunks) - len(left) < most, "read on beyond the bound"
        if not left:
            await asyncio.sleep(60)
        chunk = left.pop(0)
        return {"type": "http.request", "body": chunk, "more_body": bool(left) or chunk == b"..."}

    scope = {"type": "http", "method": "POST", "headers": [(b"content-type", kind.encode())]}
    return asyncio.run(json_object(Request(scope, receive)))


def test_a_body_is_read_in_any_cut() -> None:
    assert read(b'{"a": [1, "', "ü".encode()[:1], "ü".encode()[1:], b'"]}') == {"a": [1, "ü"]}
    assert read(b"{}", kind="Application/JSON; charset=utf-8") == {}


def test_a_body_of_the_most_that_is_read_and_one_byte_more() -> None:
    body = b'{"a": "' + b"x" * (MAX_BODY_BYTES - 9) + b'"}'
    assert len(body) == MAX_BODY_BYTES == 16_384
    assert len(read(body)["a"]) == MAX_BODY_BYTES - 9
    with pytest.raises(ValueError, match="up to 16384 bytes"):
        read(body + b" ", b" ", most=1)


def nested(depth: int, inner: str) -> bytes:
    return ('{"a":' + "[" * (depth - 1) + inner + "]" * (depth - 1) + "}").encode()


@pytest.mark.parametrize(
    ("body", "why"),
    [
        (nested(MAX_DEPTH, "1"), None), (nested(MAX_DEPTH + 1, "1"), "nested too deeply"),
        (b'{"a":' * 8 + b"1" + b"}" * 8, None), (b'{"a":' * 9 + b"1" + b"}" * 9, "nested too deeply"),
        (b"[" * 5000 + b"]" * 5000, "not JSON|JSON object"),
        (b'{"a": 9223372036854775808}', None), (b'{"a": 9223372036854775809}', "out of any range"),
        (b'{"a": -9223372036854775808}', None), (b'{"a": [-9223372036854775809]}', "out of any range"),
        (b'{"a": 1e300}', None), (b'{"a": 1.01e300}', "out of any range"), (b'{"a": -1e301}', "out of any range"),
        (b'{"a": 1e999}', "out of any range"), (b'{"a": true, "b": null}', None),
        (b'{"a": NaN}', "NaN is not a number"), (b'{"a": -Infinity}', "-Infinity is not a number"),
        (b'{"a": "\\ud800"}', "lone surrogate"), (b'{"\\udfff": 1}', "lone surrogate"),
        (b'{"a": "\\ud83d\\ude00"}', None),
        (b"[]", "JSON object"), (b"1", "JSON object"), (b"", "not JSON"), (b'{"a"', "not JSON"), (b"{} {}", "not JSON"),
        (b'{"a": "\xff"}', "not JSON"),
    ],
)  # fmt: skip
def test_what_a_body_may_hold(body: bytes, why: str | None) -> None:
    if why is None:
        assert isinstance(read(body), dict)
        return
    with pytest.raises(ValueError, match=why):
        read(body)


@pytest.mark.parametrize("kind", ["", "text/plain", "application/jsonp", "text/html; application/json"])
def test_a_form_of_another_page_is_no_body(kind: str) -> None:
    """A page elsewhere can send these without asking first."""
    with pytest.raises(ValueError, match="send application/json"):
        read(b"{}", kind=kind, most=0)


def test_a_body_that_does_not_end_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    assert access.BODY_S == 10.0
    monkeypatch.setattr(access, "BODY_S", 0.01)
    with pytest.raises(ValueError, match="did not come whole in time"):
        read(b"...")


def test_a_refusal_carries_its_reasons_as_data() -> None:
    why = [{"key": "permit.full"}, {"key": "permit.no_scale"}]
    told = problem(409, "not now", why)
    assert told.status_code == 409 and told.media_type == "application/problem+json"
    assert bytes(told.body) == (
        b'{"type":"about:blank","status":409,"title":"not now","code":"permit.full",'
        b'"why":[{"key":"permit.full"},{"key":"permit.no_scale"}]}'
    )
    assert bytes(problem(401, "no").body) == b'{"type":"about:blank","status":401,"title":"no"}'
