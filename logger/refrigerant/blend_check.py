"""Whether a stored blend's curves are what its composition gives: built again with CoolProp and compared.

For `verify` alone: building takes seconds. Another version of CoolProp may give a little other numbers, since its
equations are fitted again now and then; up to `MAX_OTHER` that is a note.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from logger.refrigerant.blends import (
    MAX_COMPONENTS,
    SAFETY_SOURCE,
    Blend,
    build_blend,
    component_name,
    coolprop_version,
)
from logger.refrigerant.errors import BlendError
from logger.refrigerant.spline import log_nodes
from logger.refrigerant.table import Refrigerant, shipped

MAX_SAME = 1e-6  # relative, by the same version of CoolProp on another computer
MAX_OTHER = 2e-3  # by another version
MIN_COMMON = 0.9  # of the stored range in ln p that the curve built again must cover
_POINTS = 255  # at which curves with other nodes are compared
_TIERS = ("estimated", "predictive", "reference")


@dataclass(frozen=True, slots=True)
class BlendCheck:
    """problem: why the curves are not to be believed. note: what differs, and may. unchecked: why it cannot be told."""

    problem: str | None = None
    note: str | None = None
    unchecked: str | None = None


def check_blend(stored: Refrigerant) -> BlendCheck:
    """Takes seconds. Raises ValueError and its kin for a record that makes no curves."""
    name, taken = stored.name, shipped().get(stored.name)
    if taken is not None:
        return BlendCheck(f"{name}: {taken.name} is in the shipped table, and its own curves were not used")
    composition = _composition(stored)
    try:
        made = build_blend(Blend(name, composition, stored.safety_class))
    except BlendError as exc:
        with_this = stored.coolprop_version == coolprop_version()
        return BlendCheck(problem=str(exc)) if with_this else BlendCheck(unchecked=str(exc))
    here = f"built again with CoolProp {made.coolprop_version}"
    if stored.safety_source != SAFETY_SOURCE or _TIERS.index(stored.tier) > _TIERS.index(made.tier):
        claim = f"{stored.tier!r:.20} by {stored.safety_source!r:.40}"
        return BlendCheck(f"{name}: it claims to be {claim}; {here}, it is {made.tier}")
    if stored.coolprop_version == made.coolprop_version:
        worst = _difference(stored.record(), made.record())
        return BlendCheck() if worst <= MAX_SAME else BlendCheck(f"{name}: {_percent(worst)} from what {here} gives")
    if stored.pressure_class != made.pressure_class:
        return BlendCheck(f"{name}: pressure class {stored.pressure_class!r:.20}; {here}, {made.pressure_class}")
    worst = max(_curve_differences(stored, made))
    text = f"{name}: {_percent(worst)} from what {here} gives; it was made with {stored.coolprop_version!r:.20}"
    return BlendCheck(note=text) if worst <= MAX_OTHER else BlendCheck(text)


def _composition(stored: Refrigerant) -> dict[str, float]:
    parts = {component_name(str(name), stored.name): float(share) for name, share in stored.composition.items()}
    if not 2 <= len(parts) <= MAX_COMPONENTS or len(parts) < len(stored.composition):
        raise BlendError(f"{stored.name}: a blend has 2 to {MAX_COMPONENTS} components")
    if not all(0 < share < 1 for share in parts.values()) or abs(sum(parts.values()) - 1) > 1e-9:
        raise BlendError(f"{stored.name}: its parts do not make up a whole")
    return parts


def _percent(worst: float) -> str:
    return f"differs by {worst * 100:.2g} %" if math.isfinite(worst) else "differs in kind"


def _difference(a: Any, b: Any) -> float:
    """Largest relative difference of two records' numbers, infinite when anything else differs."""
    if isinstance(a, Mapping) and isinstance(b, Mapping) and a.keys() == b.keys():
        return max((_difference(a[key], b[key]) for key in a), default=0.0)
    if isinstance(a, Sequence) and isinstance(b, Sequence) and not isinstance(a, str) and len(a) == len(b):
        return max((_difference(x, y) for x, y in zip(a, b, strict=True)), default=0.0)
    if type(a) in (int, float) and type(b) in (int, float):
        return _relative(a, b)
    return 0.0 if a == b else math.inf


def _relative(a: float, b: float) -> float:
    if a == b:
        return 0.0
    found = abs(a - b) / max(abs(a), abs(b))
    return found if math.isfinite(found) else math.inf


def _curve_differences(stored: Refrigerant, made: Refrigerant) -> Iterator[float]:
    """Of everything that a computation may ask for, where both curves reach."""
    for what in ("molar_mass", "critical_temperature_k", "critical_pressure_pa"):
        yield _relative(getattr(stored, what), getattr(made, what))
    low_pa, high_pa = max(stored.low_pa, made.low_pa), min(stored.high_pa, made.high_pa)
    if not math.log(high_pa / low_pa) >= MIN_COMMON * math.log(stored.high_pa / stored.low_pa):
        yield math.inf
        return
    for pressure_pa in log_nodes(low_pa, high_pa, _POINTS):
        yield _relative(stored.bubble_temperature(pressure_pa), made.bubble_temperature(pressure_pa))
        yield _relative(stored.dew_temperature(pressure_pa), made.dew_temperature(pressure_pa))
    for kelvin in _within(stored.bubble_range_k, made.bubble_range_k):
        yield _relative(stored.liquid_density(kelvin), made.liquid_density(kelvin))
    for kelvin in _within(stored.dew_range_k, made.dew_range_k):
        yield _relative(stored.vapour_density(kelvin), made.vapour_density(kelvin))


def _within(a: tuple[float, float], b: tuple[float, float]) -> Iterator[float]:
    low, high = max(a[0], b[0]), min(a[1], b[1])
    yield from (low + (high - low) * i / (_POINTS - 1) for i in range(_POINTS))
