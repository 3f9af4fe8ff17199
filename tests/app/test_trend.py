"""The trend a screen asks for: the whole stage after twelve hours, a restart and a late delivery, from a real file."""

import asyncio
import contextlib
import sqlite3
from collections.abc import Callable, Coroutine
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from logger.api.daemon_port import Refused
from logger.app.daemon import Daemon
from logger.app.trend import Trends
from logger.clock import Clock, ClockReading
from logger.model.events import JobOpened, RigLoaded
from logger.model.job import Job
from logger.model.rig import Rig, RigDevice
from logger.model.sample import PointSample
from logger.model.units import NS_PER_S
from logger.pipeline.replay import in_order, readings
from logger.store.rescue import rescue
from tests.app.killable import Course, unbroken
from tests.export.simulated import simulated_job

T0_NS = 1_772_467_200 * NS_PER_S
HOUR_S = 3600
NIGHT_S = 12 * HOUR_S
OUT_S, BACK_S = 5 * HOUR_S, 6 * HOUR_S  # between them nothing is heard
SPIKE_S = 2 * HOUR_S + 7


class Night:
    """A daemon with a clock of its own and one scale; `act` runs in its loop."""

    def __init__(self, path: Path) -> None:
        self.file, self.now_ns = path / "job.rimelog", T0_NS

    def run(self, act: Callable[[Daemon], Coroutine[Any, Any, None]]) -> None:
        async def whole() -> None:
            daemon = Daemon("job-1", self.file, Clock(lambda: ClockReading(self.now_ns, self.now_ns, self.now_ns)))
            daemon.open(Rig("r", (RigDevice("scale", "socket://127.0.0.1:1"),)), Job("job-1", "R-407C"))
            try:
                await act(daemon)
            finally:
                await daemon.close()

        asyncio.run(whole())

    def weigh(self, daemon: Daemon, first_s: int, last_s: int) -> None:
        """A reading every ten seconds, a kilogram an hour, with one that is far off and one that is not trusted."""
        for s in range(first_s, last_s, 10):
            value: float | None = 200.0 if s <= SPIKE_S < s + 10 else 50.0 + s / HOUR_S
            problem = "open circuit" if s == HOUR_S else None
            sample = PointSample(T0_NS + s * NS_PER_S, "cylinder_mass", None if problem else value, problem)
            daemon.keep_frame("", T0_NS + s * NS_PER_S, b"", [sample])

    async def stored(self, daemon: Daemon) -> None:
        daemon.tick()
        assert daemon.recorder.writer is not None
        assert await asyncio.to_thread(daemon.recorder.writer.flush, 60.0)


async def whole_stage(daemon: Daemon) -> list[dict[str, Any]]:
    begun_ns = daemon.snapshot()["stage"]["begun_ns"]
    return await daemon.history("cylinder_mass", begun_ns, 400)


def empty_hours(rows: list[dict[str, Any]]) -> list[float]:
    """Middles of the buckets without a reading."""
    return [((row["t_ns"] + row["end_ns"]) / 2 - T0_NS) / NS_PER_S / HOUR_S for row in rows if row["low"] is None]


def test_the_whole_night_after_a_restart_and_a_late_delivery(tmp_path: Path) -> None:
    night = Night(tmp_path)

    async def before(daemon: Daemon) -> None:
        await daemon.act("stage-begin", {"kind": "recovery"})
        night.weigh(daemon, 0, OUT_S)
        night.now_ns = T0_NS + OUT_S * NS_PER_S
        await night.stored(daemon)

    async def after(daemon: Daemon) -> None:
        night.weigh(daemon, BACK_S, NIGHT_S)
        night.now_ns = T0_NS + NIGHT_S * NS_PER_S
        await night.stored(daemon)
        rows = await whole_stage(daemon)
        assert 200 < len(rows) <= 400
        assert rows[0]["t_ns"] == T0_NS and rows[-1]["end_ns"] >= night.now_ns, "from the beginning to now"
        assert all(a["end_ns"] == b["t_ns"] for a, b in pairwise(rows)), "no time is left out"
        spikes = [row for row in rows if row["high"] == 200.0]
        assert len(spikes) == 1 and spikes[0]["t_ns"] <= T0_NS + SPIKE_S * NS_PER_S < spikes[0]["end_ns"]
        assert spikes[0]["high_shown"] == pytest.approx(440.925, abs=0.001) and spikes[0]["unit_shown"] == "lb"
        gap = empty_hours(rows)
        assert gap and min(gap) > 5.0 and max(gap) < 6.0 and len(gap) == pytest.approx(len(rows) / 12, abs=2)
        night.weigh(daemon, OUT_S, BACK_S)  # kept by the device, and sent now
        await night.stored(daemon)
        assert not empty_hours(await whole_stage(daemon))
        recent = await daemon.history("cylinder_mass", night.now_ns - 600 * NS_PER_S, 400)
        assert 60 <= len(recent) <= 61 and not empty_hours(recent)

    night.run(before)
    night.now_ns = T0_NS + BACK_S * NS_PER_S
    night.run(after)


def test_what_is_on_its_way_is_no_gap_and_what_stays_out_is(tmp_path: Path) -> None:
    night = Night(tmp_path)

    async def act(daemon: Daemon) -> None:
        night.weigh(daemon, 0, 600)
        night.now_ns = T0_NS + 605 * NS_PER_S
        await night.stored(daemon)
        assert not empty_hours(await daemon.history("cylinder_mass", T0_NS, 400))
        night.now_ns += 300 * NS_PER_S
        assert len(empty_hours(await daemon.history("cylinder_mass", T0_NS, 400))) == pytest.approx(30, abs=2)
        slow = await Trends(night.file).since("cylinder_mass", T0_NS, T0_NS + 600 * NS_PER_S, 400, 40.0, 0.0)
        assert [b.t1_ns - b.t0_ns for b in slow] == [120 * NS_PER_S] * 5, (
            "an instrument of one reading in 40 s has no gaps"
        )
        with pytest.raises(Refused, match="no measuring point") as refused:
            await daemon.history("weight", T0_NS, 400)
        assert [one["key"] for one in refused.value.why] == ["point.unknown"]

    night.run(act)


def test_a_file_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    night = Night(tmp_path)

    async def act(daemon: Daemon) -> None:
        await night.stored(daemon)
        aside = night.file.rename(tmp_path / "aside")
        with pytest.raises(Refused, match="there is no job file"):
            await daemon.history("cylinder_mass", T0_NS, 400)
        aside.rename(night.file)

    night.run(act)


def bins(file: Path) -> list[tuple[Any, ...]]:
    with contextlib.closing(sqlite3.connect(file)) as connection:
        return connection.execute(
            "SELECT level_s, bin_s, name, n, min, max FROM rollup JOIN point ON point = id ORDER BY 1, 2, 3"
        ).fetchall()


def test_overviews_made_anew_from_the_record_are_those_made_live(tmp_path: Path) -> None:
    items = tuple(in_order(simulated_job("tight", 400.0, ("vacuum board",))))
    opened = next(item for *_, item in items if isinstance(item, JobOpened))
    loaded = next(item for *_, item in items if isinstance(item, RigLoaded))
    job, rig = opened.job, loaded.rig
    file, out = tmp_path / "live" / "job.rimelog", tmp_path / "out" / "job.rimelog"
    unbroken(file, Course(job, rig, items, 0, 0))
    rescue(file, out, job_id=job.job_id, now_ns=0, readings=readings)
    assert len(bins(file)) > 90
    assert bins(out) == bins(file)
