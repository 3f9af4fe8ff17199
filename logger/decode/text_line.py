"""One line of a text instrument -> a number in the channel's unit, or why there is none.

The bytes of a line are taken as Latin-1, so that every byte is one character; words of the unit table may have been
sent as UTF-8 as well. Blanks and control characters around a line (STX, ETX) are no part of it.
"""

import math
import re
from dataclasses import dataclass
from typing import Final

from logger.decode.safe_pattern import PatternError, checked
from logger.decode.stated import check_units, in_unit
from logger.model.instrument import LineField
from logger.model.text import clean
from logger.model.units import Unit, find_unit

NOT_STEADY: Final = "the instrument says that it is not steady"
MAX_READING: Final = 1e9  # of any reading in any unit here: beyond it is a broken line, not a reading
_AROUND: Final = bytes(range(0x21))
_NUMBER: Final = re.compile(r"[-+]?(?:[0-9]{1,15}(?:\.[0-9]{0,15})?|\.[0-9]{1,15})(?:[eE][-+]?[0-9]{1,2})?")
_GROUPS: Final = frozenset({"value", "unit", "stable"})
_SHOWN: Final = 24  # characters of an instrument's own words in a message


@dataclass(frozen=True, slots=True)
class ParsedReading:
    """number: in the channel's described unit, None exactly when `problem` says why."""

    number: float | None
    problem: str | None = None


class LineReader:
    """Reads one channel's field. Raises PatternError, UnitError, DecodeError for a field that cannot be used."""

    def __init__(self, field: LineField, unit: str) -> None:
        self._field, self._unit = field, find_unit(unit)
        self._pattern = checked(field.pattern)
        groups = set(self._pattern.pattern.groupindex)
        if "value" not in groups:
            raise PatternError("the pattern has no group for the number: (?P<value>...)")
        if not groups <= _GROUPS:
            raise PatternError(f"groups are value, unit and stable, not {', '.join(sorted(groups - _GROUPS))}")
        if ("unit" in groups) != bool(field.units):
            raise PatternError("a group `unit` and a table `units` (their word = our unit) go together")
        if ("stable" in groups) != bool(field.stable):
            raise PatternError("a group `stable` and a list `stable` (words that mean steady) go together")
        self._units = _by_word(field.units)
        check_units([self._unit, *self._units.values()])

    def read(self, line: bytes) -> ParsedReading | None:
        """None: the line is not of this channel's pattern."""
        text = line.strip(_AROUND)
        match = self._pattern.fullmatch(text.decode("latin-1"))
        if match is None:
            return None
        found = match.groupdict()
        unit = self._unit
        if self._units:
            word = (found["unit"] or "").strip()
            if word not in self._units:
                return ParsedReading(None, f"unit {_quoted(word)} is not in the rig file's table")
            unit = self._units[word]
        number = self._number(found["value"] or "")
        if number is None:
            return ParsedReading(None, f"the instrument shows {_quoted(found['value'] or '')}")
        if number < 0 and unit.reference == "vacuum":
            return ParsedReading(None, f"{number:g} {unit.name} is no vacuum below the air around")
        steady = not self._field.stable or (found["stable"] or "").strip() in self._field.stable
        if not (steady or self._field.use_unstable):
            return ParsedReading(None, NOT_STEADY)
        return ParsedReading(in_unit(number, unit, self._unit))

    def _number(self, text: str) -> float | None:
        plain = "".join(text.split())  # a sign may stand apart
        if self._field.decimal == ",":
            if "." in plain:
                return None
            plain = plain.replace(",", ".")
        number = float(plain) if _NUMBER.fullmatch(plain) else math.inf
        return number if abs(number) <= MAX_READING else None


def _by_word(units: tuple[tuple[str, str], ...]) -> dict[str, Unit]:
    table: dict[str, Unit] = {}
    for word, name in units:
        unit = find_unit(name)
        for spelled in (word, word.encode("utf-8").decode("latin-1")):
            table[spelled.strip()] = unit
    return table


def _quoted(text: str) -> str:
    return f'"{clean(text, _SHOWN)}"'
