"""A daemon in whose job something is corrected, or entered late: what it shows then is what an unmistaken one shows."""

import asyncio
import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.app.daemon import Daemon
from logger.model.events import CylinderOnScale, Event, StageBegun
from logger.model.units import NS_PER_S
from logger.pipeline.acts import do
from logger.pipeline.job_state import Item
from logger.pipeline.replay import readings, replay
from logger.store.reader import StoreReader
from logger.store.rollup import Bins, fold
from tests.app.killable import Host, shown, unbroken
from tests.app.test_restart import course, same
from tests.export.simulated import T0_NS

END_NS = T0_NS + 440 * NS_PER_S


async def settled(daemon: Daemon) -> None:
    assert daemon.recorder.writer is not None
    daemon.store_new_events()
    daemon.recorder.writer.flush()
    for _ in range(6000):
        if daemon.engine.settle_after is None:
            return
        await asyncio.sleep(0.01)
    raise AssertionError("it is never worked in")


def after(
    folder: Path, change: Callable[[Sequence[Item]], Sequence[Item]], put_right: Callable[[Daemon, int], None]
) -> tuple[dict[str, Any], dict[int, Any]]:
    """(what is shown at the end, what a fresh replay of the record gives). put_right: at 300 s."""
    mistaken = replace(course("recovery"), items=tuple(change(course("recovery").items)))
    right_ns = T0_NS + 300 * NS_PER_S

    folder.mkdir()

    async def run() -> tuple[dict[str, Any], dict[int, Any]]:
        host = Host(folder / "job.rimelog", mistaken)
        daemon = host.begin()
        host.feed(lambda t_ns: t_ns <= right_ns)
        put_right(daemon, right_ns)
        await settled(daemon)
        host.feed(lambda t_ns: right_ns < t_ns <= END_NS)
        found = shown(daemon.engine)
        await daemon.close()
        with StoreReader(host.file) as reader:
            again = replay(list(reader.records()))
        return found, {s.number: (s.kind, s.begun_ns, s.ended_ns) for s in again.model.state.stages}

    return asyncio.run(run())


def without(cls: type[Event]) -> Callable[[Sequence[Item]], list[Item]]:
    return lambda items: [item for item in items if not isinstance(item[4], cls)]


def same_but_for_alarms(found: dict[str, Any], wanted: dict[str, Any]) -> None:
    """Alarms are not rung backwards: they have rung by what was entered then."""
    for one in (found, wanted):
        one.pop("alarms"), one.pop("first_out")
    same(json.loads(json.dumps(found)), json.loads(json.dumps(wanted)))


def test_a_begin_told_late_is_worked_in(tmp_path: Path) -> None:
    """It shows what would be shown had it been told in time, and not what has moved since it was told."""
    begun = next(e for *_, e in course("recovery").items if isinstance(e, StageBegun))
    wanted = unbroken(tmp_path / "right" / "job.rimelog", course("recovery"))

    def enter(daemon: Daemon, now_ns: int) -> None:
        do(daemon.engine, "stage-begin", {"kind": "recovery"}, begun.t_ns)
        daemon.tick()
        assert daemon.engine.snapshot().live["recovered"].number is None  # unknown, never wrong

    found, stages = after(tmp_path / "late", without(StageBegun), enter)
    assert wanted["values"]["recovered"][0] > 5.0
    same_but_for_alarms(found, wanted)
    assert stages[1][:2] == ("recovery", begun.t_ns)


def test_a_wrong_refrigerant_and_tare_are_worked_in(tmp_path: Path) -> None:
    wanted = unbroken(tmp_path / "right" / "job.rimelog", course("recovery"))

    def wrong(items: Sequence[Item]) -> list[Item]:
        """The tare: in each telling of it. (The job is the course's own.)"""
        return [
            (*item[:4], replace(item[4], cylinder=replace(item[4].cylinder, tare_kg=item[4].cylinder.tare_kg - 1.0)))
            if isinstance(item[4], CylinderOnScale)
            else item
            for item in items
        ]

    def put_right(daemon: Daemon, now_ns: int) -> None:
        engine = daemon.engine
        cylinder = engine.model.state.cylinder
        assert cylinder is not None
        body = {"target": "cylinder", "which": cylinder.name, "fact": "tare", "value": cylinder.tare_kg + 1.0}
        asked = do(engine, "correct", body, now_ns)
        more = {"token": asked["confirm"], "again": body["value"], "why": "collar"}
        assert do(engine, "correct", {**body, **more}, now_ns)["correction"] == 1
        for value in ("R-410A", "R-407C"):  # a slip while correcting, and that put right
            body = {"target": "job", "which": "", "fact": "refrigerant", "value": value, "as_entered": True}
            asked = do(engine, "correct", body, now_ns)
            if "confirm" in asked:
                do(engine, "correct", {**body, "token": asked["confirm"], "again": value, "why": "plate"}, now_ns)

    found, _ = after(tmp_path / "wrong", wrong, put_right)
    same_but_for_alarms(found, wanted)


def test_overviews_are_made_again_when_a_zero_is_corrected(tmp_path: Path) -> None:
    """Each reading is in them once, as corrected: those of before, those meanwhile, those after."""

    def put_right(daemon: Daemon, now_ns: int) -> None:
        body = {"target": "sensor", "which": "cylinder-mass", "fact": "zero", "value": -0.7}
        assert do(daemon.engine, "correct", body, now_ns)["correction"] == 1

    after(tmp_path / "job", list, put_right)
    with StoreReader(tmp_path / "job" / "job.rimelog") as reader:
        buckets = [b for b in reader.overview("cylinder_mass", T0_NS, END_NS + 60 * NS_PER_S, 100) if b.n]
        bins: Bins = {}
        fold(bins, readings(list(reader.records())))
    wanted = [bins[key] for key in sorted(bins) if key[1] == "cylinder_mass"]
    assert [b.n for b in buckets] == [n for n, *_ in wanted]
    for bucket, (n, low, high, total) in zip(buckets, wanted, strict=True):
        assert (bucket.min, bucket.max) == (low, high)
        assert bucket.mean == pytest.approx(total / n)
