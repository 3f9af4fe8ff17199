"""The whole book: every finding's sentence, in the reader's units."""

from functools import lru_cache
from typing import Any

from logger.cylinder.words import WORDS as CYLINDER
from logger.model.finding import Finding, Text
from logger.model.plain import plain
from logger.model.value import Statement
from logger.scale.words import WORDS as SCALE
from logger.stages import registry
from logger.stages.comparison_words import WORDS as COMPARISON
from logger.stages.definition import StageDefinition
from logger.wording.book import Book, Words
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
    return Book((JOB, SCALE, CYLINDER, COMPARISON, *(stage.words for stage in stages)))


def text_of(finding: Finding, shown: Shown) -> Text:
    return whole().text_of(finding, shown)


def statement_of(statement: Statement, shown: Shown) -> str:
    return whole().statement_of(statement, shown)


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
