"""The writer on real files: what is submitted is in the file, in order, chained, and every trouble is told."""

import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from logger.evidence import sshsig
from logger.evidence.chain import GENESIS, event_data, verify_chain
from logger.evidence.checkpoint import Checkpoint, checkpoint_bytes
from logger.evidence.errors import ChainError
from logger.evidence.keys import public_key
from logger.model.events import NoteWritten
from logger.model.records import EVENT, FRAMES, GAP, NewRecord, Record
from logger.model.units import NS_PER_S
from logger.store.checkpoints import CheckpointLog
from logger.store.database import connect_writer
from logger.store.errors import PlaceError, StoreBusy, StoreError, StoreTailLost, StoreUnsaved
from logger.store.place import ballast_path, checkpoints_path
from logger.store.reader import StoreReader
from logger.store.status import FAULT, REFUSED, Problem
from logger.store.writer import StoreWriter
from tests.store.making import JOB_ID, T0_NS, events, note, number_of, readings, second, stored

Open = Callable[..., StoreWriter]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "job.rimelog"


@pytest.fixture
def start(path: Path) -> Iterator[Open]:
    """Opens writers with quick intervals; closes what a test leaves open."""
    opened: list[StoreWriter] = []

    def open_one(at: Path = path, **options: object) -> StoreWriter:
        quick = {"job_id": JOB_ID, "now_ns": lambda: T0_NS, "commit_interval_s": 0.01, "reserve_bytes": 0}
        opened.append(StoreWriter.open(at, **(quick | options)))  # type: ignore[arg-type]
        return opened[-1]

    yield open_one
    for writer in opened:
        try:
            writer.close()
        except StoreError:
            pass


def until(condition: Callable[[], bool], timeout_s: float = 60.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "did not happen in time"
        time.sleep(0.005)


def test_what_is_submitted_is_in_the_file_in_order(start: Open, path: Path) -> None:
    told: list[Record] = []
    writer = start(on_commit=told.extend)
    submitted: list[NewRecord] = []
    for k in range(50):
        new = [second(k), note(k)] if k % 10 == 0 else [second(k)]
        submitted += new
        writer.submit(new, readings(k))
    assert writer.flush()
    records = stored(path)
    assert [(r.kind, r.device, r.t0_ns, r.n, r.offsets, r.payload) for r in records] == [
        (n.kind, n.device, n.t0_ns, n.n, n.offsets, n.payload) for n in submitted
    ]
    assert verify_chain(records).holds
    assert told == records
    status = writer.status
    assert (status.last_id, status.last_t0_ns) == (len(records), records[-1].t0_ns)
    assert (status.unsaved_records, status.unsaved_s, status.lost_frames, status.problem) == (0, 0.0, 0, None)
    with StoreReader(path) as reader:
        assert (reader.last_id, reader.count, reader.job_id) == (len(records), len(records), JOB_ID)
        assert list(reader.records(since_id=50)) == records[50:]
        assert list(reader.records(kind=EVENT)) == [r for r in records if r.kind == EVENT]
        assert list(reader.records(device=records[0].device)) == [r for r in records if r.kind == FRAMES]
        assert [record_id for record_id, event in reader.events() if isinstance(event, NoteWritten)] == [
            r.id for r in records if r.kind == EVENT
        ]
        assert reader.points() == ["vacuum"]
        bucket = reader.overview("vacuum", T0_NS, T0_NS + 50 * NS_PER_S, 1)[0]
        assert (bucket.n, bucket.min, bucket.max) == (500, 0.0, 49.9)
        assert bucket.mean == pytest.approx(24.95)


def test_submitting_does_not_wait_for_a_disk_that_hangs(start: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    writer = start()
    stuck = threading.Event()
    real = writer._file.write
    monkeypatch.setattr(writer._file, "write", lambda *a: (stuck.wait(100), real(*a))[1])
    writer.submit([second(0)])
    begun_s = time.monotonic()
    for k in range(1, 200):
        writer.submit([second(k)])
        assert writer.status.unsaved_records == k + 1
    assert time.monotonic() - begun_s < 50  # the disk hangs for longer
    assert not writer.flush(0.01)
    stuck.set()
    assert writer.flush()


def test_a_job_goes_on_where_it_ended(start: Open, path: Path) -> None:
    for run in range(3):
        writer = start()
        assert writer.found.last_id == 5 * run
        assert (writer.found.head == GENESIS) == (run == 0)
        writer.submit([second(5 * run + k) for k in range(5)])
        writer.close()
        writer.close()
    assert [number_of(r) for r in stored(path)] == list(range(15))
    with StoreReader(path) as reader:
        report = reader.verify()
    assert report.holds
    assert report.checkpoints == 3  # one at each end
    assert sorted(p.name for p in path.parent.iterdir()) == ["checkpoints.jsonl", "job.rimelog", "lock"]


def test_a_clock_set_back_changes_nothing_in_the_chain(start: Open, path: Path) -> None:
    now = [T0_NS]
    writer = start(now_ns=lambda: now[0], checkpoint_interval_s=0.01)
    for k in range(20):
        now[0] += NS_PER_S if k != 10 else -3600 * NS_PER_S
        writer.submit([second(k, t_ns=now[0])], readings(k))
        writer.flush()
    writer.close()
    with StoreReader(path) as reader:
        assert reader.verify().holds
        times = [r.t0_ns for r in reader.records()]
    assert times[10] < times[9]
    writer = start(now_ns=lambda: now[0])
    assert writer.found.t0_ns == times[-1]


def test_a_checkpoint_is_signed_and_written_beside_and_inside(start: Open, path: Path) -> None:
    signed: list[bytes] = []

    def sign(data: bytes) -> str:
        signed.append(data)
        return f"signature of {len(data)} bytes"

    writer = start(sign=sign, checkpoint_interval_s=0.02)
    for k in range(5):
        writer.submit([second(k)])
        until(lambda k=k: len(signed) > k)  # type: ignore[misc]
    writer.close()
    records = stored(path)
    with StoreReader(path) as reader:
        beside = reader.checkpoints()
        assert [(c.last_id, c.head) for c in beside.checkpoints] == [(r.id, r.digest) for r in records]
        assert [checkpoint_bytes(c) for c in beside.checkpoints] == signed
        good = reader.verify(lambda data, signature: None if data in signed and "signature" in signature else "wrong")
        assert good.holds
        bad = reader.verify(lambda data, signature: "made by another key")
        assert bad.problem == "the checkpoint at record 1: made by another key"
        checkpoints_path(path).unlink()  # the file was copied alone: it still has its own
        assert reader.checkpoints().checkpoints == beside.checkpoints
    assert {c.job_id for c in beside.checkpoints} == {JOB_ID}


def test_the_first_records_have_a_checkpoint_at_once_however_late_they_come(start: Open, path: Path) -> None:
    writer = start()  # a checkpoint a minute
    until(lambda: writer._next_commit_s > time.monotonic())  # it looked about before there was anything to write
    writer.submit([second(0)])
    assert writer.flush()
    until(checkpoints_path(path).exists, 10.0)


def test_checkpoints_carry_real_signatures_that_only_their_key_made(start: Open, path: Path) -> None:
    key, other = Ed25519PrivateKey.generate(), Ed25519PrivateKey.generate()

    def check_with(expected: Ed25519PrivateKey) -> Callable[[bytes, str], str | None]:
        def check(data: bytes, signature: str) -> str | None:
            signer = sshsig.verify(signature, data, sshsig.CHECKPOINT_NAMESPACE)
            return None if signer == public_key(expected) else "made by another key"

        return check

    writer = start(sign=lambda data: sshsig.sign(key, data, sshsig.CHECKPOINT_NAMESPACE))
    writer.submit([second(0)])
    writer.close()
    with StoreReader(path) as reader:
        assert reader.verify(check_with(key)).holds
        assert reader.verify(check_with(other)).problem == "the checkpoint at record 1: made by another key"


def test_a_signer_that_fails_is_told_and_stops_nothing(start: Open, path: Path) -> None:
    problems: list[Problem | None] = []

    def sign(data: bytes) -> str:
        raise OSError("the key is gone")

    writer = start(sign=sign, checkpoint_interval_s=0.01, on_problem=problems.append)
    for k in range(3):
        writer.submit([second(k)])
        writer.flush()
        time.sleep(0.03)
    until(lambda: bool(problems))
    assert problems[0] is not None and problems[0].kind == FAULT and "the key is gone" in problems[0].text
    assert writer.status.problem == problems[0]
    writer.close()
    assert len(stored(path)) == 3


def test_callbacks_that_fail_stop_nothing(start: Open, path: Path) -> None:
    def fail(_: object) -> None:
        raise RuntimeError("in a callback")

    writer = start(on_commit=fail, on_problem=fail)
    for k in range(3):
        writer.submit([second(k)])
        assert writer.flush()
    writer.close()
    assert len(stored(path)) == 3


def test_a_fault_of_the_program_is_told_and_the_record_kept_until_it_is_over(
    start: Open, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    problems: list[Problem | None] = []
    writer = start(on_problem=problems.append)
    real = writer._file.write
    monkeypatch.setattr(writer._file, "write", lambda *a: 1 / 0)
    writer.submit([second(0)])
    until(lambda: bool(problems))
    assert problems[0] is not None and problems[0].kind == FAULT
    monkeypatch.setattr(writer._file, "write", real)
    until(lambda: writer.status.problem is None)
    assert problems[-1] is None
    assert [number_of(r) for r in stored(path)] == [0]


def test_another_program_that_locks_the_file_only_delays(
    start: Open, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.store.database._BUSY_MS", 20)
    writer = start(ring_bytes=60_000)
    writer.submit([second(0)])
    assert writer.flush()
    intruder = connect_writer(path, JOB_ID, T0_NS)
    intruder.execute("BEGIN IMMEDIATE")
    with writer._changed:  # all at once: none is on its way to the file, and kept for that, while room is made
        for k in range(1, 100):
            writer.submit([second(k)])
    until(lambda: writer.status.problem is not None)
    assert writer.status.problem is not None and writer.status.problem.kind == REFUSED
    assert writer.status.unsaved_bytes <= 60_000
    intruder.execute("ROLLBACK")
    intruder.close()
    until(lambda: writer.status.unsaved_records == 0)
    writer.close()
    records = stored(path)
    gap = event_data(next(r for r in records if r.kind == EVENT))
    assert gap["type"] == GAP
    kept = [number_of(r) for r in records if r.kind == FRAMES]
    assert kept[0] == 0
    assert kept[1:] == list(range(100 - len(kept) + 1, 100))
    assert gap["frames_lost"] == 10 * (100 - len(kept)) == writer.status.lost_frames
    assert verify_chain(records).holds


def test_a_disk_that_went_away_and_came_back_is_opened_anew(
    start: Open, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An input/output error that lasts as long as the old file handles do."""
    writer = start()
    writer.submit([second(0)])
    assert writer.flush()
    broken, real = writer._file._connection, writer._file.write

    def gone(*taken: Any) -> list[Record]:
        if writer._file._connection is broken:
            error = sqlite3.OperationalError("disk I/O error")
            error.sqlite_errorcode = sqlite3.SQLITE_IOERR
            raise error
        return real(*taken)

    monkeypatch.setattr(writer._file, "write", gone)
    writer.submit([second(1)])
    until(lambda: writer.status.problem is not None)
    assert writer.status.problem is not None and writer.status.problem.kind == REFUSED
    until(lambda: writer.status.problem is None)
    writer.close()
    assert [number_of(r) for r in stored(path)] == [0, 1]


def test_what_cannot_be_written_before_the_end_is_not_passed_over(
    start: Open, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.store.database._BUSY_MS", 20)
    writer = start()
    intruder = connect_writer(path, JOB_ID, T0_NS)
    intruder.execute("BEGIN IMMEDIATE")
    writer.submit([second(0), second(1)])
    with pytest.raises(StoreUnsaved, match="2 records could not be written"):
        writer.close()
    intruder.close()


@pytest.mark.parametrize(
    "wrong",
    [
        replace(second(0), kind="photo"),
        replace(second(0), device="\udc80"),
        replace(second(0), t0_ns=2**63),
        replace(second(0), payload="text"),  # type: ignore[arg-type]
        replace(note(0), n=2),
    ],
)
def test_a_record_that_no_chain_can_hold_is_refused_at_once(start: Open, path: Path, wrong: NewRecord) -> None:
    writer = start()
    with pytest.raises(ChainError):
        writer.submit([wrong])
    writer.submit([second(0)])
    writer.close()
    assert len(stored(path)) == 1
    with pytest.raises(StoreError, match="closed"):
        writer.submit([second(1)])


def test_a_second_writer_is_refused_and_told_who_writes(start: Open, path: Path) -> None:
    start()
    with pytest.raises(StoreBusy, match=r"already being written by process \d+"):
        start()
    script = "\n".join(
        [
            "import sys; from pathlib import Path",
            "from logger.store.writer import StoreWriter; from logger.store.errors import StoreBusy",
            "try: StoreWriter.open(Path(sys.argv[1]), job_id=sys.argv[2], now_ns=lambda: 0)",
            "except StoreBusy as exc: print(exc)",
        ]
    )
    command = [sys.executable, "-c", script, str(path), JOB_ID]
    other = subprocess.run(command, capture_output=True, text=True, check=True, timeout=100)
    assert "already being written by process" in other.stdout


def test_a_file_of_another_job_is_refused(start: Open, path: Path) -> None:
    start().close()
    with pytest.raises(StoreError, match=f"is of job {JOB_ID}, not of other"):
        start(job_id="other")
    start().close()  # the refusal left no lock behind


def test_a_lost_end_stops_the_opening_unless_it_is_accepted(start: Open, path: Path) -> None:
    writer = start(checkpoint_interval_s=0.01)
    writer.submit([second(0)])
    writer.flush()
    old = (path.read_bytes(), path.with_name("job.rimelog-wal").read_bytes())
    for k in range(1, 8):
        writer.submit([second(k)])
        writer.flush()
        until(lambda k=k: _lines(checkpoints_path(path)) >= k)  # type: ignore[misc]
    writer.close()
    path.write_bytes(old[0])
    path.with_name("job.rimelog-wal").write_bytes(old[1])
    with pytest.raises(StoreTailLost, match="its last record is 1, but a checkpoint saw 8"):
        start()
    with StoreReader(path) as reader:
        assert reader.verify().problem is not None
    writer = start(accept_lost_tail=True)
    writer.submit([second(20)])
    writer.close()
    gap = events(path, GAP)[0]
    assert (gap["lost_from_id"], gap["lost_to_id"], gap["cause"]) == (2, 8, "stored records lost")
    with StoreReader(path) as reader:
        report = reader.verify()
    assert report.holds
    assert len(report.declared) == len(gap["lost_checkpoints"]) > 1
    start().close()  # once told, it stops nothing any more


def _lines(path: Path) -> int:
    return len(path.read_text().splitlines()) if path.exists() else 0


def test_a_file_that_is_gone_is_not_begun_anew_in_silence(start: Open, path: Path) -> None:
    writer = start()
    writer.submit([second(0)])
    writer.close()
    path.unlink()
    with pytest.raises(StoreTailLost, match="is gone"):
        start()
    assert not path.exists()
    start(accept_lost_tail=True).close()
    assert events(path, GAP)[0]["lost_to_id"] == 1


def test_a_directory_that_is_not_there_is_told(start: Open, tmp_path: Path) -> None:
    with pytest.raises(PlaceError, match="cannot write in"):
        start(tmp_path / "nowhere" / "job.rimelog")


def test_the_reserve_is_set_aside_while_the_job_runs(start: Open, path: Path) -> None:
    writer = start(reserve_bytes=1 << 20)
    until(lambda: writer.status.reserve)
    held = ballast_path(path).stat()
    assert held.st_size == 1 << 20
    assert not hasattr(held, "st_blocks") or held.st_blocks * 512 >= 1 << 20  # really taken, not a hole
    writer.close()
    assert not ballast_path(path).exists()


def test_a_checkpoint_never_tells_of_more_than_is_committed(
    start: Open, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Looked at from outside, by another connection, at the moment each checkpoint is written."""
    seen: list[tuple[int, int]] = []
    real = CheckpointLog.write

    def slow_checkpoint(self: CheckpointLog, t_ns: int, last_id: int, head: bytes) -> None:
        with StoreReader(path) as reader:
            seen.append((last_id, reader.last_id))
        real(self, t_ns, last_id, head)

    monkeypatch.setattr(CheckpointLog, "write", slow_checkpoint)
    writer = start(checkpoint_interval_s=0.0)
    for k in range(30):
        writer.submit([second(k)])
        if k % 3 == 0:
            writer.flush()
    writer.close()
    assert len(seen) > 3
    assert all(told <= in_file for told, in_file in seen)
    with StoreReader(path) as reader:
        assert isinstance(reader.checkpoints().checkpoints[-1], Checkpoint)
        assert reader.checkpoints().checkpoints[-1].last_id == 30


def test_what_is_flushed_has_been_told(start: Open) -> None:
    """Also to one who asks in the moment between the commit and the telling."""
    told: list[Record] = []
    telling, go_on = threading.Event(), threading.Event()

    def slow(records: list[Record]) -> None:
        telling.set()
        assert go_on.wait(60)
        told.extend(records)

    writer = start(on_commit=slow)
    writer.submit([second(0)])
    assert telling.wait(60)
    assert not writer.flush(0.01)
    go_on.set()
    assert writer.flush(60)
    assert len(told) == 1
