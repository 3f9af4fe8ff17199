"""A pattern for a text instrument from some of its lines: so that nobody need write one who does not care to."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from logger.decode.safe_pattern import MAX_LINE
from logger.model.units import UnitError, find_unit

_TOKEN = re.compile(
    r"(?P<number>(?<![A-Za-z0-9.])[-+] *\d+(?:[.,]\d+)?|\d+(?:[.,]\d+)?)"
    r"|(?P<word>[A-Za-z]+)|(?P<gap>\s+)|(?P<sign>.)"
)
_AROUND = bytes(range(0x21))


@dataclass(frozen=True, slots=True)
class Token:
    """kind: "number", "word" or "sign" (anything else, of one character). texts: as seen, newest last, no text twice.

    spaced: blanks stood before it in some line.
    """

    kind: str
    texts: tuple[str, ...]
    spaced: bool


def shape(lines: Sequence[bytes]) -> list[Token]:
    """What the lines have in common: the tokens of the most frequent kind of line. [] when there is none."""
    cut = [_tokens(line) for line in lines]
    kinds = Counter(tuple(kind for kind, _, _ in tokens) for tokens in cut if tokens)
    if not kinds:
        return []
    usual = kinds.most_common(1)[0][0]
    alike = [tokens for tokens in cut if tuple(kind for kind, _, _ in tokens) == usual]
    out = []
    for place in zip(*alike, strict=True):
        texts = tuple(dict.fromkeys(text for _, text, _ in place))
        out.append(Token(place[0][0], texts, any(spaced for _, _, spaced in place)))
    return out


def numbers(tokens: Sequence[Token]) -> list[int]:
    """Places of the numbers, those that look like readings (with decimals, changing) first."""
    places = [i for i, token in enumerate(tokens) if token.kind == "number"]
    return sorted(places, key=lambda i: (not _decimals(tokens[i]), len(tokens[i].texts) < 2, i))


def unit_place(tokens: Sequence[Token], number: int) -> int | None:
    """Place of the word after the number (perhaps behind a separator), where all it says are units."""
    after = number + 1
    if after < len(tokens) and tokens[after].kind == "sign":
        after += 1
    if after < len(tokens) and tokens[after].kind == "word" and all(_is_unit(t) for t in tokens[after].texts):
        return after
    return None


def flag_places(tokens: Sequence[Token], unit: int | None) -> list[int]:
    """Places of other words: one of them may say whether the reading is steady."""
    return [i for i, token in enumerate(tokens) if token.kind == "word" and i != unit]


def pattern(tokens: Sequence[Token], number: int, unit: int | None, flag: int | None) -> str:
    """For lines of this shape: words that change may be any word, other numbers any number."""
    out = ""
    for i, token in enumerate(tokens):
        out += " *" if token.spaced else ""
        if i == number:
            out += f"(?P<value>[-+]? *{_digits(token)})"
        elif i == unit:
            out += "(?P<unit>[A-Za-z]+)"
        elif i == flag:
            out += "(?P<stable>[A-Za-z]+)"
        elif token.kind == "number":
            out += r"[-+]?" + _digits(token)
        elif len(token.texts) == 1:
            out += re.escape(token.texts[0]) if token.texts[0].isascii() else "."
        else:
            out += "[A-Za-z]+" if token.kind == "word" else "."
    return out


def step(token: Token) -> float:
    """The smallest step that the number's digits can show."""
    return 10.0 ** -_decimals(token)


def decimal_mark(token: Token) -> str:
    return "," if any("," in text for text in token.texts) else "."


def _digits(token: Token) -> str:
    mark = re.escape(decimal_mark(token))
    with_decimals = [("." in t or "," in t) for t in token.texts]
    if all(with_decimals):
        return rf"\d+{mark}\d+"
    return rf"\d+(?:{mark}\d+)?" if any(with_decimals) else r"\d+"


def _decimals(token: Token) -> int:
    return max(len(re.split("[.,]", text)[1]) if re.search("[.,]", text) else 0 for text in token.texts)


def _is_unit(word: str) -> bool:
    try:
        find_unit(word)
    except UnitError:
        return word.lower() == "psi"
    return True


def _tokens(line: bytes) -> list[tuple[str, str, bool]]:
    """(kind, text, blanks before it)."""
    text = line.strip(_AROUND)[:MAX_LINE].decode("latin-1")
    out: list[tuple[str, str, bool]] = []
    spaced = False
    for match in _TOKEN.finditer(text):
        kind = match.lastgroup or "sign"
        if kind == "gap":
            spaced = True
            continue
        out.append((kind, match.group(), spaced))
        spaced = False
    return out
