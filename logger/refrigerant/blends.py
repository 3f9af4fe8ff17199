"""A user's own blends: composition in a TOML file, curves built by CoolProp on this machine and kept.

    [[blend]]
    name = "MIX-1"
    safety_class = "A1"

    [blend.mass_percent]
    "R-32" = 40.0
    "R-134a" = 60.0

A blend that is written wrong or cannot be built is unavailable, and nothing else: the catalogue says why when it is
asked for.

Building takes a few seconds once; after that the curves are read from the cache without CoolProp. The cache is keyed
by composition, CoolProp's version and the table's format, so a change of any of them builds again.
"""

import hashlib
import json
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from logger.model import toml_text
from logger.refrigerant.catalogue import SHIPPED, Catalogue
from logger.refrigerant.errors import BlendError, RefrigerantError
from logger.refrigerant.names import key_of, refusal
from logger.refrigerant.table import FORMAT, Refrigerant

MAX_BLENDS = 50
MAX_COMPONENTS = 8
MAX_FILE_BYTES = 100_000
SAFETY_SOURCE = "the user's blend file"


@dataclass(frozen=True, slots=True)
class Blend:
    """As written in the file. composition: component -> mass fraction, summing to 1."""

    name: str
    composition: Mapping[str, float]
    safety_class: str


@dataclass(frozen=True, slots=True)
class Fault:
    """A blend that cannot be used. name: as far as it has one; text: file, key and what is wrong."""

    name: str
    text: str


def read_blends(path: Path) -> list[Blend | Fault]:
    """Every blend, good or not; [] when there is no such file. Raises BlendError for a file that is none."""
    try:
        text = path.read_bytes()
    except FileNotFoundError:
        return []
    except OSError as exc:
        raise BlendError(f"{path}: cannot be read: {exc.strerror}") from exc
    if len(text) > MAX_FILE_BYTES:
        raise BlendError(f"{path}: larger than {MAX_FILE_BYTES} bytes: is this the right file?")
    try:
        data = toml_text.loads(text.decode())
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as exc:
        raise BlendError(f"{path}: not TOML: {exc}") from exc
    tables = data.pop("blend", [])
    if data or not isinstance(tables, list) or len(tables) > MAX_BLENDS:
        raise BlendError(f"{path}: expected only [[blend]] tables, up to {MAX_BLENDS}")
    return [_blend_or_fault(table, f"{path}: blend[{i}]") for i, table in enumerate(tables, 1)]


def _blend_or_fault(table: Any, where: str) -> Blend | Fault:
    try:
        return _blend(table, where)
    except BlendError as exc:
        name = table.get("name") if isinstance(table, dict) else None
        return Fault(name if isinstance(name, str) else "", str(exc))


def _blend(table: Any, where: str) -> Blend:
    if not isinstance(table, dict) or set(table) - {"name", "safety_class", "mass_percent"}:
        raise BlendError(f"{where}: has name, safety_class and mass_percent, and nothing else")
    name, percents = table.get("name"), table.get("mass_percent")
    if not isinstance(name, str) or not 1 <= len(name) <= 40 or not name.isprintable():
        raise BlendError(f"{where}: name is a text of 1 to 40 characters")
    if not key_of(name) or refusal(name) is not None:
        raise BlendError(f"{where}: {name!r} names no refrigerant; choose another name, such as MIX-1")
    if not isinstance(percents, dict) or not 2 <= len(percents) <= MAX_COMPONENTS:
        raise BlendError(f"{where} ({name}): mass_percent names 2 to {MAX_COMPONENTS} components")
    composition = {}
    for component, percent in percents.items():
        if not isinstance(percent, int | float) or isinstance(percent, bool) or not 0 < percent < 100:
            raise BlendError(f"{where} ({name}): {component} = {percent!r} is not a percentage between 0 and 100")
        composition[component_name(component, f"{where} ({name})")] = percent / 100
    total = sum(composition.values())
    if len(composition) != len(percents):
        raise BlendError(f"{where} ({name}): a component is named twice")
    if abs(total - 1) > 0.005:
        raise BlendError(f"{where} ({name}): the percentages add up to {100 * total:.2f}, not 100")
    safety = table.get("safety_class", "unknown")
    if not isinstance(safety, str) or len(safety) > 20:
        raise BlendError(f"{where} ({name}): safety_class is a short text such as A1")
    return Blend(name, {part: share / total for part, share in composition.items()}, safety)


def component_name(text: str, where: str) -> str:
    """Of a pure refrigerant of the table, by any usual form of its name; others (R-115, R-601a) by their R number.
    Raises BlendError."""
    try:
        found = SHIPPED.find(text)
    except RefrigerantError:
        if text[:2] == "R-" and text[2:3].isdigit():
            return text
        raise BlendError(f"{where}: component {text!r} is not known; write it as R-32, R-600a ...") from None
    if not found.pure:
        raise BlendError(f"{where}: {found.name} is itself a blend; name its components")
    return found.name


def load_blends(path: Path, cache_dir: Path) -> Catalogue:
    """Reads the file, builds or fetches each blend, and lays it over the shipped table; the others are its faults."""
    try:
        blends = read_blends(path)
    except BlendError as exc:
        return SHIPPED.with_fault("", str(exc))
    catalogue = SHIPPED
    for i, blend in enumerate(blends, 1):
        if isinstance(blend, Fault):
            catalogue = catalogue.with_fault(blend.name, blend.text)
            continue
        try:
            catalogue = catalogue.with_blends([_cached(blend, cache_dir) or _built(blend, cache_dir)])
        except RefrigerantError as exc:
            catalogue = catalogue.with_fault(blend.name, f"{path}: blend[{i}]: {exc}; mend this blend or take it out")
    return catalogue


def coolprop_version() -> str:
    """Of this computer, "none" without it; without importing CoolProp, which takes seconds."""
    try:
        return version("CoolProp")
    except PackageNotFoundError:
        return "none"


def _cache_file(blend: Blend, cache_dir: Path) -> Path:
    key = [FORMAT, coolprop_version(), blend.name, dict(blend.composition), blend.safety_class]
    return cache_dir / (hashlib.sha256(json.dumps(key).encode()).hexdigest()[:32] + ".json")


def _cached(blend: Blend, cache_dir: Path) -> Refrigerant | None:
    """None when it is not there or not whole: then it is built again."""
    try:
        cached = json.loads(_cache_file(blend, cache_dir).read_bytes())
        return Refrigerant.from_record(cached)
    except (OSError, ValueError, RefrigerantError):
        return None


def _built(blend: Blend, cache_dir: Path) -> Refrigerant:
    made = build_blend(blend)
    file = _cache_file(blend, cache_dir)
    try:
        cache_dir.mkdir(parents=True, exist_ok=True)
        partial = file.with_suffix(f".{os.getpid()}")
        partial.write_text(json.dumps(made.record()), encoding="ascii")
        partial.replace(file)
    except OSError:
        pass  # a cache that cannot be written costs the same seconds next time, nothing else
    return made


def build_blend(blend: Blend) -> Refrigerant:
    """Its curves by the CoolProp of this computer, in some seconds. Raises BlendError."""
    try:
        from logger.refrigerant.build import build  # CoolProp: only here
        from logger.refrigerant.primed import version as running_version
    except ImportError as exc:
        raise BlendError(f"{blend.name}: building a blend needs CoolProp ({exc})") from exc
    description, nodes = build(blend.name, blend.composition, blend.safety_class, SAFETY_SOURCE)
    return Refrigerant(description, nodes, running_version())
