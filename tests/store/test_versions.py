"""Files of other versions: old ones are read as they are and brought up to date to go on, newer ones are refused."""

import shutil
import sqlite3
from pathlib import Path

import pytest

from logger.evidence.chain import event_data
from logger.store.database import connect_writer, schema_steps
from logger.store.doctor import examine
from logger.store.errors import StoreDamaged, StoreVersion
from logger.store.reader import StoreReader
from logger.store.rescue import rescue
from logger.store.seal import seal
from logger.store.writer import StoreWriter
from tests.store.making import JOB_ID, T0_NS, readings, second, stored

OLD = Path(__file__).parent / "fixtures" / "version-1.rimelog"  # made by make_version_1.py in the first schema


@pytest.fixture
def old(tmp_path: Path) -> Path:
    return Path(shutil.copy(OLD, tmp_path / "job.rimelog"))


def version(path: Path) -> int:
    return int(sqlite3.connect(path).execute("PRAGMA user_version").fetchone()[0])


def test_an_old_file_is_read_and_examined_without_being_changed(old: Path) -> None:
    before = old.read_bytes()
    with StoreReader(old) as reader:
        assert (reader.version, reader.job_id, reader.last_id, reader.count) == (1, JOB_ID, 40, 40)
        report = reader.verify()
        assert report.holds
        assert report.checkpoints == 1
        records = list(reader.records())
        assert event_data(records[0])["job"]["invented"] is True
        assert {r.n for r in records[1:]} == {10}
        bucket = reader.overview("vacuum", T0_NS, T0_NS + 60_000_000_000, 1)[0]
        assert (bucket.n, bucket.min, bucket.max, bucket.mean) == (390, 0.0, 38.0, 19.0)
    assert examine(old).whole
    assert old.read_bytes() == before
    assert version(old) == 1


def test_an_old_job_goes_on_in_the_present_version(old: Path) -> None:
    before = stored(old)
    writer = StoreWriter.open(old, job_id=JOB_ID, now_ns=lambda: T0_NS, commit_interval_s=0.01, reserve_bytes=0)
    writer.submit([second(k) for k in range(40, 50)], readings(40))
    writer.close()
    assert version(old) == len(schema_steps())
    after = stored(old)
    assert after[:40] == before
    assert len(after) == 50
    assert examine(old).whole
    seal(old, now_ns=T0_NS)
    assert stored(old) == after


def test_an_old_file_is_rescued_too(old: Path, tmp_path: Path) -> None:
    before = stored(old)
    data = bytearray(old.read_bytes())
    data[:4096] = bytes(4096)
    old.write_bytes(data)
    out = rescue(old, tmp_path / "out" / "job.rimelog", job_id=JOB_ID, now_ns=T0_NS)
    assert stored(out.path) == before


def test_a_migration_cut_short_is_as_if_it_had_not_begun(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steps = [*schema_steps()[:1], schema_steps()[1] + "; INSERT INTO nowhere VALUES (1)"]
    monkeypatch.setattr("logger.store.database.schema_steps", lambda: steps)
    with pytest.raises(StoreDamaged):
        connect_writer(old, JOB_ID, T0_NS)
    assert version(old) == 1
    assert len(stored(old)) == 40
    monkeypatch.undo()
    connect_writer(old, JOB_ID, T0_NS).close()
    assert version(old) == 2


def test_a_newer_file_is_refused_by_reader_and_writer_and_left_alone(old: Path) -> None:
    sqlite3.connect(old).executescript(f"PRAGMA user_version = {len(schema_steps()) + 1}")
    before = old.read_bytes()
    message = f"newer version of this program \\(file version {len(schema_steps()) + 1}, known up to"
    with pytest.raises(StoreVersion, match=message):
        StoreReader(old)
    with pytest.raises(StoreVersion, match=message):
        StoreWriter.open(old, job_id=JOB_ID, now_ns=lambda: T0_NS)
    assert old.read_bytes() == before


def test_what_is_committed_is_on_the_disk(tmp_path: Path) -> None:
    """A power cut cannot be made here; these settings are what keeps committed data through one."""
    connection = connect_writer(tmp_path / "job.rimelog", JOB_ID, T0_NS)
    settings = {name: connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "synchronous")}
    assert settings == {"journal_mode": "wal", "synchronous": 2}  # 2: FULL
    connection.close()
