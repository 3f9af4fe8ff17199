"""Closing and copying: the same records in less room, verified, never at the cost of the original."""

import sqlite3
import threading
from pathlib import Path

import pytest

from logger.model.records import EVENT
from logger.model.units import NS_PER_S
from logger.store.copy import copy_job
from logger.store.doctor import examine
from logger.store.errors import PlaceError, StoreBusy, StoreDamaged, StoreError, StoreSealed
from logger.store.place import checkpoints_path
from logger.store.reader import StoreReader
from logger.store.seal import seal
from logger.store.writer import StoreWriter
from tests.store.making import JOB_ID, T0_NS, events, note, readings, second, stored

COUNT = 500


def opened(path: Path) -> StoreWriter:
    return StoreWriter.open(
        path,
        job_id=JOB_ID,
        now_ns=lambda: T0_NS,
        sign=lambda data: f"signed {len(data)}",
        commit_interval_s=0.005,
        checkpoint_interval_s=0.02,
        reserve_bytes=0,
    )


@pytest.fixture
def job(tmp_path: Path) -> Path:
    path = tmp_path / "job" / "job.rimelog"
    path.parent.mkdir()
    writer = opened(path)
    for k in range(COUNT):
        writer.submit([second(k), *([note(k)] if k % 7 == 0 else [])], readings(k))
    writer.close()
    return path


def test_a_closed_job_holds_the_same_records_in_less_room(job: Path) -> None:
    records = stored(job)
    t1_ns = T0_NS + COUNT * NS_PER_S
    with StoreReader(job) as reader:
        overview = reader.overview("vacuum", T0_NS, t1_ns, 20)
    report = seal(job, now_ns=T0_NS + 1)
    assert report.chain.holds
    assert report.after_bytes < report.before_bytes / 1.5
    with StoreReader(job) as reader:
        assert (reader.sealed_ns, reader.job_id) == (T0_NS + 1, JOB_ID)
        assert (reader.last_id, reader.count) == (len(records), len(records))
        assert list(reader.records()) == records
        assert list(reader.records(since_id=317, until_id=400)) == records[317:400]
        assert list(reader.records(kind=EVENT)) == [r for r in records if r.kind == EVENT]
        assert reader.overview("vacuum", T0_NS, t1_ns, 20) == overview
        verdict = reader.verify(lambda data, signature: None if signature == f"signed {len(data)}" else "wrong")
        assert verdict.holds
        assert verdict.checkpoints == len(reader.checkpoints().checkpoints)
    assert len(events(job, "note")) == len(range(0, COUNT, 7))
    assert examine(job).whole
    assert sorted(p.name for p in job.parent.iterdir()) == ["checkpoints.jsonl", "job.rimelog", "lock"]


def test_nothing_is_added_to_a_closed_job(job: Path) -> None:
    seal(job, now_ns=T0_NS)
    before = job.read_bytes()
    with pytest.raises(StoreSealed, match="begin a new one"):
        opened(job)
    with pytest.raises(StoreSealed):
        seal(job, now_ns=T0_NS)
    assert job.read_bytes() == before


def test_a_job_that_does_not_verify_is_not_closed(job: Path) -> None:
    connection = sqlite3.connect(job)
    connection.execute("UPDATE record SET t0_ns = t0_ns + 1 WHERE id = 40")
    connection.commit()
    connection.close()
    with pytest.raises(StoreDamaged, match="is not closed: record 40 does not fit"):
        seal(job, now_ns=T0_NS)
    with StoreReader(job) as reader:
        assert reader.sealed_ns is None
    assert not job.with_name("job.rimelog.closing").exists()


def test_a_running_job_is_not_closed(job: Path) -> None:
    writer = opened(job)
    with pytest.raises(StoreBusy):
        seal(job, now_ns=T0_NS)
    writer.submit([second(COUNT)])
    writer.close()
    assert seal(job, now_ns=T0_NS).chain.holds


def test_when_there_is_no_room_to_close_the_job_stays_as_it_was(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    records = stored(job)

    def no_room(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("logger.store.seal._write", no_room)
    with pytest.raises(PlaceError, match="No space left"):
        seal(job, now_ns=T0_NS)
    monkeypatch.undo()
    assert stored(job) == records
    writer = opened(job)
    writer.close()


def test_an_empty_job_is_not_closed(tmp_path: Path) -> None:
    path = tmp_path / "job.rimelog"
    opened(path).close()
    with pytest.raises(StoreError, match="no records"):
        seal(path, now_ns=T0_NS)


def test_a_copy_made_while_running_is_one_moment_of_it_and_can_be_continued(job: Path, tmp_path: Path) -> None:
    writer = opened(job)
    stop = threading.Event()

    def write() -> None:
        k = COUNT
        while not stop.is_set():
            writer.submit([second(k)], readings(k))
            k += 1
            stop.wait(0.02)  # slow enough for checkpoints to follow on a busy computer

    thread = threading.Thread(target=write)
    thread.start()
    try:
        copies = [copy_job(job, tmp_path / str(k)) for k in range(5)]
    finally:
        stop.set()
        thread.join()
    writer.close()
    records = stored(job)
    for copy in copies:
        assert copy.chain.holds
        assert stored(copy.path) == records[: copy.chain.last_id]
        assert copy.chain.last_id >= COUNT
        assert examine(copy.path).whole
        assert checkpoints_path(copy.path).exists()
    assert copies[-1].chain.last_id > copies[0].chain.last_id
    going_on = opened(copies[0].path)
    going_on.submit([second(1)])
    going_on.close()
    assert examine(copies[0].path).whole


def test_a_closed_job_is_copied_closed(job: Path, tmp_path: Path) -> None:
    seal(job, now_ns=T0_NS)
    copy = copy_job(job, tmp_path / "copy")
    assert stored(copy.path) == stored(job)
    with StoreReader(copy.path) as reader:
        assert reader.sealed_ns == T0_NS


def test_a_copy_never_writes_over_a_job(job: Path) -> None:
    with pytest.raises(PlaceError, match="already holds a job"):
        copy_job(job, job.parent)


def test_a_copy_of_a_damaged_job_says_so(job: Path, tmp_path: Path) -> None:
    connection = sqlite3.connect(job)
    connection.execute("UPDATE record SET payload = x'00' WHERE id = 40")
    connection.commit()
    connection.close()
    assert not copy_job(job, tmp_path / "copy").chain.holds
