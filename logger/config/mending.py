"""Reading on behind the first faults of a file, so that all of them are reported at once.

What pydantic refuses is taken out and the rest is read again: a wrong value its key, a table without a needed key the
whole table, unless something can stand in for that key, so that what else is wrong in the table is told too. Tables in
lists keep the number they had in the file, so that later faults are reported by their own keys.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

# Needed keys that little else in their table is judged by: key -> a value that no other table has, from a number.
STAND_INS: Final[Mapping[str, Callable[[int], Any]]] = {
    "index": lambda n: 255 - n % 100,
    "name": lambda n: f"nameless {n}",
    "division": lambda n: "1",
    "point": lambda n: f"point {n}",
    "pattern": lambda n: f"(?P<value>{n})",
    "address": lambda n: 60_000 + n % 5_000,
}

_PART = re.compile(r"([^.\[\]]+)(?:\[(\d+)\])?")


class Numbered(dict[str, Any]):
    """A table in a list. number: counted from one in the file. thinned: something was taken out of it.

    stood_in: keys whose value is not the file's.
    """

    number = 0
    thinned = False
    stood_in: frozenset[str] = frozenset()


def numbered(data: Any) -> Any:
    """The same data with every table in a list made Numbered."""
    if isinstance(data, dict):
        return {key: numbered(value) for key, value in data.items()}
    if isinstance(data, list):
        return [_numbered(value, i) for i, value in enumerate(data, 1)]
    return data


def _numbered(value: Any, number: int) -> Any:
    if not isinstance(value, dict):
        return numbered(value)
    table = Numbered(numbered(value))
    table.number = number
    return table


def take_out(data: Any, faults: Sequence[tuple[tuple[str | int, ...], bool]]) -> bool:
    """Take what is at each place out of the data. False when it cannot be done, so that nothing can be read on.

    faults: (keys and positions from the top, whether the value is missing rather than wrong).
    """
    doomed: list[tuple[Any, Any]] = []  # container, key or table of a list
    for place, missing in faults:
        way = [data]
        for part in place[:-1]:
            try:
                way.append(way[-1][part])
            except (KeyError, IndexError, TypeError):
                return False
        if missing and isinstance(way[-1], Numbered) and (stand_in := STAND_INS.get(str(place[-1]))) is not None:
            way[-1][str(place[-1])] = stand_in(way[-1].number)
            way[-1].thinned, way[-1].stood_in = True, way[-1].stood_in | {str(place[-1])}
        elif missing:  # the table is of no use
            if len(way) < 2 or not isinstance(way[-2], list):
                return False
            doomed.append((way[-2], way[-1]))
        elif isinstance(way[-1], dict) and place and place[-1] in way[-1]:
            doomed.append((way[-1], place[-1]))
        else:
            return False
    for container, what in doomed:
        if isinstance(container, dict):
            container.pop(what, None)
            if isinstance(container, Numbered):
                container.thinned = True
        else:
            container[:] = [table for table in container if table is not what]
    return True


def key_in_file(data: Any, key: str) -> str | None:
    """ "device[1].period" of thinned data by the file's own numbers; None for a fault that the thinning itself made."""
    out, here = [], data
    for name, position in _PART.findall(key):
        if isinstance(here, Numbered) and name in here.stood_in:
            return None
        here = here.get(name) if isinstance(here, dict) else None
        if position and isinstance(here, list):
            here = here[int(position) - 1] if int(position) <= len(here) else None
            if isinstance(here, Numbered):
                position = str(here.number)
        out.append(f"{name}[{position}]" if position else name)
    if isinstance(here, Numbered) and here.thinned:  # a fault of the table as a whole
        return None
    return ".".join(out)
