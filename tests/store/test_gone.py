"""The job file goes away under a running writer, by every way a person or a tool can take it: nothing is lost.

Judged by a reader of its own: plain SQLite and SHA-256, none of the store's code.
"""

import os
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.store.errors import StoreBusy, StoreUnsaved
from logger.store.lock import JobLock
from logger.store.place import checkpoints_path, lock_path
from logger.store.status import DAMAGED, GONE, RESTORED, Problem
from logger.store.writer import StoreWriter
from tests.plain_reader import notes_in
from tests.store.making import JOB_ID, T0_NS, events, note, readings, second, stored

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows lets nobody take an open file away")

PATIENCE_S = 60.0


class Writing:
    """A writer that is told numbered notes, and what it said of its troubles."""

    def __init__(self, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self.path, self.count = path, 0
        self.committed: list[int] = []
        self.problems: list[Problem | None] = []
        self.writer = StoreWriter.open(
            path, job_id=JOB_ID, now_ns=lambda: T0_NS + self.count, commit_interval_s=0.01, reserve_bytes=0,
            checkpoint_interval_s=0.05, on_problem=self.problems.append,
            on_commit=lambda records: self.committed.extend(r.id for r in records),
        )  # fmt: skip

    def write(self, many: int = 20) -> None:
        for _ in range(many):
            self.writer.submit([second(self.count), note(self.count, f"note {self.count}")], readings(self.count))
            self.count += 1
        assert self.writer.flush(PATIENCE_S)

    def until(self, kind: str) -> Problem:
        end_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < end_s:
            problem = self.writer.status.problem
            if problem is not None and problem.kind == kind:
                return problem
            time.sleep(0.01)
        raise AssertionError(f"never {kind}: {self.problems}")

    @property
    def texts(self) -> list[str]:
        return [f"note {number}" for number in range(self.count)]


@pytest.fixture
def writing(tmp_path: Path) -> Writing:
    made = Writing(tmp_path / "jobs" / "job" / "job.rimelog")
    made.write()
    return made


def deleted(path: Path) -> None:
    path.unlink()


def log_deleted(path: Path) -> None:
    path.with_name(path.name + "-wal").unlink()


def index_deleted(path: Path) -> None:
    path.with_name(path.name + "-shm").unlink()


def folder_deleted(path: Path) -> None:
    shutil.rmtree(path.parent)


def moved(path: Path) -> None:
    path.parent.rename(path.parent.with_name("elsewhere"))


def folder_replaced_by_a_copy(path: Path) -> None:
    away = path.parent.with_name("elsewhere")
    path.parent.rename(away)
    shutil.copytree(away, path.parent)


def replaced_by_a_copy(path: Path) -> None:
    copy = path.with_name("copy")
    shutil.copy2(path, copy)
    copy.replace(path)


def replaced_by_an_older_one(path: Path) -> None:
    """As a sync tool restores it: the file of a while ago, whole, and no log beside it."""
    old = path.with_name("old")
    connection = sqlite3.connect(old)
    connection.execute("CREATE TABLE t (x)")
    connection.close()
    for name in (path.name + "-wal", path.name + "-shm"):
        path.with_name(name).unlink()
    old.replace(path)


WAYS = (
    deleted, log_deleted, index_deleted, folder_deleted, moved, folder_replaced_by_a_copy, replaced_by_a_copy,
    replaced_by_an_older_one,
)  # fmt: skip


@pytest.mark.parametrize("take_away", WAYS, ids=lambda way: way.__name__)
def test_a_file_taken_away_while_running_is_written_again_at_once(
    writing: Writing, take_away: Callable[[Path], None]
) -> None:
    take_away(writing.path)
    problem = writing.until(RESTORED)  # though nothing more came
    assert "while it was being written" in problem.text and str(writing.path) in problem.text
    assert notes_in(writing.path) == writing.texts
    writing.write()
    assert notes_in(writing.path) == writing.texts
    with pytest.raises(StoreBusy):
        JobLock(lock_path(writing.path), "the job")
    writing.writer.close()
    assert notes_in(writing.path) == writing.texts
    assert writing.committed == list(range(1, 2 * writing.count + 1)), "each is told once"
    assert checkpoints_path(writing.path).is_file()
    again = StoreWriter.open(writing.path, job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0)
    again.close()
    assert len(stored(writing.path)) == 2 * writing.count


def test_what_stood_in_its_place_is_kept_beside_it(writing: Writing) -> None:
    replaced_by_a_copy(writing.path)
    assert "replaced-1" in writing.until(RESTORED).text
    assert (writing.path.parent / "replaced-1" / writing.path.name).is_file()
    writing.writer.close()


def test_a_commit_into_a_file_without_a_name_is_not_told_before_it_is_written_again(writing: Writing) -> None:
    """The file goes away, and cannot be written again for a while."""
    told = len(writing.committed)
    folder = writing.path.parent
    shutil.rmtree(folder)
    folder.write_text("a file is in the folder's place")
    writing.writer.submit([note(writing.count, f"note {writing.count}")])
    writing.count += 1
    assert "cannot be written again" in writing.until(GONE).text
    time.sleep(0.1)
    assert len(writing.committed) == told
    assert writing.writer.status.unsaved_records == 1
    folder.unlink()
    writing.until(RESTORED)
    assert writing.writer.flush(PATIENCE_S)
    assert len(writing.committed) == told + 1
    assert notes_in(writing.path) == writing.texts
    writing.writer.close()


def test_at_the_end_a_file_that_is_still_gone_is_saved_beside_its_folder(writing: Writing) -> None:
    folder = writing.path.parent
    shutil.rmtree(folder)
    folder.write_text("a file is in the folder's place")
    writing.until(GONE)
    writing.writer.submit([note(writing.count, f"note {writing.count}")])
    writing.count += 1
    with pytest.raises(StoreUnsaved, match=r"everything is in .*job-saved-1"):
        writing.writer.close()
    assert notes_in(folder.with_name("job-saved-1") / writing.path.name) == writing.texts


def test_another_program_at_the_path_is_not_written_over(writing: Writing) -> None:
    """The folder was replaced, and a second daemon is already there."""
    away = writing.path.parent.with_name("elsewhere")
    writing.path.parent.rename(away)
    shutil.copytree(away, writing.path.parent)
    with JobLock(lock_path(writing.path), "the job"):
        assert "already being written" in writing.until(GONE).text
        before = writing.path.read_bytes()
        time.sleep(0.2)
        assert writing.path.read_bytes() == before
    writing.until(RESTORED)
    writing.writer.close()
    assert notes_in(writing.path) == writing.texts


def test_a_file_moved_away_and_back_is_well_again(writing: Writing) -> None:
    folder = writing.path.parent
    away = folder.with_name("elsewhere")
    folder.rename(away)
    folder.write_text("in the way")
    writing.until(GONE)
    folder.unlink()
    away.rename(folder)
    end_s = time.monotonic() + PATIENCE_S
    while writing.writer.status.problem is not None and time.monotonic() < end_s:
        time.sleep(0.01)
    writing.write()
    assert notes_in(writing.path) == writing.texts
    writing.writer.close()


def test_a_copy_written_over_it_is_noticed_and_what_can_be_read_is_saved(writing: Writing) -> None:
    """The same file, with older content: SQLite itself does not notice."""
    kept = writing.path.with_name("kept")
    for number in range(3):  # each more than the log holds: most is in the file itself
        writing.writer.submit([note(number, "x" * 5000) for number in range(1000)])
        assert writing.writer.flush(PATIENCE_S)
        if number == 0:
            subprocess.run(["cp", writing.path, kept], check=True)
    subprocess.run(["cp", kept, writing.path], check=True)  # in this process SQLite's locks would go
    writing.until(DAMAGED)
    assert any(p is not None and "another program wrote into" in p.text for p in writing.problems)
    writing.write()
    writing.writer.close()
    found = stored(writing.path)  # a chain that holds; what is lost is declared in it
    assert f"note {writing.count - 1}" in notes_in(writing.path)
    assert len(found) < 3000 and events(writing.path, "gap")


def test_a_new_time_on_the_same_content_changes_nothing(writing: Writing) -> None:
    os.utime(writing.path, (1, 1))
    time.sleep(0.3)
    writing.write()
    assert writing.problems == []
    writing.writer.close()
    assert notes_in(writing.path) == writing.texts


def test_a_deleted_lock_file_lets_no_second_writer_in(writing: Writing) -> None:
    lock_path(writing.path).unlink()
    with pytest.raises(StoreBusy, match="already being written"):
        StoreWriter.open(writing.path, job_id=JOB_ID, now_ns=lambda: T0_NS)
    writing.writer.close()
