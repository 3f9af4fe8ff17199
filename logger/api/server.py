"""The API's routes and its server.

GET  /api/v1/status           the present state
GET  /api/v1/history          ?point=vacuum&since=UTC_NS&buckets=120: the store's overview from then to now
GET  /api/v1/events           ?since=RECORD_ID
GET  /api/v1/stream           server-sent events: "snapshot" once a second, "event" for each stored event,
                              id "<job id>-<record id>"; Last-Event-ID resumes without loss
POST /api/v1/do/{action}      JSON object; actions in logger/api/daemon_port.py. Refused: 409 with the sentence as
                              "title", its key as "code", each reason as data in "why"
"""

import asyncio
import contextlib
import json
import socket
from collections.abc import AsyncIterator, Generator
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from logger.api.access import Guard, json_object, problem
from logger.api.daemon_port import ACTIONS, Control, Refused
from logger.api.door import Door, TimedConnection
from logger.api.private_socket import listen_at

MAX_STREAMS = 16
MAX_BUCKETS = 2000
GRACE_S = 1.5  # for answers under way when the daemon ends
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
            return problem(404, str(exc), exc.why)
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
            return problem(409, str(exc), exc.why)

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


class ApiServer:
    """uvicorn in the daemon's loop, on a loopback port of its own and a unix socket at `private` where that can be."""

    def __init__(self, control: Control, token: str, port: int = 0, private: Path | None = None) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._socket.bind(("127.0.0.1", port))
        self._socket.listen(1024)  # strangers that wait there cost nothing
        self.port: int = self._socket.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self._private = listen_at(private)
        self.private = private if self._private is not None else None
        self._token = token.encode()
        hosts = frozenset({f"127.0.0.1:{self.port}", f"localhost:{self.port}"})
        config = uvicorn.Config(
            make_app(control, token, hosts),
            log_level="error",  # a warning for each request of a stranger would fill the terminal
            access_log=False,
            lifespan="off",
            ws="none",
            h11_max_incomplete_event_size=32_768,
            timeout_keep_alive=30,
            timeout_graceful_shutdown=1,
        )
        self._server = _Server(config)
        self._serving: asyncio.Task[None] | None = None
        self._doors: list[asyncio.Task[None]] = []

    async def start(self) -> None:
        serving = asyncio.create_task(self._server.serve(sockets=[]), name="api")
        ready = asyncio.create_task(self._server.ready.wait())
        await asyncio.wait([serving, ready], return_when=asyncio.FIRST_COMPLETED)
        ready.cancel()
        listeners = [self._socket] if self._private is None else [self._socket, self._private]
        self._doors = [
            asyncio.create_task(Door(one, self._token, self._made).run(), name="api door") for one in listeners
        ]
        self._serving = serving

    def _made(self, begun: bytes) -> TimedConnection:
        server = self._server
        return TimedConnection(begun, config=server.config, server_state=server.server_state, app_state={})

    async def stop(self) -> None:
        if self._serving is not None:
            for door in self._doors:
                door.cancel()
            self._server.should_exit = True
            _, waiting = await asyncio.wait([self._serving, *self._doors], timeout=GRACE_S)
            self._server.force_exit = True  # a reader that does not go holds nothing up
            if waiting:
                await asyncio.wait(waiting, timeout=GRACE_S)
        self._socket.close()
        if self._private is not None and self.private is not None:
            self._private.close()
            self.private.unlink(missing_ok=True)


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
