"""Reading a TOML file against a pydantic model: every error at once, each with its key, never a traceback."""

import stat
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from logger.config.errors import FileProblems
from logger.config.mending import key_in_file, numbered, take_out
from logger.model import toml_text
from logger.model.points import Quantity
from logger.model.units import STANDARD_ATMOSPHERE_PA, UnitError, parse_quantity

MAX_FILE_BYTES = 1_000_000
MAX_ROUNDS = 5  # taking a value out makes its table incomplete, taking that out perhaps the next
KIND = "kind="  # begins the tags of a table of several kinds, which are no keys of the file


class Table(BaseModel):
    """A TOML table; a key it does not know is an error, so that a typing mistake is not silently ignored."""

    model_config = ConfigDict(extra="forbid", str_max_length=2000)


M = TypeVar("M", bound=Table)


def read_text(path: Path) -> str:
    """The file's text. Raises FileProblems when it cannot be read, is too large or is not UTF-8."""
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            raise FileProblems(str(path), [("file", "this is no file of text")])
        if found.st_size > MAX_FILE_BYTES:
            raise FileProblems(str(path), [("file", f"larger than {MAX_FILE_BYTES} bytes: is this the right file?")])
        return path.read_text(encoding="utf-8")
    except OSError as exc:
        raise FileProblems(str(path), [("file", exc.strerror or str(exc))]) from exc
    except UnicodeDecodeError as exc:
        raise FileProblems(str(path), [("file", f"not UTF-8 text at byte {exc.start}")]) from exc


def parse(text: str, path: str, model: type[M]) -> tuple[M, "Problems"]:
    """TOML text -> model and the faults so far: whoever reads on adds to them and raises them all.

    With faults the model is of what is left without them. Raises FileProblems when nothing can be made of that.
    """
    try:
        data = toml_text.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise FileProblems(path, [("TOML", str(exc))]) from exc
    return check(data, path, model)


def check(data: Any, path: str, model: type[M]) -> tuple[M, "Problems"]:
    """`parse` of what was read already."""
    data = numbered(data)
    problems = Problems(path)
    for _ in range(MAX_ROUNDS):
        try:
            found = model.model_validate(data)
        except ValidationError as exc:
            faults = exc.errors()
            if not problems.found:
                problems.found += [(key_path(e["loc"]), plain(e)) for e in faults]
            places = [(tuple(p for p in e["loc"] if not _is_kind(p)), e["type"] == "missing") for e in faults]
            if not take_out(data, places):
                break
        else:
            problems.data = data if problems.found else None
            return found, problems
    raise FileProblems(path, problems.found)


def _is_kind(part: str | int) -> bool:
    return isinstance(part, str) and part.startswith(KIND)


def key_path(loc: tuple[str | int, ...]) -> str:
    """("device", 0, "url") -> "device[1].url": counted from one, as a person counts tables in a file."""
    out = ""
    for part in loc:
        if _is_kind(part):
            continue
        out += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if out else part
    return out or "file"


def plain(error: object) -> str:
    """pydantic's error in words for someone who writes TOML."""
    assert isinstance(error, dict)
    kind, message = error["type"], str(error["msg"])
    if kind == "extra_forbidden":
        return "this key is not known here"
    if kind == "missing":
        return "missing: this key is needed"
    if kind == "value_error":  # our own words, which say all
        return str(error["ctx"]["error"])[:300]
    return f"{message[0].lower()}{message[1:]}, found {error.get('input')!r}"[:300]


class Problems:
    """Collects faults while converting, so that all are reported at once. data: what was read, if some was left out."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.found: list[tuple[str, str]] = []
        self.data: Any = None

    def in_file(self, key: str) -> str | None:
        """A key of what was read by the file's own numbers; None when it is not the file's."""
        return key if self.data is None else key_in_file(self.data, key)

    def add(self, key: str, what: str) -> None:
        if (known := self.in_file(key)) is not None:
            self.found.append((known, what))

    def quantity(
        self, key: str, text: str | None, quantity: Quantity | None, ambient_pa: float = STANDARD_ATMOSPHERE_PA
    ) -> float | None:
        """SI number of a typed quantity, or None after noting the fault. quantity None: of any kind."""
        if text is None:
            return None
        return self.attempt(key, lambda: parse_quantity(text, quantity, ambient_pa))

    def attempt(self, key: str, convert: Callable[[], float]) -> float | None:
        try:
            return convert()
        except UnitError as exc:
            self.add(key, str(exc))
            return None

    def raise_if_any(self) -> None:
        if self.found:
            raise FileProblems(self.path, self.found)
