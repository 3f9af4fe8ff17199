"""kill -9 at 200 random instants, and SIGSTOP: what was committed stays, what follows goes on."""

import os
import random
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.evidence.chain import verify_chain
from logger.store.doctor import examine
from logger.store.errors import StoreBusy, StoreError
from logger.store.reader import StoreReader
from logger.store.writer import StoreWriter
from tests.store.child import MESSAGE
from tests.store.making import JOB_ID, T0_NS, number_of, stored

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there are no such signals on Windows")

KILLS = 200
PATIENCE_S = 60.0


class Child:
    """The forking process of child.py and what its forks tell."""

    def __init__(self, path: Path) -> None:
        command = [sys.executable, "-m", "tests.store.child", str(path)]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0)
        self.pid = 0
        self.committed = 0
        self.submitted: dict[int, int] = {}  # run -> last number

    def start_one(self) -> None:
        assert self.process.stdin is not None
        self.pid = 0
        self.process.stdin.write(b"\n")
        while not self.pid:
            assert self.listen(PATIENCE_S), "no child"

    def listen(self, timeout_s: float) -> bool:
        """Read what is there; False when nothing came in time."""
        assert self.process.stdout is not None
        if not select.select([self.process.stdout], [], [], timeout_s)[0]:
            return False
        data = os.read(self.process.stdout.fileno(), 1 << 16)
        while len(data) % MESSAGE.size:
            data += os.read(self.process.stdout.fileno(), MESSAGE.size - len(data) % MESSAGE.size)
        for kind, number, more in MESSAGE.iter_unpack(data):
            if kind == b"p":
                self.pid = number
            elif kind == b"c":
                self.committed = number
            else:
                self.submitted[more] = number
        return True

    def run_on(self, seconds: float, commits: int = 0) -> None:
        """So many commits from now on, and then so many seconds more."""
        enough = self.committed + commits
        while self.committed < enough:
            assert self.listen(PATIENCE_S), "no commit"
        end_s = time.monotonic() + seconds
        while (left_s := end_s - time.monotonic()) > 0:
            self.listen(left_s)

    def end(self) -> None:
        """Nothing of it is left."""
        if self.pid and _alive(self.pid):
            os.kill(self.pid, signal.SIGKILL)
        self.process.kill()
        with self.process:  # a fork whose pid never came ends by writing into a closed pipe
            pass

    def kill(self) -> None:
        os.kill(self.pid, signal.SIGKILL)
        while self.listen(0.0):
            pass
        while _alive(self.pid):
            time.sleep(0.001)
        while self.listen(0.0):
            pass


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.fixture
def child(tmp_path: Path) -> Iterator[Child]:
    one = Child(tmp_path / "job.rimelog")
    try:
        yield one
    finally:
        one.end()


def test_killed_at_200_random_instants_nothing_committed_is_lost(child: Child, tmp_path: Path) -> None:
    path = tmp_path / "job.rimelog"
    chance = random.Random(25)
    runs_that_wrote = 0
    for kill in range(KILLS):
        child.start_one()
        # Also while the file is made or opened; every other one has written before.
        child.run_on(chance.uniform(0.0, 0.05), commits=kill % 2)
        before = child.committed
        child.kill()
        if not path.exists():
            continue
        try:
            with StoreReader(path) as reader:
                if kill % 10 == 0:
                    report = reader.verify()
                    assert report.holds, report.problem
                last_id = reader.last_id
        except StoreError:
            assert before == 0  # killed while the file was being made: it is made by the next one
            continue
        assert last_id >= child.committed  # every commit that was told is there
        child.committed = last_id
    by_run: dict[int, list[int]] = {}
    for record in stored(path):
        by_run.setdefault(record.t0_ns, []).append(number_of(record))
    for run, numbers in by_run.items():
        assert numbers == list(range(len(numbers)))  # no hole, no repetition, in order
        assert numbers[-1] <= child.submitted.get(run, -1) + 1  # killed between submitting it and telling so
        runs_that_wrote += 1
    assert runs_that_wrote > KILLS / 4
    whole = examine(path)
    assert whole.whole, whole.lines()
    with StoreReader(path) as reader:
        readings = sum(bucket.n for bucket in reader.overview("vacuum", T0_NS, T0_NS + 10**12, 1))
        assert readings == 10 * reader.count  # overviews are committed with their records


def test_a_stopped_writer_is_read_beside_keeps_others_out_and_goes_on(child: Child, tmp_path: Path) -> None:
    path = tmp_path / "job.rimelog"
    child.start_one()
    child.run_on(0, commits=20)
    os.kill(child.pid, signal.SIGSTOP)
    while child.listen(0.2):
        pass
    at_stop = child.committed
    with StoreReader(path) as reader:
        assert reader.verify().holds
        assert reader.last_id >= at_stop
    with pytest.raises(StoreBusy, match=f"process {child.pid} "):
        StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS)
    os.kill(child.pid, signal.SIGCONT)
    child.run_on(0, commits=20)
    child.kill()
    records = stored(path)
    assert verify_chain(records).holds
    assert [number_of(r) for r in records] == list(range(len(records)))
