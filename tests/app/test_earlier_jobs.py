"""What earlier jobs of an appliance tell a new one: real job files with the engine's findings, read as it opens."""

import asyncio
import sqlite3
import threading
import time
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from logger.app.daemon import Daemon
from logger.app.earlier_jobs import earlier_jobs
from logger.clock import Clock
from logger.evidence.chain import event_of, new_event
from logger.export.replayed import replay_job
from logger.model.appliance import same_appliance
from logger.model.events import FindingConcluded, JobOpened, StageEnded
from logger.model.finding import Finding
from logger.model.job import Job
from logger.model.records import EVENT, NewRecord, Record
from logger.model.rig import Rig
from logger.model.units import NS_PER_S
from logger.pipeline.engine import Engine
from logger.pipeline.replay import replay
from logger.store.place import JobPlace, job_place, jobs
from logger.store.reader import StoreReader
from logger.store.writer import StoreWriter
from tests.export.simulated import JOB, T0_NS, simulated_job

DAY = 86_400 * NS_PER_S
TODAY = replace(JOB, job_id="2026-06-02-01", full_charge_kg=16.5, appliance_class="commercial")


def new(records: Iterable[Record], job: Job, days: float, **opened: Any) -> list[NewRecord]:
    """The same records on another day, of another job, each stage's findings behind it as the daemon writes them."""
    records = tuple(records)
    engine = Engine(live=False)
    replay(records, engine)
    shift = int(days * DAY)
    out: list[NewRecord] = []
    for record in records:
        if record.kind != EVENT:
            out.append(NewRecord(record.kind, record.device, record.t0_ns + shift, record.n, record.offsets,
                                 record.payload))  # fmt: skip
            continue
        event = event_of(record)
        event = replace(event, t_ns=event.t_ns + shift)
        if isinstance(event, JobOpened):
            event = replace(event, job=job, **opened)
        out.append(new_event(event))
        if isinstance(event, StageEnded):
            found = engine.results[event.number].findings
            concluded = (FindingConcluded(t_ns=event.t_ns, stage=event.number, finding=f) for f in found)
            out += [new_event(finding) for finding in concluded]
    return out


def store(data: Path, job: Job, records: Sequence[NewRecord]) -> JobPlace:
    place = job_place(job.job_id, data)
    writer = StoreWriter.open(place.file, job_id=job.job_id, now_ns=lambda: T0_NS)
    for start in range(0, len(records), 100):
        writer.submit(records[start : start + 100])
    writer.close()
    return place


def charging() -> tuple[Record, ...]:
    return simulated_job("charging", 900.0, ("scale",), 5.0)


def recovery() -> tuple[Record, ...]:
    return simulated_job("recovery", 3000.0, ("scale",), 5.0)


def start_up() -> tuple[Record, ...]:
    return simulated_job("start_up", 3400.0, ("machine board",), 5.0)


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A first charge, then one that a recovery without a charge follows; other appliances beside; a spoilt file."""
    data = tmp_path_factory.mktemp("earlier")
    for days, records, changes in (
        (-400, charging(), {}),
        (-73, recovery(), {"customer": " invented  BREWERY"}),
        (-50, charging(), {"appliance": "Walk-in freezer"}),
        (-40, charging(), {"invented": False}),
        (-30, start_up(), {}),
    ):
        job = replace(JOB, job_id=f"day{days}", **changes)
        store(data, job, new(records, job, days))
    return data


def carried_over(data: Path, job: Job = TODAY, **more: Any) -> dict[str, Any]:
    return earlier_jobs(job, lambda: jobs(data), **more)


def test_additions_and_baseline_of_the_same_appliance_only(data: Path) -> None:
    found = carried_over(data)
    assert found["earlier_complete"] is True
    charged, recovered = found["earlier_additions"]
    assert (charged["job"], charged["date"]) == ("day-400", "2025-01-26")
    assert charged["added_kg"] == pytest.approx(16.49, abs=0.03)  # the simulated plant's own
    assert (recovered["job"], recovered["date"]) == ("day-73", "2025-12-19")
    assert recovered["added_kg"] == pytest.approx(-15.86, abs=0.1)
    assert found["baseline"].job == "day-30"
    superheat = found["baseline"].figures["suction_superheat"]
    assert superheat.number == pytest.approx(7.5, abs=0.3) and superheat.unit == "K" and superheat.u > 0
    assert "baseline" not in carried_over(data, replace(TODAY, refrigerant="R-134a"))


@pytest.mark.parametrize(
    ("changes", "same"),
    [
        ({}, True), ({"customer": "INVENTED  brewery "}, True), ({"site": ""}, True), ({"site": "Roof"}, False),
        ({"appliance": "Glycol chiller 2"}, False), ({"customer": ""}, False), ({"invented": False}, False),
    ],
)  # fmt: skip
def test_which_appliance_is_the_same(changes: dict[str, Any], same: bool) -> None:
    assert same_appliance(JOB, replace(JOB, **changes)) is same


def test_a_job_without_an_appliance_looks_for_none(data: Path) -> None:
    assert carried_over(data, replace(TODAY, appliance=" ")) == {}


def test_a_spoilt_job_breaks_nothing_and_is_told(data: Path) -> None:
    place = store(data, replace(JOB, job_id="day-20"), new(charging(), replace(JOB, job_id="day-20"), -20))
    whole = place.file.read_bytes()
    place.file.write_bytes(b"not a job file at all")
    try:
        found = carried_over(data)
        assert found["earlier_complete"] is False and len(found["earlier_additions"]) == 2
        place.file.write_bytes(whole)
        with sqlite3.connect(place.file) as connection:  # an event that is no event
            connection.execute("UPDATE record SET payload = x'7b7d' WHERE kind = 1 AND id > 5")
        connection.close()
        assert carried_over(data)["earlier_complete"] is False
    finally:
        for file in place.directory.iterdir():
            file.unlink()


def test_the_start_is_not_held_up(data: Path) -> None:
    def stuck() -> list[JobPlace]:
        release.wait(120)  # a disk that does not answer
        return jobs(data)

    release = threading.Event()

    begun = time.monotonic()
    found = earlier_jobs(TODAY, stuck, budget_s=0.2)
    assert time.monotonic() - begun < 60
    release.set()
    assert found == {"earlier_additions": (), "earlier_complete": False}


def opened_by_daemon(data: Path, tmp_path: Path) -> JobOpened:
    async def run() -> None:
        daemon = Daemon(TODAY.job_id, tmp_path / "job.rimelog", Clock())
        daemon.earlier = lambda job: earlier_jobs(job, lambda: jobs(data))
        daemon.open(Rig("none", ()), TODAY)
        await daemon.close()

    asyncio.run(run())
    with StoreReader(tmp_path / "job.rimelog") as reader:
        return next(event for _, event in reader.events() if isinstance(event, JobOpened))


def leak_rates(records: Sequence[NewRecord], data: Path, job: Job) -> dict[str, Finding]:
    """By method, as export and `verify` compute them from the stored record alone."""
    place = store(data, job, records)
    with StoreReader(place.file) as reader:
        replayed = replay_job(reader.records, lambda samples: None)
    found = [f for f in replayed.stages[max(replayed.stages)].findings if f.key == "charging.leak_rate"]
    return {str(next(one.value for one in f.inputs if one.name == "method")): f for f in found}


def test_the_new_job_carries_it_and_its_leak_rate_follows_from_its_own_record(data: Path, tmp_path: Path) -> None:
    """16.49 kg charged, 15.86 of them taken out 73 days before: 0.63 kg added, 400 days since an addition."""
    opened = opened_by_daemon(data, tmp_path)
    additions = opened.earlier_additions
    assert additions is not None and len(additions) == 2
    kept = {"earlier_complete": opened.earlier_complete, "baseline": opened.baseline}
    added = additions[0]["added_kg"] + additions[1]["added_kg"]
    for method in ("annualizing", "rolling"):
        job, place = replace(TODAY, leak_rate_method=method), tmp_path / method
        rates = leak_rates(new(charging(), job, 0, earlier_additions=additions, **kept), place, job)
        assert set(rates) == {method}  # one method an owner, one finding
        share = rates[method].value("leak_rate")
        assert share is not None and share.number == pytest.approx(added / 16.5, abs=0.003)  # 400 days count as 365
        taken_out = rates[method].value("taken_out_earlier")
        assert taken_out is not None and taken_out.number == pytest.approx(15.86, abs=0.005)
        assert ("last_addition", "2025-01-26") in [(one.name, one.value) for one in rates[method].inputs]


def test_a_start_up_is_held_against_the_one_before(data: Path, tmp_path: Path) -> None:
    baseline = carried_over(data)["baseline"]
    job = replace(TODAY, job_id="again")
    place = store(tmp_path, job, new(start_up(), job, 0, baseline=baseline))
    with StoreReader(place.file) as reader:
        (stage,) = replay_job(reader.records, lambda samples: None).stages.values()
    compared = next(f for f in stage.findings if f.key == "start_up.compare")
    assert not any(one.name == "changed" for one in compared.inputs)
    assert ("baseline", "the start-up of job day-30 on 2026-01-31") in [
        (one.name, one.value) for one in compared.inputs
    ]


def test_the_day_is_that_of_the_computers_place() -> None:
    """T0 is 16:00 UTC; the run was at UTC-06:00."""
    engine = replay(simulated_job("charging", 900.0, ("scale",), 5.0))
    assert engine.model.state.day(T0_NS + 9 * 3600 * NS_PER_S) == date(2026, 3, 2)
    assert engine.model.state.day(T0_NS + 15 * 3600 * NS_PER_S) == date(2026, 3, 3)
