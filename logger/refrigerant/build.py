"""Builds one refrigerant's saturation curves from primed CoolProp: the shipped table's and a user's own blends'."""

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from logger.refrigerant.errors import BlendError
from logger.refrigerant.pressure_class import REFERENCE_TEMPERATURE_K, pressure_class
from logger.refrigerant.primed import PrimedState, molar_mass, tier_of
from logger.refrigerant.spline import SaturationCurve, log_nodes, shape_nodes

NODES = 128
LOW_PA = 2500.0  # or the triple point, whichever is higher
PURE_TOP = 0.985  # highest pressure over critical pressure
BLEND_TOPS = (
    0.96,
    0.94,
    0.92,
    0.90,
    0.87,
    0.84,
    0.80,
    0.75,
    0.70,
    0.65,
    0.60,
    0.55,
)  # the first at which every flash is sound
STANDARD_ATMOSPHERE_PA = 101325.0


Built = tuple[dict[str, Any], dict[str, Any]]  # (description, nodes) as they stand in the table file


def build(name: str, composition: Mapping[str, float], safety: str, safety_source: str) -> Built:
    """One refrigerant. Raises BlendError.

    composition: component -> mass fraction. description: plain JSON values, SI. nodes: "bubble" and "dew" in K
    (dew None for a pure fluid), "liquid" and "vapour" in kg/m3.
    """
    try:
        state = PrimedState(composition)
        critical_pa = state.critical[1]
    except (ValueError, StopIteration) as exc:
        raise BlendError(f"{name}: CoolProp cannot describe this composition: {exc}") from exc
    low = LOW_PA if not state.pure else max(LOW_PA, state.triple_pressure() * 1.0001)
    problem = ""
    for top in (PURE_TOP,) if state.pure else BLEND_TOPS:
        try:
            return _curves(name, composition, state, low, top * critical_pa, safety, safety_source)
        except ValueError as exc:
            problem = str(exc)
    raise BlendError(f"{name}: no sound saturation curve: {problem}")


def _curves(
    name: str, composition: Mapping[str, float], state: PrimedState, low_pa: float, high_pa: float,
    safety: str, safety_source: str,
) -> Built:  # fmt: skip
    pressures = log_nodes(low_pa, high_pa, NODES)
    bubble = [round(state.temperature(p, 0), 7) for p in pressures]
    dew = None if state.pure else [round(state.temperature(p, 1), 7) for p in pressures]
    _smooth(name, "bubble point", [1 / t for t in bubble], rising=False)
    if dew is not None:
        _smooth(name, "dew point", [1 / t for t in dew], rising=False)
        if any(d < b - 1e-4 for b, d in zip(bubble, dew, strict=True)):
            raise ValueError("dew point below bubble point")
    bubble_curve = SaturationCurve(name, "bubble point", low_pa, high_pa, bubble)
    dew_curve = SaturationCurve(name, "dew point", low_pa, high_pa, dew or bubble)
    critical_k, critical_pa = state.critical
    anchor = max(critical_k, dew_curve.high_k, bubble_curve.high_k)
    densities = [
        [_density(state, t, quality, curve) for t in shape_nodes(curve.low_k, curve.high_k, anchor, NODES)]
        for quality, curve in ((0, bubble_curve), (1, dew_curve))
    ]
    _smooth(name, "liquid density", [math.log(x) for x in densities[0]], rising=False)
    _smooth(name, "vapor density", [math.log(x) for x in densities[1]], rising=True)
    tier, models = tier_of(composition)
    in_range = low_pa <= STANDARD_ATMOSPHERE_PA <= high_pa
    at_104f = bubble_curve.low_k <= REFERENCE_TEMPERATURE_K <= bubble_curve.high_k
    description = {
        "name": name,
        "composition": dict(composition),
        "tier": tier,
        "models": list(models),
        "molar_mass": round(1.0 / sum(share / molar_mass(part) for part, share in composition.items()), 8),
        "critical_temperature_k": round(critical_k, 4),
        "critical_pressure_pa": round(critical_pa, 1),
        "safety_class": safety,
        "safety_source": safety_source,
        "pressure_class": pressure_class(
            bubble_curve.pressure(REFERENCE_TEMPERATURE_K) if at_104f else None, critical_k
        ),
        "normal_bubble_k": round(bubble_curve.temperature(STANDARD_ATMOSPHERE_PA), 4) if in_range else None,
        "normal_dew_k": round(dew_curve.temperature(STANDARD_ATMOSPHERE_PA), 4) if in_range else None,
        "low_pa": low_pa,
        "high_pa": high_pa,
        "bubble_k": [bubble_curve.low_k, bubble_curve.high_k],
        "dew_k": [dew_curve.low_k, dew_curve.high_k],
        "density_anchor_k": anchor,
    }
    nodes = {"bubble": bubble, "dew": dew, "liquid": densities[0], "vapour": densities[1]}
    return description, nodes


def _density(state: PrimedState, temperature_k: float, quality: int, curve: SaturationCurve) -> float:
    """Both flashes must agree: a wrong root of one is not written into the table."""
    by_pressure = state.density_at(curve.pressure(temperature_k), quality)
    try:
        by_temperature = state.density(temperature_k, quality)
    except ValueError:
        by_temperature = by_pressure
    if abs(by_temperature / by_pressure - 1) > 0.002:
        raise ValueError(f"two density roots at {temperature_k:.2f} K: {by_temperature:.2f} and {by_pressure:.2f}")
    return float(f"{by_temperature:.9g}")


def _smooth(name: str, what: str, values: Sequence[float], rising: bool) -> None:
    """Raises ValueError where a value breaks the curve: a wrong root, or a curve that turns."""
    if any(not math.isfinite(value) for value in values):
        raise ValueError(f"{name} {what}: not finite")
    steps = [after - before for before, after in pairwise(values)]
    if any((step <= 0) if rising else (step >= 0) for step in steps):
        raise ValueError(f"{name} {what}: not monotonic")
    for i in range(2, len(steps) - 2):
        expected = (steps[i - 1] + steps[i + 1]) / 2
        if abs(steps[i] - expected) > 0.2 * abs(expected):
            raise ValueError(f"{name} {what}: breaks at node {i} of {len(values)}")
