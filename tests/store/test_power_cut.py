"""Power cuts: of each file the disk has kept what was flushed, or what was written, and no one knows which.

The writer runs with a shim (power.c) that copies a file aside whenever it is flushed. It is killed at a random instant;
then every mixture of "as flushed" and "as written last" of the main file, its log and the checkpoints must hold, with
every record whose commit had been told.
"""

import itertools
import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from logger.store.doctor import examine
from logger.store.place import checkpoints_path
from logger.store.reader import StoreReader
from logger.store.writer import StoreWriter
from tests.store.making import JOB_ID, T0_NS, number_of, second, stored
from tests.store.test_kill import Child
from tests.tools import needs

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="its shim is for Linux")

CUTS = 15
FILES = ("job.rimelog", "job.rimelog-wal", "checkpoints.jsonl")


@pytest.fixture(scope="module")
def shim(tmp_path_factory: pytest.TempPathFactory) -> Path:
    built = tmp_path_factory.mktemp("shim") / "power.so"
    source = Path(__file__).parent / "power.c"
    cc = needs("cc", "compiles the shim between a program and its disk")
    subprocess.run([cc, "-shared", "-fPIC", "-O1", "-Wall", "-o", built, source, "-ldl"], check=True)
    return built


def test_whatever_the_disk_kept_every_told_commit_is_there(
    shim: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    chance = random.Random(9)
    committed_in_all = 0
    for cut in range(CUTS):
        written, flushed = tmp_path / f"{cut}-written", tmp_path / f"{cut}-flushed"
        written.mkdir()
        flushed.mkdir()
        monkeypatch.setenv("LD_PRELOAD", str(shim))
        monkeypatch.setenv("POWER_FROM", str(written))
        monkeypatch.setenv("POWER_TO", str(flushed))
        child = Child(written / "job.rimelog")
        monkeypatch.delenv("LD_PRELOAD")
        try:
            child.start_one()
            child.run_on(chance.uniform(0.0, 0.2), commits=10 if cut % 3 else 0)  # also while the file is made
            child.kill()
        finally:
            child.end()
        committed_in_all += child.committed
        for k, sources in enumerate(itertools.product((written, flushed), repeat=len(FILES))):
            if child.committed:
                _holds(tmp_path / f"{cut}-{k}", sources, child.committed)
    assert committed_in_all > 5 * CUTS
    assert not os.environ.get("LD_PRELOAD")


def _holds(place: Path, sources: tuple[Path, ...], committed: int) -> None:
    place.mkdir()
    for name, source in zip(FILES, sources, strict=True):
        if (source / name).exists():
            shutil.copy(source / name, place / name)
    path = place / "job.rimelog"
    records = stored(path)
    assert len(records) >= committed
    assert [number_of(r) for r in records] == list(range(len(records)))
    with StoreReader(path) as reader:
        report = reader.verify()
    assert report.holds, report.problem  # no checkpoint tells of more than was kept
    writer = StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0)
    writer.submit([second(len(records))])
    writer.close()
    assert checkpoints_path(path).exists()
    assert examine(path).whole
