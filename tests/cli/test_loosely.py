"""Names as tired people type them."""

import click
import pytest

from logger.cli.loosely import MARKS, mark_word, meant, stage_kind
from logger.stages import registry
from tests.cli.commandline import CommandLine


@pytest.mark.parametrize(
    ("typed", "kind"),
    [
        ("Recovery", "recovery"),
        ("recov", "recovery"), ("pressure test", "pressure-test"), ("decay_test", "decay-test"),
        ("decay", "decay-test"), ("Vacuum decay test", "decay-test"), ("startup", "start-up"), ("charge", None),
        ("pull-down", "evacuation"), ("evac", "evacuation"),
    ],
)  # fmt: skip
def test_a_stage_is_known_by_what_is_surely_meant(typed: str, kind: str | None) -> None:
    if kind is None:
        with pytest.raises(click.UsageError, match="did you mean charging"):
            stage_kind(typed)
    else:
        assert stage_kind(typed) == kind


@pytest.mark.parametrize("typed", ["Isolated", "valved off", "pump_started", "nitrogen break", "N2-break"])
def test_a_mark_is_stored_by_its_one_name(typed: str) -> None:
    assert mark_word(typed) in MARKS


def test_a_near_mark_is_asked_about_and_words_of_ones_own_pass(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert mark_word("lunch") == "lunch"
    ran = CommandLine(monkeypatch, capsys)("mark", "isoltaed")
    assert ran.status == 2
    assert "did you mean isolated?" in ran.err


def test_a_stage_typed_as_a_command_is_told_how_to_begin(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    ran = CommandLine(monkeypatch, capsys)("recover")
    assert ran.status == 2
    assert "rimelog stage begin recovery" in ran.err


def test_every_name_of_a_stage_is_its_own() -> None:
    for one in registry.STAGES:
        assert meant(one.kind, {s.kind: s.also_called for s in registry.STAGES}) == (one.kind, None)
