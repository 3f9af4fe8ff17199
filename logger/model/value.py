"""One number of the job: SI value, standard uncertainty, or the reason why there is none; and what rests on such."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from logger.model.points import Quantity

DEVICE_LOST = "device-lost"
DOES_NOT_APPLY = "does-not-apply"


class CodedProblem(str):
    """Why there is no number: a text for people, with the code that a program decides by.

    code: "open-circuit", "short-circuit", "open-or-short", "over-range", "under-range", "device-lost", "silent",
    "misfit" (not what the point needs), "no-channel", "does-not-apply" (what it would tell cannot be so now).
    """

    code: str

    def __new__(cls, code: str, text: str) -> "CodedProblem":
        made = super().__new__(cls, text)
        made.code = code
        return made

    def __getnewargs__(self) -> tuple[str, str]:  # type: ignore[override]
        return self.code, str(self)


def code_of(reason: str | None) -> str:
    """ "" for one that no program decides by."""
    return reason.code if isinstance(reason, CodedProblem) else ""


@dataclass(frozen=True, slots=True)
class Value:
    """A number with its unit, or None and the reason.

    number: in SI, `unit` names it as a UCUM code ("Pa", "K", "kg", "kg/s", "1", "s", "Pa/s", "kg/m3").
    u: standard uncertainty (k=1) in the same unit, None when nobody stated one.
    problem: why there is no number; set exactly when `number` is None.
    note: an assumption the number rests on ("barometer 101.3 kPa assumed").
    """

    number: float | None
    unit: str
    u: float | None = None
    problem: str | None = None
    note: str | None = None

    def __post_init__(self) -> None:
        if self.number is None:
            if not self.problem:
                raise ValueError("a Value without a number needs its reason")
        elif self.problem is not None:
            raise ValueError("a Value with a number has no problem")
        elif not math.isfinite(self.number):
            raise ValueError(f"a Value is finite, not {self.number}")

    def with_note(self, note: str | None) -> "Value":
        return replace(self, note=note)


def known(number: float, unit: str, u: float | None = None, note: str | None = None) -> Value:
    """A Value with a number; a number that is not finite becomes unknown, with that reason."""
    if not math.isfinite(number):
        return Value(None, unit, problem="the computation gave no finite number")
    return Value(number, unit, u, None, note)


def unknown(unit: str, problem: str) -> Value:
    return Value(None, unit, problem=problem)


def inapplicable(unit: str, why: str) -> Value:
    """Unknown because there is nothing to tell: an alarm on it is over, not in doubt."""
    return Value(None, unit, problem=CodedProblem(DOES_NOT_APPLY, why))


class Code(StrEnum):
    """What an argument is that is no number."""

    WORD = "word"  # a code of the words file's TERMS
    NAME = "name"  # a person's own word for a thing, never translated
    INSTANT = "instant"  # UTC, RFC 3339
    DAY = "day"  # of the place, ISO 8601


@dataclass(frozen=True, slots=True)
class Argument:
    """One thing that a finding or statement rests on. kind: which quantity the number is (absolute pressure or a
    difference, temperature or a difference), or what else it is; None in records that did not say."""

    name: str
    kind: Quantity | Code | None
    value: Value | str

    def __post_init__(self) -> None:
        if isinstance(self.kind, Code) != isinstance(self.value, str):
            raise ValueError(f"argument {self.name!r}: a {self.kind} is not {self.value!r}")


@dataclass(frozen=True, slots=True)
class Statement:
    """A reason, an advice or a refusal as data: the words file has its sentence."""

    key: str
    inputs: tuple[Argument, ...] = ()


def codes(inputs: Iterable[Argument], name: str) -> tuple[str, ...]:
    """The codes of each word of that name, in order."""
    return tuple(
        one.value for one in inputs if one.name == name and one.kind is Code.WORD and isinstance(one.value, str)
    )


def day_of(name: str, iso: str) -> Argument:
    return Argument(name, Code.DAY, iso)


def number(name: str, quantity: Quantity, value: Value) -> Argument:
    return Argument(name, quantity, value)


def count_of(name: str, count: int) -> Argument:
    return Argument(name, Quantity.COUNT, known(float(count), "1"))


def instant_of(name: str, t_ns: int) -> Argument:
    """A moment, of t_ns UTC, to the second."""
    then = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=t_ns // 1000)
    return Argument(name, Code.INSTANT, f"{then:%Y-%m-%dT%H:%M:%SZ}")


def word(name: str, code: str) -> Argument:
    """One of the codes that the words file knows."""
    return Argument(name, Code.WORD, code)


def name_of(name: str, own: str) -> Argument:
    """A person's own word for a thing: a cylinder's, a device's, a job's name."""
    return Argument(name, Code.NAME, own)
