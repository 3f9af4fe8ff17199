"""Each ready question against a plain count over the same jobs, by their events; SQL that reads and nothing else."""

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from logger.model.events import FindingConcluded, RigLoaded, StageBegun, StageEnded
from logger.model.units import NS_PER_S
from logger.model.value import Value
from logger.register import RegisterError
from logger.register.answer_table import AnswerTable
from logger.register.ready_questions import QUESTIONS, put
from logger.register.register import asked, connect_reader, mend
from logger.register.sql import ask_sql
from tests.cli.commandline import CommandLine
from tests.once import once_a_run, run_folder
from tests.register.shop import Made, jobs, store
from tests.register.test_register import day_of

MADE = list(jobs(120, step_ns=48 * 3600 * NS_PER_S))
TODAY = "2025-06-01"


@once_a_run
def shop_folder() -> str:
    """A data directory with all of MADE, entered."""
    data = run_folder()[1] / "shop"
    for made in MADE:
        store(data, made)
    mend(data)
    return str(data)


@pytest.fixture
def data(monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RIMELOG_DATA", shop_folder())
    return Path(shop_folder())


def answered(data: Path, question: str, **options: Any) -> list[dict[str, Any]]:
    return asked(lambda connection: put(connection, QUESTIONS[question], **options), data).data()


def stages(made: Made) -> Iterator[tuple[str, float, str | None, list[Any]]]:
    """(kind, how long, verdict, findings) of each."""
    for begun in (e for e in made.events if isinstance(e, StageBegun)):
        ended = next(e for e in made.events if isinstance(e, StageEnded) and e.number == begun.number)
        found = [e.finding for e in made.events if isinstance(e, FindingConcluded) and e.stage == begun.number]
        yield begun.kind, (ended.t_ns - begun.t_ns) / NS_PER_S, str(found[0].verdict) if found else None, found


def moved(made: Made, key: str, name: str) -> float | None:
    """kg; None where the stage concluded nothing, 0 where there was none."""
    kind = key.partition(".")[0]
    for of, _, _, found in stages(made):
        if of == kind:
            values = [f.value(name) for f in found if f.key == key]
            return values[0].number if values else None
    return 0.0


def test_leaks(data: Path) -> None:
    """The annualizing method by hand: what was added over the charge, over the days since the addition before."""
    rates: dict[tuple[str, str, str], float] = {}
    by_appliance: dict[tuple[str, str, str], list[Made]] = defaultdict(list)
    for made in MADE:
        by_appliance[made.job.customer, made.job.appliance, made.job.site].append(made)
    for names, own in by_appliance.items():
        awaited, last_addition, last_job = 0.0, None, None
        for made in own:
            kinds = [kind for kind, *_ in stages(made)]
            if not {"recovery", "charging"} & set(kinds):
                continue
            on, charge = date.fromisoformat(day_of(made)), made.job.full_charge_kg or 0.0
            charged, recovered = moved(made, "charging.mass", "charged"), moved(made, "recovery.mass", "recovered")
            if charged is None or recovered is None:
                awaited, last_addition = 0.0, on
            elif charged < recovered:
                if recovered - charged >= 0.8 * charge:
                    awaited = min(charge, awaited + recovered - charged)
            elif (added := charged - recovered - awaited) > 0:
                since = last_addition or last_job
                rates[names] = added / charge / ((min((on - since).days, 365) if since else 365) / 365)
                awaited, last_addition = 0.0, on
            else:
                awaited -= charged - recovered
            last_job = on
    found = {(r["customer"], r["appliance"], r["site"]): r["leak_rate"] for r in answered(data, "leaks", over=0.0)}
    assert len(found) >= 8 and found == {names: pytest.approx(rate) for names, rate in rates.items()}
    over = {names for names, rate in found.items() if rate > 0.5}
    assert {(r["customer"], r["appliance"], r["site"]) for r in answered(data, "leaks", over=0.5)} == over


def test_tests_of_an_appliance(data: Path) -> None:
    wanted = MADE[5].job.appliance
    expected = [
        (made.job.job_id, kind, verdict)
        for made in MADE
        if wanted.casefold() in f"{made.job.customer} {made.job.site} {made.job.appliance}".casefold()
        for kind, _, verdict, _ in stages(made)
        if kind in ("pressure-test", "evacuation", "decay-test")
    ]
    found = answered(data, "tests", appliance=wanted.upper())
    assert [(r["job"], r["stage"], r["verdict"]) for r in found] == expected and len(expected) > 3


def test_recovered_by_cylinder_and_year(data: Path) -> None:
    sums: dict[tuple[str, str, str], list[float]] = defaultdict(list)
    for made in MADE:
        for kind, _, _, found in stages(made):
            mass = next((f for f in found if f.key == "recovery.mass"), None)
            if kind == "recovery" and mass is not None:
                (name,) = (one.value for one in mass.inputs if one.name == "cylinder")
                value = mass.value("recovered")
                assert isinstance(value, Value) and value.number is not None
                sums["2025", made.job.refrigerant, name].append(value.number)
    told = {
        (r["year"], r["refrigerant"], r["cylinder"]): (r["recovered"], r["recoveries"])
        for r in answered(data, "recovered", year="2025")
    }
    assert set(told) == set(sums)
    for key, masses in sums.items():
        assert told[key] == (pytest.approx(sum(masses)), len(masses))
    assert answered(data, "recovered", year="2031") == []


def test_pull_down_times_by_volume(data: Path) -> None:
    bounds = [0, 0.003, 0.01, 0.03, 0.1, 0.3]
    times: dict[float, list[float]] = defaultdict(list)
    for made in MADE:
        for kind, lasted, verdict, _ in stages(made):
            if kind == "evacuation" and verdict == "pass":
                times[max(low for low in bounds if low <= (made.job.volume_m3 or 0.0))].append(lasted)
    found = answered(data, "pull-downs")
    assert [r["volume_from"] for r in found] == sorted(times)
    for row in found:
        own = times[row["volume_from"]]
        assert row["count"] == len(own)
        assert (row["shortest"], row["mean"], row["longest"]) == pytest.approx(
            (min(own), sum(own) / len(own), max(own))
        )


def test_calibrations_overdue(data: Path) -> None:
    by_device: dict[tuple[str, int], Any] = {}
    for k, made in enumerate(MADE):
        rig = next(e.rig for e in made.events if isinstance(e, RigLoaded))
        for channel in rig.devices[0].channels:
            by_device[f"00a1b2c3d4e5f6{k % 3:02x}", channel.index] = channel.calibration
    expected = {
        key for key, of in by_device.items()
        if of.done is None or (of.done + timedelta(days=of.due_days)).isoformat() < TODAY
    }  # fmt: skip
    found = answered(data, "calibrations", today=TODAY)
    assert len(found) >= 3
    assert {(r["instrument"], r["channel"]) for r in found} == expected


def test_jobs_without_a_verdict(data: Path) -> None:
    expected = [
        (made.job.job_id, kind, verdict)
        for made in MADE
        for kind, _, verdict, _ in stages(made)
        if verdict in (None, "cannot tell")
    ]
    assert [(r["job"], r["stage"], r["verdict"]) for r in answered(data, "undecided")] == expected


def test_sample_data_is_left_out_and_said(tmp_path: Path) -> None:
    made = MADE[0]
    opened = replace(made.events[0], job=replace(made.job, invented=True))  # type: ignore[call-arg]
    store(tmp_path, Made(made.job, (opened, *made.events[1:])))

    def of(**more: Any) -> AnswerTable:
        return asked(lambda connection: put(connection, QUESTIONS["tests"], **more), tmp_path)

    assert of().rows == () and "--sample" in of().notes[0]
    assert len(of(sample=True).rows) == 3 and of(sample=True).notes == ()


@pytest.mark.parametrize(
    "sql",
    ["DELETE FROM jobs", "PRAGMA writable_schema = 1", "ATTACH 'x' AS x", "CREATE TABLE t(a)", "SELECT 1; SELECT 2", "",
     "SELECT load_extension('x')", "VACUUM INTO 'copy.db'", "SELECT nothing FROM jobs", "SELEC"],
)  # fmt: skip
def test_sql_that_is_no_question_is_refused(data: Path, sql: str) -> None:
    with pytest.raises(RegisterError):
        asked(lambda connection: ask_sql(connection, sql), data)


def test_sql_ends_in_time(data: Path) -> None:
    endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT max(i) FROM n"
    with pytest.raises(RegisterError, match="not answered within"):
        asked(lambda connection: ask_sql(connection, endless, max_s=0.1), data)


def test_sql_reads(data: Path) -> None:
    found = asked(lambda c: ask_sql(c, "SELECT upper(customer) AS who, count(*) n FROM jobs GROUP BY 1 LIMIT 2"), data)
    assert [c.key for c in found.columns] == ["who", "n"] and len(found.rows) == 2


def test_the_connection_itself_cannot_write(data: Path) -> None:
    mend(data)
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        connect_reader(data).execute("DELETE FROM jobs")


def test_answers_as_table_csv_and_json(
    data: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rimelog = CommandLine(monkeypatch, capsys)
    listed = rimelog("ask")
    assert listed.status == 0 and all(name in listed.out for name in QUESTIONS)
    for name in QUESTIONS:
        table, told = rimelog("ask", name), json.loads(rimelog("ask", name, "--json").out)
        assert table.status == 0 and max(map(len, table.out.splitlines())) <= 80
        csv = rimelog("ask", name, "--csv").out
        assert len(csv.splitlines()) == len(told) + 1
    us, si = (rimelog("ask", "recovered", "--csv", "--units", units).out.splitlines() for units in ("us", "si"))
    assert "Recovered (lb)" in us[0] and "Recovered (kg)" in si[0]
    assert float(us[1].split(",")[3]) == pytest.approx(float(si[1].split(",")[3]) / 0.45359237, abs=0.02)
    assert rimelog("ask", "leaks", "--year", "2025").status == 2
    assert "undecided" in rimelog("ask", "nonsense").err
