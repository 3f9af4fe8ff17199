"""A copy, a rescue or a repair that was killed can be run again, wherever it was killed."""

import subprocess
import sys
from pathlib import Path

import pytest

from logger.store.doctor import examine
from logger.store.writer import StoreWriter
from tests.store.making import JOB_ID, T0_NS, readings, second, stored
from tests.store.test_damage import leaf_pages, spoil

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="forks")
SECONDS = 300


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A killed writer's: with a log beside it."""
    path = tmp_path / "job" / "job.rimelog"
    path.parent.mkdir()
    writer = StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0)
    for number in range(SECONDS):
        writer.submit([second(number)], readings(number))
    assert writer.flush()
    writer.close()
    return path


def cut_short(way: str, job: Path, out: Path) -> list[Path]:
    """The folders in which it was cut short and run again."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.store.cut_short", way, job, out], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0 and "steps" in done.stdout, done.stdout + done.stderr
    return sorted(out.iterdir(), key=lambda place: int(place.name))


def test_a_copy(job: Path, tmp_path: Path) -> None:
    places = cut_short("copied", job, tmp_path / "out")
    assert len(places) > 5
    for place in places:
        assert len(stored(place / "out" / job.name)) == SECONDS
        assert examine(place / "out" / job.name).whole
        assert not list(place.glob("out/*.part*"))


def test_a_rescue(job: Path, tmp_path: Path) -> None:
    spoil(job, 4096 * (leaf_pages(job, "record")[2] - 1) + 100, bytes(200))
    places = cut_short("rescued", job, tmp_path / "out")
    assert len(places) > 5
    for place in places:
        assert len(stored(place / "out" / job.name)) == len(stored(places[0] / "out" / job.name))
        assert examine(place / "out" / job.name).whole


def test_a_repair_in_place(job: Path, tmp_path: Path) -> None:
    spoil(job, 4096 * leaf_pages(job, "record")[-1] - 1000, bytes(900))
    places = cut_short("repaired", job, tmp_path / "out")
    assert len(places) > 10
    for place in places:
        assert len(stored(place / "job" / job.name)) == len(stored(places[0] / "job" / job.name)), place
        assert examine(place / "job" / job.name).whole
        assert list(place.glob("job/damaged-*/job.rimelog")) and not (place / "job" / "rescued").exists()
