"""Golden words: what people read of every finding, in both unit systems. `python -m tests.words` writes them.

`tests/<room>/said.py` lists findings and statements as `SAID`: each key, verdict and code of the words file
`logger/<room>/words.py`. `tests/<room>/words.txt` beside it has their words. No other test holds a sentence: a changed
sentence is a changed line of a words.txt, which is what a review reads.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from logger.model.finding import Finding
from logger.model.value import Argument, Code, Statement
from logger.wording.book import Book, Words
from logger.wording.values import Shown

ROOT = Path(__file__).parent
UTC_OFFSET_S = -6 * 3600
SHOWN = {system: Shown(system, utc_offset_s=UTC_OFFSET_S) for system in ("us", "si")}
Said = Finding | Statement
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
        return (argument for one in self.said for argument in one.inputs)

    def codes(self) -> set[str]:
        """Each code that is said."""
        return {str(argument.value) for argument in self.arguments() if argument.kind is Code.WORD}

    def text(self) -> str:
        """Of words.txt."""
        book = Book((self.words,))
        return "\n".join("\n".join(_entry(book, one)) + "\n" for one in self.said)


def rooms() -> list[Room]:
    """Every room with a said.py."""
    names = [".".join(path.parent.relative_to(ROOT).parts) for path in sorted(ROOT.rglob("said.py"))]
    return [
        Room(name, tuple(import_module(f"tests.{name}.said").SAID), import_module(f"logger.{name}.words").WORDS)
        for name in names
    ]


def parts(book: Book, one: Said, system: str) -> tuple[Part, ...]:
    """What is read of it: headline and body first, then what the second page has."""
    if isinstance(one, Statement):
        return (("", book.statement_of(one, SHOWN[system])),)
    text = book.text_of(one, SHOWN[system])
    more = (("rule", text.rule), ("decision", text.decision_rule))
    lists = (*(("cause", cause) for cause in text.causes), *(("check", check) for check in text.check_next))
    return (("", f"{text.headline} | {text.body}"), *(part for part in more if part[1]), *lists)


def _entry(book: Book, one: Said) -> Iterator[str]:
    """Its lines: both systems apart where they differ."""
    yield f"{one.key}, {one.verdict.value}" if isinstance(one, Finding) else one.key
    us, si = (parts(book, one, system) for system in ("us", "si"))
    for (what, in_us), (_, in_si) in zip(us, si, strict=True):
        said = (("us", in_us), ("si", in_si)) if in_us != in_si else (("", in_us),)
        for system, text in said:
            yield "    " + " ".join(word for word in (system, what and f"{what}:", text) if word)


def main() -> int:
    for room in rooms():
        text = room.text()
        if not room.file.exists() or room.file.read_text(encoding="utf-8") != text:
            room.file.write_text(text, encoding="utf-8")
            print(f"{room.file.relative_to(ROOT.parent)} written")
    return 0


if __name__ == "__main__":
    sys.exit(main())
