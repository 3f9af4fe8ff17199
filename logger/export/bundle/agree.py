"""Whether a file made again is the one in the bundle: the same bytes, or the same but for the last bit of arithmetic.

Two computers may round a logarithm differently, which can turn the ninth figure of a reading now and then. Such a
difference is reported, and passes; anything larger does not.
"""

import json
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import zip_longest
from typing import Any

RELATIVE = 1e-7  # of numbers that count as the same; nine figures are written
_SHOWN = 60
_MAX_MORE = 1000


@dataclass(slots=True)
class Agreement:
    """problem: the first difference that counts, in plain words. rounded: numbers that differ within RELATIVE.

    noted: differences that another version of the analysis may make.
    """

    problem: str | None = None
    rounded: int = 0
    noted: list[str] = field(default_factory=list)

    @property
    def holds(self) -> bool:
        return self.problem is None


def lines_of(chunks: Iterable[bytes], longest: int = 1_000_000) -> Iterator[bytes]:
    """Lines with their ends, from pieces of any size; a line of more than `longest` bytes comes in parts."""
    rest = b""
    for chunk in chunks:
        rest += chunk
        lines = rest.split(b"\n")
        rest = lines.pop()
        yield from (line + b"\n" for line in lines)
        if len(rest) > longest:
            yield rest
            rest = b""
    if rest:
        yield rest


def csv_agreement(found: Iterable[bytes], made: Iterable[bytes]) -> Agreement:
    """Line by line; found, made: lines with their ends."""
    result = Agreement()
    for number, (a, b) in enumerate(zip_longest(found, made, fillvalue=b""), 1):
        if a == b:
            continue
        if len(a) > 2 * len(b) + _MAX_MORE:  # not taken apart: it cannot be the same
            result.problem = f"line {number} has {len(a):,} bytes; from the records it has {len(b):,}"
            return result
        cells = list(zip_longest(_cells(a), _cells(b)))
        rounded = sum(1 for x, y in cells if x != y and _close(x, y))
        if any(x != y and not _close(x, y) for x, y in cells):
            result.problem = f"line {number} {_differ(*(_line(x) for x in (a, b)))}"
            return result
        result.rounded += rounded
    return result


def json_agreement(found: bytes, made: bytes) -> Agreement:
    result = Agreement()
    if found != made:
        try:
            first = json.loads(found)
        except (ValueError, RecursionError):
            result.problem = "it is not JSON"
            return result
        _compare(first, json.loads(made), "", result)
        if result.problem is None and result.rounded == 0:
            result.problem = "it is written differently"
    return result


def _compare(a: Any, b: Any, where: str, result: Agreement) -> None:
    if result.problem is not None:
        return
    if isinstance(a, dict) and isinstance(b, dict) and list(a) == list(b):
        for key in a:
            _compare(a[key], b[key], f"{where}/{key}", result)
    elif isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        for i, (x, y) in enumerate(zip(a, b, strict=True)):
            _compare(x, y, f"{where}/{i}", result)
    elif isinstance(a, float) and isinstance(b, float):
        if a != b:
            result.rounded += 1
            if not math.isclose(a, b, rel_tol=RELATIVE):
                result.problem = f"{where} is {a!r}; from the records it is {b!r}"
    elif type(a) is not type(b) or a != b:
        result.problem = f"{where or '/'} {_differ(*(json.dumps(x, ensure_ascii=False, default=str) for x in (a, b)))}"


def _cells(line: bytes) -> list[bytes]:
    return line.split(b",")


def _close(a: bytes | None, b: bytes | None) -> bool:
    try:
        return a is not None and b is not None and math.isclose(float(a), float(b), rel_tol=RELATIVE)
    except ValueError:
        return False


def _line(line: bytes) -> str:
    return line.decode("utf-8", "replace").strip() or "missing"


def _differ(found: str, made: str) -> str:
    """Both from just before where they part, so that the difference is in what is shown."""
    same = next((i for i, (a, b) in enumerate(zip(found, made, strict=False)) if a != b), min(len(found), len(made)))
    begin = max(0, same - _SHOWN // 3)
    a, b = (f"{'...' if begin else ''}{text[begin : begin + _SHOWN]}" for text in (found, made))
    return f"is {a!a}; from the records it is {b!a}"
