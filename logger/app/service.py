"""`rimelog run`, from settings to a clean end: devices, API, tick, publish, signals."""

import asyncio
import contextlib
import logging
import os
import secrets
import signal
import sys
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from logger.api.client import RUN_FILE, Address, DaemonError, read_address, write_address
from logger.api.private_socket import socket_path
from logger.api.server import ApiServer
from logger.app.connections import check_supported, connections
from logger.app.daemon import Daemon
from logger.clock import Clock, ClockReading, read_system
from logger.evidence.errors import ChainError
from logger.link.connection import Connection
from logger.model.cylinder import Cylinder
from logger.model.events import RunBegun
from logger.model.job import Job
from logger.model.rig import Rig
from logger.refrigerant import SHIPPED, Catalogue
from logger.store.errors import StoreError
from logger.store.reader import StoreReader

log = logging.getLogger(__name__)

TICK_S = 1.0
PUBLISH_S = 1.0
RELAYS_S = 0.2
ADDRESS_S = 0.5
OPENING_S = 0.3  # for a last request to open to be on the wire


@dataclass(frozen=True, slots=True)
class RunSettings:
    """speed: the record's seconds per real second, above 1 only for demonstrations with a simulated rig.

    catalogue: what the user knows. A job takes from it the blends that it rests on. interrupted: whether Ctrl-C ends
    it now; False where a person is asked first. log: file that its messages are in, shown in the state.
    """

    rig: Rig
    job: Job | None
    job_id: str
    directory: Path
    file: Path
    cylinders: tuple[Cylinder, ...] = ()
    profiles: dict[str, Any] = field(default_factory=dict)
    speed: float = 1.0
    sign: Callable[[bytes], str] | None = None
    anchors: Path | None = None
    accept_lost_tail: bool = False
    log: Path | None = None
    catalogue: Catalogue = SHIPPED
    listed_cylinder: Callable[[str], Cylinder | None] = lambda name: None
    earlier: Callable[[Job], dict[str, Any]] = lambda job: {}
    on_start: Callable[[Daemon], None] = lambda daemon: None
    interrupted: Callable[[Daemon], bool] = lambda daemon: True
    helpers: tuple[Callable[[Daemon], Awaitable[None]], ...] = ()


def faster(speed: float, since_ns: int) -> Callable[[], ClockReading]:
    """The computer's clocks, run `speed` times as fast since a time, UTC, ns."""
    begun = read_system()
    past_ns = begun.wall_ns - since_ns

    def read() -> ClockReading:
        now = read_system()
        return ClockReading(
            *(int(a - past_ns + (b - a + past_ns) * speed) for a, b in (
                (begun.wall_ns, now.wall_ns), (begun.mono_ns, now.mono_ns), (begun.boot_ns, now.boot_ns)
            ))
        )  # fmt: skip

    return read


def _fast_since(settings: RunSettings) -> int | None:
    """When a simulated job's time began to run fast: a plant runs on while no logger does, and one that goes on finds
    as much time gone. None for a real one."""
    if settings.speed == 1.0:
        return None
    if settings.file.exists():
        with contextlib.suppress(StoreError, ChainError), StoreReader(settings.file) as reader:  # told when opened
            for _, event in reader.events():
                if isinstance(event, RunBegun) and event.speed == settings.speed and event.fast_since_ns is not None:
                    return event.fast_since_ns
    return read_system().wall_ns


async def run(settings: RunSettings) -> bool:
    """Until a signal, `rimelog stop`, or a failure of the daemon itself. Raises StoreError, AppError, LinkError.

    Whether a person ended it (`rimelog stop`, Ctrl-C), and not the system (a shut-down, a closed window).
    """
    check_supported(settings.rig)
    since_ns = _fast_since(settings)
    clock = Clock(faster(settings.speed, since_ns) if since_ns is not None else None, period_s=TICK_S * settings.speed)
    daemon = Daemon(settings.job_id, settings.file, clock, settings.speed, since_ns)
    daemon.listed_cylinder, daemon.earlier = settings.listed_cylinder, settings.earlier
    daemon.engine.user_catalogue, daemon.log = settings.catalogue, str(settings.log or "")
    daemon.open(
        settings.rig, settings.job, settings.cylinders, settings.profiles, settings.sign, settings.anchors,
        settings.accept_lost_tail,
    )  # fmt: skip
    server = ApiServer(daemon, token := secrets.token_urlsafe(32), private=socket_path(settings.directory))
    run_file: Path | None = None
    running: list[Connection[Any]] = []
    by_system: set[int] = set()
    try:
        await server.start()
        address = Address(settings.job_id, server.port, token, os.getpid(), str(server.private or ""))
        run_file = write_address(settings.directory, address)
        by_system = _stop_on_signals(daemon, settings.interrupted)
        running = connections(daemon, settings.rig, settings.speed)
        tasks = [
            asyncio.create_task(s.run(), name=f"device {d.name}")
            for s, d in zip(running, settings.rig.devices, strict=True)
        ]
        tasks.append(asyncio.create_task(_tick(daemon), name="tick"))
        tasks.append(asyncio.create_task(_publish(daemon), name="publish"))
        tasks.append(asyncio.create_task(_relays(daemon), name="relays"))
        tasks.append(asyncio.create_task(_stay_findable(settings.directory, address), name="address"))
        tasks += [asyncio.create_task(_helper(h, daemon), name="helper") for h in (catch_up, *settings.helpers)]
        settings.on_start(daemon)
        await _until_stopped(daemon.stopping, tasks)
    finally:
        await _release_outputs(daemon)
        await asyncio.gather(*(_stopped(s) for s in running))
        await daemon.close()
        daemon.broadcaster.end()
        await server.stop()
        if run_file is not None:
            run_file.unlink(missing_ok=True)
    return not by_system


async def _tick(daemon: Daemon) -> None:
    """Once a second of the record, however long a tick takes."""
    loop = asyncio.get_running_loop()
    due = loop.time()
    while True:
        daemon.tick()
        due = max(due + TICK_S / min(daemon.speed, 20.0), loop.time())
        await asyncio.sleep(due - loop.time())


async def _publish(daemon: Daemon) -> None:
    while True:
        daemon.publish()
        await asyncio.sleep(PUBLISH_S)


async def _relays(daemon: Daemon) -> None:
    while True:
        daemon.poll_relays()
        await asyncio.sleep(RELAYS_S)


async def _stay_findable(directory: Path, address: Address) -> None:
    """Commands find the daemon by its address file: whoever takes the job's folder away does not end that."""
    loop = asyncio.get_running_loop()
    with ThreadPoolExecutor(1, "address") as thread:  # a disk that hangs holds up nothing else
        while True:
            await asyncio.sleep(ADDRESS_S)
            await loop.run_in_executor(thread, _keep_address, directory, address)


def _keep_address(directory: Path, address: Address) -> None:
    with contextlib.suppress(DaemonError):
        if read_address(directory / RUN_FILE) == address:
            return
    with contextlib.suppress(OSError):  # the folder is not there: the store makes it again
        write_address(directory, address)


async def _release_outputs(daemon: Daemon) -> None:
    """Nothing stays closed behind a program that ends; without this it would be for the rest of the time-out."""
    held = [relay for relay in daemon.relays if relay.hold.permitted or relay.closed]
    for relay in held:
        relay.release(reason="the program ends")
    if held:
        await asyncio.sleep(OPENING_S)


async def catch_up(daemon: Daemon) -> None:
    if daemon.catch_up is not None and not daemon.catch_up.done:
        await daemon.catch_up.run()


async def _helper(helper: Callable[[Daemon], Awaitable[None]], daemon: Daemon) -> None:
    """A helper (sound, push, keep-awake) that fails is reported and does not end the daemon."""
    try:
        await helper(daemon)
    except asyncio.CancelledError:
        raise
    except Exception:
        log.exception("a helper task failed; still logging")


async def _until_stopped(stopping: asyncio.Event, tasks: list[asyncio.Task[None]]) -> None:
    """Wait for the end; a task that ends with an error ends the daemon with that error, never in silence."""
    waiting = asyncio.create_task(stopping.wait())
    essential = [t for t in tasks if t.get_name() != "helper"]
    try:
        done, _ = await asyncio.wait([waiting, *essential], return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            if task is not waiting:
                task.result()
    finally:
        waiting.cancel()
        for task in tasks:
            if not task.get_name().startswith("device"):
                task.cancel()


async def _stopped(connection: Connection[Any]) -> None:
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(3.0):
            await connection.stop()


def _stop_on_signals(daemon: Daemon, interrupted: Callable[[Daemon], bool]) -> set[int]:
    """Ctrl-C when `interrupted` says so, SIGTERM and a closed window at once. The system's signals that came."""
    came: set[int] = set()
    loop = asyncio.get_running_loop()

    def stop(number: int) -> None:
        if number != signal.SIGINT:
            came.add(number)
        elif not interrupted(daemon):
            return
        daemon.stopping.set()

    numbers = [signal.SIGINT, signal.SIGTERM]
    if sys.platform != "win32" and signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:  # nohup
        numbers.append(signal.SIGHUP)
    for number in numbers:
        try:
            loop.add_signal_handler(number, stop, number)
        except NotImplementedError:  # Windows: handlers run in the main thread, outside the loop
            signal.signal(number, lambda got, _: loop.call_soon_threadsafe(stop, got))
    return came
