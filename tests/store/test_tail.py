"""The end of a chain, looked at before a job goes on: its last links, and whether checkpoints saw it."""

import sqlite3
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from logger.evidence.chain import GENESIS, chained, event_of
from logger.evidence.checkpoint import Checkpoint, CheckpointFile, checkpoint_line
from logger.model.events import GapNoted, NoteWritten
from logger.model.records import Record
from logger.model.units import NS_PER_S
from logger.store.errors import StoreDamaged
from logger.store.place import anchor_path, checkpoints_path
from logger.store.tail import UncheckedTail, check_tail, lost_tail_event, read_checkpoints, unseen, unseen_event
from logger.store.writer import StoreWriter
from tests.once import once_a_run
from tests.store.making import JOB_ID, T0_NS, note, stored

LINKS = 120  # that are looked at; the record before them lends its digest
LAST = 130


@once_a_run
def job_of(count: int) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "job.rimelog"
        writer = StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0)
        writer.submit([note(number) for number in range(count)])
        writer.close()
        return path.read_bytes()


@contextmanager
def opened(tmp_path: Path, count: int = LAST) -> Iterator[sqlite3.Connection]:
    path = tmp_path / "job.rimelog"
    path.write_bytes(job_of(count))
    with closing(sqlite3.connect(path)) as connection:
        yield connection


@pytest.mark.parametrize("column", ["payload", "t0_ns", "digest"])
def test_a_record_of_the_last_120_altered_while_closed_is_noticed(tmp_path: Path, column: str) -> None:
    change = {
        "payload": "CAST(replace(payload, 'note', 'nope') AS BLOB)",
        "t0_ns": "t0_ns + 1",
        "digest": "zeroblob(32)",
    }
    with opened(tmp_path) as connection:
        assert check_tail(connection, (), tmp_path).last_id == LAST
        for altered in (LAST - LINKS + 1, LAST - LINKS + 2, LAST - 50, LAST - 1, LAST):
            connection.execute(f"UPDATE record SET {column} = {change[column]} WHERE id = ?", (altered,))
            with pytest.raises(StoreDamaged, match=rf"record {altered} was changed; ask `rimelog doctor`"):
                check_tail(connection, (), tmp_path)
            connection.rollback()


def test_the_digest_that_the_last_120_begin_from_is_held_to_them(tmp_path: Path) -> None:
    with opened(tmp_path) as connection:
        connection.execute("UPDATE record SET digest = zeroblob(32) WHERE id = ?", (LAST - LINKS,))
        with pytest.raises(StoreDamaged, match=rf"record {LAST - LINKS + 1} was changed"):
            check_tail(connection, (), tmp_path)


@pytest.mark.parametrize(
    ("gone", "said"),
    [((60,), "records 60 to 60 are missing"), ((LAST - 1,), f"records {LAST - 1} to {LAST - 1} are missing"),
     ((60, 61, 62), "records 60 to 62 are missing"), ((12,), "records 12 to 12 are missing")],
)  # fmt: skip
def test_records_of_the_last_120_removed_while_closed_are_missed(
    tmp_path: Path, gone: tuple[int, ...], said: str
) -> None:
    with opened(tmp_path) as connection:
        connection.executemany("DELETE FROM record WHERE id = ?", [(one,) for one in gone])
        with pytest.raises(StoreDamaged, match=f"{said}; ask `rimelog doctor`"):
            check_tail(connection, (), tmp_path)


def test_a_first_record_altered_or_removed_is_noticed_while_it_is_among_the_last(tmp_path: Path) -> None:
    with opened(tmp_path, 5) as connection:
        assert check_tail(connection, (), tmp_path).last_id == 5
        connection.execute("UPDATE record SET t0_ns = t0_ns + 1 WHERE id = 1")
        with pytest.raises(StoreDamaged, match="record 1 was changed"):
            check_tail(connection, (), tmp_path)
        connection.rollback()
        connection.execute("UPDATE record SET device = 'x' WHERE id = 1")
        with pytest.raises(StoreDamaged, match="record 1 was changed"):
            check_tail(connection, (), tmp_path)


def test_a_checkpoint_that_the_chain_contradicts_is_lost_unless_it_says_so_itself(tmp_path: Path) -> None:
    path = tmp_path / "job.rimelog"
    with opened(tmp_path, 5) as connection:
        records = stored(path)
        true = Checkpoint(JOB_ID, 0, 4, 4, records[3].digest)
        rewritten, later = replace(true, head=bytes(32)), replace(true, last_id=9)
        found = check_tail(connection, (true, rewritten, later), path)
        assert found.lost == (rewritten, later)
        assert (found.last_id, found.head, found.t0_ns) == (5, records[4].digest, records[4].t0_ns)
    event = lost_tail_event(T0_NS + 7, found.t0_ns, found.last_id, found.lost)
    writer = StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS, reserve_bytes=0)
    writer.submit([event])
    writer.close()
    with closing(sqlite3.connect(path)) as connection:
        assert check_tail(connection, (true, rewritten, later), path).lost == ()
        another = replace(later, head=b"x" * 32)
        assert check_tail(connection, (later, another), path).lost == (another,)


def test_of_an_empty_chain_there_is_nothing_to_miss(tmp_path: Path) -> None:
    with opened(tmp_path, 0) as connection:
        checkpoint = Checkpoint(JOB_ID, 0, 1, 1, bytes(32))
        found = check_tail(connection, (checkpoint,), tmp_path)
        assert (found.last_id, found.head, found.t0_ns, found.unseen) == (0, GENESIS, None, None)
        assert found.lost == (checkpoint,)


def test_what_is_owned_up_to(tmp_path: Path) -> None:
    checkpoints = tuple(Checkpoint(JOB_ID, 0, n, n, bytes([n]) * 32) for n in (7, 9, 8))
    for last_id, t0_ns, lost in ((5, 3, (6, 9)), (9, None, (10, 10)), (0, None, (1, 9))):
        gap = event_of(lost_tail_event(11, t0_ns, last_id, checkpoints))
        assert isinstance(gap, GapNoted)
        assert (gap.t_ns, gap.from_ns, gap.to_ns) == (11, 11 if t0_ns is None else t0_ns, 11)
        assert (gap.lost_from_id, gap.lost_to_id) == lost
        assert gap.lost_checkpoints == tuple((c.last_id, c.head.hex()) for c in checkpoints)
    written = event_of(unseen_event(12, UncheckedTail(3, 40, 600.0)))
    assert isinstance(written, NoteWritten)
    assert (written.t_ns, written.author) == (12, "rimelog")
    assert dict(written.extra) == {"unseen_from_id": 3, "unseen_to_id": 40}
    assert "records 3 to 40 (10 min of record)" in written.text


def chain_at(times_s: Iterable[float]) -> list[Record]:
    out: list[Record] = []
    for at_s in times_s:
        made = replace(note(0), t0_ns=T0_NS + int(at_s * NS_PER_S))
        out.append(chained(out[-1].digest if out else GENESIS, made, len(out) + 1))
    return out


EACH_SECOND = range(400)
BACK = [*range(100), *(-500,) * 5]  # acts told late, at the end of what is recorded


@pytest.mark.parametrize(
    ("times_s", "seen", "found"),
    [
        (range(61), 0, None),
        (range(62), 0, (1, 62, 61.0)),
        ([0, 0.25, 60.25], 0, (1, 3, 60.25)),  # from the first record on
        (EACH_SECOND[:200], 80, None),  # 120 s after the record behind the checkpoint
        (EACH_SECOND[:202], 80, (81, 202, 121.0)),
        (EACH_SECOND, 400, None),
        (EACH_SECOND, 1, (2, 400, 398.0)),
        (BACK, 0, (1, 105, 99.0)),
        ([*range(100), *(-500,) * 25], 0, None),  # more acts than are looked at
        ([*(-500,) * 3, 0, 50], 3, None),
        ([*range(100), -500, *range(100, 300)], 101, (102, 301, 199.0)),
        ([500, *range(1, 400)], 5, None),
        ([300, *range(100), *range(100, 300)], 20, None),  # a clock that was set back: the newest before it counts
    ],
)  # fmt: skip
def test_more_than_a_crash_leaves_without_a_checkpoint(
    times_s: Iterable[float], seen: int, found: tuple[int, int, float] | None
) -> None:
    chain = chain_at(times_s)

    def between(since_id: int, until_id: int) -> list[Record]:
        assert since_id < until_id
        return [record for record in chain if since_id < record.id <= until_id]

    holds = [Checkpoint(JOB_ID, 0, n, n, chain[n - 1].digest) for n in sorted({seen, max(seen - 3, 1)}) if seen]
    forged = [Checkpoint(JOB_ID, 0, n, n, bytes(32)) for n in (seen + 1, len(chain), len(chain) + 5)]
    if len(chain) > 1:  # the record before it is not the one that it names
        forged.append(Checkpoint(JOB_ID, 0, len(chain), len(chain), chain[-2].digest))
    result = unseen(between, len(chain), (*forged[:1], *holds, *forged[1:]))
    assert result == (None if found is None else UncheckedTail(*found))


def test_checkpoints_are_read_beside_the_file_and_from_the_key_folder_by_either_name(tmp_path: Path) -> None:
    file, anchors = tmp_path / "folder" / "job.rimelog", tmp_path / "anchors"
    assert read_checkpoints(file, anchors, "id") == CheckpointFile(())
    places = (checkpoints_path(file), anchor_path(anchors, "folder"), anchor_path(anchors, "id"))
    made = [Checkpoint(JOB_ID, n, n, n, bytes([n]) * 32) for n in range(1, 5)]
    for n, place in enumerate(places):
        place.parent.mkdir(exist_ok=True)
        place.write_bytes(checkpoint_line(made[n]) + checkpoint_line(made[3]) + b"torn")
    found = read_checkpoints(file, anchors, "id")
    assert set(found.checkpoints) == set(made) and len(found.checkpoints) == 4
    assert len(found.problems) == 3
    assert set(read_checkpoints(file, anchors).checkpoints) == {made[0], made[1], made[3]}
    assert set(read_checkpoints(file).checkpoints) == {made[0], made[3]}


def test_the_checkpoints_in_the_file_count_beside_those_beside_it(tmp_path: Path) -> None:
    with opened(tmp_path) as connection:
        assert check_tail(connection, (), tmp_path).unseen is None
        connection.execute("DELETE FROM checkpoint")
        assert check_tail(connection, (), tmp_path).unseen == UncheckedTail(1, LAST, LAST - 1.0)
        head = connection.execute("SELECT digest FROM record WHERE id = ?", (LAST - 5,)).fetchone()[0]
        beside = Checkpoint(JOB_ID, 0, LAST - 5, LAST - 5, bytes(head))
        assert check_tail(connection, (beside,), tmp_path).unseen is None
