"""The page's routes and its server, on loopback.

GET  /, /page.css, /page.js   the page: the same for everyone, nothing of the job in it
GET  /session                 {"connected"}: whether this browser may watch
POST /pair                    {"code"}: the code of the address -> a cookie to watch, a key to act
GET  /live                    server-sent events: "state" (logger/page/page_state.py), id as of the daemon's stream;
                              "not-current" with "why"
GET  /series                  ?span=stage or recent: the chart's data (logger/page/page_series.py)
GET  /choices                 stages with their settings, cylinders
POST /do/{action}             JSON object (logger/page/page_acts.py) -> {"text"}; refused: 409 with the sentence as
                              "title", "again" where a person may mean it all the same
"""

import asyncio
import socket
import time
from collections.abc import AsyncIterator, Callable, Sequence
from importlib import resources
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from logger.api.access import json_object, problem
from logger.page.page_acts import ActRefused, again, answered, daemon_body, stage_forms
from logger.page.page_follower import PageFollower
from logger.page.page_guard import PageGuard
from logger.page.page_series import BUCKETS, series
from logger.page.pairing import Pairing, PairingRefused
from logger.screen.daemon_client import DaemonClient
from logger.screen.words import trend_span

USUAL_PORT = 8471
MAX_STREAMS = 8
MAX_CONNECTIONS = 64
SERIES_S = 3.0  # a chart is as old as this at most: all browsers together ask the daemon no more often
FILES = {
    "/": ("page.html", "text/html"),
    "/page.css": ("page.css", "text/css"),
    "/page.js": ("page.js", "text/javascript"),
}
NOT_NOW = "The logger does not answer. Nothing was entered."


class Page:
    """What the routes need. connect: a client of the daemon of one job, whose failures are `lost`. cylinders: names the
    user keeps. paired: told of each browser that comes."""

    def __init__(
        self,
        connect: Callable[[], DaemonClient],
        lost: tuple[type[Exception], ...],
        *,
        cylinders: Callable[[], Sequence[str]] = tuple,
        operator: str = "",
        paired: Callable[[], None] = lambda: None,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.connect, self.lost, self.cylinders, self.operator = connect, lost, cylinders, operator
        self.paired, self.now_s, self.pairing = paired, now_s, Pairing(now_s)


def make_app(page: Page, hosts: frozenset[str], cookie: str) -> Starlette:
    """The ASGI application, in the loop that will serve it. hosts: accepted Host headers. cookie: its name."""
    follower = PageFollower(page.connect, page.lost)
    routes = _Routes(page, follower, cookie)
    app = Starlette(
        routes=[
            *(Route(path, routes.file) for path in FILES),
            Route("/session", routes.session),
            Route("/pair", routes.pair, methods=["POST"]),
            Route("/live", routes.live),
            Route("/series", routes.series),
            Route("/choices", routes.choices),
            Route("/do/{action}", routes.act, methods=["POST"]),
        ],
        middleware=[Middleware(PageGuard, pairing=page.pairing, hosts=hosts, cookie=cookie)],
    )
    app.state.follower = follower
    return app


class _Routes:
    def __init__(self, page: Page, follower: PageFollower, cookie: str) -> None:
        self._page, self._follower, self._cookie = page, follower, cookie
        self._streams = 0
        self._series: dict[bool, tuple[float, object, dict[str, Any]]] = {}
        self._asking = asyncio.Lock()

    async def file(self, request: Request) -> Response:
        name, kind = FILES[request.url.path]
        data = (resources.files("logger.page") / "files" / name).read_bytes()
        return Response(data, media_type=f"{kind}; charset=utf-8")

    async def session(self, request: Request) -> Response:
        return JSONResponse({"connected": self._page.pairing.may_watch(request.cookies.get(self._cookie, ""))})

    async def pair(self, request: Request) -> Response:
        try:
            code = (await json_object(request)).get("code")
        except ValueError as exc:
            return problem(400, str(exc))
        try:
            session = self._page.pairing.pair(code if isinstance(code, str) else "")
        except PairingRefused as exc:
            return problem(429 if exc.locked else 403, str(exc))
        self._page.paired()
        answer = JSONResponse({"key": session.key})
        answer.set_cookie(self._cookie, session.cookie, httponly=True, samesite="strict")
        return answer

    async def live(self, _: Request) -> Response:
        if self._streams >= MAX_STREAMS:
            return problem(503, "Too many pages are open; close one.")

        async def frames() -> AsyncIterator[bytes]:
            self._streams += 1
            try:
                async for frame in self._follower.frames():
                    yield frame
            finally:
                self._streams -= 1

        return StreamingResponse(frames(), media_type="text/event-stream")

    async def series(self, request: Request) -> Response:
        recent = request.query_params.get("span") == "recent"
        async with self._asking:
            state = self._follower.state
            if state is None:
                return problem(503, NOT_NOW)
            stage = state["stage"]
            of = (state["view"]["trend"], stage and (stage["number"], stage["running"]))
            at_s, drawn, made = self._series.get(recent, (0.0, None, {}))
            if drawn != of or self._page.now_s() >= at_s + SERIES_S:
                since_ns = trend_span(state, recent)[0]
                try:
                    rows = await run_in_threadpool(self._history, state["view"]["trend"], since_ns)
                except self._page.lost as exc:
                    return problem(503, str(exc))
                made = series(state, rows, recent)
                self._series[recent] = self._page.now_s(), of, made
        return JSONResponse(made)

    def _history(self, point: str, since_ns: int) -> list[dict[str, Any]]:
        return self._page.connect().history(point, since_ns, BUCKETS)

    async def choices(self, _: Request) -> Response:
        state = self._follower.state
        if state is None:
            return problem(503, NOT_NOW)
        listed = await run_in_threadpool(self._page.cylinders)
        now = (state.get("cylinder") or {}).get("name")
        names = dict.fromkeys([*state["cylinders"], *listed])
        cylinders = [{"name": name, "note": "on the scale now" if name == now else ""} for name in names]
        return JSONResponse({"stages": stage_forms(), "cylinders": cylinders})

    async def act(self, request: Request) -> Response:
        action, state = request.path_params["action"], self._follower.state
        try:
            body = await json_object(request)
        except ValueError as exc:
            return problem(400, str(exc))
        if state is None:
            return problem(503, NOT_NOW)
        try:
            asked = daemon_body(action, body, state, self._page.operator)
            answer = await run_in_threadpool(lambda: self._page.connect().act(action, **asked))
        except ActRefused as exc:
            return _refused(str(exc), exc.again)
        except self._page.lost as exc:
            return _refused(str(exc), again(getattr(exc, "code", "")))
        return JSONResponse({"text": answered(answer)})


def _refused(text: str, more: str) -> JSONResponse:
    data = {"type": "about:blank", "status": 409, "title": text[:1].upper() + text[1:], "again": more}
    return JSONResponse(data, 409, media_type="application/problem+json")


def listening(port: int | None) -> socket.socket:
    """A loopback socket at `port`; None: at the usual one, or any other where that is taken. Raises OSError."""
    for wanted in (USUAL_PORT, 0) if port is None else (port,):
        made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            made.bind(("127.0.0.1", wanted))
        except OSError:
            made.close()
            if wanted != USUAL_PORT or port is not None:
                raise
        else:
            made.listen(128)
            return made
    raise AssertionError("a free port was asked for")


class PageServer:
    """uvicorn in the caller's loop on a socket of `listening`."""

    def __init__(self, page: Page, listener: socket.socket) -> None:
        self._listener, self.port = listener, int(listener.getsockname()[1])
        self.url = f"http://127.0.0.1:{self.port}"
        hosts = frozenset({f"127.0.0.1:{self.port}", f"localhost:{self.port}"})
        self._app = make_app(page, hosts, f"rimelog-{self.port}")
        self._server = uvicorn.Server(
            uvicorn.Config(
                self._app, log_level="error", access_log=False, lifespan="off", ws="none",
                limit_concurrency=MAX_CONNECTIONS, timeout_keep_alive=15, timeout_graceful_shutdown=1,
            )
        )  # fmt: skip

    async def run(self) -> None:
        """Until Ctrl-C, SIGTERM or `end`."""
        try:
            await self._server.serve(sockets=[self._listener])
        finally:
            self._app.state.follower.stop()

    def end(self) -> None:
        self._server.should_exit = True
