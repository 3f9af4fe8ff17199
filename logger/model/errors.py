"""Errors of computations and of what records say, both also a ValueError; and what is refused to a person.

ValueError
|-- ComputeError   settings that make no sense (a profile, a volume below zero), a state outside an equation's range
`-- EventError     an event, or a part of one, is not as its type says

Refusal            an act or an entry is refused: data, whose words are in a words file

An analysis that meets bad or missing readings does not raise: it answers "unknown, because".
"""

from logger.model.value import Statement, Value


class ComputeError(ValueError):
    """Root. The message says what, where and what would fit."""


class EventError(ValueError):
    """An event, or a part of one, is not as its type says: which key, and what is wrong with it."""


class Refusal(Exception):
    """An act or an entry is refused, and nothing changed. why: each reason. about: the alarm meant, as in its rule.

    As text it is its keys and arguments, for logs; people read the book's words (logger/pipeline/words.py).
    """

    def __init__(self, *why: Statement, about: Statement | None = None) -> None:
        super().__init__(", ".join(_described(one) for one in why))
        self.why, self.about = why, about


def _described(statement: Statement) -> str:
    """ "correct.numbered, target mark, asked 9, there_are 4"."""
    return ", ".join((statement.key, *(f"{one.name} {_short(one.value)}" for one in statement.inputs)))


def _short(value: Value | str) -> str:
    if isinstance(value, str):
        return value
    return str(value.problem) if value.number is None else f"{value.number:g}"
