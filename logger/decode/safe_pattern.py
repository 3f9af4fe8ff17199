"""Regular expressions from a rig file that cannot hold the logger up, whatever line they are tried on.

A backtracking matcher is slow when one line can be read in very many ways: that number is bounded here before a
pattern is used. Three things make ways: a repeat of a character whose end is not fixed by what follows it, an
optional part that what follows could begin like, and alternatives that can begin with the same character. Their
numbers multiply. Everything else fails at the next character, at once.

Refused outright: a repeat around anything but one character or set (so none is nested), references to groups, looking
ahead or behind, and flags. A pattern is tried on the whole of a line; the lengths of k open repeats add up to no more
than the line's n characters, so there are at most (n + k over k) ways to choose them. A pattern is used for lines that
can be read in at most MAX_WAYS ways (some milliseconds for the worst of them): of up to MAX_LINE bytes with three
open repeats, shorter ones with four, and more are refused.

The parse tree is the `re` module's own, so that what is judged is what will run; it is internal to the standard
library, and a test holds us to it.
"""

import math
import re
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from re import _constants as op  # type: ignore[attr-defined]
from re import _parser as parser  # type: ignore[attr-defined]
from typing import Any, Final

from logger.model.errors import ComputeError

MAX_LINE: Final = 128  # bytes
MIN_LINE: Final = 40  # a pattern that must not be tried on longer lines is of no use
MAX_PATTERN: Final = 400  # characters
MAX_READ: Final = 11_000_000  # characters, over all ways to read a line

_Node = tuple[Any, Any]
# A set of Latin-1 characters is an integer of a bit each; two more say: the line is over, nothing was taken.
_END: Final = 1 << 256
_EMPTY: Final = 1 << 257
_ANYTHING: Final = (1 << 256) - 1
_CATEGORIES: Final = {
    op.CATEGORY_DIGIT: r"\d", op.CATEGORY_NOT_DIGIT: r"\D", op.CATEGORY_SPACE: r"\s", op.CATEGORY_NOT_SPACE: r"\S",
    op.CATEGORY_WORD: r"\w", op.CATEGORY_NOT_WORD: r"\W",
}  # fmt: skip
_REPEATS: Final = (op.MAX_REPEAT, op.MIN_REPEAT)
_REFUSED: Final = {
    op.GROUPREF: "a reference to a group", op.GROUPREF_EXISTS: "a condition on a group",
    op.ASSERT: "looking ahead or behind", op.ASSERT_NOT: "looking ahead or behind",
}  # fmt: skip


class PatternError(ComputeError):
    """A pattern that is none, or that could take too long. The message says why and what to do."""


@dataclass(frozen=True, slots=True)
class SafePattern:
    """longest: lines of more characters are not tried."""

    pattern: re.Pattern[str]
    longest: int

    def fullmatch(self, line: str) -> re.Match[str] | None:
        """line: Latin-1 characters only."""
        return self.pattern.fullmatch(line) if len(line) <= self.longest else None


def checked(pattern: str) -> SafePattern:
    """Raises PatternError."""
    if len(pattern) > MAX_PATTERN:
        raise PatternError(f"a pattern has up to {MAX_PATTERN} characters, not {len(pattern)}")
    if not pattern.isascii():
        raise PatternError("write a dot in place of each character that is not ASCII, such as the degree sign")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # what Python may read otherwise tomorrow
            compiled = re.compile(pattern)
            tree = _tree(pattern)
    except (re.error, Warning, OverflowError, RecursionError) as exc:
        raise PatternError(f"not a regular expression: {exc}") from exc
    if compiled.flags != re.compile("").flags:
        raise PatternError("flags such as (?i) are not taken; write [kK][gG] for kg or KG")
    ways = _ways(tree, _END)
    longest = next((n for n in range(MAX_LINE, MIN_LINE - 1, -1) if n * ways.of(n) <= MAX_READ), None)
    if longest is None:
        raise PatternError(
            f"a line could be read in too many ways: {ways.open_repeats} repeats (* + {{}}) can take over characters "
            f"of what follows them, with {ways.choices} choices among optional parts and alternatives; say more "
            r"exactly what is between, such as \d+\.\d in place of [\d.]+, or a space in place of .*"
        )
    return SafePattern(compiled, longest)


def _tree(pattern: str) -> list[_Node]:
    return list(parser.parse(pattern))


@dataclass(frozen=True, slots=True)
class _Ways:
    """choices: of alternatives and optional parts. open_repeats: whose lengths share the line."""

    choices: int = 1
    open_repeats: int = 0

    def of(self, characters: int) -> int:
        """In how many ways a line of so many characters can be read, at most."""
        return self.choices * math.comb(characters + self.open_repeats, self.open_repeats)

    def __mul__(self, other: "_Ways") -> "_Ways":
        return _Ways(self.choices * other.choices, self.open_repeats + other.open_repeats)


def _ways(nodes: Sequence[_Node], follow: int) -> _Ways:
    """In how many ways `nodes`, with `follow` what may come next, can be tried on one line, at most."""
    total = _Ways()
    for i, (code, value) in enumerate(nodes):
        after = _first(nodes[i + 1 :], follow)
        if code in _REPEATS:
            least, most, inner = value
            total *= _repeat_ways(least, most, list(inner), after)
        elif code is op.BRANCH:
            total *= _branch_ways(value[1], after)
        elif code is op.SUBPATTERN:
            _, add, remove, within = value
            if add or remove:
                raise PatternError("flags such as (?i:...) are not taken; write [kK][gG] for kg or KG")
            total *= _ways(list(within), after)
        elif code is not op.AT:
            _characters((code, value))  # refuses what is none
    return total


def _repeat_ways(least: int, most: Any, nodes: list[_Node], after: int) -> _Ways:
    if most == 1:
        alike = least == 0 and (_may_be_empty(nodes) or _first(nodes, 0) & after)
        return _Ways(2 if alike else 1) * _ways(nodes, after)
    if len(nodes) != 1 or nodes[0][0] not in _ONE_CHARACTER:
        raise PatternError("a repeat (* + {}) may follow one character or set only, not a group")
    fixed = least == most or not _characters(nodes[0]) & after
    return _Ways() if fixed else _Ways(1, 1)


def _branch_ways(alternatives: Iterable[Any], after: int) -> _Ways:
    each = [(_ways(list(nodes), after), _first(list(nodes), after)) for nodes in alternatives]
    apart = sum(first.bit_count() for _, first in each) == _either(first for _, first in each).bit_count()
    choices = [ways.choices for ways, _ in each]
    return _Ways(max(choices) if apart else sum(choices), max(ways.open_repeats for ways, _ in each))


def _first(nodes: Sequence[_Node], follow: int) -> int:
    """Characters that may come first, as bits, with those of `follow` where all of the nodes may be empty."""
    out = 0
    for code, value in nodes:
        if code is op.AT:
            continue  # takes no character
        if code in _REPEATS:
            first = _first(list(value[2]), _EMPTY) | (_EMPTY if value[0] == 0 else 0)
        elif code is op.BRANCH:
            first = _either(_first(list(each), _EMPTY) for each in value[1])
        elif code is op.SUBPATTERN:
            first = _first(list(value[3]), _EMPTY)
        else:
            first = _characters((code, value))
        out |= first & ~_EMPTY
        if not first & _EMPTY:
            return out
    return out | follow


def _may_be_empty(nodes: Sequence[_Node]) -> bool:
    return bool(_first(nodes, _EMPTY) & _EMPTY)


def _either(sets: Iterable[int]) -> int:
    out = 0
    for each in sets:
        out |= each
    return out


_ONE_CHARACTER: Final = (op.LITERAL, op.NOT_LITERAL, op.ANY, op.IN)


def _characters(node: _Node) -> int:
    """The Latin-1 characters one node stands for, as bits."""
    code, value = node
    if code is op.LITERAL:
        return 1 << value if value < 256 else 0
    if code is op.NOT_LITERAL:
        return _ANYTHING & ~(1 << value) if value < 256 else _ANYTHING
    if code is op.ANY:
        return _ANYTHING & ~(1 << ord("\n"))
    if code is op.RANGE:
        return _either(1 << c for c in range(value[0], min(value[1], 255) + 1))
    if code is op.CATEGORY and value in _CATEGORIES:
        return _either(1 << c for c in range(256) if re.match(_CATEGORIES[value], chr(c)))
    if code is op.IN:
        negated = value[0][0] is op.NEGATE
        found = _either(_characters(each) for each in value[1 if negated else 0 :])
        return _ANYTHING & ~found if negated else found
    what = _REFUSED.get(code, str(code).lower().replace("_", " "))
    raise PatternError(f"{what} is not taken here; write the characters themselves")
