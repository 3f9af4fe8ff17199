"""Characters that no font of the report has, found by asking the typesetter, and written as [U+XXXX] instead.

PDF/A refuses a missing glyph, so a customer's name in a script the fonts lack would else cost the whole report.
"""

import json
import unicodedata
from collections.abc import Callable
from typing import Any

from logger.model.text import clean

MAX_TEXT = 4000
_USUAL = frozenset(map(chr, [*range(0x20, 0x7F), *range(0xA0, 0x180)])) - {"\xad"}


def harmless(data: Any, settable: Callable[[str], bool]) -> Any:
    """The same JSON data with every text cleaned, and only characters in it that can be set.

    settable: whether a document holding just these characters, one a line, can be made.
    """
    cleaned = _map(data, lambda text: unicodedata.normalize("NFC", clean(text, MAX_TEXT)))
    odd = sorted(set(json.dumps(cleaned, ensure_ascii=False)) - _USUAL)
    missing = str.maketrans({ch: f"[U+{ord(ch):04X}]" for ch in _unsettable(odd, settable)})
    return _map(cleaned, lambda text: text.translate(missing)) if missing else cleaned


def _unsettable(chars: list[str], settable: Callable[[str], bool]) -> list[str]:
    """By halving: few questions when few are missing."""
    if not chars or settable("\n".join(chars)):
        return []
    if len(chars) == 1:
        return chars
    middle = len(chars) // 2
    return _unsettable(chars[:middle], settable) + _unsettable(chars[middle:], settable)


def _map(data: Any, change: Callable[[str], str]) -> Any:
    if isinstance(data, str):
        return change(data)
    if isinstance(data, dict):
        return {key: _map(value, change) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_map(value, change) for value in data]
    return data
