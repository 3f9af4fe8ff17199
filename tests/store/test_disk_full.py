"""A full disk: told, survived on the reserve, then in memory, resumed when there is room, the loss recorded."""

import errno
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.evidence.chain import event_data, verify_chain
from logger.model.records import EVENT, FRAMES, GAP, NOTE
from logger.store.doctor import examine
from logger.store.errors import PlaceError
from logger.store.place import ballast_path
from logger.store.status import DISK_FULL, LOW_SPACE, Problem
from logger.store.writer import StoreWriter
from tests.store.making import JOB_ID, T0_NS, note, number_of, readings, second, stored

RESERVE = 400_000
RING = 300_000


class RealDisk:
    """A file system of 6 MB, filled and freed by a file."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self._filler = directory / "filler"

    def fill(self, writer: StoreWriter) -> None:
        with self._filler.open("ab", buffering=0) as file:
            for size in (1 << 16, 1 << 12, 1):
                try:
                    while file.write(bytes(size)) == size:
                        pass
                except OSError as exc:
                    assert exc.errno == errno.ENOSPC

    def free(self, writer: StoreWriter) -> None:
        self._filler.unlink()


class LimitedFile:
    """Where no file system can be mounted: SQLite itself refuses to let the file grow (the same error code)."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory

    def fill(self, writer: StoreWriter) -> None:
        pages = writer._file._connection.execute("PRAGMA page_count").fetchone()[0]
        writer._file._connection.execute(f"PRAGMA max_page_count = {pages}")

    def free(self, writer: StoreWriter) -> None:
        writer._file._connection.execute("PRAGMA max_page_count = 1000000")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[RealDisk | LimitedFile]:
    mount = shutil.which("mount")
    if mount is None or not _run(mount, "-t", "tmpfs", "-o", "size=6m", "tmpfs", str(tmp_path)):
        yield LimitedFile(tmp_path)
        return
    yield RealDisk(tmp_path)
    _run("umount", "-l", str(tmp_path))


def _run(*command: str) -> bool:
    """Whether it was carried out; without that program, or the right to run it, a test does with what any user may."""
    if shutil.which(command[0]) is None:
        return False
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


def until(condition: Callable[[], bool], timeout_s: float = 60.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "did not happen in time"
        time.sleep(0.005)


def test_a_full_disk_is_survived(disk: RealDisk | LimitedFile, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.store.writer._MAX_RETRY_S", 0.05)
    path = disk.directory / "job.rimelog"
    problems: list[Problem | None] = []
    writer = StoreWriter.open(
        path,
        job_id=JOB_ID,
        now_ns=lambda: T0_NS,
        on_problem=problems.append,
        commit_interval_s=0.01,
        checkpoint_interval_s=0.05,
        ring_bytes=RING,
        reserve_bytes=RESERVE,
    )
    count = 0

    def submit(seconds: int) -> None:
        nonlocal count
        for _ in range(seconds):
            new = [second(count), note(count, "alarm")] if count % 50 == 0 else [second(count)]
            writer.submit(new, readings(count))
            count += 1

    submit(20)
    assert writer.flush()
    until(lambda: writer.status.reserve)
    disk.fill(writer)

    if isinstance(disk, RealDisk):  # first the reserve is used up
        submit(20)
        until(lambda: writer.status.problem is not None and writer.status.unsaved_records == 0)
        assert writer.status.problem is not None and writer.status.problem.kind == LOW_SPACE
        assert not ballast_path(path).exists()
        while writer.status.problem is None or writer.status.problem.kind != DISK_FULL:
            submit(5)
            time.sleep(0.005)
            assert count < 5000, "the reserve never ends"
    else:
        while writer.status.problem is None or writer.status.problem.kind != DISK_FULL:
            submit(5)
            time.sleep(0.005)
    assert writer.status.lost_frames == 0
    at_full = writer.status.last_id

    submit(1000)  # far more than the ring holds
    status = writer.status
    assert status.unsaved_bytes <= RING
    assert status.unsaved_s > 0
    assert status.lost_frames > 0
    assert status.last_id <= at_full + 50
    assert not writer.flush(0.1)

    disk.free(writer)
    until(lambda: writer.status.unsaved_records == 0)
    submit(20)
    assert writer.flush()
    until(lambda: writer.status.problem is None)
    if isinstance(disk, RealDisk):
        until(lambda: writer.status.reserve)
    lost = writer.status.lost_frames
    writer.close()

    kinds = [problem.kind if problem else None for problem in problems]
    assert DISK_FULL in kinds
    assert kinds[-1] is None
    records = stored(path)
    assert verify_chain(records).holds
    assert examine(path).whole
    told = [event_data(r) for r in records if r.kind == EVENT]
    gaps = [event for event in told if event["type"] == GAP]
    assert sum(gap["frames_lost"] for gap in gaps) == lost
    assert {gap["cause"] for gap in gaps} == {"disk full"}
    numbers = [number_of(r) for r in records if r.kind == FRAMES]
    assert numbers == sorted(set(numbers))
    assert 10 * (count - len(numbers)) == lost
    missing = set(range(count)) - set(numbers)
    for number in missing:  # each lost second lies in a gap that the record tells
        t_ns = second(number).t0_ns
        assert any(gap["from_ns"] <= t_ns <= gap["to_ns"] for gap in gaps)
    assert len([e for e in told if e["type"] == NOTE]) == len(range(0, count, 50))  # not one alarm was given up


def test_a_file_size_limit_is_told_as_a_refusal_and_over_when_it_is(tmp_path: Path) -> None:
    """A quota on the size of files, in a process of its own: writes fail with another error than a full disk's."""
    if sys.platform == "win32":
        pytest.skip("no such limit on Windows")
    script = "\n".join(
        [
            "import resource, sys, time",
            "from pathlib import Path",
            "from logger.store.writer import StoreWriter",
            "from tests.store.making import *",
            "import logger.store.writer as module",
            "module._MAX_RETRY_S = 0.05",
            "writer = StoreWriter.open(Path(sys.argv[1]), job_id=JOB_ID, now_ns=lambda: T0_NS, commit_interval_s=0.01,",
            "                          reserve_bytes=0)",
            "writer.submit([second(0)]); assert writer.flush()",
            "hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]",
            "resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, hard))",
            "n = 1",
            "while writer.status.problem is None and n < 5000:",
            "    writer.submit([second(n)]); n += 1; time.sleep(0.001)",
            "print(writer.status.problem.kind)",
            "resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))",
            "assert writer.flush()",
            "end = time.monotonic() + 60",
            "while writer.status.problem is not None and time.monotonic() < end: time.sleep(0.01)",
            "print(writer.status.problem)",
            "writer.close()",
            "print(n)",
        ]
    )
    path = tmp_path / "job.rimelog"
    done = subprocess.run(
        [sys.executable, "-c", script, str(path)], capture_output=True, text=True, timeout=200, check=False
    )
    assert done.returncode == 0, done.stderr
    kind, afterwards, count = done.stdout.split("\n")[:3]
    assert (kind, afterwards) == ("storage refuses writing", "None")
    records = stored(path)
    assert verify_chain(records).holds
    assert [number_of(r) for r in records] == list(range(int(count)))


def test_a_directory_that_may_not_be_written_is_told(tmp_path: Path) -> None:
    if os.name != "posix":
        pytest.skip("permissions work differently on Windows")
    if os.geteuid() != 0:
        tmp_path.chmod(0o500)
        with pytest.raises(PlaceError, match="check its permissions"):
            StoreWriter.open(tmp_path / "job.rimelog", job_id=JOB_ID, now_ns=lambda: T0_NS)
        tmp_path.chmod(0o700)
        return
    if not _run("mount", "-t", "tmpfs", "-o", "ro", "tmpfs", str(tmp_path)):  # root is stopped by nothing less
        (tmp_path / "lock").mkdir()
    try:
        with pytest.raises(PlaceError, match="cannot write in"):
            StoreWriter.open(tmp_path / "job.rimelog", job_id=JOB_ID, now_ns=lambda: T0_NS)
    finally:
        _run("umount", "-l", str(tmp_path))


def test_a_job_on_read_only_media_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "disk" / "job.rimelog"
    path.parent.mkdir()
    writer = StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0)
    writer.submit([second(k) for k in range(30)])
    writer.close()
    mounted = _run("mount", "--bind", str(path.parent), str(path.parent))
    if mounted:
        assert _run("mount", "-o", "remount,bind,ro", str(path.parent))
    else:
        path.parent.chmod(0o500)
    try:
        assert len(stored(path)) == 30
        assert examine(path).whole
    finally:
        if mounted:
            _run("umount", "-l", str(path.parent))
        else:
            path.parent.chmod(0o700)
