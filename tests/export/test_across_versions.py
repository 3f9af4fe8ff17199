"""A bundle of another version of the analysis: sentences may have changed since, what was measured and judged not."""

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.export.bundle.across_versions import K, found_in, moved
from logger.export.bundle.outcome import Outcome, Result, VerifyReport
from logger.export.bundle.verify import verify_bundle
from logger.model.version import ANALYSIS
from tests.export.invented import replay, short_job
from tests.export.rebag import Files, put_together, signed_again, taken_apart
from tests.export.test_bundle import KEY, checkpoint_at, exported
from tests.export.test_verify import anyone, detail_of, edited, outcomes

INFO = f"Analysis-Version: {ANALYSIS}".encode()
OTHER = ANALYSIS + 7
Change = Callable[[Files], Files]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Files]:
    rec = short_job()
    return taken_apart(exported(tmp_path_factory.mktemp("made"), rec, checkpoint_at(rec, 20)).bundle)


@pytest.fixture
def verified(files: tuple[str, Files], tmp_path: Path) -> Callable[..., VerifyReport]:
    def verify(change: Change = lambda f: f, version: str = str(OTHER)) -> VerifyReport:
        top, honest = files
        changed = change({**honest, "bag-info.txt": honest["bag-info.txt"].replace(INFO, INFO[:-1] + version.encode())})
        out = put_together(top, signed_again(changed, KEY), tmp_path / "bundle.zip")
        return verify_bundle(out, replay, known=anyone)

    return verify


def _judged_otherwise(listed: list[dict[str, Any]]) -> None:
    finding = next(one for one in listed if one["verdict"] == "pass")
    finding["verdict"] = "info"


def findings(change: Callable[[list[dict[str, Any]]], object]) -> Change:
    """change: of the findings of stage 1."""

    def edit(files: Files) -> Files:
        data = json.loads(files["data/findings.json"])
        change(data["stages"][0]["findings"])
        return {**files, "data/findings.json": (json.dumps(data, indent=1, ensure_ascii=False) + "\n").encode()}

    return edit


def number(to: float | None = None, u: float | None = None) -> Change:
    """The first value of the first finding: 11.8 kg, u = 0.06 kg."""

    def edit(listed: list[dict[str, Any]]) -> None:
        value = listed[0]["inputs"][0]["value"]
        value["number"], value["u"] = value["number"] if to is None else to, value["u"] if u is None else u

    return findings(edit)


def reworded(listed: list[dict[str, Any]]) -> None:
    listed[0] |= {"text": "Put in other words.", "headline": "Held", "rule": "the same rule, named otherwise"}


SAID: dict[str, Change] = {  # what is only said otherwise, and may be
    "findings": findings(reworded),
    "readings": lambda f: {**f, "data/readings.csv": f["data/readings.csv"].replace(b"open circuit", b'"no, sensor"')},
    "events": edited("data/events.csv", b"Filter drier changed.", b"The filter drier was changed."),
    "job.json": edited("data/job.json", b"A Rimelog job.", b"A job."),
    "columns": edited("data/events.csv-metadata.json", b"what happened", b"what was done"),
}
DONE: dict[str, tuple[Change, str]] = {  # what was measured, done or judged otherwise, and may not be
    "a reading": (edited("data/readings.csv", b",700050,", b",701050,"), "readings"),
    "a reading lost": (edited("data/readings.csv", b",700050,", b",,"), "readings"),
    "a line of readings": (lambda f: edited("data/readings.csv", b"2026-03-02T16:00:03", b"2026-03-02T16:00:13")(f),
                           "readings"),
    "a column's name": (edited("data/readings.csv", b"vacuum [Pa]", b"vacuum [kPa]"), "readings"),
    "a column's unit": (edited("data/readings.csv-metadata.json", b'"kg"', b'"lb"'), "events"),
    "who wrote a note": (edited("data/events.csv", b",J. Invented", b",J. Doe"), "events"),
    "when it was": (edited("data/events.csv", b"2026-03-02T16:00:30", b"2026-03-02T16:00:31"), "events"),
    "what happened": (edited("data/events.csv", b",note,", b",mark,"), "events"),
    "a row more": (lambda f: {**f, "data/events.csv": f["data/events.csv"] + b"x,1,note,,,\r\n"}, "events"),
    "another customer": (edited("data/job.json", b"Kettle & Reed", b"Somebody Else"), "events"),
    "another charge": (edited("data/job.json", b"99.8", b"89.8"), "events"),
    "a stage less": (lambda f: {**f, "data/job.json": json.dumps(
        (d := json.loads(f["data/job.json"])) | {"stages": d["stages"][:-1]}).encode()}, "events"),
    "a verdict": (findings(lambda listed: listed[0].update(verdict="fail")), "findings"),
    "a stage's verdict": (findings(_judged_otherwise), "findings"),
    "a finding that nobody made": (findings(lambda listed: listed.append({**listed[0], "key": "recovery.best"})),
                                   "findings"),
    "a finding twice": (findings(lambda listed: listed.append(listed[0])), "findings"),
    "no findings": (lambda f: {**f, "data/findings.json": b"[]"}, "findings"),
    "a number that is none": (number(to="11.8"), "findings"),  # type: ignore[arg-type]
}  # fmt: skip


def test_what_is_the_same_holds_but_for_the_report(verified: Callable[..., VerifyReport]) -> None:
    report = verified()
    assert report.result is Result.HOLDS_BUT and [check.key for check in report.unchecked] == ["report"]
    assert outcomes(report)["analysis"] is Outcome.NOTED
    assert f"version {OTHER} made them, here is {ANALYSIS}" in detail_of(report, "analysis")
    assert {o for key, o in outcomes(report).items() if key not in ("report", "analysis")} == {Outcome.HOLDS}


@pytest.mark.parametrize("what", SAID)
def test_another_wording_fails_with_the_same_version_only(what: str, verified: Callable[..., VerifyReport]) -> None:
    assert verified(SAID[what]).result is Result.HOLDS_BUT
    assert verified(SAID[what], version=str(ANALYSIS)).result is Result.FAILS


def test_texts_of_events_that_differ_are_noted(verified: Callable[..., VerifyReport]) -> None:
    report = verified(SAID["events"])
    assert outcomes(report)["events"] is Outcome.NOTED
    assert "1 texts are worded otherwise here" in detail_of(report, "events")


@pytest.mark.parametrize("what", DONE)
def test_anything_else_fails_with_every_version(what: str, verified: Callable[..., VerifyReport]) -> None:
    change, check = DONE[what]
    for version in (ANALYSIS, OTHER):
        report = verified(change, version=str(version))
        assert check in {c.key for c in report.checks if c.outcome is Outcome.FAILS}, report.checks


def test_a_number_may_move_within_its_uncertainty(verified: Callable[..., VerifyReport]) -> None:
    assert outcomes(verified(number(11.91)))["findings"] is Outcome.HOLDS
    assert verified(number(11.91), version=str(ANALYSIS)).result is Result.FAILS


@pytest.mark.parametrize("change", [number(11.95), number(11.95, u=5.0), number(u=0.02)])
def test_further_than_that_both_are_told(change: Change, verified: Callable[..., VerifyReport]) -> None:
    report = verified(change)
    assert report.result is Result.HOLDS_BUT and outcomes(report)["findings"] is Outcome.NOTED
    assert "stage 1, recovery.level: value 1 is 11." in detail_of(report, "findings")
    assert "here 11.8 ± 0.12" in detail_of(report, "findings")


def test_a_finding_that_only_this_version_makes_is_noted(verified: Callable[..., VerifyReport]) -> None:
    report = verified(findings(lambda listed: listed.pop()))
    assert outcomes(report)["findings"] is Outcome.NOTED
    assert "found here besides: stage 1, recovery.stall" in detail_of(report, "findings")


def test_what_only_this_version_writes_of_the_job_is_passed_over(verified: Callable[..., VerifyReport]) -> None:
    def older(files: Files) -> Files:
        job = json.loads(files["data/job.json"])
        del job["job"]["jurisdiction"]
        return {**files, "data/job.json": json.dumps(job).encode()}

    assert outcomes(verified(older))["events"] is Outcome.HOLDS


@pytest.mark.parametrize("stated", ["", "0x1", "1.5", "-1", "1234567", "one", "١"])
def test_a_version_that_is_no_number_fails(stated: str, verified: Callable[..., VerifyReport]) -> None:
    report = verified(version=stated)
    assert report.result is Result.FAILS
    assert "version of its analysis is stated as" in detail_of(report, "readings")


def test_findings_of_the_second_format_are_read_as_well() -> None:
    """Inputs by name and kind; words and instants among them are no numbers."""
    value = {"number": 11.8, "unit": "kg", "u": 0.06, "problem": None, "note": None}
    inputs = [{"name": "recovered", "kind": "mass", "value": value}, {"name": "cause", "kind": "word", "value": "hot"}]
    finding = {"key": "recovery.mass", "verdict": "info", "inputs": inputs, "text": {"headline": "26 lb"}}
    stage = {"stage": 1, "kind": "recovery", "verdict": "info", "findings": [finding]}
    assert list(found_in({"analysis": 2, "stages": [stage]}))[:2] == [
        (1, "verdict", "info", []), (1, "recovery.mass", "info", [(11.8, 0.06)]),
    ]  # fmt: skip


values = st.tuples(st.floats(-1e6, 1e6), st.floats(1e-3, 1e3))


@given(st.lists(values, max_size=6), st.lists(values, max_size=3))
def test_the_same_numbers_never_moved_whatever_was_put_between_them(
    numbers: list[tuple[float, float]], others: list[tuple[float, float]]
) -> None:
    between = [pair for i, one in enumerate(numbers) for pair in (*others[i : i + 1], one)]
    assert list(moved([*numbers], [*between, *others])) == []


@given(values, st.floats(-4.0, 4.0))
def test_a_number_moved_when_it_is_further_off_than_k_u(value: tuple[float, float], by: float) -> None:
    ours, u = value
    theirs = ours + by * u
    found = list(moved([(theirs, u)], [(ours, u)]))
    if not math.isclose(abs(theirs - ours), K * u, rel_tol=1e-6):
        assert bool(found) is (abs(theirs - ours) > K * u and not math.isclose(theirs, ours, rel_tol=1e-7))


def test_unknown_is_only_the_same_as_unknown() -> None:
    assert list(moved([(None, None)], [(None, None)])) == []
    assert list(moved([(None, None)], [(1.0, 5.0)])) == ["value 1 is unknown; here 1 ± 10"]
    assert list(moved([(1.0, None)], [(1.0, 0.1)])) and list(moved([(1.0, None)], [(1.0, None)])) == []
