"""A words file's content, and several of them as one book: key -> sentence."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from logger.model.finding import Finding, Text
from logger.model.value import Statement, Value
from logger.wording.given import Given
from logger.wording.values import Shown

FindingWords = Callable[[Given], Text]
StatementWords = Callable[[Given], str]


@dataclass(frozen=True, slots=True)
class Words:
    """findings, statements: by key. terms: the text of each code. labels: of inputs, where the name is not enough."""

    findings: Mapping[str, FindingWords] = field(default_factory=dict)
    statements: Mapping[str, StatementWords] = field(default_factory=dict)
    terms: Mapping[str, str] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)


def joined(parts: Iterable[Words]) -> Words:
    """One book of several. Raises ValueError where two of them give one key different words."""
    findings: dict[str, FindingWords] = {}
    statements: dict[str, StatementWords] = {}
    terms: dict[str, str] = {}
    labels: dict[str, str] = {}
    for part in parts:
        for whole, of_part in ((findings, part.findings), (statements, part.statements)):
            if twice := [key for key in of_part if key in whole]:
                raise ValueError(f"two words for {', '.join(twice)}")
            whole.update(of_part)  # type: ignore[arg-type]
        for texts, more in ((terms, part.terms), (labels, part.labels)):
            if twice := [key for key in more if texts.get(key, more[key]) != more[key]]:
                raise ValueError(f"two texts for {', '.join(twice)}")
            texts.update(more)
    return Words(findings, statements, terms, labels)


def text_of(words: Words, finding: Finding, shown: Shown) -> Text:
    """The finding in words. A key that is not known is shown as it is, with its numbers: never an error."""
    if finding.said is not None:
        return finding.said
    given = Given(finding.inputs, shown, words.terms)
    made = words.findings.get(finding.key)
    if made is not None:
        try:
            return made(given)
        except KeyError:  # of a later version: other inputs than this words file knows
            pass
    numbers = [
        f"{label_of(words, one.name)} {given(one.name)}" for one in finding.inputs if isinstance(one.value, Value)
    ]
    return Text(finding.key, "; ".join(numbers) or finding.verdict.value)


def statement_of(words: Words, statement: Statement, shown: Shown) -> str:
    """A reason, advice or refusal in words; its key where it is not known."""
    made = words.statements.get(statement.key)
    return statement.key if made is None else made(Given(statement.inputs, shown, words.terms))


def label_of(words: Words, name: str) -> str:
    """What a table of inputs says of one."""
    return words.labels.get(name) or name.replace("_", " ")
