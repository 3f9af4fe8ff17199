"""A words file's content, and several of them as one book: key -> sentence."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from logger.model.finding import Finding, Text
from logger.model.value import Argument, Statement
from logger.wording.given import Given
from logger.wording.values import Shown


@dataclass(frozen=True, slots=True)
class AlarmText:
    """An alarm in words. label: what it is. action: what to do. measured: the number and its limit, or the reason."""

    label: str
    action: str = ""
    measured: str = ""

    @property
    def line(self) -> str:
        """ "CYLINDER NEARLY FULL, 91 %, limit 90 %. Get an empty cylinder." """
        text = f"{self.label}{f', {self.measured}' if self.measured else ''}."
        return f"{text} {self.action}" if self.action else text


AlarmWords = Callable[[Given], AlarmText]
FindingWords = Callable[[Given], Text]
StatementWords = Callable[[Given], str]


def alarm(label: str, action: str) -> AlarmWords:
    """Of an alarm whose words are always the same."""
    return lambda f: AlarmText(label, action)


def always(text: str) -> StatementWords:
    """Of a statement whose words are always the same."""
    return lambda f: text


@dataclass(frozen=True, slots=True)
class Words:
    """findings, statements, alarms: by key. terms: the text of each code.

    labels: of inputs, where the name is not enough.
    """

    findings: Mapping[str, FindingWords] = field(default_factory=dict)
    statements: Mapping[str, StatementWords] = field(default_factory=dict)
    alarms: Mapping[str, AlarmWords] = field(default_factory=dict)
    terms: Mapping[str, str] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)


class Book:
    """Several words files. Codes and labels belong to the file that has the key: two may use one code differently."""

    def __init__(self, parts: Iterable[Words]) -> None:
        """Raises ValueError where two of them have different words for one key."""
        self._parts = tuple(parts)
        self._findings: dict[str, Words] = {}
        self._statements: dict[str, Words] = {}
        self._alarms: dict[str, AlarmWords] = {}
        for part in self._parts:
            for index, keys in ((self._findings, part.findings), (self._statements, part.statements)):
                if twice := [key for key in keys if key in index]:
                    raise ValueError(f"two words for {', '.join(twice)}")
                index.update(dict.fromkeys(keys, part))
            if twice := [key for key, words in part.alarms.items() if self._alarms.get(key, words) is not words]:
                raise ValueError(f"two words for {', '.join(twice)}")
            self._alarms.update(part.alarms)

    def joined(self, *more: Words) -> "Book":
        """With more words files. Raises ValueError as above."""
        return Book((*self._parts, *more))

    @property
    def keys(self) -> tuple[str, ...]:
        """Of all findings and statements that have words."""
        return (*self._findings, *self._statements)

    def text_of(self, finding: Finding, shown: Shown) -> Text:
        """The finding in words. A key that is not known is shown as it is, with its numbers: never an error."""
        if finding.said is not None:
            return finding.said
        words = self._findings.get(finding.key, _NONE)
        given = Given(finding.inputs, shown, words.terms)
        if finding.key in words.findings:
            try:
                return words.findings[finding.key](given)
            except KeyError:  # of a later version: other inputs or codes than this words file knows
                pass
        numbers = [f"{self.label_of(finding, name)} {given(name)}" for name, _ in finding.numbers()]
        return Text(finding.key, "; ".join(numbers) or finding.verdict.value)

    def statement_of(self, statement: Statement, shown: Shown) -> str:
        """A reason, advice or refusal in words; its key where it is not known."""
        words = self._statements.get(statement.key, _NONE)
        made = words.statements.get(statement.key)
        return statement.key if made is None else made(Given(statement.inputs, shown, words.terms))

    def alarm_of(self, about: Statement, shown: Shown, measured: str = "") -> AlarmText:
        """An alarm in words, the user's own where there are; its key where it is not known."""
        given = Given(about.inputs, shown, {})
        try:
            text = self._alarms[about.key](given)
        except KeyError:
            text = AlarmText(about.key)
        label = given("label") if given.has("label") else text.label
        return AlarmText(label, given("action") if given.has("action") else text.action, measured)

    def input_text(self, finding: Finding, one: Argument, shown: Shown) -> str:
        return Given((one,), shown, self._findings.get(finding.key, _NONE).terms).text(one)

    def label_of(self, finding: Finding, name: str) -> str:
        """What a table of the finding's inputs says of one."""
        return self._findings.get(finding.key, _NONE).labels.get(name) or name.replace("_", " ")


_NONE = Words()
