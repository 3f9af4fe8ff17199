"""What kept records give is what their version made of them (tests/unchanged.py)."""

from dataclasses import replace
from pathlib import Path

import pytest

from tests.unchanged import EVENTS, Made, differences, expected, fixture_records, make, name_of, read_records, summary

KEPT = fixture_records()


@pytest.mark.parametrize("path", KEPT, ids=name_of)
def test_a_kept_record_gives_what_it_gave(path: Path) -> None:
    assert list(differences(expected(path), make(read_records(path)))) == []


def test_every_stage_and_verdict_is_among_them() -> None:
    found = [(key.partition(".")[0], verdict) for path in KEPT for _, key, verdict, _ in expected(path)["found"]]
    stages = {"recovery", "standing-pressure", "evacuation", "decay", "charging", "start_up"}
    assert stages <= {stage for stage, _ in found}
    assert {verdict for _, verdict in found if verdict} == {"pass", "fail", "cannot tell", "info", "attention"}


@pytest.fixture(scope="module")
def made() -> Made:
    return make(read_records(next(path for path in KEPT if name_of(path) == "leak")))


def test_the_same_makes_no_difference(made: Made) -> None:
    assert list(differences(summary(made), made)) == []


def test_one_changed_line_is_told_with_both(made: Made) -> None:
    first = made.files[EVENTS][0]
    other = replace(made, files=made.files | {EVENTS: [b"else\r\n", *made.files[EVENTS][1:]]})
    assert list(differences(summary(made), other)) == [
        f"events.csv line 1: kept {first.decode().rstrip()!r}, now 'else'"
    ]


def test_a_lost_line_is_told(made: Made) -> None:
    other = replace(made, files=made.files | {EVENTS: made.files[EVENTS][:-1]})
    assert f"events.csv: {len(made.files[EVENTS]) - 1} lines" in next(differences(summary(made), other))


def test_a_changed_number_is_told_and_an_added_one_is_not(made: Made) -> None:
    stage, key, verdict, numbers = made.found[0]
    changed = [(1.001 * (numbers[0][0] or 0.0), numbers[0][1]), *numbers[1:]]
    assert changed != numbers
    (told,) = differences(summary(made), replace(made, found=[(stage, key, verdict, changed), *made.found[1:]]))
    assert f"stage {stage}, {key}" in told
    added = [numbers[0], (4.0, None), *numbers[1:]]
    assert list(differences(summary(made), replace(made, found=[(stage, key, verdict, added), *made.found[1:]]))) == []


def test_another_verdict_and_a_lost_finding_are_told(made: Made) -> None:
    stage, key, _, numbers = made.found[0]
    (told,) = differences(summary(made), replace(made, found=[(stage, key, "fail", numbers), *made.found[1:]]))
    assert f"now ({stage}, '{key}', 'fail')" in told
    (told,) = differences(summary(made), replace(made, found=made.found[:-1]))
    assert "now None" in told
