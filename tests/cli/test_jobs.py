"""`rimelog jobs`, `doctor`, `copy` and `close` on real job files."""

import contextlib
import json
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.cli.job_list import JobSummary, lines, take
from logger.evidence.chain import event_data, event_of, new_event
from logger.model import records as r
from logger.model.codec import event_from_json
from logger.model.errors import EventError
from logger.model.events import JobClosed, JobOpened, NoteWritten
from logger.model.finding import Verdict
from logger.model.plain import plain
from logger.model.records import NewRecord, Record
from logger.model.text import clean
from logger.model.units import NS_PER_S
from logger.store.place import job_place, jobs_dir
from logger.store.reader import StoreReader
from tests import pdf
from tests.cli.commandline import CommandLine, store_job
from tests.export.simulated import JOB, T0_NS, simulated_job
from tests.stored import stored_event
from tests.worded import worded

JOB_ID = JOB.job_id
_KEYS = ("job", "t_ns", "utc_offset_s", "number", "kind", "stage", "finding", "verdict", "headline", "customer")
_TYPES = (r.JOB_OPENED, r.RUN_BEGUN, r.STAGE_BEGUN, r.STAGE_ENDED, r.FINDING, r.JOB_CLOSED)
HELD = worded("evacuation", Verdict.PASS, "reached 300 micron", "It did.")
WET = worded("evacuation.water", Verdict.ATTENTION, "water likely", "It stood still.")


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RIMELOG_DATA", str(tmp_path / "data"))
    return tmp_path / "data"


@pytest.fixture
def rimelog(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    return CommandLine(monkeypatch, capsys)


def stopped() -> tuple[Record, ...]:
    """An evacuation that was ended, and a decay test that was not."""
    return simulated_job("tight", 1000.0, ("vacuum board",))


def events(*more: NewRecord, **changes: str) -> tuple[NewRecord, ...]:
    """A job of events only."""
    return (stored_event(r.JOB_OPENED, T0_NS, job={**plain(JOB), **changes}, cylinders=[]), *more)


def event(kind: str, after_s: float, /, **fields: object) -> NewRecord:
    return stored_event(kind, T0_NS + round(after_s * NS_PER_S), **fields)


def damage(file: Path, record_id: int) -> None:
    with sqlite3.connect(file) as connection:
        connection.execute("UPDATE record SET t0_ns = t0_ns + 1 WHERE id = ?", (record_id,))
    connection.close()


# -- jobs ------------------------------------------------------------------------------------------------------


def test_jobs_shows_each_stage_with_its_verdict_newest_last(data: Path, rimelog: CommandLine) -> None:
    stages = (
        event(r.RUN_BEGUN, 0, utc_offset_s=-21_600),
        event(r.STAGE_BEGUN, 1, number=1, kind="evacuation", settings={}),
        event(r.STAGE_ENDED, 9, number=1),
        event(r.FINDING, 9, stage=1, finding=plain(HELD)),
        event(r.FINDING, 9, stage=1, finding=plain(WET)),
        event(r.STAGE_BEGUN, 10, number=2, kind="decay-test", settings={}),
    )
    store_job(data, "2026-03-02-02", events(*stages))
    store_job(data, "2026-03-02-01", events(customer="Evil \x1b[31m\u202eInn", appliance="Ice\nmaker"))
    ran = rimelog("jobs")
    assert ran.status == 0
    first, second = ran.out.split("2026-03-02-02 ")
    assert first.startswith("2026-03-02-01 ") and "Evil [31mInn, Cold room, Ice maker" in first
    assert second.split()[:4] == ["2026-03-02", "R-407C", "not", "closed"]  # 10 o'clock there, 16:00 UTC
    assert "PASS       Evacuation: reached 300 micron (and 1 more to look at)" in second
    assert "Vacuum decay test: not ended" in second
    assert max(map(len, ran.out.splitlines())) <= 80

    told = json.loads(rimelog("jobs", "--json", "--last", 1).out)
    assert [job["id"] for job in told] == ["2026-03-02-02"]
    assert [(s["label"], s["verdict"], s["headline"]) for s in told[0]["stages"]] == [
        ("Evacuation", "pass", "reached 300 micron"), ("Vacuum decay test", None, None),
    ]  # fmt: skip
    assert told[0]["running"] is False and told[0]["closed"] is False and told[0]["problem"] is None
    assert told[0]["size_bytes"] == job_place("2026-03-02-02", data).file.stat().st_size


def test_the_day_is_the_users_own(data: Path, rimelog: CommandLine) -> None:
    store_job(data, "a", events(event(r.RUN_BEGUN, 0, utc_offset_s=12 * 3600)))
    store_job(data, "b", events(event(r.RUN_BEGUN, 0, utc_offset_s=-12 * 3600)))
    assert T0_NS // (3600 * NS_PER_S) % 24 == 16  # 2026-03-02 16:00 UTC
    assert [job["date"] for job in json.loads(rimelog("jobs", "--json").out)] == ["2026-03-03", "2026-03-02"]


def test_jobs_without_any(data: Path, rimelog: CommandLine) -> None:
    assert rimelog("jobs").out == f"There are no jobs in {jobs_dir(data)} yet; `rimelog run` begins one.\n"
    assert json.loads(rimelog("jobs", "--json").out) == []
    assert not data.exists()


def test_a_running_job_and_one_that_is_spoilt_are_listed_beside_the_others(data: Path, rimelog: CommandLine) -> None:
    store_job(data, "broken", events())
    job_place("broken", data).file.write_bytes(b"no database, whatever its name says " * 400)
    odd = event(r.STAGE_BEGUN, 1, number="x", kind="evacuation")
    store_job(data, "odd", events(odd))
    writer = store_job(data, "live", events(event(r.STAGE_BEGUN, 1, number=1, kind="recovery")), close=False)
    try:
        ran = rimelog("jobs")
        told = {job["id"]: job for job in json.loads(rimelog("jobs", "--json").out)}
    finally:
        writer.close()
    assert ran.status == 0
    assert "Recovery: running now" in ran.out and "ask `rimelog doctor broken`" in ran.out
    assert {key: job["state"] for key, job in told.items()} == {
        "broken": "damaged", "live": "running", "odd": "damaged",
    }  # fmt: skip
    assert "not a database" in told["broken"]["problem"] and told["odd"]["customer"] == JOB.customer


def test_no_frame_is_read_for_the_list(data: Path, rimelog: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    """What makes it quick: frames that cannot be unpacked are not even noticed."""
    store_job(data, JOB_ID, stopped())
    with sqlite3.connect(job_place(JOB_ID, data).file) as connection:
        changed = connection.execute("UPDATE record SET payload = x'ff' WHERE kind = 0").rowcount
    connection.close()
    assert changed > 900
    (told,) = json.loads(rimelog("jobs", "--json").out)
    assert told["problem"] is None and [s["kind"] for s in told["stages"]] == ["evacuation", "decay-test"]


_ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(_KEYS), inner, max_size=4),
    max_leaves=8,
)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.dictionaries(st.sampled_from(_KEYS), _ANY), max_size=4), st.sampled_from(_TYPES))
def test_whatever_an_event_holds_the_list_is_printed(odd: list[dict[str, Any]], kind: str) -> None:
    """Only the errors that `summary` turns into a job's problem, and lines without control characters."""
    found = JobSummary("job", 0, False)
    take(found, event_of(events()[0]))
    with contextlib.suppress(EventError):
        take(found, event_of(event(r.STAGE_BEGUN, 1, number=1, kind="recovery")))
        for one in odd:
            take(found, event_from_json({"t_ns": 1, **one, "type": kind}))
    for _, text in lines(found):
        assert clean(text, 2000).split() == text.split()
    json.dumps(found.to_dict())


# -- doctor ----------------------------------------------------------------------------------------------------


def test_doctor_of_a_whole_job(data: Path, rimelog: CommandLine) -> None:
    store_job(data, JOB_ID, stopped())
    ran = rimelog("doctor", "latest")
    assert ran.status == 0 and "job.rimelog: whole" in ran.out
    assert f"{len(stopped())} records hold" in ran.out and "signatures checked" in ran.out
    told = json.loads(rimelog("doctor", JOB_ID, "--json", "--rescue", data / "out").out)
    assert told["whole"] and told["lost"] == 0 and told["rescued"] is None and not (data / "out").exists()


def test_doctor_says_what_was_changed_and_rescues_the_rest(data: Path, rimelog: CommandLine, tmp_path: Path) -> None:
    store_job(data, JOB_ID, stopped())
    file = job_place(JOB_ID, data).file
    damage(file, 100)
    before = file.read_bytes()
    ran = rimelog("doctor", JOB_ID)
    assert ran.status == 1 and "NOT whole" in ran.out and "record 100" in ran.out
    assert f"rimelog doctor {JOB_ID} --rescue OUT" in ran.out
    out = tmp_path / "saved"
    ran = rimelog("doctor", JOB_ID, "--rescue", out, "--json")
    told = json.loads(ran.out)
    assert ran.status == 1 and told["rescued"]["lost"] == 1 and told["rescued"]["saved"] == len(stopped()) - 1
    assert told["breaks"] == [{"first_id": 100, "last_id": 100, "what": "changed"}]
    assert file.read_bytes() == before
    with StoreReader(out / "job.rimelog") as reader:
        assert reader.job_id == JOB_ID
        t1_ns = T0_NS + 1000 * NS_PER_S
        made = sum(b.n for b in reader.overview("vacuum", T0_NS, t1_ns, 400))
        assert made > 900, "the overviews were made from the records that were saved"
    assert rimelog("doctor", out).status == 0  # its own checkpoints, signed, hold
    again = rimelog("doctor", JOB_ID, "--rescue", out)
    assert again.status == 2 and "already holds a job" in again.err


def test_doctor_tells_whose_key_signed(data: Path, rimelog: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    store_job(data, JOB_ID, stopped())
    place = job_place(JOB_ID, data).directory
    assert "signed with SHA256:" not in rimelog("doctor", place).out
    monkeypatch.setenv("RIMELOG_DATA", str(data / "elsewhere"))
    ran = rimelog("doctor", place)
    assert ran.status == 0 and "signed with SHA256:" in ran.out
    assert "which is not this computer's key" in " ".join(ran.out.split())


def test_doctor_of_a_forged_signature(data: Path, rimelog: CommandLine) -> None:
    store_job(data, JOB_ID, stopped())
    lines = job_place(JOB_ID, data).directory / "checkpoints.jsonl"
    lines.write_text(lines.read_text().replace("BEGIN SSH", "BEGIN ssh"))
    ran = rimelog("doctor", JOB_ID)
    assert ran.status == 1 and "checkpoint at record" in ran.out and "Traceback" not in ran.out


def test_doctor_while_running_looks_but_rescues_nothing(data: Path, rimelog: CommandLine, tmp_path: Path) -> None:
    writer = store_job(data, JOB_ID, stopped(), close=False)
    try:
        looked, refused = rimelog("doctor", JOB_ID), rimelog("doctor", JOB_ID, "--rescue", tmp_path / "out")
    finally:
        writer.close()
    assert looked.status == 0 and "being written by process" in looked.out
    assert refused.status == 2 and "rimelog stop" in refused.err and not (tmp_path / "out").exists()


def test_doctor_of_no_job(data: Path, rimelog: CommandLine) -> None:
    assert rimelog("doctor", "nothing").err == f"rimelog: there are no jobs in {jobs_dir(data)}\n"


# -- copy ------------------------------------------------------------------------------------------------------


def test_copy_while_running_holds_and_opens(data: Path, rimelog: CommandLine, tmp_path: Path) -> None:
    writer = store_job(data, JOB_ID, stopped(), close=False)
    try:
        ran = rimelog("copy", JOB_ID, tmp_path / "stick")
        writer.submit([event(r.NOTE, 2000, text="after the copy")])  # the writer was not disturbed
        assert writer.flush()
    finally:
        writer.close()
    assert ran.status == 0 and "all hold; still logging" in ran.out
    copied = tmp_path / "stick" / JOB_ID / "job.rimelog"
    assert f"{copied}  (" in ran.out
    with StoreReader(copied) as reader:
        assert reader.last_id == len(stopped()) and reader.verify().holds
    assert rimelog("doctor", copied).status == 0
    again = rimelog("copy", JOB_ID, tmp_path / "stick")
    assert again.status == 2 and "already holds a job" in again.err


def test_a_copy_of_what_does_not_hold_says_so(data: Path, rimelog: CommandLine, tmp_path: Path) -> None:
    store_job(data, JOB_ID, stopped())
    damage(job_place(JOB_ID, data).file, 50)
    ran = rimelog("copy", JOB_ID, tmp_path, "--json")
    told = json.loads(ran.out)
    assert ran.status == 1 and told["holds"] is False and "record 50" in told["problem"]


# -- close -----------------------------------------------------------------------------------------------------


def test_close_ends_the_stage_and_the_report_says_closed(data: Path, rimelog: CommandLine, tmp_path: Path) -> None:
    store_job(data, JOB_ID, stopped())
    file = job_place(JOB_ID, data).file
    before = file.read_bytes()
    refused = rimelog("close", JOB_ID)
    assert refused.status == 2 and "vacuum decay test has not been ended" in refused.err
    assert file.read_bytes() == before

    ran = rimelog("close", JOB_ID, "--end-stage")
    assert ran.status == 0 and f"job {JOB_ID} is closed" in ran.out, ran.err
    assert file.stat().st_size < len(before)
    with StoreReader(file) as reader:
        assert reader.sealed_ns is not None and reader.verify().holds
        told = [event_data(record) for record in reader.records(len(stopped()))]
    assert told[0]["type"] == r.STAGE_ENDED and told[-1]["type"] == r.JOB_CLOSED
    assert r.FINDING in {e["type"] for e in told}
    assert told[0]["t_ns"] == stopped()[-1].t0_ns < told[-1]["t_ns"]  # where the readings end

    (listed,) = json.loads(rimelog("jobs", "--json").out)
    assert listed["state"] == "closed" and listed["stages"][1]["verdict"] is not None
    again = rimelog("close", JOB_ID)
    assert again.status == 0 and "closed already" in again.out

    assert rimelog("export", JOB_ID, "--out", tmp_path).status == 0
    checked = rimelog("verify", tmp_path / f"rimelog-{JOB_ID}.zip", "--json")
    assert checked.status == 0, checked.out
    assert rimelog("doctor", JOB_ID).status == 0
    report = tmp_path / f"rimelog-{JOB_ID}.pdf"
    text = pdf.text(report)
    assert JOB_ID in text and "not closed" not in text


def test_close_is_refused_while_running(data: Path, rimelog: CommandLine) -> None:
    writer = store_job(data, JOB_ID, events(), close=False)
    try:
        ran = rimelog("close", JOB_ID)
    finally:
        writer.close()
    assert ran.status == 2 and "is being written; end that first with `rimelog stop`" in ran.err
    with StoreReader(job_place(JOB_ID, data).file) as reader:
        assert reader.last_id == 1 and reader.sealed_ns is None


def test_close_of_a_changed_record_is_refused_and_adds_nothing(data: Path, rimelog: CommandLine) -> None:
    store_job(data, JOB_ID, stopped())
    file = job_place(JOB_ID, data).file
    damage(file, 70)
    before = file.read_bytes()
    ran = rimelog("close", JOB_ID, "--end-stage")
    assert ran.status == 2 and "record 70" in ran.err and "rimelog doctor" in ran.err
    assert file.read_bytes() == before


def test_a_close_that_was_cut_off_goes_on_where_it_was(data: Path, rimelog: CommandLine) -> None:
    """JOB_CLOSED is in the record, the sealing never came: closing again adds no second one."""
    store_job(data, JOB_ID, events(event(r.JOB_CLOSED, 5)))
    assert rimelog("close", JOB_ID).status == 0
    with StoreReader(job_place(JOB_ID, data).file) as reader:
        assert [type(e) for _, e in reader.events()] == [JobOpened, JobClosed] and reader.sealed_ns


def test_the_records_time_never_goes_back(data: Path, rimelog: CommandLine) -> None:
    """A record ahead of the computer's clock (a demonstration, a clock set back) is closed after its newest reading."""
    ahead_ns = time.time_ns() + 10 * 3600 * NS_PER_S
    store_job(data, JOB_ID, events(new_event(NoteWritten(t_ns=ahead_ns, text="late"))))
    assert rimelog("close", JOB_ID).status == 0
    with StoreReader(job_place(JOB_ID, data).file) as reader:
        (closed,) = (event for _, event in reader.events() if isinstance(event, JobClosed))
    assert closed.t_ns > ahead_ns


KILLED = """\
import os, signal, sys
from pathlib import Path
from tests.cli.commandline import store_job
from tests.cli.test_jobs import JOB_ID, stopped
store_job(Path(sys.argv[1]), JOB_ID, stopped(), close=False)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="kills with SIGKILL")
def test_a_job_whose_daemon_was_killed_is_listed_whole_and_can_be_closed(data: Path, rimelog: CommandLine) -> None:
    died = subprocess.run([sys.executable, "-c", KILLED, data], cwd=Path(__file__).parents[2], check=False)
    assert died.returncode == -9
    file = job_place(JOB_ID, data).file
    assert file.with_name("job.rimelog-wal").stat().st_size > 0  # left as the kill left it
    (listed,) = json.loads(rimelog("jobs", "--json").out)
    assert listed["state"] == "not closed" and len(listed["stages"]) == 2
    assert rimelog("doctor", JOB_ID).status == 0
    ran = rimelog("close", JOB_ID, "--end-stage", "--json")
    assert ran.status == 0, ran.err
    assert json.loads(ran.out)["records"] > len(stopped()) and not file.with_name("job.rimelog-wal").exists()
