"""The API's routes and its server.

GET  /api/v1/status           the present state
GET  /api/v1/history          ?point=vacuum&since=UTC_NS&buckets=120: the store's overview from then to now
GET  /api/v1/events           ?since=RECORD_ID
GET  /api/v1/stream           server-sent events: "snapshot" once a second, "event" for each stored event,
                              id "<job id>-<record id>"; Last-Event-ID resumes without loss
POST /api/v1/do/{action}      JSON object; actions in logger/api/daemon_port.py
"""

import asyncio
import contextlib
import json
import socket
from collections.abc import AsyncIterator, Generator
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from uvicorn.protocols.http.h11_impl import H11Protocol

from logger.api.access import Guard, json_object, problem
from logger.api.daemon_port import ACTIONS, Control, Refused

MAX_STREAMS = 16
MAX_BUCKETS = 2000
REQUEST_S = 10.0  # for a request to be whole: commands send theirs at once, each on a connection of its own
PREFIX = "/api/v1"


def make_app(control: Control, token: str, hosts: frozenset[str]) -> Starlette:
    """The ASGI application. hosts: accepted Host headers, such as "127.0.0.1:8417"."""
    streams = 0

    async def status(_: Request) -> Response:
        return JSONResponse(control.snapshot())

    async def history(request: Request) -> Response:
        query = request.query_params
        since, buckets = _number(query.get("since", "")), _number(query.get("buckets", "120"))
        if since is None or buckets is None or not 2 <= buckets <= MAX_BUCKETS:
            return problem(400, f"since is a time in ns, UTC, and buckets 2 to {MAX_BUCKETS}")
        try:
            rows = await control.history(query.get("point", ""), since, buckets)
        except Refused as exc:
            return problem(404, str(exc))
        return JSONResponse({"point": query.get("point", ""), "rows": rows})

    async def events(request: Request) -> Response:
        since = _number(request.query_params.get("since", "0"))
        if since is None:
            return problem(400, "since is a record id")
        return JSONResponse({"events": [{"id": i, **data} for i, data in control.events_since(since)]})

    async def stream(request: Request) -> Response:
        nonlocal streams
        if streams >= MAX_STREAMS:
            return problem(503, "too many screens are following; close one")
        after = _last_event_id(request.headers.get("last-event-id", ""), control.job_id)

        async def lines() -> AsyncIterator[str]:
            nonlocal streams
            streams += 1
            try:
                async for text in _sse(control, after):
                    yield text
            finally:
                streams -= 1

        return StreamingResponse(lines(), media_type="text/event-stream", headers={"Cache-Control": "no-store"})

    async def act(request: Request) -> Response:
        action = request.path_params["action"]
        if action not in ACTIONS:
            return problem(404, f"no such action; known: {', '.join(ACTIONS)}")
        try:
            body = await json_object(request)
        except ValueError as exc:
            return problem(400, str(exc))
        try:
            return JSONResponse(await control.act(action, body))
        except Refused as exc:
            return problem(409, str(exc))

    routes = [
        Route(f"{PREFIX}/status", status),
        Route(f"{PREFIX}/history", history),
        Route(f"{PREFIX}/events", events),
        Route(f"{PREFIX}/stream", stream),
        Route(f"{PREFIX}/do/{{action}}", act, methods=["POST"]),
    ]
    return Starlette(routes=routes, middleware=[Middleware(Guard, token=token, hosts=hosts)])


async def _sse(control: Control, after: int | None) -> AsyncIterator[str]:
    # Follow first, then read what was missed: an event in between comes twice and is dropped by its id.
    follower = control.follow()
    last = after if after is not None else 0
    while after is not None and (missed := control.events_since(last)):  # it gives a thousand at most
        for record_id, data in missed:
            last = record_id
            yield _frame("event", control.job_id, record_id, data)
    yield _frame("snapshot", control.job_id, last, control.snapshot())
    async for name, record_id, data in follower:
        if name == "event":
            if record_id <= last:
                continue
            last = record_id
        yield _frame(name, control.job_id, last, data)


def _frame(name: str, job_id: str, record_id: int, data: dict[str, Any]) -> str:
    return f"event: {name}\nid: {job_id}-{record_id}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n"


def _number(text: str) -> int | None:
    """A record id or a time in ns: one that a signed 64-bit integer holds."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 20 and int(text) < 2**63 else None


def _last_event_id(text: str, job_id: str) -> int | None:
    """The record id of "<job id>-<record id>" if it is of this job."""
    job, _, number = text.rpartition("-")
    return _number(number) if job == job_id else None


class _Impatient(H11Protocol):
    """Closes a connection on which no request is being answered: idle ones would keep the mechanic's out."""

    _look: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._look = self.loop.call_later(REQUEST_S, self._close_idle)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._look is not None:
            self._look.cancel()
        super().connection_lost(exc)

    def _close_idle(self) -> None:
        if self.cycle is None or self.cycle.response_complete:
            self.transport.close()
        else:
            self._look = self.loop.call_later(REQUEST_S, self._close_idle)


class ApiServer:
    """uvicorn in the daemon's loop, on a loopback socket of its own."""

    def __init__(self, control: Control, token: str, port: int = 0) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._socket.bind(("127.0.0.1", port))
        self.port: int = self._socket.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        hosts = frozenset({f"127.0.0.1:{self.port}", f"localhost:{self.port}"})
        config = uvicorn.Config(
            make_app(control, token, hosts),
            log_level="warning",
            access_log=False,
            lifespan="off",
            ws="none",
            http=_Impatient,
            h11_max_incomplete_event_size=32_768,
            timeout_keep_alive=30,
            timeout_graceful_shutdown=1,
            limit_concurrency=64,
        )
        self._server = _Server(config)
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        self._task = asyncio.create_task(self._server.serve(sockets=[self._socket]), name="api")
        ready = asyncio.create_task(self._server.ready.wait())
        await asyncio.wait([self._task, ready], return_when=asyncio.FIRST_COMPLETED)
        ready.cancel()

    async def stop(self) -> None:
        if self._task is not None:
            self._server.should_exit = True
            self._server.force_exit = True
            await asyncio.wait([self._task], timeout=3)
        self._socket.close()


class _Server(uvicorn.Server):
    """uvicorn that says when it listens, and leaves signals to the daemon."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.ready = asyncio.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self.ready.set()

    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        yield
