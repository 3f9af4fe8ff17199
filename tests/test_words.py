"""Every finding has words, and they are the golden ones (tests/words.py); rules that hold for each of them."""

import ast
import re
from pathlib import Path

import pytest

import logger
from logger.alarms.rules import AlarmRule
from logger.model.finding import Finding
from logger.pipeline.words import WORDS
from tests.unchanged import expected, fixture_records
from tests.words import Part, Room, parts, rooms

ROOMS = rooms()
OTHER_SYSTEM = {
    "us": re.compile(r"\d (°C|K|kPa|Pa|MPa|barg?|hPa|mbar|kg|g|mm|m|L)\b|\bkPa\b"),
    "si": re.compile(r"\d (°F|psi[ag]?|inHg|lb|oz|microns?|ft|cfm)\b|\bin\. Hg|\bpsi\b"),
}
SECOND_PAGE = re.compile(r"\bk ?= ?2\b|\bBIC\b|\bno source\b|from memory|our own figure|\btier\b")
NOT_OUR_WORDS = re.compile(
    r"\b(comes?|came|goes|went on|stands?(?! (by|clear))|stood|tells|told|anew|so|vapour|levell(ed|ing)|metre|litre|"
    r"colour|licence|bottle|drum|tank|daemon|trolley)\b",
    re.IGNORECASE,
)
ORDER = (ast.Lt, ast.LtE, ast.Gt, ast.GtE)
GRAMMAR = {("alarms", "number > 1.5"), ("pipeline", "count > 1")}  # a count or a share; one or many
by_room = pytest.mark.parametrize("room", ROOMS, ids=lambda room: room.name)
by_system = pytest.mark.parametrize("system", ["us", "si"])


def read(room: Room, system: str) -> list[tuple[str, Part]]:
    """(key, part) of all that is said."""
    return [(one.key, part) for one in room.said for part in parts(room.words, one, system)]


@by_room
def test_the_words_are_the_golden_ones(room: Room) -> None:
    assert room.file.read_text(encoding="utf-8") == room.text(), "read the difference, then `python -m tests.words`"


@by_room
def test_every_key_code_and_label_is_said(room: Room) -> None:
    keys = {one.about.key if isinstance(one, AlarmRule) else one.key for one in room.said}
    codes = room.codes()
    names = {argument.name for argument in room.arguments()}
    assert {*room.words.findings, *room.words.statements, *room.words.alarms} == keys
    assert (room.possible_codes() | set(room.words.terms)) - codes == set()
    assert set(room.words.labels) - names == set()


def test_every_key_and_verdict_of_the_kept_records_is_said() -> None:
    said = {(one.key, one.verdict.value) for room in ROOMS for one in room.said if isinstance(one, Finding)}
    keys = {key for key, _ in said}
    kept = {(key, verdict) for path in fixture_records() for _, key, verdict, _ in expected(path)["found"]}
    assert {(key, verdict) for key, verdict in kept if key in keys} - said == set()


@by_system
@by_room
def test_each_finding_has_its_own_words(room: Room, system: str) -> None:
    """Neither its key nor a code: both are what a reader gets of a version that knows more."""
    codes = {code for code in room.codes() if "_" in code}
    for key, (what, text) in read(room, system):
        assert text.strip(" |") and (what or not text.startswith(key)), key
        assert not [code for code in codes if code in text], key


@by_system
@by_room
def test_one_unit_system(room: Room, system: str) -> None:
    wrong = [(key, text) for key, (what, text) in read(room, system)
             if what != "rule" and OTHER_SYSTEM[system].search(text)]  # fmt: skip
    assert wrong == []


@by_system
@by_room
def test_method_and_source_are_on_the_second_page(room: Room, system: str) -> None:
    said = [(key, text) for key, (what, text) in read(room, system) if what not in ("rule", "decision")]
    assert [(key, text) for key, text in said if SECOND_PAGE.search(text)] == []


@by_room
def test_american_trade_english(room: Room) -> None:
    wrong = [(key, text) for key, (_, text) in read(room, "us") if NOT_OUR_WORDS.search(text)]
    assert wrong == []


def test_every_refusal_has_words() -> None:
    """Keys as they are written in calls of not_now()."""
    found = set()
    for path in Path(logger.__file__).parent.rglob("*.py"):
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "not_now":
                found |= {one.value for one in call.args[:1] if isinstance(one, ast.Constant)}
    assert found and found <= set(WORDS.statements)


def test_words_judge_nothing() -> None:
    """They compare a number with zero, for its sign, and with nothing else: what was judged is in verdict and codes."""
    found = []
    for room in ROOMS:
        path = Path(logger.__file__).parent.joinpath(*room.name.split("."), "words.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Compare) and any(
                isinstance(op, ast.Lt | ast.LtE | ast.Gt | ast.GtE) for op in node.ops
            ):
                limits = [one.value for one in node.comparators if isinstance(one, ast.Constant)]
                if limits not in ([0], [0.0]) and (room.name, ast.unparse(node)) not in GRAMMAR:
                    found.append((room.name, ast.unparse(node)))
    assert found == []
