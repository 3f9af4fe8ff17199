"""What recovery and charging share: a cylinder on the scale."""

import math
from collections.abc import Iterator
from typing import Any

from logger.cylinder.limits import CylinderLimits
from logger.cylinder.on_scale import SETTLED_S, CylinderReadings, air_finding, asking, entry_findings, settled
from logger.model.drawing import Stay
from logger.model.finding import Finding
from logger.model.units import NS_PER_S
from logger.model.value import Value, known, unknown
from logger.scale.ledger import MassLedger, summed
from logger.stages.inputs import StageInputs

_ROOT_12 = math.sqrt(12)
NO_SCALE = "no scale in the rig"
WEIGHED = ("recovery", "charging")


def scale_problem(now: StageInputs[Any]) -> str | None:
    """Why nothing is known of what flows now: what the scale said before it went silent is not what it would say."""
    reading = now.value("cylinder_mass")
    return None if reading.number is not None or now.scale is None else f"scale: {reading.problem}"


def charge_of(now: StageInputs[Any]) -> Value:
    """The appliance's full charge, kg."""
    charge_kg = now.job.full_charge_kg
    return Value(charge_kg, "kg", problem="the appliance's charge is not entered" if charge_kg is None else None)


def out_before(now: StageInputs[Any]) -> Value | None:
    """What this job's earlier stages took out of the system, less what they put in, kg; None where none did either.

    Unknown where the mass of one of them is, and while one is still being worked out: never as if nothing had moved.
    """
    if any(one.stage.kind in WEIGHED and not one.concluded for one in now.earlier):
        return unknown("kg", "an earlier stage is still being worked out")
    out = [one.facts["recovered"] for one in now.earlier if "recovered" in one.facts]
    charged = [one.facts["charged"] for one in now.earlier if "charged" in one.facts]
    if not out:
        return None
    back = [v if v.number is None else known(-v.number, "kg", v.u) for v in charged]
    return summed((*out, *back), now.scale.u_accuracy_kg if now.scale is not None else 0.0)


def on_scale(now: StageInputs[Any]) -> tuple[str, list[tuple[float, str]]]:
    """Name of the cylinder on the scale at the stage's beginning, and (seconds into it, name) of those that came."""
    before = [name for t, name in now.came if t <= now.stage.begun_ns]
    came = [(now.seconds(t), name) for t, name in now.came if now.stage.begun_ns < t <= now.until_ns]
    return before[-1] if before else "", came


def readings_of(now: StageInputs[Any]) -> CylinderReadings:
    """The newest readings of the cylinder on the scale, in kg, Pa and K, each unknown with its reason."""
    return CylinderReadings(
        now.scale.on_scale if now.scale is not None else None,
        now.value("cylinder_mass"),
        now.value("cylinder_pressure"),
        now.value("cylinder_temperature"),
        now.value("ambient_temperature"),
    )


def cylinder_findings(now: StageInputs[Any]) -> tuple[Finding, ...]:
    """Of the cylinder on the scale, those that ask for something. Air is only called in one that has settled."""
    found, limit = entry_findings(now.on_scale, now.cylinder, now.refrigerant, now.day), now.cylinder
    if found and isinstance(limit, CylinderLimits):
        readings = readings_of(now)
        rate = now.scale.rate.value if now.scale is not None else None
        shell = now.series("cylinder_temperature", now.until_ns - int(SETTLED_S * NS_PER_S))
        if settled(rate, shell, readings.ambient):
            found = (*found, air_finding(limit, readings))
    return asking(found)


def stays(ledger: MassLedger) -> Iterator[Stay]:
    """Each stay of a cylinder on the scale, counted as the ledger counts: a reading is at least as uncertain as its
    division, a difference as the scale too."""
    for leg in ledger.legs:
        u_first, u_last = (math.hypot(u, ledger.resolution_kg / _ROOT_12) for u in (leg.u_first_kg, leg.u_last_kg))
        before, after = (
            known(reading, "kg", math.hypot(u, ledger.u_accuracy_kg))
            for reading, u in ((leg.first_kg, u_first), (leg.last_kg, u_last))
        )
        yield Stay(
            leg.cylinder, before, after, known(leg.moved_kg, "kg", math.hypot(u_first, u_last, ledger.u_accuracy_kg))
        )
