"""How deep an appliance must be evacuated before it is opened: 40 CFR 82.156, Table 1.

In inches of mercury below the standard atmosphere of 29.9 in.Hg, by pressure class, charge, and when the recovery
equipment was made. Absolute pressures here; what is not known is taken at its strictest. Read the rule itself, and
local codes, before relying on it.
"""

from dataclasses import dataclass
from datetime import date

from logger.model.finding import Finding, Verdict, worded
from logger.model.units import INHG_PA, MICRON_PA, POUND_KG, STANDARD_ATMOSPHERE_PA
from logger.model.value import Value, known, unknown
from logger.wording.numbers import absolute, difference_spread

RULE = "40 CFR 82.156(a), Table 1"
STANDARD_INHG = 29.9
NEW_EQUIPMENT = date(1993, 11, 15)
LARGE_CHARGE_KG = 200 * POUND_KG
SMALL_APPLIANCE_KG = 5 * POUND_KG
LOW_PRESSURE_PA = 25e3 * MICRON_PA  # 25 mm Hg absolute

# (class, large charge) -> in.Hg of vacuum with equipment made before / on or after 15 November 1993.
_VACUUM_INHG: dict[tuple[str, bool], tuple[float, float]] = {
    ("very high", False): (0.0, 0.0),
    ("very high", True): (0.0, 0.0),
    ("high", False): (0.0, 0.0),
    ("high", True): (4.0, 10.0),
    ("medium", False): (4.0, 10.0),
    ("medium", True): (4.0, 15.0),
}
_SMALL = (
    "a small appliance, made, charged and sealed in a factory with 5 lb or less, is instead recovered to 4 in.Hg of "
    "vacuum, or to 90 % of its charge with the compressor running, 80 % without (40 CFR 82.156(b), from memory)"
)


@dataclass(frozen=True, slots=True)
class RecoveryLevel:
    """pressure: absolute Pa not to be exceeded, or unknown. text: the level and why, in words."""

    pressure: Value
    text: str
    rule: str = RULE


def required_level(
    pressure_class: str | None,
    charge_kg: float | None,
    machine_made: date | None = None,
    *,
    ambient_pa: float = STANDARD_ATMOSPHERE_PA,
    minor_repair: bool = False,
) -> RecoveryLevel:
    """The level for an appliance.

    pressure_class: "low", "medium", "high" or "very high" (40 CFR 82.152), None when unknown. charge_kg: full
    charge; machine_made: recovery equipment; either None takes the stricter column, and says so. ambient_pa: where
    the level is "no vacuum", the lower of the standard atmosphere and the local one counts. minor_repair: not major,
    and not followed by an evacuation to the atmosphere: 0 psig.
    """
    if pressure_class not in ("low", "medium", "high", "very high"):
        return RecoveryLevel(unknown("Pa", "pressure class of the refrigerant unknown"), "")
    if charge_kg is not None and not charge_kg > 0:
        return RecoveryLevel(unknown("Pa", f"a full charge of {charge_kg:g} kg is no charge"), "")
    no_vacuum = min(ambient_pa, STANDARD_INHG * INHG_PA)
    if minor_repair:
        text = "0 psig: not a major repair, and not followed by an evacuation to the atmosphere"
        return RecoveryLevel(known(min(ambient_pa, STANDARD_ATMOSPHERE_PA), "Pa"), text, "40 CFR 82.156(a)")
    if pressure_class == "low":
        return RecoveryLevel(known(LOW_PRESSURE_PA, "Pa"), "25 mm Hg absolute: low-pressure appliance")
    large = charge_kg is None or charge_kg >= LARGE_CHARGE_KG * (1 - 1e-9)
    new = machine_made is None or machine_made >= NEW_EQUIPMENT
    vacuum = _VACUUM_INHG[pressure_class, large][new]
    pressure_pa = (STANDARD_INHG - vacuum) * INHG_PA if vacuum else no_vacuum
    charge = "charge unknown, taken as 200 lb or more" if charge_kg is None else _charge_text(large)
    made = "equipment date unknown, taken as new" if machine_made is None else _made_text(new)
    assumed = charge_kg is None or machine_made is None
    note = "the stricter column where something was not entered" if assumed else None
    text = f"{vacuum:g} in.Hg of vacuum: {pressure_class}-pressure appliance, {charge}, {made}"
    if charge_kg is not None and charge_kg <= SMALL_APPLIANCE_KG * (1 + 1e-9):
        text += f"; {_SMALL}"
    return RecoveryLevel(known(pressure_pa, "Pa", note=note), text)


def judge_level(level: RecoveryLevel, settled: Value) -> Finding:
    """Does a settled pressure (absolute, with its uncertainty) meet the level? Between is "cannot tell"."""
    inputs = (("required level", level.pressure), ("settled pressure", settled))
    decision = "guard band: passes below the level by more than the expanded uncertainty (k=2), fails above by as much"
    key = "recovery.level"
    limit, found = level.pressure.number, settled.number
    if limit is None or found is None:
        reason = level.pressure.problem if limit is None else f"settled pressure: {settled.problem}"
        return worded(key, Verdict.CANNOT_TELL, "cannot tell", f"Cannot tell: {reason}.", level.rule, decision, inputs)
    band = 2 * (settled.u or 0.0)
    where = f"The settled pressure is {absolute(found)} against {absolute(limit)} ({level.text})"
    if found + band <= limit:
        verdict, headline, text = Verdict.PASS, "level held", f"{where}."
    elif found - band > limit:
        verdict, headline, text = Verdict.FAIL, "level not held", f"{where}; recover further."
    else:
        verdict, headline = Verdict.CANNOT_TELL, "cannot tell"
        text = f"{where}, closer than the gauge can tell (± {difference_spread(band)})."
    return worded(key, verdict, headline, text, level.rule, decision, inputs)


def _charge_text(large: bool) -> str:
    return "charge 200 lb or more" if large else "charge under 200 lb"


def _made_text(new: bool) -> str:
    return f"equipment made {'on or after' if new else 'before'} 15 Nov 1993"
