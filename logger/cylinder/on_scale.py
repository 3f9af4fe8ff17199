"""The cylinder on the scale: how full it is, whether it may be filled at all, air in it."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from logger.cylinder.checks import non_condensables, one_refrigerant, requalification
from logger.cylinder.limits import CylinderLimits, PresentFill, present_fill
from logger.model.cylinder import Cylinder
from logger.model.finding import Finding, Verdict
from logger.model.sample import Series
from logger.model.value import Value, known, unknown
from logger.refrigerant import Refrigerant

SETTLED_S = 900.0
SETTLED_SPREAD_K = 0.6  # over that time, and
SETTLED_OVER_AMBIENT_K = 1.5  # so near to its surroundings: common practice, no source
_STILL_KG_S = 1e-3
TARE_SHARE = 0.01  # a stamped tare may be off by so much, either way: paint, valve, wear (common practice, no source)


@dataclass(frozen=True, slots=True)
class CylinderReadings:
    """Newest readings of the cylinder and its surroundings. gross: mass on the scale (scale/state.py), scale: its
    newest reading, None without a scale; pressure absolute Pa; temperature of the shell, ambient K."""

    gross: Value | None
    scale: Value
    pressure: Value
    temperature: Value
    ambient: Value


def fill_of(limit: CylinderLimits, now: CylinderReadings) -> PresentFill:
    """Fill now. Where its temperature is not known the ambient's is taken instead, and says so."""
    net = now.gross if now.gross is not None else unknown("kg", "no scale in the rig")
    if now.scale.number is None:
        net = unknown("kg", f"scale: {now.scale.problem}")
    elif net.number is not None:
        tare_kg = limit.cylinder.tare_kg
        u = None if net.u is None else math.hypot(net.u, TARE_SHARE * tare_kg / math.sqrt(3.0))
        net = known(net.number - tare_kg, "kg", u, net.note)
    temperature = now.temperature
    if temperature.number is None and now.ambient.number is not None:  # nobody knows how near it is: no uncertainty
        note = f"its temperature taken as ambient ({temperature.problem})"
        temperature = known(now.ambient.number, "K", None, note)
    return present_fill(net, temperature, limit)


def margin_of(limit: CylinderLimits, pressure: Value, ambient_pa: float) -> Value:
    """How far the pressure is below the cylinder's service pressure, or 2/3 of a UN cylinder's test pressure, Pa."""
    cylinder = limit.cylinder
    marked = [p for p in (cylinder.service_pressure_pa, _working_pressure(cylinder)) if p is not None]
    if not marked:
        return unknown("Pa", "the cylinder's service pressure or test pressure is not entered")
    if pressure.number is None:
        return unknown("Pa", f"cylinder pressure: {pressure.problem}")
    return known(min(marked) + ambient_pa - pressure.number, "Pa", pressure.u, pressure.note)


def _working_pressure(cylinder: Cylinder) -> float | None:
    """Of a UN cylinder: it is tested at 3/2 of it."""
    return None if cylinder.test_pressure_pa is None else cylinder.test_pressure_pa / 1.5


def contents_finding(cylinder: Cylinder | None, refrigerant: Refrigerant | None) -> tuple[Finding, ...]:
    """Another refrigerant in the cylinder than the job's, or a flammable one in a cylinder not entered for it; nothing
    when it may hold it."""
    if cylinder is None or refrigerant is None:
        return ()
    finding = one_refrigerant(cylinder, refrigerant)
    return () if finding.verdict is Verdict.PASS else (finding,)


def entry_findings(
    cylinder: Cylinder | None, limit: CylinderLimits | Value, refrigerant: Refrigerant | None, day: date
) -> tuple[Finding, ...]:
    """By its entry alone: contents, marked pressure, test date. Nothing where no cylinder is known or has limits."""
    if cylinder is None or not isinstance(limit, CylinderLimits):
        return ()
    return (*contents_finding(cylinder, refrigerant), limit.suitability, requalification(cylinder, day))


def air_finding(limit: CylinderLimits, now: CylinderReadings) -> Finding:
    """Air in a cylinder that has settled."""
    fill = fill_of(limit, now).fill_now
    return non_condensables(now.pressure, now.temperature, limit.refrigerants, settled=True, fill=fill)


def asking(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Those that ask for something; a sound cylinder gives none."""
    return tuple(f for f in findings if f.verdict not in (Verdict.PASS, Verdict.INFO))


def settled(rate: Value | None, shell: Series, ambient: Value) -> bool:
    """No flow, and shell and surroundings at one steady temperature for a quarter of an hour.

    rate: of the scale, None without one. shell: its temperature over the last SETTLED_S.
    """
    if rate is not None and (rate.number is None or abs(rate.number) > _STILL_KG_S):
        return False
    if len(shell) < 10 or shell.duration_s < 0.8 * SETTLED_S or ambient.number is None:
        return False
    spread = max(shell.value) - min(shell.value)
    return spread <= SETTLED_SPREAD_K and abs(shell.value[-1] - ambient.number) <= SETTLED_OVER_AMBIENT_K
