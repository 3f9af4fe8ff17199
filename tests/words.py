"""Golden words: what people read of every finding, in both unit systems. `python -m tests.words` writes them.

`tests/<room>/said.py` lists findings, statements and alarms as `SAID`: each key, verdict and code of the words file
`logger/<room>/words.py`. `tests/<room>/words.txt` beside it has their words. No other test holds a sentence: a changed
sentence is a changed line of a words.txt, which is what a review reads.
"""

import ast
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

from logger.alarms.rules import AlarmRule
from logger.model.finding import Finding
from logger.model.value import Argument, Code, Statement
from logger.wording.book import Book, Words
from logger.wording.given import Given
from logger.wording.values import Shown

ROOT = Path(__file__).parent
UTC_OFFSET_S = -6 * 3600
SHOWN = {system: Shown(system, utc_offset_s=UTC_OFFSET_S) for system in ("us", "si")}
Said = Finding | Statement | AlarmRule
Part = tuple[str, str]  # what it is, text


@dataclass(frozen=True, slots=True)
class Room:
    """name: of the package below logger/ and tests/, "stages.charging"."""

    name: str
    said: tuple[Said, ...]
    words: Words

    @property
    def file(self) -> Path:
        return ROOT.joinpath(*self.name.split("."), "words.txt")

    def arguments(self) -> Iterator[Argument]:
        return (argument for one in self.said for argument in inputs_of(one))

    def codes(self) -> set[str]:
        """Each code that is said."""
        return {str(argument.value) for argument in self.arguments() if argument.kind is Code.WORD}

    def possible_codes(self) -> set[str]:
        """Each code that the room's modules name: in a call of word(), or that words.py chooses by; and every member
        of a table or enum of theirs of which a member is said. A compare.py has golden words of its own. None of a
        words file without terms, whose codes are names of other tables."""
        if not self.words.terms:
            return set()
        said, found = self.codes(), set[str]()
        for path in sorted((ROOT.parent / "logger").joinpath(*self.name.split(".")).glob("*.py")):
            if path.stem == "compare":
                continue
            tree, words = ast.parse(path.read_text(encoding="utf-8")), path.stem == "words"
            found |= set(_chosen_by(tree) if words else _written(tree))
            for group in _groups(import_module(f"logger.{self.name}.{path.stem}"), values=not words):
                found |= group if group & said else set()
        return found - {one.key for one in self.said} - {argument.name for argument in self.arguments()} | found & said

    def text(self) -> str:
        """Of words.txt."""
        return "\n".join("\n".join(_entry(self.words, one)) + "\n" for one in self.said)


def rooms() -> list[Room]:
    """Every room with a said.py."""
    names = [".".join(path.parent.relative_to(ROOT).parts) for path in sorted(ROOT.rglob("said.py"))]
    return [
        Room(name, tuple(import_module(f"tests.{name}.said").SAID), import_module(f"logger.{name}.words").WORDS)
        for name in names
    ]


def inputs_of(one: Said) -> tuple[Argument, ...]:
    return one.about.inputs if isinstance(one, AlarmRule) else one.inputs


class _Terms(dict[str, str]):
    """Raises KeyError for a code without a text, which people would read as it is."""

    def get(self, code: str, default: Any = None) -> str:
        return self[code]


def parts(words: Words, one: Said, system: str) -> tuple[Part, ...]:
    """What is read of it: headline and body first, then what the second page has. Raises KeyError for a key, code or
    input that the words file does not know: the book would show such a finding as of a later version."""
    given = Given(inputs_of(one), SHOWN[system], _Terms(words.terms))
    if isinstance(one, AlarmRule):
        alarm = Book((words,)).alarm_of(one.about, SHOWN[system])
        assert one.about.key in words.alarms, one.key
        return (("", f"{alarm.label} | {alarm.action}"),)
    if isinstance(one, Statement):
        return (("", words.statements[one.key](given)),)
    text = words.findings[one.key](given)
    more = (("rule", text.rule), ("decision", text.decision_rule))
    lists = (*(("cause", cause) for cause in text.causes), *(("check", check) for check in text.check_next))
    return (("", f"{text.headline} | {text.body}"), *(part for part in more if part[1]), *lists)


def _entry(words: Words, one: Said) -> Iterator[str]:
    """Its lines: both systems apart where they differ."""
    yield f"{one.key}, {one.verdict.value}" if isinstance(one, Finding) else one.key
    us, si = (parts(words, one, system) for system in ("us", "si"))
    for (what, in_us), (_, in_si) in zip(us, si, strict=True):
        said = (("us", in_us), ("si", in_si)) if in_us != in_si else (("", in_us),)
        for system, text in said:
            yield "    " + " ".join(word for word in (system, what and f"{what}:", text) if word)


def _written(tree: ast.Module) -> Iterator[str]:
    """Codes written out in calls of word(name, code)."""
    for call in ast.walk(tree):
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "word":
            yield from _strings(*call.args[1:])


def _chosen_by(tree: ast.Module) -> Iterator[str]:
    """What a words file compares with, matches, or looks up in a table."""
    for function in (node for node in tree.body if isinstance(node, ast.FunctionDef)):
        for node in ast.walk(function):
            if isinstance(node, ast.MatchValue):
                yield from _strings(node.value)
            elif isinstance(node, ast.Compare):
                yield from _strings(node.left, *node.comparators)
            elif isinstance(node, ast.Dict):
                yield from _strings(*(key for key in node.keys if key is not None))


def _strings(*nodes: ast.expr) -> Iterator[str]:
    """Constants, also of a conditional; nothing from within a call."""
    for node in nodes:
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value:
            yield node.value
        elif isinstance(node, ast.IfExp):
            yield from _strings(node.body, node.orelse)
        elif isinstance(node, ast.Tuple | ast.Set | ast.List):
            yield from _strings(*node.elts)


def _groups(module: ModuleType, values: bool) -> Iterator[set[str]]:
    """Its enums, its tables' keys, and their values, which are texts in a words file."""
    for thing in vars(module).values():
        if isinstance(thing, type) and issubclass(thing, StrEnum) and thing.__module__ == module.__name__:
            yield {member.value for member in thing}
        elif isinstance(thing, Mapping):
            yield set(_flat(thing))
            yield set(_flat(thing.values())) if values else set()


def _flat(things: Any) -> Iterator[str]:
    for thing in things:
        if isinstance(thing, tuple | list):
            yield from _flat(thing)
        elif isinstance(thing, str) and not isinstance(thing, StrEnum):
            yield thing


def main() -> int:
    for room in rooms():
        text = room.text()
        if not room.file.exists() or room.file.read_text(encoding="utf-8") != text:
            room.file.write_text(text, encoding="utf-8")
            print(f"{room.file.relative_to(ROOT.parent)} written")
    return 0


if __name__ == "__main__":
    sys.exit(main())
