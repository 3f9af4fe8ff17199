"""What an analysis concludes: data alone. Its sentences are made where it is read (logger/stages/words.py)."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from logger.model.value import Argument, Value, codes


class Verdict(StrEnum):
    """Of a rule. CANNOT_TELL is never a pass."""

    PASS = "pass"
    FAIL = "fail"
    CANNOT_TELL = "cannot tell"
    INFO = "info"  # a statement, no rule decided anything
    ATTENTION = "attention"  # something to check; no limit was set

    @property
    def word(self) -> str:
        """As people read it, on every screen and paper."""
        return "CAN'T TELL" if self is Verdict.CANNOT_TELL else self.value.upper()


@dataclass(frozen=True, slots=True)
class Text:
    """A finding in words. headline: the verdict in a few words. body: one or two sentences.

    rule: what decided, with its source. decision_rule: how uncertainty was treated (ISO/IEC 17025 7.8.6).
    causes: likely causes the data supports, best first. check_next: what to look at.
    """

    headline: str
    body: str
    rule: str = ""
    decision_rule: str = ""
    causes: tuple[str, ...] = ()
    check_next: tuple[str, ...] = ()

    @property
    def line(self) -> str:
        """ "headline: body", or the body alone where it begins with its headline."""
        if self.body.casefold().startswith(self.headline.casefold()):
            return self.body
        return f"{self.headline}{'.' if ':' in self.headline else ':'} {self.body}"


@dataclass(frozen=True, slots=True)
class Finding:
    """key: stable machine name ("recovery.stall"). inputs: what it rests on; names may repeat ("cause", best first).

    said: the words of a record whose program stored sentences (version 0.1.0), which no words file can make again.
    """

    key: str
    verdict: Verdict
    inputs: tuple[Argument, ...] = ()
    said: Text | None = None

    def value(self, name: str) -> Value | None:
        """The first number of that name."""
        found = (one.value for one in self.inputs if one.name == name)
        return next((value for value in found if isinstance(value, Value)), None)

    def codes(self, name: str) -> tuple[str, ...]:
        """What was judged, of that name: codes of the words file, in order."""
        return codes(self.inputs, name)

    def numbers(self) -> Iterator[tuple[str, Value]]:
        """(name, value) of each input that is a number, in order."""
        for one in self.inputs:
            if isinstance(one.value, Value):
                yield one.name, one.value
