"""The local API over a real socket: who may come in, what cannot break it, streams that lose nothing."""

import asyncio
import http.client
import json
import os
import socket
import stat
import threading
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.api.client import Address, Client, DaemonError, read_address, write_address
from logger.api.daemon_port import ACTIONS, Refused
from logger.api.server import ApiServer

TOKEN = "t0ken-of-the-test"


class FakeDaemon:
    """Control with a list of events that a test can add to from its own thread."""

    job_id = "2026-01-02-01"

    def __init__(self) -> None:
        self.events: list[tuple[int, dict[str, Any]]] = [(i, {"type": "note", "text": str(i)}) for i in range(1, 4)]
        self.acts: list[tuple[str, dict[str, Any]]] = []
        self.wake = asyncio.Event()

    def snapshot(self) -> dict[str, Any]:
        return {"version": 1, "events": len(self.events)}

    async def act(self, action: str, body: dict[str, Any]) -> dict[str, Any]:
        self.acts.append((action, body))
        if action == "stage-end":
            raise Refused("no stage is running", [{"key": "stage.none_running", "inputs": []}])
        return {"text": "done"}

    async def history(self, point: str, since_ns: int, buckets: int) -> list[dict[str, Any]]:
        if point != "vacuum":
            raise Refused(f"{point!r} is no measuring point of this rig")
        return [{"t_ns": 1, "low": 1.0, "mean": 2.0, "high": 3.0}]

    def events_since(self, record_id: int) -> list[tuple[int, dict[str, Any]]]:
        return [e for e in self.events if e[0] > record_id]

    async def follow(self) -> AsyncIterator[tuple[str, int, dict[str, Any]]]:
        sent = len(self.events)
        while True:
            await asyncio.wait_for(self.wake.wait(), 60)
            self.wake.clear()
            for record_id, data in self.events[sent:]:
                yield "event", record_id, data
            sent = len(self.events)


class Running:
    """The server in a loop of its own thread."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self.daemon = FakeDaemon()
        self.server = ApiServer(self.daemon, TOKEN)
        self.thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self.thread.start()
        asyncio.run_coroutine_threadsafe(self.server.start(), self.loop).result(60)
        self.client = Client(Address(self.daemon.job_id, self.server.port, TOKEN, os.getpid()))

    def add_event(self, record_id: int) -> None:
        def add() -> None:
            self.daemon.events.append((record_id, {"type": "note", "text": str(record_id)}))
            self.daemon.wake.set()

        self.loop.call_soon_threadsafe(add)

    def request(self, method: str, path: str, body: bytes | None = None, **headers: str) -> tuple[int, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=60)
        sent = {"Authorization": f"Bearer {TOKEN}", "Content-Type": "application/json"}
        sent |= {k.replace("_", "-"): v for k, v in headers.items()}
        connection.request(method, path, body, sent)
        response = connection.getresponse()
        data = response.read()
        connection.close()
        return response.status, data

    def stop(self) -> None:
        asyncio.run_coroutine_threadsafe(self.server.stop(), self.loop).result(60)
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join()
        self.loop.close()


@pytest.fixture(scope="module")
def running() -> Iterator[Running]:
    r = Running()
    yield r
    r.stop()


def test_the_client_gets_answers(running: Running) -> None:
    assert running.client.status()["version"] == 1
    assert running.client.act("note", text="pump oil changed") == {"text": "done"}
    assert ("note", {"text": "pump oil changed"}) in running.daemon.acts
    assert running.client.history("vacuum", 60, 10)[0]["high"] == 3.0
    with pytest.raises(DaemonError, match="no stage is running") as refused:
        running.client.act("stage-end")
    assert refused.value.code == "stage.none_running"
    with pytest.raises(DaemonError, match="no measuring point"):
        running.client.history("flux", 60, 10)


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Authorization": "Bearer wrong"}, 401),
        ({"Authorization": "Bearer "}, 401),
        ({"Authorization": TOKEN}, 401),
        ({"Host": "rimelog.example"}, 421),
        ({"Host": "127.0.0.1:1"}, 421),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
    ],
)
def test_strangers_stay_out(running: Running, headers: dict[str, str], status: int) -> None:
    for method, path, body in (("GET", "/api/v1/status", None), ("POST", "/api/v1/do/note", b"{}")):
        before = len(running.daemon.acts)
        assert running.request(method, path, body, **headers)[0] == status
        assert len(running.daemon.acts) == before


@pytest.mark.parametrize("action", ACTIONS)
def test_nothing_changes_by_get(running: Running, action: str) -> None:
    before = len(running.daemon.acts)
    assert running.request("GET", f"/api/v1/do/{action}")[0] == 405
    assert len(running.daemon.acts) == before


@pytest.mark.parametrize(
    ("body", "headers", "status"),
    [
        (b"x" * 20_000, {}, 413),
        (b"{}", {"Content-Type": "text/plain"}, 400),
        (b"[1]", {}, 400),
        (b"{", {}, 400),
        (b'{"a": NaN}', {}, 400),
        (b'{"a": 1e400}', {}, 400),
        (b"\xff", {}, 400),
        (b'{"a": "\\ud800"}', {}, 400),
        (b"[" * 9000, {}, 400),
        (b'{"a":' * 20 + b"1" + b"}" * 20, {}, 400),
    ],
)
def test_bad_bodies_are_refused(running: Running, body: bytes, headers: dict[str, str], status: int) -> None:
    assert running.request("POST", "/api/v1/do/note", body, **headers)[0] == status


JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20)),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(st.text(max_size=8), inner, max_size=4)),
    max_leaves=12,
)
PATHS = st.one_of(
    st.sampled_from(["status", "history", "events", *(f"do/{a}" for a in ACTIONS)]),
    st.text(alphabet="abcdo/.%-0123456789", max_size=20),
)
QUERY = st.text(alphabet="pointscebuk=&0123456789.-%+", max_size=40)


@given(method=st.sampled_from(["GET", "POST", "PUT", "DELETE", "HEAD"]), path=PATHS, query=QUERY,
       body=st.one_of(st.binary(max_size=200), JSON.map(lambda j: json.dumps(j).encode())))  # fmt: skip
@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_request_gives_a_server_error(running: Running, method: str, path: str, query: str, body: bytes) -> None:
    status, _ = running.request(method, f"/api/v1/{path}?{query}", body)
    assert status < 500


def test_a_resumed_stream_loses_nothing(running: Running) -> None:
    stream = running.client.stream(f"{running.daemon.job_id}-1")
    got = [next(stream) for _ in range(3)]
    assert [(name, event_id) for name, event_id, _ in got] == [
        ("event", "2026-01-02-01-2"), ("event", "2026-01-02-01-3"), ("snapshot", "2026-01-02-01-3"),
    ]  # fmt: skip
    running.add_event(4)
    name, event_id, data = next(stream)
    assert (name, event_id, data["text"]) == ("event", "2026-01-02-01-4", "4")
    stream.close()


def test_another_jobs_event_id_is_not_taken(running: Running) -> None:
    stream = running.client.stream("2025-12-31-01-3")
    assert next(stream)[0] == "snapshot"
    stream.close()


@pytest.mark.skipif(os.name == "nt", reason="POSIX permissions")
def test_the_token_file_is_the_users_alone(tmp_path: Path) -> None:
    path = write_address(tmp_path, Address("j", 1234, TOKEN, 42))
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert read_address(path).token == TOKEN


def test_a_missing_daemon_is_told(tmp_path: Path) -> None:
    with pytest.raises(DaemonError, match="rimelog start"):
        read_address(tmp_path / "daemon.json")
    with pytest.raises(DaemonError, match="does not answer"):
        Client(Address("j", 1, TOKEN, 42)).status()


def test_connections_that_ask_nothing_do_not_keep_others_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.api.door.REQUEST_S", 0.3)
    running = Running()
    try:
        address = ("127.0.0.1", running.server.port)
        silent = [socket.create_connection(address, timeout=60) for _ in range(80)]  # more than are served at a time
        for one in silent[::2]:
            one.sendall(b"POST /api/v1/do/note HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ")
        assert all(_is_closed(one) for one in silent), "closed, without an answer"
        assert running.client.status()["version"] == 1
        for one in silent:
            one.close()
    finally:
        running.stop()


def _is_closed(connection: socket.socket) -> bool:
    """By an end, or by a reset where the other side had not yet read."""
    try:
        return connection.recv(1) == b""
    except ConnectionResetError:
        return True
