"""A chain that was rewritten as a whole holds together as well as the true one: only checkpoints tell them apart.

The forger has his own code, plain SQL and SHA-256, and can write in the job's folder but not in the key folder.
"""

import hashlib
import shutil
import sqlite3
import struct
from datetime import date
from pathlib import Path

import pytest

from logger.evidence.sshsig import CHECKPOINT_NAMESPACE, sign
from logger.export.bundle.trusted_keys import signing_key
from logger.store.doctor import examine
from logger.store.errors import StoreTailLost
from logger.store.place import anchor_path, anchors_dir, checkpoints_path, new_job
from logger.store.reader import StoreReader
from logger.store.writer import StoreWriter
from tests.cli.commandline import CommandLine, store_job
from tests.export.simulated import simulated_job
from tests.store.making import JOB_ID, T0_NS, events, note, second

_HEADER = struct.Struct("<16sBQqIIII")


def forge(path: Path, was: bytes, becomes: bytes, *, lines: bool = True) -> None:
    """Change what the records say, make the chain anew and leave no checkpoint."""
    assert len(was) == len(becomes)
    connection = sqlite3.connect(path)
    rows = connection.execute("SELECT id, kind, device, t0_ns, n, offsets, payload, codec FROM record ORDER BY id")
    previous, changed = bytes(32), 0
    for record_id, kind, device, t0_ns, n, offsets, payload, codec in rows.fetchall():
        data = payload.replace(was, becomes) if kind == 1 else payload
        changed += data != payload
        assert codec == 0
        head = _HEADER.pack(b"rimelog record 1", kind, record_id, t0_ns, n, len(device), len(offsets), len(data))
        previous = hashlib.sha256(previous + head + device.encode() + offsets + data).digest()
        connection.execute("UPDATE record SET payload = ?, digest = ? WHERE id = ?", (data, previous, record_id))
    assert changed
    connection.execute("DELETE FROM checkpoint")
    connection.commit()
    connection.close()
    if lines:
        checkpoints_path(path).write_bytes(b"")


def record(path: Path, minutes: float, *, anchors: Path | None = None) -> None:
    """One note every ten seconds."""
    path.parent.mkdir(parents=True, exist_ok=True)
    writer = StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0, anchors=anchors)
    writer.submit([note(10 * number, "tare 12.5 kg") for number in range(int(6 * minutes) + 1)])
    writer.close()


def test_a_record_longer_than_a_minute_that_no_checkpoint_saw_is_not_whole(tmp_path: Path) -> None:
    path = tmp_path / "job.rimelog"
    record(path, 30)
    assert examine(path).whole
    forge(path, b"12.5", b"10.5")
    found = examine(path)
    assert found.chain is not None and found.chain.holds, "the chain itself shows nothing"
    assert not found.whole
    assert "no checkpoint saw records 1 to 181 (30 min of record)" in "\n".join(found.lines())


def test_no_job_goes_on_from_such_a_record_unless_that_is_written_into_it(tmp_path: Path) -> None:
    path = tmp_path / "job.rimelog"
    record(path, 30)
    forge(path, b"12.5", b"10.5")

    def start(accept: bool) -> StoreWriter:
        return StoreWriter.open(
            path, job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0, accept_lost_tail=accept
        )  # fmt: skip

    with pytest.raises(StoreTailLost, match="no checkpoint saw records 1 to 181"):
        start(accept=False)
    start(accept=True).close()
    assert [e["unseen_to_id"] for e in events(path, "note") if "unseen_to_id" in e] == [181]
    start(accept=False).close()  # it is written, once


def test_what_a_crash_leaves_without_a_checkpoint_is_no_forgery(tmp_path: Path) -> None:
    path = tmp_path / "job.rimelog"
    record(path, 1)
    forge(path, b"12.5", b"10.5")
    assert examine(path).whole
    StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0).close()


def test_an_act_recorded_under_an_earlier_time_makes_no_long_record(tmp_path: Path) -> None:
    path = tmp_path / "job.rimelog"
    record(path, 1)
    connection = sqlite3.connect(path)
    connection.execute("DELETE FROM checkpoint WHERE last_id > 1")
    connection.commit()
    connection.close()
    writer = StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0, checkpoint_interval_s=1e6)
    writer.submit([note(-14_000), second(70), note(75)])
    assert writer.flush()
    with StoreReader(path) as reader:
        assert reader.unseen() is None
    writer.close()


def test_a_new_job_has_its_first_checkpoint_with_its_first_commit(tmp_path: Path) -> None:
    writer = StoreWriter.open(tmp_path / "job.rimelog", job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0)
    writer.submit([note(0)])
    assert writer.flush()
    writer.submit([note(1)])
    assert writer.flush()  # the cycle of the first commit is over
    with StoreReader(tmp_path / "job.rimelog") as reader:
        assert reader.checkpoints().checkpoints[0].last_id == 1
    writer.close()


def test_a_run_has_its_first_checkpoint_with_its_first_commit_too(tmp_path: Path) -> None:
    """Power that comes and goes within the minute: a night of it could not be continued."""
    for number in range(3):
        writer = StoreWriter.open(tmp_path / "job.rimelog", job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0)
        writer.submit([note(100 * number)])
        assert writer.flush()
        writer.submit([note(100 * number + 1)])
        assert writer.flush()  # the cycle of the first commit is over
        with StoreReader(tmp_path / "job.rimelog") as reader:
            assert [c.last_id for c in reader.checkpoints().checkpoints][-1] == 2 * number + 1
        writer.close()


@pytest.mark.parametrize("was_stored", [True, False], ids=["emptied", "left as they were"])
def test_the_key_folder_contradicts_a_rewritten_job(tmp_path: Path, was_stored: bool) -> None:
    """However short the record, and whatever stands beside it."""
    path, anchors = tmp_path / "jobs" / JOB_ID / "job.rimelog", anchors_dir(tmp_path)
    record(path, 0.5, anchors=anchors)
    assert examine(path, anchors=anchors).whole
    forge(path, b"12.5", b"10.5", lines=was_stored)
    assert "records up to it were rewritten" in "\n".join(examine(path, anchors=anchors).lines())
    with pytest.raises(StoreTailLost, match="not the ones the checkpoints saw"):
        StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0, anchors=anchors)


def test_renaming_job_and_folder_does_not_get_round_the_key_folder(tmp_path: Path) -> None:
    """By either name its checkpoints are found."""
    path, anchors = tmp_path / "jobs" / JOB_ID / "job.rimelog", anchors_dir(tmp_path)
    record(path, 0.5, anchors=anchors)
    forge(path, b"12.5", b"10.5")
    connection = sqlite3.connect(path)
    connection.execute("UPDATE about SET value = 'other' WHERE key = 'job_id'")
    connection.commit()
    connection.close()
    assert not examine(path, anchors=anchors).whole
    moved = path.parent.rename(path.parent.with_name("other")) / path.name
    connection = sqlite3.connect(moved)
    connection.execute("UPDATE about SET value = ? WHERE key = 'job_id'", (JOB_ID,))
    connection.commit()
    connection.close()
    assert not examine(moved, anchors=anchors).whole


def test_an_older_job_under_a_new_name_is_said_to_be_one(tmp_path: Path) -> None:
    path = tmp_path / "jobs" / JOB_ID / "job.rimelog"
    record(path, 0.5)
    assert "lies in the folder" not in "\n".join(examine(path).lines())
    copy = Path(shutil.copytree(path.parent, path.parent.with_name("2026-11-29-01"))) / path.name
    report = examine(copy)
    assert report.whole  # its record is: it keeps its own name and times, and a bundle of it is named by them
    assert f"it lies in the folder of 2026-11-29-01: a copy of {JOB_ID}" in "\n".join(report.lines())


def test_a_deleted_job_is_missed_and_its_id_is_not_given_again(tmp_path: Path) -> None:
    place = new_job(date(2026, 3, 2), tmp_path)
    anchors = anchors_dir(tmp_path)
    writer = StoreWriter.open(place.file, job_id=place.job_id, now_ns=lambda: T0_NS, reserve_bytes=0, anchors=anchors)
    writer.submit([note(0)])
    writer.close()
    for file in place.directory.iterdir():
        file.unlink()
    place.directory.rmdir()
    assert new_job(date(2026, 3, 2), tmp_path).job_id == "2026-03-02-02"
    place.directory.mkdir()
    with pytest.raises(StoreTailLost, match="checkpoints of it are here"):
        StoreWriter.open(place.file, job_id=place.job_id, now_ns=lambda: T0_NS, anchors=anchors)


def test_close_and_export_refuse_a_rewritten_job_or_write_it_down(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("RIMELOG_DATA", str(tmp_path))
    job = tuple(simulated_job("tight", 400.0, ("vacuum board",)))
    store_job(tmp_path, JOB_ID, job)
    path = tmp_path / "jobs" / JOB_ID / "job.rimelog"
    connection = sqlite3.connect(path)
    connection.execute("DELETE FROM checkpoint")
    connection.commit()
    connection.close()
    checkpoints_path(path).unlink()
    before = path.read_bytes()
    rimelog = CommandLine(monkeypatch, capsys)
    for command in (("close", JOB_ID), ("export", JOB_ID, "--out", tmp_path / "out"), ("doctor", JOB_ID)):
        ran = rimelog(*command)
        assert ran.status and "no checkpoint saw records 1 to" in " ".join((ran.out + ran.err).split()), command
    assert path.read_bytes() == before and not (tmp_path / "out").exists()
    assert rimelog("close", JOB_ID, "--without-checkpoints", "--end-stage").status == 0
    assert [e["unseen_to_id"] for e in events(path, "note") if "unseen_to_id" in e] == [len(job)]
    assert rimelog("doctor", JOB_ID).status == 0
    assert rimelog("export", JOB_ID, "--out", tmp_path / "out").status == 0


def test_a_chain_signed_with_another_key_is_never_called_whole_without_a_word(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("RIMELOG_DATA", str(tmp_path / "mine"))
    signing_key(tmp_path / "mine")
    other = signing_key(tmp_path / "other")
    path = tmp_path / "mine" / "jobs" / JOB_ID / "job.rimelog"
    path.parent.mkdir(parents=True)
    writer = StoreWriter.open(
        path, job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0,
        sign=lambda message: sign(other, message, CHECKPOINT_NAMESPACE),
    )  # fmt: skip
    writer.submit([note(0)])
    writer.close()
    rimelog = CommandLine(monkeypatch, capsys)
    for command in (("doctor", JOB_ID), ("copy", JOB_ID, tmp_path / "copies"), ("close", JOB_ID)):
        assert "which is not this computer's key" in " ".join(rimelog(*command).out.split()), command


def test_the_checkpoints_of_the_key_folder_go_where_nobody_else_can_write(tmp_path: Path) -> None:
    anchors = anchors_dir(tmp_path)
    record(tmp_path / "jobs" / JOB_ID / "job.rimelog", 1, anchors=anchors)
    assert anchor_path(anchors, JOB_ID).read_bytes()
    assert anchors.stat().st_mode & 0o077 == 0
