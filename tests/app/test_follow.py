"""Those who follow a job: whoever is too slow is let go and misses nothing when it comes back."""

import asyncio
import os
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from logger.api.client import Address, Client
from logger.api.server import ApiServer
from logger.app.broadcaster import FOLLOWER_QUEUE
from logger.app.daemon import Daemon
from logger.clock import Clock
from logger.model import records
from logger.model.events import NoteWritten
from logger.model.job import Job
from logger.model.rig import Rig, RigDevice

MANY = FOLLOWER_QUEUE + 700


def _with_a_daemon(path: Path, act: Callable[[Daemon], Awaitable[None]]) -> None:
    async def run() -> None:
        daemon = Daemon("job-1", path / "job.rimelog", Clock())
        daemon.open(Rig("r", (RigDevice("scale", "socket://127.0.0.1:1"),)), Job("job-1", "R-407C"))
        try:
            await act(daemon)
        finally:
            await daemon.close()

    asyncio.run(run())


async def _note(daemon: Daemon, first: int, count: int) -> None:
    for k in range(first, first + count):
        daemon.emit(NoteWritten(t_ns=daemon.clock.now_ns(), text=str(k)))
    await _stored(daemon)


async def _stored(daemon: Daemon) -> None:
    writer = daemon.recorder.writer
    assert writer is not None
    assert await asyncio.to_thread(writer.flush)
    await asyncio.sleep(0.05)  # the loop takes what the writer's thread told it


def test_a_slow_follower_is_ended_and_resumes_without_loss(tmp_path: Path) -> None:
    async def act(daemon: Daemon) -> None:
        await _stored(daemon)
        before = daemon.events_since(0)[-1][0]
        follower = daemon.follow()  # follows from here on, although nothing is read yet
        await _note(daemon, 0, MANY)
        got = [(record_id, event["text"]) async for name, record_id, event in follower if name == "event"]
        assert [text for _, text in got] == [str(k) for k in range(FOLLOWER_QUEUE)], "in order, whole, and then the end"
        assert got[0][0] > before
        rest = daemon.events_since(got[-1][0])
        assert [event["text"] for _, event in rest] == [str(k) for k in range(FOLLOWER_QUEUE, MANY)]

    _with_a_daemon(tmp_path, act)


def test_a_quick_follower_and_one_who_left_are_not_held_up_by_it(tmp_path: Path) -> None:
    async def act(daemon: Daemon) -> None:
        slow, quick = daemon.follow(), daemon.follow()
        seen: list[str] = []

        async def read() -> None:
            async for _, _, event in quick:
                if "text" in event:
                    seen.append(event["text"])

        reading = asyncio.create_task(read())
        for k in range(0, MANY, 100):
            await _note(daemon, k, 100)
        assert seen == [str(k) for k in range(MANY)]
        reading.cancel()
        await asyncio.gather(reading, return_exceptions=True)
        del slow
        await _note(daemon, MANY, 1)
        assert not daemon.broadcaster.followers, "nobody is remembered for ever"

    _with_a_daemon(tmp_path, act)


def test_snapshots_do_not_crowd_events_out(tmp_path: Path) -> None:
    async def act(daemon: Daemon) -> None:
        follower = daemon.follow()
        for _ in range(FOLLOWER_QUEUE * 2):
            daemon.publish()
        await _note(daemon, 0, 1)
        names: list[str] = []
        while "event" not in names:
            name, _, event = await anext(follower)
            names.append("event" if event.get("text") == "0" else name if name == "snapshot" else "other")
        assert names.count("snapshot") <= 3

    _with_a_daemon(tmp_path, act)


def test_a_client_that_comes_back_after_thousands_of_events_has_them_all(tmp_path: Path) -> None:
    """Over a real socket, by Last-Event-ID: more than one page of them, and those of the moment between."""

    async def act(daemon: Daemon) -> None:
        server = ApiServer(daemon, "token")
        await server.start()
        try:
            await _note(daemon, 0, 2 * FOLLOWER_QUEUE + 300)
            client = Client(Address("job-1", server.port, "token", os.getpid()))
            reading = asyncio.create_task(asyncio.to_thread(_read, client, "last"))
            await asyncio.sleep(0.05)
            await _note(daemon, 2 * FOLLOWER_QUEUE + 300, 50)
            daemon.emit(NoteWritten(t_ns=daemon.clock.now_ns(), text="last"))
            got = await reading
        finally:
            await server.stop()
        ids = [int(event_id.rpartition("-")[2]) for event_id, _ in got]
        assert ids == sorted(set(ids)), "in order, none twice"
        texts = [data["text"] for _, data in got if data["type"] == records.NOTE]
        assert texts == [*(str(k) for k in range(2 * FOLLOWER_QUEUE + 350)), "last"]

    _with_a_daemon(tmp_path, act)


def _read(client: Client, until: str) -> list[tuple[str, dict[str, Any]]]:
    got = []
    for name, event_id, data in client.stream("job-1-0"):
        if name == "event":
            got.append((event_id, data))
            if data.get("text") == until:
                break
    return got
