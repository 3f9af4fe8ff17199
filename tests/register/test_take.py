"""Another computer's jobs: verified, kept as received, marked with the key; the same job twice is one."""

import json
import shutil
from pathlib import Path

import pytest

import logger
from logger.app.earlier_jobs import earlier_jobs
from logger.evidence.checkpoint import checkpoint_line
from logger.export.bundle.trusted_keys import own_public_key, signing_key
from logger.export.bundle.write import export_bundle
from logger.export.replayed import replay_job
from logger.model.job import Job
from logger.register.received import received
from logger.register.register import asked
from logger.register.take import BUNDLE
from logger.store.errors import StoreError, StoreSealed
from logger.store.place import JobPlace, all_jobs, find_job, received_dir
from logger.store.reader import StoreReader
from logger.store.writer import StoreWriter
from tests.cli.commandline import CommandLine, store_job
from tests.export.simulated import JOB, simulated_job
from tests.once import once_a_run, run_folder
from tests.register.shop import jobs, store
from tests.register.test_register import contents

RECORDS = simulated_job("tight", 300.0, ("vacuum board",))


@once_a_run
def other_computer() -> str:
    """Its data directory, with a job, and that job's bundle beside."""
    data = run_folder()[1] / "other"
    store_job(data, JOB.job_id, RECORDS)
    with StoreReader(data / "jobs" / JOB.job_id / "job.rimelog") as reader:
        seen = b"".join(map(checkpoint_line, reader.checkpoints().checkpoints))
        export_bundle(reader.records, replay_job, signing_key(data), data / "out", checkpoints=seen)
    return str(data)


@pytest.fixture
def other() -> Path:
    return Path(other_computer())


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RIMELOG_DATA", str(tmp_path / "data"))
    return tmp_path / "data"


@pytest.fixture
def rimelog(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    return CommandLine(monkeypatch, capsys)


def bundle(other: Path) -> Path:
    (found,) = (other / "out").glob("*.zip")
    return found


def test_a_bundle_is_kept_as_received_and_is_a_job_like_another(data: Path, other: Path, rimelog: CommandLine) -> None:
    key = own_public_key(other)
    assert key is not None
    ran = rimelog("take", bundle(other))
    assert ran.status == 0 and f"signed with {key.fingerprint}, not known here" in " ".join(ran.out.split())
    place = JobPlace(JOB.job_id, received_dir(data) / JOB.job_id)
    assert (place.directory / BUNDLE).read_bytes() == bundle(other).read_bytes()
    with StoreReader(place.file) as here, StoreReader(other / "jobs" / JOB.job_id / "job.rimelog") as there:
        assert [r.digest for r in here.records()] == [r.digest for r in there.records()]
    came = received(place)
    assert came is not None and came.key == key.fingerprint and find_job(JOB.job_id, data) == place
    row = asked(lambda c: tuple(c.execute("SELECT place, signed_by, uid FROM jobs").fetchone()), data)
    assert row == ("received", key.fingerprint, RECORDS[0].digest.hex())
    assert key.fingerprint in rimelog("jobs").out
    assert len(logger.open_job(JOB.job_id).readings("vacuum")) > 100
    before = contents(data)
    assert "is here already" in rimelog("take", bundle(other)).out and contents(data) == before


def test_the_same_job_by_bundle_and_by_folder_is_one(data: Path, other: Path, rimelog: CommandLine) -> None:
    told = json.loads(rimelog("take", other / "jobs", bundle(other), "--json").out)
    assert [(one["new"], one["job"]) for one in told] == [(True, JOB.job_id), (False, JOB.job_id)]
    assert len(all_jobs(data)) == 1
    assert "is here already" in rimelog("take", other).out


def test_ones_own_job_comes_back_as_itself(data: Path, other: Path, rimelog: CommandLine) -> None:
    shutil.copytree(other / "jobs", data / "jobs")
    ran = rimelog("take", other / "jobs")
    assert ran.status == 0 and "is here already" in ran.out and not (received_dir(data) / JOB.job_id).exists()


def test_another_job_of_that_name_gets_a_name_of_its_own(data: Path, other: Path, rimelog: CommandLine) -> None:
    made = next(jobs(1))
    store(data, made)
    (data / "jobs" / made.job.job_id).rename(data / "jobs" / JOB.job_id)
    assert json.loads(rimelog("take", other / "jobs", "--json").out)[0]["job"] == f"{JOB.job_id}-2"


def test_what_goes_on_from_it_takes_its_place(data: Path, other: Path, rimelog: CommandLine, tmp_path: Path) -> None:
    shorter = tmp_path / "shorter"
    store_job(shorter, JOB.job_id, RECORDS[:-20])
    assert rimelog("take", shorter / "jobs").status == 0
    ran = rimelog("take", other / "jobs")
    assert "continues the record that was here" in ran.out and len(all_jobs(data)) == 1
    with StoreReader(all_jobs(data)[0].file) as reader:
        assert reader.last_id == len(RECORDS)
    assert "is here already" in rimelog("take", shorter / "jobs").out
    changed = tmp_path / "changed"
    store_job(changed, JOB.job_id, (*RECORDS[:-30], *RECORDS[-20:]))
    refused = rimelog("take", changed / "jobs")
    assert refused.status == 1 and "do not agree" in " ".join(refused.out.split())


def test_what_does_not_hold_is_refused_and_leaves_nothing(
    data: Path, other: Path, rimelog: CommandLine, tmp_path: Path
) -> None:
    spoilt = tmp_path / "spoilt.zip"
    raw = bytearray(bundle(other).read_bytes())
    raw[len(raw) // 2] ^= 0xFF
    spoilt.write_bytes(raw)
    folder = tmp_path / "there" / JOB.job_id
    shutil.copytree(other / "jobs" / JOB.job_id, folder)
    file = folder / "job.rimelog"
    file.write_bytes(file.read_bytes()[:20_000])
    (tmp_path / "text.zip").write_text("no zip")
    ran = rimelog("take", spoilt, folder, tmp_path / "text.zip")
    assert ran.status == 1 and ran.out.count("NOT TAKEN") == 3
    assert all_jobs(data) == [] and not [*received_dir(data).iterdir()]


def test_nothing_is_added_to_it(data: Path, other: Path, rimelog: CommandLine) -> None:
    rimelog("take", other / "jobs")
    file = all_jobs(data)[0].file
    with pytest.raises(StoreSealed, match="another computer's"):
        StoreWriter.open(file, job_id=JOB.job_id, now_ns=lambda: 0)
    assert rimelog("close", JOB.job_id).status == 2
    with pytest.raises(StoreError):
        from logger.store.amend import amend

        amend(file, (), now_ns=0)


def test_earlier_jobs_of_the_other_computer_count(data: Path, tmp_path: Path, rimelog: CommandLine) -> None:
    made = next(one for one in jobs(4) if any(type(e).__name__ == "FindingConcluded" for e in one.events))
    store(tmp_path / "there", made)
    assert rimelog("take", tmp_path / "there").status == 0
    of = made.job
    today = Job("new", of.refrigerant, customer=of.customer, site=of.site, appliance=of.appliance)
    assert [one["job"] for one in earlier_jobs(today)["earlier_additions"]] == [of.job_id]
