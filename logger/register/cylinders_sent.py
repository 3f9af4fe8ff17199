"""Where cylinders went between jobs: <data>/cylinders-sent.jsonl, which a person writes by `rimelog cylinder out`.

One JSON object a line, only ever added to: {"n", "t_ns", "date", "cylinder", "to", "who", "mass_kg", "paper", "by"}, or
{"n", "t_ns", "undo"} that takes back an entry. mass_kg null: all that was in it. A line cut short by a loss of power
was never said to be kept, and is passed over.
"""

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from logger.config.private_files import make_private
from logger.register import RegisterError

FILE_NAME = "cylinders-sent.jsonl"
WHERE = ("reclaimer", "reuse", "destruction", "customer")
MAX_BYTES = 16 << 20


@dataclass(frozen=True, slots=True)
class Sent:
    """n: 1, 2, 3 ... in the file. date: day at the place. to: one of WHERE. who: its name. mass_kg: None for all."""

    n: int
    t_ns: int
    date: str
    cylinder: str
    to: str
    who: str = ""
    mass_kg: float | None = None
    paper: str = ""
    by: str = ""


def read_sent(data: Path) -> list[Sent]:
    """Those that stand, in order of entry. Raises RegisterError for a line that was changed."""
    found: dict[int, Sent] = {}
    for number, entry in _entries(data / FILE_NAME):
        try:
            if "undo" in entry:
                found.pop(int(entry["undo"]), None)
                continue
            sent = Sent(**entry)
            if sent.to not in WHERE or not (sent.mass_kg is None or float(sent.mass_kg) > 0):
                raise ValueError("no such destination or mass")
            found[sent.n] = sent
        except (TypeError, ValueError) as exc:
            raise _unreadable(data, number) from exc
    return list(found.values())


def add_sent(data: Path, sent: Sent) -> Sent:
    """With the number it got, once it is on the disk. Raises RegisterError."""
    numbered = Sent(**{**asdict(sent), "n": _next(data)})
    _append(data, asdict(numbered))
    return numbered


def undo_last(data: Path, cylinder: str, t_ns: int) -> Sent | None:
    """The last entry of a cylinder that stands, which then stands no more."""
    own = [sent for sent in read_sent(data) if sent.cylinder.casefold() == cylinder.casefold()]
    if own:
        _append(data, {"n": _next(data), "t_ns": t_ns, "undo": own[-1].n})
    return own[-1] if own else None


def _next(data: Path) -> int:
    return 1 + max((int(entry.get("n", 0)) for _, entry in _entries(data / FILE_NAME)), default=0)


def _entries(path: Path) -> Sequence[tuple[int, dict[str, Any]]]:
    """(line number, what it says)."""
    try:
        with path.open("rb") as file:
            text = file.read(MAX_BYTES)
    except FileNotFoundError:
        return []
    except OSError as exc:
        raise RegisterError(f"{path}: {exc.strerror}") from exc
    lines, found = text.split(b"\n"), []
    for number, line in enumerate(lines[:-1], 1):  # what follows the last line end was cut short
        if not line.strip():
            continue
        try:
            entry = json.loads(line)
        except ValueError as exc:
            raise _unreadable(path.parent, number) from exc
        if not isinstance(entry, dict):
            raise _unreadable(path.parent, number)
        found.append((number, entry))
    return found


def _append(data: Path, entry: dict[str, Any]) -> None:
    path = data / FILE_NAME
    try:
        make_private(data)
        with path.open("ab+") as file:
            file.seek(0)
            text = file.read(MAX_BYTES)
            if text and not text.endswith(b"\n"):  # cut short: taken away, so that the next line is whole
                file.truncate(text.rfind(b"\n") + 1)
            file.seek(0, os.SEEK_END)
            file.write(json.dumps(entry, ensure_ascii=False).encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as exc:
        raise RegisterError(f"{path}: cannot be written: {exc.strerror}") from exc


def _unreadable(data: Path, number: int) -> RegisterError:
    return RegisterError(f"{data / FILE_NAME}: line {number} cannot be read; put it right, or take it out")
