"""The whole book: every finding's sentence, in the reader's units."""

from functools import lru_cache
from typing import Any

from logger.model.finding import Finding, Text
from logger.model.plain import plain
from logger.model.value import Statement
from logger.stages import registry
from logger.stages.definition import StageDefinition
from logger.wording import book
from logger.wording.book import Words
from logger.wording.given import Given
from logger.wording.values import Shown

JOB = Words(
    findings={
        "program.failed": lambda f: Text(
            "not analyzed",
            f"This program failed at the analysis of this stage ({f('fault')}). Its readings are stored.",
        )
    }
)


def whole() -> Words:
    return _whole(registry.STAGES)


@lru_cache(maxsize=4)
def _whole(stages: tuple[StageDefinition[object], ...]) -> Words:
    return book.joined((JOB, *(stage.words for stage in stages)))


def text_of(finding: Finding, shown: Shown) -> Text:
    return book.text_of(whole(), finding, shown)


def statement_of(statement: Statement, shown: Shown) -> str:
    return book.statement_of(whole(), statement, shown)


def label_of(name: str) -> str:
    return book.label_of(whole(), name)


def shown_finding(finding: Finding, shown: Shown) -> dict[str, Any]:
    """A finding with its words, as plain data for screens and files. inputs: (label, text, Value or text)."""
    text = text_of(finding, shown)
    given = Given(finding.inputs, shown, whole().terms)
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
            {"name": one.name, "label": label_of(one.name), "text": given.text(one), "value": plain(one.value)}
            for one in finding.inputs
        ],
    }
