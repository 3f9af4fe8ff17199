"""The register is what the job files say, whatever happened to it."""

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from logger.clock import utc_text
from logger.evidence.chain import event_of
from logger.model.events import NoteWritten
from logger.model.records import EVENT
from logger.model.units import NS_PER_S
from logger.register import derive
from logger.register import register as reg
from logger.register.find import find_jobs, match_of
from logger.register.read_job import read_job
from logger.register.register import asked, entered, mend, rebuild, register_path
from logger.register.schema import TABLES
from logger.store.place import job_place, jobs_dir
from logger.store.reader import StoreReader
from tests.cli.commandline import CommandLine
from tests.register import page
from tests.register.shop import Made, jobs, store

MADE = list(jobs(24))


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RIMELOG_DATA", str(tmp_path))
    for made in MADE[:12]:
        store(tmp_path, made)
    return tmp_path


def day_of(made: Made) -> str:
    """At the place, six hours behind UTC."""
    return utc_text(made.events[0].t_ns - 6 * 3600 * NS_PER_S)[:10]


def contents(data: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Every row; `texts.id` tells only in which order jobs were entered."""

    def of(connection: sqlite3.Connection) -> dict[str, list[tuple[Any, ...]]]:
        found = {}
        for table in TABLES:
            names = ", ".join(f'"{name}"' for name, _, _ in table.columns if (table.name, name) != ("texts", "id"))
            found[table.name] = sorted(map(tuple, connection.execute(f"SELECT {names} FROM {table.name}")), key=repr)
        return found

    return asked(of, data)


def one(data: Path, sql: str) -> Any:
    return asked(lambda connection: connection.execute(sql).fetchone()[0], data)


def test_its_rows_are_what_the_jobs_say(data: Path) -> None:
    rebuild(data)
    made = MADE[0]
    assert one(data, "SELECT count(*) FROM jobs") == 12
    row = asked(lambda c: dict(c.execute("SELECT * FROM jobs WHERE id = ?", (made.job.job_id,)).fetchone()), data)
    assert (row["customer"], row["appliance"], row["refrigerant"]) == (
        made.job.customer, made.job.appliance, made.job.refrigerant,
    )  # fmt: skip
    assert (row["state"], row["place"], row["path"]) == ("closed", "here", f"jobs/{made.job.job_id}")
    with StoreReader(job_place(made.job.job_id, data).file) as reader:
        records = list(reader.records())
    assert (row["uid"], row["records"]) == (records[0].digest.hex(), len(records))
    events = [event_of(record) for record in records if record.kind == EVENT]
    assert row["ended_ns"] == max(event.t_ns for event in events)


def test_made_again_it_is_the_same(data: Path) -> None:
    rebuild(data)
    first = contents(data)
    rebuild(data)
    assert contents(data) == first
    other = data / "other"
    shutil.copytree(jobs_dir(data), jobs_dir(other))  # with their times
    for folder in sorted(jobs_dir(other).iterdir(), reverse=True):  # entered one by one, last first
        aside = other / folder.name
        folder.rename(aside)
    for made in reversed(MADE[:12]):
        (other / made.job.job_id).rename(jobs_dir(other) / made.job.job_id)
        mend(other)
    assert contents(other) == first


def test_it_mends_what_is_new_changed_and_gone(data: Path) -> None:
    rebuild(data)
    store(data, MADE[12])
    assert mend(data).entered == 1 and mend(data) == reg.Mended(0, 0, 13)
    shutil.rmtree(job_place(MADE[0].job.job_id, data).directory)
    done = mend(data)
    assert (done.entered, done.gone, done.jobs) == (0, 1, 12)
    changed = Made(MADE[1].job, (*MADE[1].events, NoteWritten(t_ns=MADE[1].events[-1].t_ns, text="zebra")))
    shutil.rmtree(job_place(MADE[1].job.job_id, data).directory)
    store(data, changed)
    found = asked(lambda c: find_jobs(c, {"words": "zebr"}), data)
    assert [job for job, _ in found] == [MADE[1].job.job_id]
    expected = contents(data)
    rebuild(data)
    assert contents(data) == expected


@pytest.mark.parametrize(
    "spoil",
    [
        lambda file: file.unlink(),
        lambda file: file.write_bytes(b"no database " * 900),
        lambda file: file.write_bytes(file.read_bytes()[:20_000]),
        lambda file: sqlite3.connect(file).execute("PRAGMA user_version = 99"),
        lambda file: file.write_bytes(file.read_bytes()[:8192] + b"\xff" * (file.stat().st_size - 8192)),
    ],
    ids=["missing", "no database", "cut short", "of a later version", "overwritten"],
)
def test_a_spoilt_one_is_made_anew_by_the_next_command(data: Path, spoil: Callable[[Path], object]) -> None:
    rebuild(data)
    expected = contents(data)
    spoil(register_path(data))
    assert contents(data) == expected


@pytest.mark.parametrize(
    ("anew", "kill"),
    [(True, "first job"), (True, "before the end"), (True, 0.02), (False, "middle"), (False, 0.005)],
)
def test_killed_at_any_point_it_is_right_after_the_next_command(data: Path, anew: bool, kill: str | float) -> None:
    rebuild(data)
    for made in MADE[12:]:
        store(data, made)
    child = os.fork()
    if child == 0:
        _die(kill)
        (rebuild if anew else mend)(data)
        os._exit(0)
    if isinstance(kill, float):
        time.sleep(kill)
        os.kill(child, signal.SIGKILL)
    assert isinstance(kill, float) or os.WIFSIGNALED(os.waitpid(child, 0)[1])
    if isinstance(kill, float):
        os.waitpid(child, 0)
    found = contents(data)
    assert len(found["jobs"]) == len(MADE)
    rebuild(data)
    assert found == contents(data)


def _die(kill: str | float) -> None:
    """In the child: it kills itself at that point, as a cut of power would."""
    count = 0
    real = read_job

    def counting(*args: Any) -> Any:
        nonlocal count
        count += 1
        if count == {"first job": 1, "middle": 10}.get(str(kill)):
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*args)

    vars(reg)["read_job"] = counting
    if kill == "before the end":
        vars(derive)["cylinders"] = lambda *args: os.kill(os.getpid(), signal.SIGKILL)


def test_a_damaged_job_is_in_it_with_what_is_whole(data: Path) -> None:
    file = job_place(MADE[0].job.job_id, data).file
    with sqlite3.connect(file) as connection:
        connection.execute("UPDATE record SET payload = x'7b' WHERE id = (SELECT max(id) - 8 FROM record)")
    connection.close()
    job_place(MADE[1].job.job_id, data).file.write_bytes(b"nothing " * 2000)
    rows = asked(lambda c: [tuple(r) for r in c.execute(
        "SELECT state, customer, problem IS NOT NULL, (SELECT count(*) FROM stages WHERE job = id) FROM jobs "
        "WHERE id IN (?, ?) ORDER BY id", (MADE[0].job.job_id, MADE[1].job.job_id))], data)  # fmt: skip
    (state, customer, told, stages), lost = rows
    assert (state, customer, told) == ("damaged", MADE[0].job.customer, 1) and stages > 0
    assert lost == ("damaged", "", 1, 0)


def test_stock_sqlite3_reads_it(data: Path) -> None:
    rebuild(data)
    if shutil.which("sqlite3") is None:
        pytest.skip("no sqlite3 program")
    asked_by = ["sqlite3", "-readonly", str(register_path(data)), "SELECT count(*) FROM jobs; PRAGMA integrity_check"]
    assert subprocess.run(asked_by, capture_output=True, text=True, check=True).stdout.split() == ["12", "ok"]


def test_entering_never_stops_what_it_follows(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reg, "_mend", lambda *args, **more: 1 / 0)
    entered(data)


def test_words_are_words_and_no_operators(data: Path) -> None:
    assert match_of('a "b* NOT') == '"a"* """b*"* "NOT"*'
    for words in ('"', "* OR", "NEAR(", "-", "a:b"):
        asked(lambda c, w=words: find_jobs(c, {"words": w}), data)  # type: ignore[misc]


def test_jobs_are_found(data: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    rimelog = CommandLine(monkeypatch, capsys)
    made = MADE[:12]

    def ids(*options: str) -> list[str]:
        return [job["id"] for job in json.loads(rimelog("jobs", "--json", *options).out)]

    some = made[3].job
    assert ids("--customer", some.customer.upper()) == [
        m.job.job_id for m in made if some.customer.casefold() in f"{m.job.customer} {m.job.site}".casefold()
    ]
    assert ids("--refrigerant", "r-22") == [m.job.job_id for m in made if m.job.refrigerant == "R-22"]
    assert ids("--since", "2025-01-02", "--until", "2025-01-02") == [
        m.job.job_id for m in made if day_of(m) == "2025-01-02"
    ]
    failed = {
        m.job.job_id for m in made for e in m.events if getattr(getattr(e, "finding", None), "verdict", "") == "fail"
    }
    assert set(ids("--verdict", "fail")) == failed
    noted = [m.job.job_id for m in made if any(isinstance(e, NoteWritten) for e in m.events)]
    assert ids("--words", "moisture indicator") == noted
    assert ids("--words", "moisture indicator", "--last", "1") == noted[-1:]
    assert rimelog("jobs", "--customer", "nobody at all").out == "no job fits\n"


def test_asking_leaves_no_trace_where_nothing_was_recorded(tmp_path: Path) -> None:
    assert asked(lambda c: c.execute("SELECT count(*) FROM jobs").fetchone()[0], tmp_path / "none") == 0
    assert not (tmp_path / "none").exists()


def test_the_page_says_what_the_tables_are() -> None:
    assert page.PAGE.read_text(encoding="utf-8") == page.page(), "python -m tests.register.page"
