"""The whole book: every finding's sentence, in the reader's units."""

from dataclasses import replace
from functools import lru_cache
from typing import Any

from logger.alarms.memory import AlarmRow
from logger.alarms.rules import AlarmRule
from logger.alarms.words import WORDS as ALARMS
from logger.alarms.words import measured
from logger.cylinder.words import WORDS as CYLINDER
from logger.model.events import AlarmChanged
from logger.model.finding import Finding, Text
from logger.model.plain import plain
from logger.model.value import Statement
from logger.scale.words import WORDS as SCALE
from logger.stages import registry
from logger.stages.comparison_words import WORDS as COMPARISON
from logger.stages.definition import StageDefinition
from logger.wording.book import AlarmText, Book, StatementWords, Words
from logger.wording.given import listed
from logger.wording.values import Shown

_SETTINGS: dict[str, StatementWords] = {
    "not_of_stage": lambda f: f"{f('setting')} is not a setting of this stage; its settings: {listed(f, 'there_is')}",
    "flag": lambda f: f"{f('setting')} must be true or false",
    "text": lambda f: f"{f('setting')} must be text",
    "form": lambda f: f"{f('setting')} must have the form that its help shows, not {f('asked')}",
    "day": lambda f: f"{f('setting')} must be a day such as 2026-03-14, not {f('asked')}",
    "profile": lambda f: f"no such profile: {f('asked')}; known: {listed(f, 'there_is')}",
    "one_of": lambda f: f"{f('setting')} must be one of {listed(f, 'there_is')}, not {f('asked')}",
    "count": lambda f: f"{f('setting')} must be a whole number from 1 to {f('most')}",
    "number": lambda f: f"{f('setting')} must be a number, in SI",
    "above_zero": lambda f: f"{f('setting')} must be above zero",
    "too_large": lambda f: f"{f('setting')} is too large",
    "unusual": lambda f: (
        f"{f('setting')} {f('value')} is unusual ({f('low')} to {f('high')}); another unit, or the decimal "
        "point shifted? If it is right, add --as-entered"
    ),
}


def _of_stage(words: StatementWords) -> StatementWords:
    """With the stage before it, where one is named."""
    return lambda f: f"{registry.label(f.code('stage'))}: {words(f)}" if f.has("stage") else words(f)


WORDS = Words(
    findings={
        "program.failed": lambda f: Text(
            "not analyzed",
            f"Software error in the analysis of this stage ({f('fault')}). Its readings are stored.",
        )
    },
    statements={f"setting.{key}": _of_stage(words) for key, words in _SETTINGS.items()},
)
"""Of what every stage has."""


def whole() -> Book:
    return _whole(registry.STAGES)


@lru_cache(maxsize=4)
def _whole(stages: tuple[StageDefinition[object], ...]) -> Book:
    return Book((WORDS, ALARMS, SCALE, CYLINDER, COMPARISON, *(stage.words for stage in stages)))


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
