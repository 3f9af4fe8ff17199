"""TOML: what is nested or long beyond sense in a stranger's file is an error at once; text as it is written."""

import re
import tomllib
from typing import Any, Final

MAX_DEPTH: Final = 20
# A key of so many parts takes the reader a time that grows with their square.
_DOTTED: Final = re.compile(rf"(?m)(?:^|[{{,\[])[ \t]*(?:[\w\-\"']+[ \t]*\.[ \t]*){{{MAX_DEPTH}}}")


def loads(text: str) -> dict[str, Any]:
    """The file's tables. Raises tomllib.TOMLDecodeError."""
    too_deep = tomllib.TOMLDecodeError(f"nested more than {MAX_DEPTH} deep")
    if _DOTTED.search(text):
        raise too_deep
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise too_deep from None
    except tomllib.TOMLDecodeError:
        raise
    except ValueError as exc:  # a number of thousands of digits
        raise tomllib.TOMLDecodeError(f"a number that no computer reads: {str(exc)[:80]}") from exc
    level: list[Any] = [data]
    for _ in range(MAX_DEPTH):
        level = [below for each in level for below in (each.values() if isinstance(each, dict) else each)
                 if isinstance(below, dict | list)]  # fmt: skip
        if not level:
            return data
    raise too_deep


def quoted(text: str) -> str:
    """A basic string, as TOML 1.0 writes it."""
    return '"' + "".join(_escaped(ch) for ch in text) + '"'


def _escaped(ch: str) -> str:
    if ch in '"\\':
        return "\\" + ch
    return ch if ch.isprintable() else f"\\U{ord(ch):08X}"
