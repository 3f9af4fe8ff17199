"""The whole book: every finding's sentence, in the reader's units."""

from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache
from typing import Any

from logger.alarms.errors import AlarmError, Refusal
from logger.alarms.memory import AlarmRow
from logger.alarms.permit import ALARM_STANDS
from logger.alarms.rules import AlarmRule
from logger.alarms.words import WORDS as ALARMS
from logger.alarms.words import measured
from logger.cylinder.words import WORDS as CYLINDER
from logger.model.events import AlarmChanged
from logger.model.finding import Finding, Text
from logger.model.plain import plain
from logger.model.value import Argument, Code, Statement
from logger.scale.words import WORDS as SCALE
from logger.stages import registry
from logger.stages.comparison_words import WORDS as COMPARISON
from logger.stages.definition import StageDefinition
from logger.wording.book import AlarmText, Book, Words
from logger.wording.values import Shown

JOB = Words(
    findings={
        "program.failed": lambda f: Text(
            "not analyzed",
            f"This program failed at the analysis of this stage ({f('fault')}). Its readings are stored.",
        )
    }
)


def whole() -> Book:
    return _whole(registry.STAGES)


@lru_cache(maxsize=4)
def _whole(stages: tuple[StageDefinition[object], ...]) -> Book:
    return Book((JOB, ALARMS, SCALE, CYLINDER, COMPARISON, *(stage.words for stage in stages)))


def text_of(finding: Finding, shown: Shown) -> Text:
    return whole().text_of(finding, shown)


def statement_of(statement: Statement, shown: Shown) -> str:
    return whole().statement_of(statement, shown)


def alarm_text(of: AlarmRow | AlarmChanged | AlarmRule, shown: Shown) -> AlarmText:
    """An alarm, or a change of one, in words; one of a record without data as its words were recorded."""
    if of.about is None:
        return AlarmText(of.label or of.key, of.message, measured(of, shown))
    return whole().alarm_of(of.about, shown, measured(of, shown))


def said(change: AlarmChanged, shown: Shown) -> AlarmChanged:
    """The change with its words, as they are shown now."""
    text = alarm_text(change, shown)
    cause = statement_of(change.why, shown) if change.why is not None else change.cause
    return replace(change, label=text.label, message=text.action, cause=cause)


def refusal_of(exc: AlarmError, shown: Shown) -> str:
    """Why an act was refused, all reasons in a line."""
    if not isinstance(exc, Refusal):
        return str(exc)
    about = f"{whole().alarm_of(exc.about, shown).label}: " if exc.about is not None else ""
    return about + reasons_of(exc.why, shown)


def reasons_of(why: Iterable[Statement], shown: Shown) -> str:
    """Several reasons in a line; an alarm among them with its label."""
    return "; ".join(statement_of(_labelled(one, shown), shown) for one in why)


def _labelled(one: Statement, shown: Shown) -> Statement:
    if one.key != ALARM_STANDS:
        return one
    (alarm, *rest) = one.inputs
    label = whole().alarm_of(Statement(str(alarm.value), tuple(rest)), shown).label
    return replace(one, inputs=(Argument(alarm.name, Code.NAME, label), *rest))


def label_of(finding: Finding, name: str) -> str:
    return whole().label_of(finding, name)


def shown_finding(finding: Finding, shown: Shown) -> dict[str, Any]:
    """A finding with its words, as plain data for screens and files. inputs: (label, text, Value or text)."""
    book = whole()
    text = book.text_of(finding, shown)
    return {
        "key": finding.key,
        "verdict": finding.verdict.value,
        "headline": text.headline,
        "text": text.body,
        "rule": text.rule,
        "decision_rule": text.decision_rule,
        "causes": list(text.causes),
        "check_next": list(text.check_next),
        "inputs": [
            {
                "name": one.name,
                "label": book.label_of(finding, one.name),
                "text": book.input_text(finding, one, shown),
                "value": plain(one.value),
            }
            for one in finding.inputs
        ],
    }
