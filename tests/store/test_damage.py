"""Damaged files: found, told in plain words, and every record that can be read is saved unchanged."""

import random
import shutil
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from logger.evidence.chain import GENESIS, chained, event_data, verify_chain
from logger.evidence.checkpoint import parse_checkpoints
from logger.model.records import EVENT, FRAMES, GAP, NewRecord, Record
from logger.model.sample import Scan
from logger.model.units import NS_PER_S
from logger.store.carve import carve
from logger.store.database import PAGE_BYTES
from logger.store.doctor import examine
from logger.store.errors import PlaceError, StoreDamaged, StoreError, StoreTailLost, StoreVersion
from logger.store.place import checkpoints_path
from logger.store.reader import StoreReader
from logger.store.rescue import rescue
from logger.store.seal import seal
from logger.store.status import DAMAGED, Problem
from logger.store.writer import StoreWriter
from tests.conftest import TIMES
from tests.store.making import JOB_ID, T0_NS, events, note, readings, second, stored

FLIPS = 150 * TIMES
COUNT = 300


def content(record: Record) -> tuple[object, ...]:
    return (record.kind, record.device, record.t0_ns, record.n, record.offsets, record.payload)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job of 300 seconds with checkpoints, some notes, and a rig file longer than a page. Not to be written to."""
    path = tmp_path_factory.mktemp("whole") / "job.rimelog"
    writer = StoreWriter.open(
        path,
        job_id=JOB_ID,
        now_ns=lambda: T0_NS,
        commit_interval_s=0.001,
        checkpoint_interval_s=0.0,
        reserve_bytes=0,
    )
    for k in range(COUNT):
        rig = [note(k, "rig " * 3000)] if k == 10 else []
        writer.submit([second(k), *rig, *([note(k)] if k % 25 == 0 else [])], readings(k))
        if k % 60 == 0:
            writer.flush()
    writer.close()
    return path


@pytest.fixture
def job(whole: Path, tmp_path: Path) -> Path:
    """A copy to damage."""
    for file in (whole, checkpoints_path(whole)):
        shutil.copy(file, tmp_path / file.name)
    return tmp_path / whole.name


def spoil(path: Path, at: int, new: bytes) -> None:
    with path.open("rb+") as file:
        file.seek(at)
        file.write(new)


def leaf_pages(path: Path, table: str) -> list[int]:
    """Numbers of the table's pages, as SQLite's own tree has them."""
    data = path.read_bytes()
    root = sqlite3.connect(path).execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()[0]

    def below(number: int) -> list[int]:
        page = data[(number - 1) * PAGE_BYTES : number * PAGE_BYTES]
        if page[0] == 0x0D:
            return [number]
        count = int.from_bytes(page[3:5], "big")
        children = [int.from_bytes(page[12 + 2 * k : 14 + 2 * k], "big") for k in range(count)]
        numbers = [int.from_bytes(page[at : at + 4], "big") for at in children] + [int.from_bytes(page[8:12], "big")]
        return [leaf for child in numbers for leaf in below(child)]

    return below(root)


def test_a_whole_file_is_called_whole(whole: Path) -> None:
    report = examine(whole)
    assert report.whole
    assert report.lost == 0
    assert report.readable == report.last_id == COUNT + 13
    assert report.lines()[0].endswith(": whole")
    assert any("records hold" in line for line in report.findings)


def test_page_by_page_the_same_records_are_read_as_by_sqlite(whole: Path) -> None:
    records = stored(whole)
    assert any(len(r.payload) > 2 * PAGE_BYTES for r in records)  # followed over overflow pages
    assert sorted({r.id: r for r in carve(whole)}.items()) == [(r.id, r) for r in records]


def test_a_spoilt_page_costs_only_its_own_records(job: Path, tmp_path: Path) -> None:
    before = stored(job)
    page = leaf_pages(job, "record")[10]
    spoil(job, (page - 1) * PAGE_BYTES, random.Random(1).randbytes(PAGE_BYTES))
    report = examine(job)
    assert not report.whole
    assert 0 < report.lost < 20
    assert any("missing" in line for line in report.findings)
    assert report.advice
    out = rescue(job, tmp_path / "out" / "job.rimelog", job_id=JOB_ID, now_ns=T0_NS + 10**12)
    after = stored(out.path)
    assert verify_chain(after).holds
    lost = range(out.breaks[0].first_id, out.breaks[0].last_id + 1)
    assert len(lost) == out.lost == report.lost
    assert [content(r) for r in after if r.kind == FRAMES or event_data(r)["type"] != GAP] == [
        content(r) for r in before if r.id not in lost
    ]
    assert after[: lost[0] - 1] == before[: lost[0] - 1]  # the beginning with its ids and digests
    gap = events(out.path, GAP)[0]
    assert (gap["lost_from_id"], gap["lost_to_id"]) == (lost[0], lost[-1])
    assert gap["from_ns"] < gap["to_ns"]
    assert f"{out.lost} lost" in out.text
    assert examine(out.path).whole
    kept = parse_checkpoints(checkpoints_path(out.path).read_bytes()).checkpoints
    assert len(kept) >= 2  # those of the beginning and a new one


def test_a_spoilt_root_or_head_hides_records_from_sqlite_but_not_from_a_rescue(job: Path, tmp_path: Path) -> None:
    before = [content(r) for r in stored(job)]
    for name, at in (("head", 0), ("root", _root_at(job))):
        damaged = tmp_path / name / "job.rimelog"
        damaged.parent.mkdir()
        shutil.copy(job, damaged)
        spoil(damaged, at, bytes(PAGE_BYTES))
        with pytest.raises(StoreError):
            stored(damaged)
        report = examine(damaged)
        assert not report.whole
        assert report.readable == len(before)
        out = rescue(damaged, tmp_path / name / "out" / "job.rimelog", job_id=JOB_ID, now_ns=T0_NS)
        assert (out.saved, out.lost) == (len(before), 0)
        assert [content(r) for r in stored(out.path)] == before


def _root_at(path: Path) -> int:
    row = sqlite3.connect(path).execute("SELECT rootpage FROM sqlite_schema WHERE name = 'record'").fetchone()
    return int((row[0] - 1) * PAGE_BYTES)


def test_a_file_cut_anywhere_gives_what_is_left(job: Path, tmp_path: Path) -> None:
    before = {content(r) for r in stored(job)}
    size = job.stat().st_size
    for part in (0.5, 0.75, 0.95):
        cut = tmp_path / str(part) / "job.rimelog"
        cut.parent.mkdir()
        cut.write_bytes(job.read_bytes()[: int(size * part)])
        shutil.copy(checkpoints_path(job), checkpoints_path(cut))
        report = examine(cut)
        assert not report.whole
        assert report.readable > (part - 0.4) * COUNT
        assert report.readable + report.lost == COUNT + 13
        out = rescue(cut, cut.parent / "out" / "job.rimelog", job_id=JOB_ID, now_ns=T0_NS)
        saved = [r for r in stored(out.path) if r.kind == FRAMES or event_data(r)["type"] != GAP]
        assert {content(r) for r in saved} <= before
        assert len(saved) == report.readable
        assert verify_chain(stored(out.path), parse_checkpoints(checkpoints_path(cut).read_bytes()).checkpoints).holds


def test_no_single_bit_flip_passes_unnoticed_where_it_matters(job: Path, tmp_path: Path) -> None:
    """Flips all over the file: one that examine does not see has changed no record."""
    before = stored(job)
    pristine = job.read_bytes()
    chance = random.Random(7)
    noticed = 0
    for _ in range(FLIPS):
        spoilt = bytearray(pristine)
        at = chance.randrange(len(spoilt))
        spoilt[at] ^= 1 << chance.randrange(8)
        job.write_bytes(spoilt)
        report = examine(job)
        try:
            with StoreReader(job) as reader:
                reader.overview("vacuum", T0_NS, T0_NS + COUNT * NS_PER_S, 5)
        except StoreDamaged:
            pass
        if report.whole:
            assert stored(job) == before
        else:
            noticed += 1
            assert report.lost <= 40
    assert noticed > FLIPS / 2


@pytest.mark.parametrize("what", ["payload", "digest", "t0_ns", "device"])
def test_a_changed_record_is_left_out_of_a_rescue_unless_only_its_digest_changed(
    job: Path, tmp_path: Path, what: str
) -> None:
    value = {"payload": b"forged", "digest": bytes(32), "t0_ns": 5, "device": "00"}[what]
    connection = sqlite3.connect(job)
    connection.execute(f"UPDATE record SET {what} = ? WHERE id = 77", (value,))
    connection.commit()
    connection.close()
    report = examine(job)
    assert not report.whole
    assert report.chain is not None and report.chain.first_bad_id in (77, 78)
    out = rescue(job, tmp_path / "out" / "job.rimelog", job_id=JOB_ID, now_ns=T0_NS)
    assert verify_chain(stored(out.path)).holds
    if what == "digest":
        assert (out.lost, out.breaks) == (0, ())
    else:
        assert [str(b) for b in out.breaks] == ["record 77 changed"]
        assert events(out.path, GAP)[0]["cause"] == "damaged job file: record 77 changed"


def test_a_forged_chain_is_told_by_the_checkpoints(job: Path) -> None:
    """Someone who rewrites every digest after a change still contradicts the checkpoints."""
    records = stored(job)
    connection = sqlite3.connect(job)
    previous = GENESIS
    for record in records:
        if record.id == 77:
            record = replace(record, t0_ns=record.t0_ns + 1)
        made = chained(previous, NewRecord(*content(record)), record.id)  # type: ignore[arg-type]
        previous = made.digest
        connection.execute("UPDATE record SET t0_ns = ?, digest = ? WHERE id = ?", (made.t0_ns, previous, made.id))
    connection.commit()
    connection.close()
    assert verify_chain(stored(job)).holds
    report = examine(job)
    assert not report.whole
    assert any("rewritten" in line for line in report.findings)


def test_a_missing_or_cut_log_leaves_a_beginning_that_holds_and_the_checkpoint_tells(tmp_path: Path) -> None:
    source, chance = tmp_path / "source" / "job.rimelog", random.Random(3)
    source.parent.mkdir()
    writer = StoreWriter.open(
        source, job_id=JOB_ID, now_ns=lambda: T0_NS, commit_interval_s=0.001, checkpoint_interval_s=0.0, reserve_bytes=0
    )
    for k in range(60):
        writer.submit([second(k)], readings(k))
        writer.flush()
    while not checkpoints_path(source).exists() or b'"last_id":60,' not in checkpoints_path(source).read_bytes():
        pass
    main, log = source.read_bytes(), source.with_name("job.rimelog-wal").read_bytes()
    marks = checkpoints_path(source).read_bytes()
    writer.close()
    cuts = [0, *(chance.randrange(len(log)) for _ in range(20))]
    for k, cut in enumerate(cuts):
        path = tmp_path / str(k) / "job.rimelog"
        path.parent.mkdir()
        path.write_bytes(main)
        if cut:
            path.with_name("job.rimelog-wal").write_bytes(log[:cut])
        checkpoints_path(path).write_bytes(marks)
        with pytest.raises((StoreTailLost, StoreDamaged)):
            StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS)
        report = examine(path)
        assert not report.whole
        assert report.readable + report.lost == 60
        if report.chain is not None:
            assert report.chain.last_id < 60
            assert report.chain.problem is not None and "missing at the end" in report.chain.problem
            assert verify_chain(stored(path)).holds
        if report.readable:
            assert report.readable >= (report.chain.last_id if report.chain else 0)


def test_damage_while_running_is_put_aside_and_the_job_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "job.rimelog"
    problems: list[Problem | None] = []
    writer = StoreWriter.open(
        path,
        job_id=JOB_ID,
        now_ns=lambda: T0_NS,
        on_problem=problems.append,
        commit_interval_s=0.005,
        reserve_bytes=0,
    )
    for k in range(100):
        writer.submit([second(k)], readings(k))
    assert writer.flush()
    writer._file._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    writer._file._connection.execute("PRAGMA cache_size = 0")
    last = leaf_pages(path, "record")[-1]
    spoil(path, (last - 1) * PAGE_BYTES, b"\xff" * PAGE_BYTES)  # the very page that is written next
    spoil(path, 2 * PAGE_BYTES, b"\xff" * PAGE_BYTES)
    writer._file._connection.execute("PRAGMA shrink_memory")
    for k in range(100, 150):
        writer.submit([second(k)], readings(k))
    assert writer.flush(20.0)
    problem = writer.status.problem
    assert problem is not None
    assert problem.kind == DAMAGED
    assert "records saved" in problem.text
    assert "damaged-1" in problem.text
    writer.close()
    assert (tmp_path / "damaged-1" / "job.rimelog").exists()
    records = stored(path)
    assert verify_chain(records).holds
    assert examine(path).whole
    numbers = [(r.t0_ns - T0_NS) // NS_PER_S for r in records if r.kind == FRAMES]
    assert numbers[-50:] == list(range(100, 150))  # nothing that waited was lost
    assert len(numbers) >= 140
    gap = events(path, GAP)[0]
    assert gap["lost_to_id"] - gap["lost_from_id"] + 1 == 150 - len(numbers) > 0
    assert gap["cause"].startswith("damaged job file: ")


def test_a_daemon_that_restarts_at_night_may_repair_what_it_finds_damaged(job: Path) -> None:
    page = leaf_pages(job, "record")[-1]  # the end, where the job goes on
    spoil(job, (page - 1) * PAGE_BYTES, random.Random(1).randbytes(PAGE_BYTES))
    with pytest.raises(StoreDamaged, match="rimelog doctor"):
        StoreWriter.open(job, job_id=JOB_ID, now_ns=lambda: T0_NS)
    problems: list[Problem | None] = []
    writer = StoreWriter.open(
        job, job_id=JOB_ID, now_ns=lambda: T0_NS, on_problem=problems.append, repair_damaged=True, reserve_bytes=0
    )
    writer.submit([second(COUNT)])
    writer.close()
    assert problems[0] is not None and problems[0].kind == DAMAGED and "damaged-1" in problems[0].text
    records = stored(job)
    assert records[-1].payload == second(COUNT).payload
    assert [event["cause"][:17] for event in events(job, GAP)] == ["damaged job file:"]
    assert examine(job).whole
    with pytest.raises(StoreError, match="closed"):
        writer.submit([second(0)])


def test_a_closed_file_is_examined_and_rescued_too(job: Path, tmp_path: Path) -> None:
    before = [content(r) for r in stored(job)]
    seal(job, now_ns=T0_NS)
    assert examine(job).whole
    rows = sqlite3.connect(job).execute("SELECT first_id, last_id FROM block ORDER BY first_id").fetchall()
    assert len(rows) == 3
    data = bytearray(job.read_bytes())
    body = sqlite3.connect(job).execute("SELECT body FROM block ORDER BY first_id LIMIT 1 OFFSET 1").fetchone()[0]
    at = data.index(body[200:400])
    data[at + 50] ^= 0x10
    job.write_bytes(data)
    report = examine(job)
    assert not report.whole
    out = rescue(job, tmp_path / "out" / "job.rimelog", job_id=JOB_ID, now_ns=T0_NS)
    assert out.lost <= 120
    saved = [content(r) for r in stored(out.path) if r.kind == FRAMES or event_data(r)["type"] != GAP]
    assert saved == [c for c in before if c in set(saved)]
    assert len(saved) + out.lost == len(before)


def test_what_is_no_job_file_is_told(tmp_path: Path) -> None:
    path = tmp_path / "job.rimelog"
    with pytest.raises(PlaceError, match="no job file"):
        examine(path)
    path.write_bytes(b"this is no database, but it is longer than a hundred bytes" * 5)
    report = examine(path)
    assert not report.whole
    assert report.advice == "nothing can be saved; look for a copy"
    with pytest.raises(StoreDamaged, match="not one record"):
        rescue(path, tmp_path / "out" / "job.rimelog", job_id=JOB_ID, now_ns=0)
    path.unlink()
    sqlite3.connect(path).executescript("CREATE TABLE other (x)")
    with pytest.raises(StoreDamaged, match="no job file of this program"):
        StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: 0)
    path.write_bytes(b"")
    with pytest.raises(StoreDamaged, match="is empty"):
        StoreReader(path)


def test_a_rescue_never_writes_over_anything(job: Path) -> None:
    with pytest.raises(PlaceError, match="already holds a job"):
        rescue(job, job, job_id=JOB_ID, now_ns=0)


def test_overviews_that_disagree_are_told_and_a_rescue_makes_them_anew(job: Path, tmp_path: Path) -> None:
    connection = sqlite3.connect(job)
    connection.execute("DELETE FROM rollup WHERE level_s = 60")
    connection.commit()
    connection.close()
    report = examine(job)
    assert report.whole and any("do not agree" in finding for finding in report.findings)
    assert "again" in report.advice

    def scans(records: Iterable[Record]) -> Iterator[Scan]:
        for record in records:
            if record.kind != EVENT:
                yield from readings((record.t0_ns - T0_NS) // NS_PER_S)

    out = tmp_path / "out" / "job.rimelog"
    done = rescue(job, out, job_id=JOB_ID, now_ns=0, readings=scans)
    assert done.lost == 0 and done.text.endswith("none lost") and stored(out) == stored(job)
    again = examine(out)
    assert again.whole and not again.advice and not any("do not agree" in finding for finding in again.findings)
    with StoreReader(out) as reader:
        bucket = reader.overview("vacuum", T0_NS, T0_NS + COUNT * NS_PER_S, 1)[0]
    assert (bucket.n, bucket.min, bucket.max) == (10 * COUNT, 0.0, COUNT - 0.1)


def test_a_rescue_without_its_overviews_says_so_and_saves_the_records(job: Path, tmp_path: Path) -> None:
    def broken(records: Iterable[Record]) -> Iterator[Scan]:
        raise ValueError("a record that this program fails at")

    for name, make in (("a", broken), ("b", None)):
        if make is None:
            sqlite3.connect(job).executescript("DROP TABLE rollup")
        out = tmp_path / name / "job.rimelog"
        done = rescue(job, out, job_id=JOB_ID, now_ns=0, readings=make)
        assert done.lost == 0 and "the trend of before is lost" in done.text
        assert stored(out) == stored(job)
        with StoreReader(out) as reader:
            assert reader.overview("vacuum", T0_NS, T0_NS + COUNT * NS_PER_S, 1)[0].n == 0


def test_a_running_job_can_be_examined(tmp_path: Path) -> None:
    path = tmp_path / "job.rimelog"
    writer = StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS, commit_interval_s=0.01, reserve_bytes=0)
    writer.submit([second(0)])
    writer.flush()
    report = examine(path)
    assert report.whole
    assert report.findings[0].startswith("being written by process")
    writer.close()


def test_a_newer_file_is_not_called_damaged(job: Path) -> None:
    sqlite3.connect(job).executescript("PRAGMA user_version = 99")
    with pytest.raises(StoreVersion, match="newer version of this program"):
        examine(job)
