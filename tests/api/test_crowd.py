"""Other users of the computer open connections without end: the mechanic's own are served, the loop is not held up."""

import asyncio
import contextlib
import json
import os
import socket
import stat
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.api.client import Address, Client
from logger.api.door import MAX_STRANGERS, STRANGERS_PER_S, Admission
from logger.api.private_socket import listen_at, socket_path
from logger.api.server import ApiServer
from tests.api.test_server import TOKEN, FakeDaemon, Running

REQUESTS = 40
HELD_UP_S = 0.25  # the loop's worst, on a machine that has other things to do


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A runtime folder whose path is short enough for a socket."""
    with tempfile.TemporaryDirectory() as place:
        monkeypatch.setenv("XDG_RUNTIME_DIR", place)
        yield Path(place)


@contextlib.contextmanager
def crowd(port: int, way: str) -> Iterator[None]:
    command = [sys.executable, "-m", "tests.api.crowd", str(port), way]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None and process.stdout.readline() == "there\n"
        yield
        assert process.poll() is None, process.stderr.read() if process.stderr else ""
    finally:
        process.kill()
        with process:
            pass


@pytest.mark.parametrize("way", ["idle", "asking", "dripping"])
def test_a_crowd_without_a_token_keeps_nobody_out_and_holds_up_nothing(way: str) -> None:
    running = Running()
    late_s: list[float] = []

    async def watch() -> None:
        while True:
            due_s = running.loop.time() + 0.005
            await asyncio.sleep(0.005)
            late_s.append(running.loop.time() - due_s)

    try:
        with crowd(running.server.port, way):
            end_s = time.monotonic() + 2.0
            watching = asyncio.run_coroutine_threadsafe(watch(), running.loop)
            for _ in range(REQUESTS):
                assert running.client.status()["version"] == 1  # by the port that the crowd is at
            while time.monotonic() < end_s:
                running.client.status()
            watching.cancel()
        assert len(late_s) > 10 and sorted(late_s)[len(late_s) // 2] < 0.02 and max(late_s) < HELD_UP_S
        assert len(running.server._server.server_state.connections) <= MAX_STRANGERS + 2
    finally:
        running.stop()


def test_the_oldest_stranger_makes_room(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.api.door.MAX_STRANGERS", 5)
    running = Running()
    try:
        there = []
        for _ in range(7):
            there.append(socket.create_connection(("127.0.0.1", running.server.port), timeout=60))
            time.sleep(0.05)
        assert [one.recv(1) for one in there[:2]] == [b"", b""]
        for one in there[2:]:
            one.setblocking(False)
            with pytest.raises(BlockingIOError):
                one.recv(1)
            one.close()
    finally:
        running.stop()


def test_strangers_come_in_no_faster_than_bounded_and_others_cost_them_nothing() -> None:
    async def run() -> None:
        with socket.socket() as listener:
            admission = Admission(listener, STRANGERS_PER_S)
            for _ in range(MAX_STRANGERS):
                assert admission._wait_s() == 0
                admission._allowed -= 1
            assert 0 < admission._wait_s() <= 1 / STRANGERS_PER_S
            admission._at_s -= 1000
            assert admission._wait_s() == 0 and admission._allowed == MAX_STRANGERS, (
                "a quiet hour lets no more in at once"
            )

    asyncio.run(run())


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="no unix sockets")
def test_commands_come_by_a_socket_that_only_this_user_can_reach(short: Path) -> None:
    path = socket_path(short / "job")
    assert path is not None
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    left_by_a_killed_daemon = listen_at(path)
    assert left_by_a_killed_daemon is not None
    left_by_a_killed_daemon.close()

    async def run() -> None:
        server = ApiServer(FakeDaemon(), TOKEN, private=path)
        await server.start()
        client = Client(Address("2026-01-02-01", 1, TOKEN, os.getpid(), str(path)))  # nothing is at that port
        status, data = await asyncio.to_thread(_plain, path, b"GET /api/v1/status HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert status == 401 and b"token" in data  # it is guarded like the port
        client.address = Address("2026-01-02-01", server.port, TOKEN, os.getpid(), str(path))
        assert (await asyncio.to_thread(client.status))["version"] == 1
        server._doors[0].cancel()  # the port lets nobody in any more
        assert (await asyncio.to_thread(client.status))["version"] == 1
        await server.stop()

    asyncio.run(run())
    assert not path.exists()


def _plain(path: Path, request: bytes) -> tuple[int, bytes]:
    with socket.socket(socket.AF_UNIX) as connection:
        connection.connect(str(path))
        connection.sendall(request)
        data = b""
        while piece := connection.recv(1 << 16):
            data += piece
    return int(data.split()[1]), data


@pytest.mark.skipif(os.name == "nt", reason="POSIX permissions")
def test_no_socket_in_a_folder_that_others_may_have_made(short: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(short / ("x" * 100)))
    folder = short / f"rimelog-{os.getuid()}"
    folder.mkdir()
    folder.chmod(0o777)
    assert socket_path(short) is None
    folder.rmdir()
    (short / "elsewhere").mkdir(mode=0o700)
    folder.symlink_to(short / "elsewhere")
    assert socket_path(short) is None
    folder.unlink()
    assert socket_path(short) is not None
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(short / ("x" * 100)))
    assert socket_path(short) is None and listen_at(None) is None


def test_a_body_that_never_ends_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.api.access.BODY_S", 0.2)
    running = Running()
    try:
        with socket.create_connection(("127.0.0.1", running.server.port), timeout=60) as connection:
            connection.sendall(
                b"POST /api/v1/do/note HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nAuthorization: Bearer %s\r\n"
                b"Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{"
                % (running.server.port, TOKEN.encode())
            )
            answer = b""
            while not answer.endswith(b"}"):
                answer += connection.recv(1 << 16)
        head, _, body = answer.partition(b"\r\n\r\n")
        assert head.startswith(b"HTTP/1.1 400") and "in time" in json.loads(body)["title"]
        assert running.daemon.acts == []
    finally:
        running.stop()
