"""A daemon whose devices are recorded ones, to be killed in the middle: its wiring, clock and file without the links.

`python -m tests.app.killable FOLDER first|second`: FOLDER holds a pickled `Course` a job. "first" runs all to their
kill and dies by SIGKILL with their files open; "second" goes on with them and prints what it shows, as JSON by job.
"""

import asyncio
import json
import os
import pickle
import signal
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.app.daemon import Daemon
from logger.clock import Clock, ClockReading
from logger.model.events import JobOpened, RigLoaded, RunBegun, RunEnded
from logger.model.job import Job
from logger.model.rig import Rig
from logger.model.units import NS_PER_S
from logger.pipeline.engine import Engine
from logger.pipeline.job_state import Item
from logger.stages.charging.live import ScaleWatch
from logger.store.tail import read_checkpoints
from logger.store.writer import StoreWriter

OF_THE_DAEMON = (JobOpened, RigLoaded, RunBegun, RunEnded)


@dataclass(frozen=True, slots=True)
class Course:
    """What comes in, in order; readings between kill_ns and back_ns are never heard."""

    job: Job
    rig: Rig
    items: Sequence[Item]
    kill_ns: int
    back_ns: int


def shown(engine: Engine) -> dict[str, Any]:
    """What the mechanic sees of a stage, in plain types."""
    seen, watch = engine.snapshot(), engine.live_values.watch
    charging = watch.charging if isinstance(watch, ScaleWatch) else None
    return {
        "values": {key: (v.number, v.problem, v.u) for key, v in seen.live.items()},
        "advice": list(seen.advice),
        "findings": {f.key: f.verdict.value for f in seen.findings},
        "alarms": {k: (s.state.value, s.raised_ns) for k, s in engine.judge.state.keys.items() if s.raised_ns},
        "first_out": engine.judge.state.first_out,
        "closing_s": charging.closing_s if charging is not None else None,
    }


class Host:
    """A daemon and its time, which stands where the newest item is."""

    def __init__(self, file: Path, course: Course) -> None:
        self.course, self.now_ns, self._next_tick = course, course.items[0][0], 0
        self.file = file
        self.daemon: Daemon | None = None

    def _read(self) -> ClockReading:
        return ClockReading(self.now_ns, self.now_ns, self.now_ns)

    def begin(self) -> Daemon:
        self.daemon = Daemon(self.course.job.job_id, self.file, Clock(self._read))
        self.daemon.open(self.course.rig, self.course.job)
        if self.daemon.catch_up is not None:
            while not self.daemon.catch_up.advance(1.0):
                pass
        return self.daemon

    def feed(self, wanted: Callable[[int], bool]) -> None:
        assert self.daemon is not None
        for t_ns, _, _, device, item in self.course.items:
            if not wanted(t_ns):
                continue
            self.now_ns = t_ns
            if t_ns >= self._next_tick:
                self.daemon.tick()
                self._next_tick = t_ns - t_ns % NS_PER_S + NS_PER_S
            if isinstance(item, bytes):
                self.daemon.engine.device_connected(device)
                self.daemon.keep_frame(device, t_ns, item, self.daemon.engine.frame(device, t_ns, item))
            elif not isinstance(item, OF_THE_DAEMON):
                self.daemon.emit(item)
        self.daemon.tick()


def unbroken(file: Path, course: Course) -> dict[str, Any]:
    """The same course in a daemon that nobody kills."""

    async def run() -> dict[str, Any]:
        file.parent.mkdir()
        host = Host(file, course)
        daemon = host.begin()
        host.feed(lambda t_ns: True)
        found = shown(daemon.engine)
        await daemon.close()
        return found

    return asyncio.run(run())


def courses(folder: Path) -> dict[str, tuple[Path, Course]]:
    """By name, each with the file of its job."""
    found = {}
    for path in sorted(folder.glob("*.pickle")):
        (folder / path.stem).mkdir(exist_ok=True)
        found[path.stem] = (folder / path.stem / "job.rimelog", pickle.loads(path.read_bytes()))
    return found


def _checkpointed(writer: StoreWriter, file: Path) -> None:
    """Minutes pass here in a second, checkpoints are made by the computer's clock: have the one that was due by now."""
    for _ in range(1000):
        writer._next_checkpoint_s = 0.0
        writer.flush()
        if any(c.last_id == writer.status.last_id for c in read_checkpoints(file).checkpoints):
            return
        time.sleep(0.02)
    raise AssertionError("no checkpoint")


async def main(found: dict[str, tuple[Path, Course]], run: str) -> None:
    hosts = {name: Host(*each) for name, each in found.items()}
    if run == "first":
        for host in hosts.values():
            daemon = host.begin()
            host.feed(lambda t_ns, kill_ns=host.course.kill_ns: t_ns <= kill_ns)  # type: ignore[misc]
            assert daemon.recorder.writer is not None and daemon.recorder.writer.flush()
            _checkpointed(daemon.recorder.writer, host.file)
        os.kill(os.getpid(), signal.SIGKILL)
    told = {}
    for name, host in hosts.items():
        host.now_ns = host.course.back_ns
        daemon = host.begin()
        host.feed(lambda t_ns, back_ns=host.course.back_ns: t_ns > back_ns)  # type: ignore[misc]
        told[name] = shown(daemon.engine)
        await daemon.close()
    print(json.dumps(told))


if __name__ == "__main__":
    asyncio.run(main(courses(Path(sys.argv[1])), sys.argv[2]))
