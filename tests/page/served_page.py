"""The page's server on a real socket, in a loop of its own thread, before a daemon that a test drives."""

import asyncio
import contextlib
import http.client
import json
import queue
import threading
from collections.abc import Iterator
from typing import Any

from logger.page.lan_door import LanDoor
from logger.page.page_door import listening
from logger.page.page_server import Page, PageServer
from logger.page.pairing import BrowserSession, Role


class Lost(Exception):
    """The daemon of this test is gone, or refused. code: as of a refusal."""

    def __init__(self, text: str, code: str = "") -> None:
        super().__init__(text)
        self.code = code


class DrivenDaemon:
    """As logger.api.client.Client. items: what its stream sends next; an exception breaks it."""

    def __init__(self) -> None:
        self.items: queue.Queue[dict[str, Any] | Exception] = queue.Queue()
        self.acts: list[tuple[str, dict[str, Any]]] = []
        self.refuses: Exception | None = None
        self.rows: list[dict[str, Any]] = []
        self.streams = self.asked = self.sent = 0

    def act(self, action: str, **body: Any) -> dict[str, Any]:
        if self.refuses is not None:
            raise self.refuses
        self.acts.append((action, body))
        return {"text": f"{action} done"}

    def history(self, point: str, since_ns: int, buckets: int) -> list[dict[str, Any]]:
        self.asked += 1
        return self.rows

    def stream(self, last_event_id: str = "") -> Iterator[tuple[str, str, dict[str, Any]]]:
        self.streams += 1
        while True:
            item = self.items.get()
            if isinstance(item, Exception):
                raise item
            self.sent += 1
            yield "snapshot", f"job-{self.sent}", item


class Visitor:
    """A browser without a screen. cookie, key: once it is paired."""

    def __init__(self, port: int) -> None:
        self.port, self.cookie, self.key = port, "", ""

    def request(self, method: str, path: str, body: Any = None, **headers: str) -> tuple[int, Any, dict[str, str]]:
        """headers: with _ for -. The cookie and the key are sent unless given as ""."""
        sent = {"Cookie": self.cookie, "X-Rimelog-Key": self.key, "Content-Type": "application/json"}
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            data = body if isinstance(body, bytes) else None if body is None else json.dumps(body).encode()
            connection.request(method, path, data, {name: value for name, value in sent.items() if value})
            response = connection.getresponse()
            raw, head = response.read(), {name.lower(): value for name, value in response.getheaders()}
        finally:
            connection.close()
        return response.status, json.loads(raw) if "json" in head.get("content-type", "") else raw, head

    def pair(self, code: str) -> None:
        status, answer, head = self.request("POST", "/pair", {"code": code})
        assert status == 200
        self.cookie, self.key = head["set-cookie"].split(";")[0], answer["key"]

    @contextlib.contextmanager
    def live(self) -> Iterator[Iterator[tuple[str, str, Any]]]:
        """(event, id, data) as they come; beats as ("", "", None)."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        connection.request("GET", "/live", headers={"Cookie": self.cookie})
        response = connection.getresponse()
        assert response.status == 200

        def frames() -> Iterator[tuple[str, str, Any]]:
            name = event_id = ""
            while line := response.readline().decode().rstrip("\n"):
                found: dict[str, str] = {}
                while line:
                    head, _, value = line.partition(": ")
                    found[head] = value
                    line = response.readline().decode().rstrip("\n")
                name, event_id = found.get("event", ""), found.get("id", "")
                yield name, event_id, json.loads(found["data"]) if "data" in found else None

        try:
            yield frames()
        finally:
            connection.close()


class ServedPage(Visitor):
    def __init__(self) -> None:
        self.daemon, self.now_s, self.paired = DrivenDaemon(), 1000.0, 0
        self.loop, self.ready = asyncio.new_event_loop(), threading.Event()
        self.thread = threading.Thread(target=lambda: self.loop.run_until_complete(self._serve()), daemon=True)
        self.thread.start()
        assert self.ready.wait(30)
        super().__init__(self.server.port)

    async def _serve(self) -> None:
        def paired(session: BrowserSession) -> None:
            self.paired += 1

        self.page = Page(
            lambda: self.daemon, (Lost,), cylinders=lambda: ["A", "spare"], operator="Sam", paired=paired,
            now_s=lambda: self.now_s,
        )  # fmt: skip
        lan = LanDoor(0, addresses=lambda: ["127.0.0.1"], host="127.0.0.1")
        self.server = PageServer(self.page, listening(0), lan)
        self.ready.set()
        await self.server.run()

    def new_code(self) -> str:
        return self.page.pairing.new_code().text

    def phone(self, role: Role = Role.OPERATE, name: str = "") -> Visitor:
        """One that is connected, at the network's door."""
        made = Visitor(self.lan_port())
        made.pair(self.page.pairing.new_code(role, name, local=False).text)
        return made

    def lan_port(self) -> int:
        async def opened() -> int:
            self.server.lan.open()
            assert self.server.lan.rules is not None
            return self.server.lan.rules.port

        return asyncio.run_coroutine_threadsafe(opened(), self.loop).result(30)

    def close(self) -> None:
        self.loop.call_soon_threadsafe(self.server.end)
        self.daemon.items.put(Lost("over"))
        self.thread.join(30)
        assert not self.thread.is_alive()


@contextlib.contextmanager
def served_page() -> Iterator[ServedPage]:
    served = ServedPage()
    try:
        yield served
    finally:
        served.close()
