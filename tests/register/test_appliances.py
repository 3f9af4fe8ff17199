"""Appliances by all jobs, and one of them over its jobs."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.model.events import JobOpened
from logger.register.appliance_history import ApplianceHistory, appliances, find_appliances, history
from logger.register.register import asked
from tests.cli.commandline import CommandLine
from tests.register.shop import Made, jobs, store
from tests.register.test_questions import MADE, shop_folder, stages

ALL = {(made.job.customer, made.job.site, made.job.appliance) for made in MADE}


def renamed(made: Made, **names: Any) -> Made:
    """The same job under other names."""
    opened = made.events[0]
    assert isinstance(opened, JobOpened)
    job = replace(made.job, **names)
    return Made(job, (replace(opened, job=job), *made.events[1:]))


def ids(data: Path) -> list[str]:
    return [row["id"] for row in asked(appliances, data).data()]


def test_each_appliance_is_listed_once() -> None:
    rows = asked(appliances, Path(shop_folder())).data()
    assert {(r["customer"], r["site"], r["appliance"]) for r in rows} == ALL and len(rows) == len(ALL)
    count = sum(made.job.appliance == rows[0]["appliance"] for made in MADE)
    assert rows[0]["jobs"] == count


def test_one_appliance_by_any_spelling_and_a_site_where_both_name_one(tmp_path: Path) -> None:
    first, second, third, fourth, fifth = list(jobs(5))
    names = {"customer": "King  Street Hotel", "appliance": "Chiller 2", "site": "Roof"}
    store(tmp_path, renamed(first, **names))
    store(tmp_path, renamed(second, **{**names, "customer": "KING STREET HOTEL", "site": ""}))
    assert len(ids(tmp_path)) == 1  # the site left out is the only one there is
    store(tmp_path, renamed(third, **{**names, "site": "Cellar"}))
    assert len(ids(tmp_path)) == 3  # now it may be either
    store(tmp_path, renamed(fourth, **names, invented=True))
    store(tmp_path, renamed(fifth, **{**names, "appliance": ""}))
    assert len(ids(tmp_path)) == 3


def test_its_jobs_tests_and_start_ups() -> None:
    data, made = Path(shop_folder()), MADE[7]
    (id_,) = asked(lambda c: find_appliances(c, made.job.appliance.upper()), data)
    found: ApplianceHistory = asked(lambda c: history(c, id_), data)
    own = [m for m in MADE if (m.job.customer, m.job.appliance) == (made.job.customer, made.job.appliance)]
    assert [row["job"] for row in found.jobs.data()] == [m.job.job_id for m in own]
    tests = [(m.job.job_id, k, v) for m in own for k, _, v, _ in stages(m) if k in ("pressure-test", "decay-test")]
    assert [(r["job"], r["stage"], r["verdict"]) for r in found.tests.data()] == tests
    superheats = [
        (m.job.job_id, next((f.value("suction_superheat").number for f in fs if f.key == "start_up.figures"), None))
        for m in own for k, _, _, fs in stages(m) if k == "start-up"
    ]  # fmt: skip
    assert [(r["job"], r["suction_superheat"]) for r in found.start_ups.data()] == superheats
    assert len(superheats) >= 3 and found.trends["suction_superheat"].u is not None
    assert found.trends["approach"].problem is not None


def test_it_is_shown(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("RIMELOG_DATA", shop_folder())
    rimelog = CommandLine(monkeypatch, capsys)
    assert max(map(len, rimelog("appliance", "list").out.splitlines())) <= 80
    name = MADE[7].job.appliance
    text = rimelog("appliance", "show", name).out
    assert all(title in text for title in ("Jobs", "Additions and leak rate", "Tests", "Start-ups"))
    assert max(map(len, text.splitlines())) <= 80
    told = json.loads(rimelog("appliance", "show", name, "--json").out)
    assert told["name"] == name and told["jobs"] and told["trends"]["suction_superheat"]["unit"] == "K/a"
    assert rimelog("appliance", "show", "nothing of the kind").status == 2
    assert "fits several" in rimelog("appliance", "show", "customer").err
