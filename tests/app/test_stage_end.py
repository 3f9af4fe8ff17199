"""A stage's end holds nothing up: its analysis runs beside, and what it finds is recorded, whatever happens."""

import asyncio
import shutil
import threading
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from logger.app.daemon import Daemon
from logger.clock import Clock
from logger.model.events import FindingConcluded, StageEnded
from logger.model.finding import Finding
from logger.model.job import Stage
from logger.model.units import NS_PER_S
from logger.pipeline import engine as engine_module
from logger.pipeline.acts import end_stage
from logger.pipeline.engine import Engine
from logger.pipeline.job_model import JobModel
from logger.pipeline.replay import replay
from logger.pipeline.stage_inputs import conclude
from logger.stages.definition import StageResult
from logger.store.reader import StoreReader
from tests.app.killable import Course, Host
from tests.app.test_restart import STAGES, course
from tests.export.simulated import T0_NS

END_NS = T0_NS + int(STAGES["recovery"][3] * NS_PER_S)


@cache
def recovery() -> Course:
    """It is running at the end."""
    return course("recovery")


class Held:
    """The analysis, held up until it is let go."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.begun, self.free = threading.Event(), threading.Event()
        monkeypatch.setattr(engine_module, "conclude", self._conclude)

    def _conclude(self, model: JobModel, stage: Stage, until_ns: int) -> StageResult:
        self.begun.set()
        assert self.free.wait(60)
        return conclude(model, stage, until_ns)


def recorded(daemon: Daemon) -> list[Finding]:
    return [event.finding for event in daemon.engine.recorded if isinstance(event, FindingConcluded)]


def found_again(file: Path) -> tuple[Finding, ...]:
    """By a replay of what is stored."""
    with StoreReader(file) as reader:
        return replay(reader.records()).results[1].findings


async def until(holds: Callable[[], bool], daemon: Daemon) -> int:
    """How often the loop came round and judged."""
    for count in range(100_000):
        if holds():
            return count
        daemon.tick()
        await asyncio.sleep(0.001)
    raise AssertionError("did not come about")


def ended(place: Path, monkeypatch: pytest.MonkeyPatch, meanwhile: Callable[[Path, Daemon], None]) -> list[Finding]:
    """A recovery ended while its analysis takes long; what is answered and recorded then."""

    place.mkdir()

    async def run() -> list[Finding]:
        held = Held(monkeypatch)
        host = Host(place / "job.rimelog", recovery())
        daemon = host.begin()
        host.feed(lambda t_ns: True)
        host.now_ns = END_NS + NS_PER_S
        answering = asyncio.create_task(daemon.act("stage-end", {}))
        await until(held.begun.is_set, daemon)
        assert await until(lambda: daemon.recorder.shape()["last_id"] >= stored_end(host.file) > 0, daemon) >= 0
        judged_ns = daemon.engine.model.now_ns
        host.now_ns += 5 * NS_PER_S
        daemon.tick()
        assert daemon.engine.model.now_ns > judged_ns, "time and alarms go on"
        assert not answering.done() and not recorded(daemon)
        meanwhile(host.file, daemon)
        held.free.set()
        answer = await answering
        found = recorded(daemon)
        assert len(answer["findings"]) == len(found) > 0
        await daemon.close()
        return found

    return asyncio.run(run())


def stored_end(file: Path) -> int:
    """The record of the stage's end, 0 while it is not stored."""
    with StoreReader(file) as reader:
        return max((number for number, event in reader.events() if isinstance(event, StageEnded)), default=0)


def test_alarms_go_on_while_an_ended_stage_is_analysed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = ended(tmp_path / "one", monkeypatch, lambda file, daemon: None)
    assert tuple(found) == found_again(tmp_path / "one" / "job.rimelog")


def test_killed_before_it_was_through_the_next_run_records_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def copied(file: Path, daemon: Daemon) -> None:
        shutil.copytree(file.parent, tmp_path / "killed", ignore=shutil.ignore_patterns("*.lock"))

    found = ended(tmp_path / "one", monkeypatch, copied)
    killed = tmp_path / "killed" / "job.rimelog"

    async def again() -> list[Finding]:
        daemon = Daemon("recovery-1", killed, Clock())
        daemon.open(recovery().rig, None, accept_lost_tail=True)  # the copy is without its checkpoints
        while daemon.catch_up is not None and not daemon.catch_up.advance(1.0):
            pass
        daemon.store_new_events()
        told = recorded(daemon)
        await daemon.close()
        return told

    assert asyncio.run(again()) == found
    assert found_again(killed) == tuple(found)
    assert asyncio.run(again()) == found, "and only once"


def test_a_run_that_ends_meanwhile_records_it_first(tmp_path: Path) -> None:
    async def run() -> list[Finding]:
        host = Host(tmp_path / "job.rimelog", recovery())
        daemon = host.begin()
        host.feed(lambda t_ns: True)
        end_stage(daemon.engine, END_NS + NS_PER_S)
        assert daemon.engine.concluding and not recorded(daemon)
        await daemon.close()
        return recorded(daemon)

    assert tuple(asyncio.run(run())) == found_again(tmp_path / "job.rimelog")


def test_what_comes_meanwhile_does_not_change_it() -> None:
    """Not of that stage: readings, another cylinder, the next stage."""
    engine = Engine()
    for t_ns, _, _, device, item in recovery().items:
        if isinstance(item, bytes):
            engine.frame(device, t_ns, item)
        elif not isinstance(item, StageEnded):
            engine.apply(item)
    engine.tick(END_NS)
    engine.beside = True
    end_stage(engine, END_NS + NS_PER_S)
    (waiting,) = engine.concluding
    at_once = waiting.compute()
    shift_ns = END_NS + 2 * NS_PER_S - recovery().items[0][0]
    for t_ns, _, _, device, item in recovery().items[:2000]:
        if isinstance(item, bytes):
            engine.frame(device, t_ns + shift_ns, item)
    engine.tick(END_NS + 300 * NS_PER_S)
    assert waiting.compute().findings == at_once.findings
    engine.concluded(waiting, waiting.compute)
    assert engine.results[1].findings == at_once.findings and not engine.concluding
