"""A full disk under a real daemon: the alarms go on, it is told, and what waited is written when there is room."""

import asyncio
import time
from collections.abc import Callable
from functools import partial

import pytest

from logger.app.daemon import Daemon
from logger.clock import Clock, ClockReading
from logger.model.events import AlarmChanged, NoteWritten
from logger.model.job import Job
from logger.model.rig import Rig, RigChannel, RigDevice
from logger.model.units import NS_PER_S
from logger.store.reader import StoreReader
from logger.store.writer import StoreWriter
from tests.store.test_disk_full import LimitedFile, RealDisk, disk  # noqa: F401

SCALE = RigDevice("scale", "socket://127.0.0.1:1", channels=(RigChannel(0, "cylinder_mass"),))
PATIENCE_S = 60.0


class Seconds:
    """The computer's clocks, a second further at each tick."""

    def __init__(self) -> None:
        self.ns = 1_700_000_000_000_000_000

    def __call__(self) -> ClockReading:
        return ClockReading(self.ns, self.ns, self.ns)


def test_alarms_go_on_and_are_in_the_record_when_there_is_room_again(
    disk: RealDisk | LimitedFile,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("logger.store.writer._MAX_RETRY_S", 0.05)
    monkeypatch.setattr(StoreWriter, "open", partial(StoreWriter.open, reserve_bytes=400_000))
    clock, path = Seconds(), disk.directory / "job.rimelog"

    async def night() -> None:
        daemon = Daemon("job-1", path, Clock(clock))
        daemon.open(Rig("r", (SCALE,)), Job("job-1", "R-407C"), commit_interval_s=0.01)
        writer = daemon.recorder.writer
        assert writer is not None

        async def ticks_until(condition: Callable[[], bool], note: str = "") -> None:
            end_s = time.monotonic() + PATIENCE_S
            while not condition():
                assert time.monotonic() < end_s, daemon.snapshot()["store"]
                if note:
                    daemon.emit(NoteWritten(t_ns=daemon.clock.now_ns(), text=note * 300))
                clock.ns += NS_PER_S
                daemon.tick()
                await asyncio.sleep(0.005)

        def waiting() -> list[str]:
            return daemon.engine.judge.waiting()

        await ticks_until(lambda: writer.status.last_id > 0 and writer.status.reserve)  # its thread has begun
        assert daemon.snapshot()["store"]["ok"]
        disk.fill(writer)
        if isinstance(disk, RealDisk):  # its reserve is used up first: stored, but not for long
            await ticks_until(lambda: "disk-low" in waiting(), "x")
            assert "store-trouble" not in waiting()
            assert daemon.snapshot()["store"]["text"].startswith("stored to")
        await ticks_until(lambda: "store-trouble" in waiting(), "x")
        assert daemon.snapshot()["store"]["text"].startswith("NOT STORED: the disk is full")
        answer = await daemon.act("stage-begin", {"kind": "recovery"})  # no cylinder, no scale
        assert answer["stored"] is False and "\nNOT YET STORED: the disk is full" in answer["text"]
        await ticks_until(lambda: "fill-unknown" in waiting())
        assert not daemon.snapshot()["store"]["ok"], "the disk is still full"
        disk.free(writer)
        await ticks_until(lambda: daemon.snapshot()["store"]["ok"])
        assert daemon.snapshot()["store"]["text"].startswith("stored to")
        assert (await daemon.act("note", {"text": "room again"}))["stored"]
        await ticks_until(lambda: daemon.engine.judge.state.of("store-trouble").state.value.startswith("returned"))
        await daemon.close()

    asyncio.run(night())
    with StoreReader(path) as reader:
        told = [event.key for _, event in reader.events() if isinstance(event, AlarmChanged)]
    assert {"store-trouble", "fill-unknown"} <= set(told)
