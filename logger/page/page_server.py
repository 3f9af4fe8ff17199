"""The page's routes and its server, on loopback and, where it was asked for, on the local network.

GET  /, /page.css, /page.js, /forms.js   the page: the same for everyone, nothing of the job in it
GET  /session                 {"connected"}: whether this browser may watch; "role", "says" what it may not, "local"
POST /pair                    {"code"}: the code of the address -> a cookie to watch, a key to act
/phones                       who may use the page (logger/page/phones.py), for the browser of this computer
GET  /live                    server-sent events: "state" (logger/page/page_state.py), id as of the daemon's stream;
                              "not-current" with "why"
GET  /series                  ?span=stage or recent: the chart's data (logger/page/page_series.py)
GET  /choices                 stages with their settings, cylinders
POST /do/{action}             JSON object (logger/page/page_acts.py) -> {"text"}; refused: 409 with the sentence as
                              "title", "again" where a person may mean it all the same
"""

import asyncio
import socket
import ssl
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
from logger.clock import read_system
from logger.model.units import NS_PER_S
from logger.page.lan_door import LanDoor
from logger.page.page_acts import ActRefused, again, answered, daemon_body, stage_forms
from logger.page.page_door import Guest, PageDoor
from logger.page.page_follower import PageFollower
from logger.page.page_guard import DoorRules, PageGuard
from logger.page.page_series import BUCKETS, series
from logger.page.pairing import SESSION_S, BrowserSession, Pairing, PairingRefused
from logger.page.phones import Phones
from logger.screen.daemon_client import DaemonClient
from logger.screen.words import trend_span

MAX_STREAMS = 6  # of one browser
SERIES_S = 3.0  # a chart is as old as this at most: all browsers together ask the daemon no more often
FILES = {
    "/": ("page.html", "text/html"),
    "/page.css": ("page.css", "text/css"),
    "/page.js": ("page.js", "text/javascript"),
    "/forms.js": ("forms.js", "text/javascript"),
}
HOW_HERE = (
    "In the terminal where rimelog page runs, press Enter. Open the address it prints: it works once, within ten "
    "minutes. No such terminal? Type: rimelog page"
)
HOW_PHONE = "On the laptop's page: Menu, Connect a phone. Point this phone's camera at the code. It works once."
NOT_NOW = "The logger does not answer. Nothing was entered."


class Page:
    """What the routes need. connect: a client of the daemon of one job, whose failures are `lost`. cylinders: names the
    user keeps. operator: who acts, where a phone's code names nobody. paired: told of each browser that comes. now_s: a
    clock that goes on while the computer sleeps."""

    def __init__(
        self,
        connect: Callable[[], DaemonClient],
        lost: tuple[type[Exception], ...],
        *,
        cylinders: Callable[[], Sequence[str]] = tuple,
        operator: str = "",
        paired: Callable[[BrowserSession], None] = lambda session: None,
        now_s: Callable[[], float] = lambda: read_system().boot_ns / NS_PER_S,
    ) -> None:
        self.connect, self.lost, self.cylinders, self.operator = connect, lost, cylinders, operator
        self.paired, self.now_s, self.pairing = paired, now_s, Pairing(now_s)


class _Routes:
    def __init__(self, page: Page, follower: PageFollower) -> None:
        self._page, self._follower = page, follower
        self._streams: dict[BrowserSession, int] = {}
        self._series: dict[bool, tuple[float, object, dict[str, Any]]] = {}
        self._asking = asyncio.Lock()

    def all(self) -> list[Route]:
        return [
            *(Route(path, self.file) for path in FILES),
            Route("/session", self.session),
            Route("/pair", self.pair, methods=["POST"]),
            Route("/live", self.live),
            Route("/series", self.series),
            Route("/choices", self.choices),
            Route("/do/{action}", self.act, methods=["POST"]),
        ]

    async def file(self, request: Request) -> Response:
        name, kind = FILES[request.url.path]
        data = (resources.files("logger.page") / "files" / name).read_bytes()
        return Response(data, media_type=f"{kind}; charset=utf-8")

    async def session(self, request: Request) -> Response:
        session = request.state.visit.session
        if session is None:
            return JSONResponse({"connected": False, "how": HOW_HERE if request.state.visit.door.local else HOW_PHONE})
        return JSONResponse(
            {"connected": True, "role": session.role, "says": session.role.says, "local": session.local}
        )

    async def pair(self, request: Request) -> Response:
        visit = request.state.visit
        try:
            code = (await json_object(request)).get("code")
        except ValueError as exc:
            return problem(400, str(exc))
        try:
            session = self._page.pairing.pair(code if isinstance(code, str) else "", visit.address, visit.door.local)
        except PairingRefused as exc:
            return problem(429 if exc.locked else 403, str(exc))
        self._page.paired(session)
        answer = JSONResponse({"key": session.key})
        answer.set_cookie(
            visit.door.cookie, session.cookie, max_age=int(SESSION_S), httponly=True, samesite="strict",
            secure=visit.door.tls,
        )  # fmt: skip
        return answer

    async def live(self, request: Request) -> Response:
        session = request.state.visit.session
        if self._streams.get(session, 0) >= MAX_STREAMS:
            return problem(503, "Too many pages are open in this browser; close one.")

        async def frames() -> AsyncIterator[bytes]:
            self._streams[session] = self._streams.get(session, 0) + 1
            try:
                async for frame in self._follower.frames():
                    yield frame
            finally:
                self._streams[session] -= 1
                if not self._streams[session]:
                    del self._streams[session]

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
            operator = request.state.visit.session.name or self._page.operator
            asked = daemon_body(action, body, state, operator)
            answer = await run_in_threadpool(lambda: self._page.connect().act(action, **asked))
        except ActRefused as exc:
            return _refused(str(exc), exc.again)
        except self._page.lost as exc:
            return _refused(str(exc), again(getattr(exc, "code", "")))
        return JSONResponse({"text": answered(answer)})


def _refused(text: str, more: str) -> JSONResponse:
    data = {"type": "about:blank", "status": 409, "title": text[:1].upper() + text[1:], "again": more}
    return JSONResponse(data, 409, media_type="application/problem+json")


class PageServer:
    """uvicorn in the caller's loop, behind the door of this computer and, once it is open, the network's."""

    def __init__(self, page: Page, listener: socket.socket, lan: LanDoor | None = None) -> None:
        self.page, self.port = page, int(listener.getsockname()[1])
        self.url = f"http://127.0.0.1:{self.port}"
        self.lan = lan or LanDoor()
        self._local = DoorRules(self.port, local=True, names=frozenset({"localhost"}))
        self._follower = PageFollower(page.connect, page.lost)
        phones = Phones(page.pairing, self.lan, page.operator, lambda: (page.now_s(), read_system().wall_ns))
        app = Starlette(
            routes=[*_Routes(page, self._follower).all(), *phones.routes],
            middleware=[Middleware(PageGuard, pairing=page.pairing, door=self._rules, known=self._known)],
        )
        config = uvicorn.Config(
            app, log_level="error", access_log=False, lifespan="off", ws="none", timeout_keep_alive=15,
            timeout_graceful_shutdown=1,
        )  # fmt: skip
        self._server = uvicorn.Server(config)
        self._doors: dict[PageDoor, asyncio.Task[None]] = {}
        page.pairing.ended = self._ended
        self._open(listener, None)
        self.lan.opened = self._open

    def _open(self, listener: socket.socket, tls: ssl.SSLContext | None) -> None:
        door = PageDoor(listener, self._made_with, tls)
        self._doors[door] = asyncio.get_running_loop().create_task(door.run(), name="page door")
        self._doors[door].add_done_callback(self._closed)

    def _made_with(self) -> dict[str, Any]:
        return {"config": self._server.config, "server_state": self._server.server_state}

    def _closed(self, door: asyncio.Task[None]) -> None:
        """By a fault of ours: nobody would come in any more, so all ends."""
        if not door.cancelled():
            self.end()

    def _rules(self, port: int) -> DoorRules | None:
        return next((one for one in (self._local, self.lan.rules) if one is not None and one.port == port), None)

    def _known(self, guest: Guest, session: BrowserSession) -> None:
        for door in self._doors:
            door.known(guest, session)

    def _ended(self, session: BrowserSession) -> None:
        for door in self._doors:
            door.close_of(session)

    async def run(self) -> None:
        """Until Ctrl-C, SIGTERM or `end`."""
        try:
            await self._server.serve(sockets=[])
        finally:
            for door in self._doors.values():
                door.cancel()
            ended = await asyncio.gather(*self._doors.values(), return_exceptions=True)
            self._follower.stop()
        faults = [one for one in ended if isinstance(one, Exception)]
        if faults:
            raise faults[0]

    def end(self) -> None:
        self._server.should_exit = True
