"""A night's troubles on the lines, all at once and with the whole daemon behind them: what was told, what was kept.

tests/link has each trouble by itself; here is what becomes of it in the job's file, on the screen and in memory.
"""

import asyncio
import contextlib
import os
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import pytest

from firmware_protocol.codes import OpenedBy
from logger.api.client import RUN_FILE, Client, DaemonError, read_address
from logger.app import connections
from logger.app.device_feed import DeviceFeed
from logger.app.service import RunSettings, run
from logger.clock import Clock
from logger.config.rig_file import parse_rig
from logger.link.connect import to_device
from logger.model import records
from logger.model.cylinder import Cylinder
from logger.model.events import RigLoaded
from logger.model.job import Job
from logger.model.rig import Rig as RigOfJob
from logger.model.rig import RigDevice
from logger.pipeline.engine import Engine
from sim_device.control import Control
from sim_device.rig import Rig, rig_toml
from sim_device.serve import PtyServer, RigServer
from sim_device.sim_clock import SimClock
from tests.end_to_end.running import Stored

pytestmark = pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals")
PATIENCE_S = 100.0
Shown = dict[str, object]
T = TypeVar("T")


class Job1:
    """The daemon in this loop. `shown`: what its status says of a device."""

    def __init__(self, directory: Path, task: "asyncio.Task[bool]") -> None:
        self.file, self._run_file, self._task = directory / "job.rimelog", directory / RUN_FILE, task

    async def state(self) -> Any:
        return await asyncio.to_thread(lambda: Client(read_address(self._run_file)).status())

    async def shown(self, name: str) -> Shown:
        return next(d for d in (await self.state())["devices"] if d["name"] == name)

    async def _ask(self, found: Callable[[], Awaitable[T | None]]) -> T:
        """Again and again until there is an answer. What ended the daemon is raised."""
        async with asyncio.timeout(PATIENCE_S):
            while True:
                if self._task.done():
                    self._task.result()
                with contextlib.suppress(DaemonError):
                    answer = await found()
                    if answer is not None:
                        return answer
                await asyncio.sleep(0.1)

    async def until_contact(self, contact: str) -> None:
        async def found() -> bool | None:
            return (await self.state())["relays"][0]["contact"] == contact or None

        await self._ask(found)

    async def until(self, name: str, holds: Callable[[Shown], bool]) -> Shown:
        async def found() -> Shown | None:
            shown = await self.shown(name)
            return shown if holds(shown) else None

        return await self._ask(found)

    async def well(self, name: str) -> Shown:
        return await self.until(name, lambda shown: bool(shown["ok"]))

    async def act(self, action: str, **body: str) -> None:
        await asyncio.to_thread(lambda: Client(read_address(self._run_file)).act(action, **body))

    async def until_done(self, action: str, **body: str) -> None:
        """What it takes may not be known yet."""

        async def found() -> bool:
            await self.act(action, **body)
            return True

        await self._ask(found)

    async def until_complete(self, *boots: tuple[str, int]) -> None:
        """What was missed of these devices (id, boot count) has been sent again."""

        async def found() -> bool | None:
            stored = await asyncio.to_thread(Stored, self.file)
            sequences = [[s.sequence for _, s, _ in stored.samples.get(boot, [])] for boot in boots]
            return all(map(_is_complete, sequences)) or None

        await self._ask(found)


@contextlib.asynccontextmanager
async def _running(rig: RigOfJob, directory: Path) -> AsyncIterator[Job1]:
    cylinder = Cylinder("cylinder 1", 12.5, 21.6, 2.76e6)
    settings = RunSettings(rig, Job("job-1", "R-407C"), "job-1", directory, directory / "job.rimelog", (cylinder,))
    task = asyncio.create_task(run(settings))
    job = Job1(directory, task)
    try:
        yield job
        await job.act("stop")
        await asyncio.wait_for(task, PATIENCE_S)
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def test_four_devices_four_troubles_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asyncio.run(_four_troubles(tmp_path, monkeypatch))


async def _four_troubles(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rig, clock = Rig("recovery", 5, autopilot=False), SimClock()
    ids = {name: device.device_id.hex() for name, device in rig.devices.items()}
    async with RigServer(rig, clock, "pty") as served:
        names = list(served.urls)
        recovery, scale, vacuum, machine = names
        boots = {recovery: 1, vacuum: 1, machine: 1, scale: 2}
        monkeypatch.setattr(connections, "serial_ports", lambda: list(served.urls.values()))
        control = Control(rig, clock)
        async with _running(parse_rig(rig_toml(served.urls, "recovery", 5)), place) as job:
            for name in names:
                await job.well(name)
            await asyncio.sleep(1.0)
            port = served.servers[recovery]
            assert isinstance(port, PtyServer)
            old = port.url
            port.unplug()
            control.fault("garbage", scale)  # a boot loader's greeting at another baud rate
            control.fault("reboot", scale, down_s=0.5)
            control.fault("cut", vacuum, after_bytes=17)  # inside a frame
            control.fault("chatter", machine, for_s=1.5)
            await job.until(recovery, lambda shown: not shown["ok"])
            keep = Rig("recovery", 99, only=("scale",))  # somebody else takes the port's old name
            async with RigServer(keep, clock, "pty") as other:
                port.replug()
                assert port.url != old, f"{other.urls}"
                await job.until(vacuum, lambda shown: not shown["ok"])
                control.fault("mend", vacuum)
                for name in names:
                    await job.well(name)
                assert (await job.shown(recovery))["url"] == port.url
                assert int(str((await job.shown(machine))["bad_frames"])) > 0
                await job.until_complete(*((ids[name], boot) for name, boot in boots.items()))
    stored = Stored(place / "job.rimelog")
    assert stored.chain.problem is None
    for name, boot in boots.items():
        _complete(stored.sequences(ids[name], boot), name)
    lost = {event["name"] for event in stored.of_type(records.DEVICE_LOST)}
    assert {recovery, vacuum} <= lost
    restarts = [e for e in stored.of_type(records.GAP) if e["cause"] == "device restarted"]
    assert [event["device"] for event in restarts] == [ids[scale]]


def _complete(sequences: list[int], name: str) -> None:
    """Every frame from the first to the last; what was missed came later."""
    assert _is_complete(sequences), f"{name}: {sorted(sequences)}"


def _is_complete(sequences: list[int]) -> bool:
    return len(sequences) > 5 and sorted(sequences) == list(range(min(sequences), max(sequences) + 1))


def test_a_program_that_ends_opens_its_relay_first(tmp_path: Path) -> None:
    asyncio.run(_ended(tmp_path))


async def _ended(place: Path) -> None:
    plant = Rig("recovery", 5, autopilot=False, only=("scale",))
    relay = plant.devices["scale"].outputs[0]
    async with RigServer(plant, SimClock(), "pty") as served:
        output = '\n  [[device.output]]\n  index = 0\n  hold = "recovery machine"\n  timeout = "60s"\n'
        rig = parse_rig(rig_toml(served.urls, "recovery", 5) + output)
        async with _running(rig, place) as job:
            await job.well("scale")
            await job.act("stage-begin", kind="recovery")
            await job.until_done("autostop-arm")  # once the fill is known
            await job.until_contact("closed")
            assert relay.closed
        assert not relay.closed, "sooner than its minute is over"
        assert relay.opened_by == OpenedBy.HOST
    acts = [event["act"] for event in Stored(place / "job.rimelog").of_type(records.PERMIT)]
    assert acts == ["armed", "closed", "released", "opened"]


def test_a_twin_that_goes_away_leaves_the_healthy_device_read_and_watched(tmp_path: Path) -> None:
    """Cloned firmware: a second board says hello with the id that the scale has, and goes away."""
    asyncio.run(_twins(tmp_path))


async def _twins(place: Path) -> None:
    one, other = (Rig("recovery", 5, autopilot=False, only=("scale",)) for _ in range(2))
    async with RigServer(one, SimClock()) as first, RigServer(other, SimClock()) as second:
        rig = parse_rig(rig_toml(first.urls, "recovery", 5))
        rig = replace(rig, devices=(*rig.devices, RigDevice("twin", second.urls["scale"])))
        async with _running(rig, place) as job:
            await job.well("scale")
            shown = await job.until("twin", lambda shown: "share it" in str(shown["text"]))
            assert not shown["ok"]
            for server in second.servers.values():
                await server.aclose()
            await job.until("twin", lambda shown: "share it" not in str(shown["text"]))
            await asyncio.sleep(1.0)
            state = await job.state()
            assert (await job.shown("scale"))["ok"], "the first one goes on"
            assert state["points"][0]["value"] is not None, "and its readings are known"
            assert [a["key"] for a in state["alarms"] if a["key"] == "device-scale" and a["active"]] == []
            await job.until_complete((one.devices["scale"].device_id.hex(), 1))
    stored = Stored(place / "job.rimelog")
    _complete(stored.sequences(one.devices["scale"].device_id.hex()), "scale")
    assert {e["name"] for e in stored.of_type("device-hello")} == {"scale"}, "the twin is never taken for it"


def test_each_good_frame_ends_lost() -> None:
    """Whoever called it lost: a device that is read is there."""
    asyncio.run(_called_lost())


async def _called_lost() -> None:
    rig = Rig("recovery", 5, autopilot=False, only=("scale",))
    async with RigServer(rig, SimClock()) as served:
        engine, clock = Engine(), Clock()
        engine.apply(RigLoaded(t_ns=1, rig=parse_rig(rig_toml(served.urls, "recovery", 5))))
        device = engine.model.state.rig.devices[0]
        feed = DeviceFeed(device, engine, clock, 1.0, engine.apply, lambda *_: None)
        connection = to_device(device.url, None, feed.take)
        task = asyncio.create_task(connection.run())
        async with asyncio.timeout(PATIENCE_S):
            while engine.model.value("cylinder_mass").number is None:
                engine.model.now_ns = clock.now_ns()
                await asyncio.sleep(0.05)
            engine.device_lost(feed.device_id, "device lost: somebody said so")
            assert engine.model.value("cylinder_mass").number is None
            while engine.model.value("cylinder_mass").number is None:  # noqa: ASYNC110
                await asyncio.sleep(0.05)
        await connection.stop()
        await task
