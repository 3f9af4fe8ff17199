"""Where jobs are: names that are safe everywhere, ids that are never given twice, clear words when it cannot be."""

from datetime import date
from pathlib import Path

import pytest

from logger.store.errors import PlaceError, StoreBusy
from logger.store.lock import JobLock, holder_of
from logger.store.place import (
    checked_job_id,
    data_dir,
    find_job,
    job_place,
    jobs,
    lock_path,
    new_job,
    running_address_file,
)

DAY = date(2026, 11, 25)


def made(job_id: str, data: Path) -> None:
    job_place(job_id, data).file.touch()


def test_the_data_directory_is_the_named_one_or_the_platforms(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("RIMELOG_DATA", str(tmp_path))
    assert data_dir() == tmp_path
    monkeypatch.delenv("RIMELOG_DATA")
    assert data_dir().name == "rimelog"


def test_ids_of_a_day_are_never_given_twice(tmp_path: Path) -> None:
    places = [new_job(DAY, tmp_path) for _ in range(101)]
    assert [p.job_id for p in places[:2]] == ["2026-11-25-01", "2026-11-25-02"]
    assert len({p.job_id for p in places}) == 101
    assert jobs(tmp_path) == []  # a job is one when it has a file
    assert places[0].directory.stat().st_mode & 0o077 == 0  # customers' names are nobody else's business


@pytest.mark.parametrize(
    "text", ["", "..", "../x", "a/b", "a\\b", "con", "LPT1", "x" * 64, "a b", "a\x1bb", ".hidden", "ü"]
)
def test_names_that_are_no_safe_file_names_are_refused(text: str, tmp_path: Path) -> None:
    with pytest.raises(PlaceError):
        checked_job_id(text)
    with pytest.raises(PlaceError):
        job_place(text, tmp_path)


def test_a_job_is_found_by_id_part_latest_or_path(tmp_path: Path) -> None:
    with pytest.raises(PlaceError, match="no jobs"):
        find_job("latest", tmp_path)
    for job_id in ("2026-11-24-01", "2026-11-25-01", "2026-11-25-02"):
        made(job_id, tmp_path)
    assert [p.job_id for p in jobs(tmp_path)] == ["2026-11-24-01", "2026-11-25-01", "2026-11-25-02"]
    assert find_job("2026-11-25-01", tmp_path).job_id == "2026-11-25-01"
    assert find_job("24-01", tmp_path).job_id == "2026-11-24-01"
    assert find_job("latest", tmp_path).job_id == "2026-11-25-02"
    file = find_job("latest", tmp_path).file
    assert find_job(str(file), tmp_path).directory == file.parent.resolve()
    assert find_job(str(file.parent), tmp_path).directory == file.parent.resolve()
    with pytest.raises(PlaceError, match="several jobs: 2026-11-25-01, 2026-11-25-02"):
        find_job("2026-11-25", tmp_path)
    with pytest.raises(PlaceError, match="no job '1999'"):
        find_job("1999", tmp_path)


def test_a_place_that_cannot_be_made_says_so(tmp_path: Path) -> None:
    (tmp_path / "jobs").write_text("in the way")
    with pytest.raises(PlaceError, match="RIMELOG_DATA"):
        new_job(DAY, tmp_path)
    with pytest.raises(PlaceError, match="cannot read"):
        jobs(tmp_path)


def test_the_running_job_is_the_one_whose_lock_is_held(tmp_path: Path) -> None:
    for job_id in ("one", "two"):
        made(job_id, tmp_path)
        find_job(job_id, tmp_path).run_file.touch()
    one, two = find_job("one", tmp_path), find_job("two", tmp_path)
    assert not running_address_file(None, tmp_path).exists()  # files left by a killed daemon do not count
    with JobLock(lock_path(two.file), "job two"):
        assert two.running and not one.running
        assert running_address_file(None, tmp_path) == two.run_file
        assert running_address_file("one", tmp_path) == one.run_file
        with JobLock(lock_path(one.file), "job one"), pytest.raises(PlaceError, match="--job"):
            running_address_file(None, tmp_path)
    assert not two.running


def test_a_lock_is_held_by_one_and_names_its_holder(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    assert holder_of(path) is None
    lock = JobLock(path, "job x")
    with pytest.raises(StoreBusy, match=r"job x is already being written by process \d+ \(.+\); end that one first"):
        JobLock(path, "job x")
    assert str(holder_of(path)).startswith("process ")
    lock.release()
    lock.release()
    assert holder_of(path) is None
    path.write_bytes(b"\xff nonsense")
    with JobLock(path, "job x"):
        pass
