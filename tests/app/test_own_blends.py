"""The user's own blends reach the record: those the job rests on at its beginning, those of a cylinder with it."""

import asyncio
from pathlib import Path
from typing import Any

import pytest

from logger.app.daemon import Daemon
from logger.clock import Clock
from logger.cylinder.limits import CylinderLimits
from logger.model.cylinder import Cylinder
from logger.model.events import CylinderOnScale, JobOpened
from logger.model.job import Job
from logger.model.rig import Rig
from logger.pipeline.replay import replay
from logger.refrigerant import SHIPPED
from logger.store.reader import StoreReader
from tests.refrigerant.test_catalogue import blend


def test_what_the_job_and_its_cylinders_hold_is_in_the_record_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "job.rimelog"
    kept = Cylinder("C-9", 12.5, 21.6, 2.8e6, refrigerant="SHOP-3")

    async def run() -> dict[str, Any]:
        daemon = Daemon("job-1", path, Clock())
        daemon.engine.user_catalogue = SHIPPED.with_blends(blend(f"SHOP-{i}") for i in (1, 2, 3, 4))
        daemon.listed_cylinder = lambda name: kept
        job = Job("job-1", "SHOP-1", customer="Invented bakery", invented=True)
        daemon.open(Rig("none", ()), job, (Cylinder("C-1", 12.5, 21.6, candidates=("R-22", "SHOP-2")),))
        answer = await daemon.act("cylinder", {"name": "C-9"})
        await daemon.close()
        return answer

    assert asyncio.run(run())["text"].startswith("C-9 is on the scale now.")
    with StoreReader(path) as reader:
        events = [event for _, event in reader.events()]
        state = replay(reader.records()).model.state
    (opened,) = (event for event in events if isinstance(event, JobOpened))
    swapped = [event for event in events if isinstance(event, CylinderOnScale)]
    assert [b["description"]["name"] for b in opened.blends] == ["SHOP-1", "SHOP-2"]
    assert [b["description"]["name"] for event in swapped for b in event.blends or ()] == ["SHOP-3"]
    assert [b.name for b in state.catalogue.blends] == ["SHOP-1", "SHOP-2", "SHOP-3"]


def test_a_cylinder_with_a_blend_of_its_own_joins_a_running_job_and_is_limited_by_that_blend(tmp_path: Path) -> None:
    """Its limit is known at once, is that of its blend and no other, and anyone who reads the record finds the same,
    without the user's list."""
    path = tmp_path / "job.rimelog"
    held = {"C-9": Cylinder("C-9", 12.5, 21.6, 2.8e6, refrigerant="SHOP-3"), "C-8": Cylinder("C-8", 12.5, 21.6, 2.8e6)}
    like = Cylinder("C-7", 12.5, 21.6, 2.8e6, refrigerant="R-410A")

    async def run() -> list[Any]:
        daemon = Daemon("job-1", path, Clock())
        daemon.engine.user_catalogue = SHIPPED.with_blends([blend("SHOP-3", lighter=0.8)])
        daemon.listed_cylinder = held.get
        daemon.open(Rig("none", ()), Job("job-1", "R-410A", customer="Invented bakery", invented=True), (like,))
        found = []
        for name in ("C-7", "C-9"):
            await daemon.act("cylinder", {"name": name})
            found.append(daemon.engine.model.cylinder_limits())
        await daemon.close()
        return found

    shipped, own = asyncio.run(run())
    assert isinstance(shipped, CylinderLimits) and isinstance(own, CylinderLimits)
    assert shipped.binding and own.binding and shipped.binding.net.number
    assert own.binding.net.number == pytest.approx(0.8 * shipped.binding.net.number, rel=0.01)
    with StoreReader(path) as reader:
        again = replay(reader.records()).model.cylinder_limits()
    assert isinstance(again, CylinderLimits) and again.binding == own.binding
