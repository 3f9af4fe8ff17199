"""What is entered when a stage is begun: options, checks and the stored form all follow from the stage's dataclass.

    @dataclass(frozen=True, slots=True, kw_only=True)
    class Charging:
        target: float | None = setting(Quantity.MASS, "the mass to weigh in, such as 220lb")

Every setting may be left out. Numbers are SI and above zero.
"""

import dataclasses
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any, TypeVar

from logger.model.errors import Refusal
from logger.model.points import SI_UNIT, Quantity
from logger.model.text import clean
from logger.model.units import STANDARD_ATMOSPHERE_PA, parse_quantity
from logger.model.value import Argument, Statement, count_of, name_of, number
from logger.model.value import known as known_value

S = TypeVar("S")
MAX_TEXT = 120
MAX_LONG_TEXT = 400
MAX_COUNT = 1000
MAX_NUMBER = 1e12  # SI: more than any job has of anything
UNUSUAL = "setting.unusual"  # key of a refusal that a person may overrule


class Form(StrEnum):
    """What else than a quantity is entered."""

    FLAG = "flag"
    COUNT = "count"
    TEXT = "text"
    LONG_TEXT = "long text"
    DAY = "day"  # 2026-03-14
    PROFILE = "profile"  # the name of an acceptance profile


SettingKind = Quantity | Form | tuple[str, ...]  # a tuple: one of these words


class SettingError(Refusal, ValueError):
    """A setting that the stage cannot take: which, why, and what would fit. Its words: logger/stages/words.py."""


@dataclass(frozen=True, slots=True)
class Setting:
    """name: as stored, and with dashes as the option. text: what it is, for its help. usual: SI, a Rimelog default;
    what lies outside is taken only when a person says that it is meant so. fits: whether a text has its form."""

    name: str
    kind: SettingKind
    text: str
    usual: tuple[float, float] | None = None
    fits: Callable[[str], bool] | None = None


@dataclass(frozen=True, slots=True)
class NoSettings:
    """A stage without any."""


def setting(
    kind: SettingKind, text: str, usual: tuple[float, float] | None = None, fits: Callable[[str], bool] | None = None
) -> Any:
    """A field of a stage's settings; None (False for a flag) until entered."""
    default = False if kind is Form.FLAG else None
    return dataclasses.field(default=default, metadata={"kind": kind, "text": text, "usual": usual, "fits": fits})


def settings_of(cls: type[Any]) -> tuple[Setting, ...]:
    """The settings of a stage's dataclass, in its order."""
    return tuple(
        Setting(f.name, *(f.metadata[key] for key in ("kind", "text", "usual", "fits")))
        for f in dataclasses.fields(cls)
    )


_YES_NO = {"true": True, "yes": True, "false": False, "no": False}


def from_text(one: Setting, text: str, ambient_pa: float = STANDARD_ATMOSPHERE_PA) -> object:
    """A setting as a person types it, in SI; what is no such thing is for `check` to refuse. ambient_pa: what gauge
    pressures refer to. Raises UnitError."""
    text = text.strip()
    match one.kind:
        case Quantity():
            return parse_quantity(text, one.kind, ambient_pa)
        case Form.COUNT if text.isascii() and text.isdecimal() and len(text) < 9:
            return int(text)
        case Form.FLAG if text.lower() in _YES_NO:
            return _YES_NO[text.lower()]
    return text


def check(
    cls: type[Any], given: Mapping[str, object], profiles: Collection[str], as_entered: bool = False
) -> dict[str, Any]:
    """What was entered, as it is stored. profiles: names known for this stage. as_entered: unusual numbers are meant.
    Raises SettingError."""
    known = {one.name: one for one in settings_of(cls)}
    found: dict[str, Any] = {}
    for name, value in given.items():
        if name not in known:
            raise _refused("not_of_stage", clean(name, 40), *_all(known))
        found[name] = _checked(known[name], value, profiles)
        if not as_entered:
            _check_usual(known[name], found[name])
    return found


def _check_usual(one: Setting, value: object) -> None:
    """Raises SettingError for a number that is probably of another unit."""
    if one.usual is None or not isinstance(value, int | float) or not isinstance(one.kind, Quantity):
        return
    least, most = one.usual
    if not least <= value <= most:
        figures = (("value", value), ("low", least), ("high", most))
        unit = SI_UNIT[one.kind]
        raise _refused("unusual", one.name, *(number(what, one.kind, known_value(n, unit)) for what, n in figures))


def _checked(one: Setting, value: object, profiles: Collection[str]) -> object:
    match one.kind:
        case Form.FLAG:
            if not isinstance(value, bool):
                raise _refused("flag", one.name)
        case Form.TEXT | Form.LONG_TEXT:
            if not isinstance(value, str):
                raise _refused("text", one.name)
            if one.fits is not None and not one.fits(value):
                raise _refused("form", one.name, name_of("asked", clean(value, 40)))
            return clean(value, MAX_TEXT if one.kind is Form.TEXT else MAX_LONG_TEXT)
        case Form.DAY:
            try:
                return date.fromisoformat(str(value)).isoformat()
            except ValueError:
                raise _refused("day", one.name, name_of("asked", clean(str(value), 40))) from None
        case Form.PROFILE:
            if not isinstance(value, str) or value not in profiles:
                raise _refused("profile", one.name, name_of("asked", clean(str(value), 60)), *_all(profiles))
        case tuple() as words:
            if value not in words:
                raise _refused("one_of", one.name, name_of("asked", clean(str(value), 40)), *_all(words))
        case Form.COUNT:
            if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= MAX_COUNT:
                raise _refused("count", one.name, count_of("most", MAX_COUNT))
        case _:
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise _refused("number", one.name)
            if not value > 0:
                raise _refused("above_zero", one.name)
            if value > MAX_NUMBER:
                raise _refused("too_large", one.name)
    return value


def _refused(what: str, setting_name: str, *more: Argument) -> SettingError:
    return SettingError(Statement(f"setting.{what}", (name_of("setting", setting_name), *more)))


def _all(names: Iterable[str]) -> tuple[Argument, ...]:
    return tuple(name_of("there_is", one) for one in names)


def read(cls: type[S], stored: Mapping[str, object]) -> S:
    """From the stored form. Names of a later version, and values that do not fit, are left out."""
    fitting: dict[str, Any] = {}
    for one in settings_of(cls):
        if one.name in stored:
            value = stored[one.name]
            try:
                fitting[one.name] = value if one.kind is Form.PROFILE else _checked(one, value, ())
            except SettingError:
                continue
    return cls(**fitting)
