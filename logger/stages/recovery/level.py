"""How deep an appliance must be evacuated before it is opened: 40 CFR 82.156, Table 1.

In inches of mercury below the standard atmosphere of 29.9 in.Hg, by pressure class, charge, and when the recovery
equipment was made. Absolute pressures here; what is not known is taken at its strictest. Read the rule itself, and
local codes, before relying on it.
"""

from dataclasses import dataclass
from datetime import date

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.units import INHG_PA, MICRON_PA, POUND_KG, STANDARD_ATMOSPHERE_PA
from logger.model.value import Argument, Value, known, number, unknown, word

JUDGED_BY = ("system_pressure", "recovery_inlet_pressure")  # points, the better one first
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


@dataclass(frozen=True, slots=True)
class RecoveryLevel:
    """pressure: absolute Pa not to be exceeded, or unknown. basis: which line of the rule it is by, and what was not
    entered, as codes of the words file."""

    pressure: Value
    basis: tuple[Argument, ...] = ()


def required_level(
    pressure_class: str | None,
    charge_kg: float | None,
    machine_made: date | None = None,
    *,
    ambient_pa: float = STANDARD_ATMOSPHERE_PA,
    minor_repair: bool = False,
    leaking: bool = False,
    class_estimated: bool = False,
) -> RecoveryLevel:
    """The level for an appliance.

    pressure_class: "low", "medium", "high" or "very high" (40 CFR 82.152), None when unknown. charge_kg: full
    charge; machine_made: recovery equipment; either None takes the stricter column, and is named in the basis.
    ambient_pa: where the level is "no vacuum", the lower of the standard atmosphere and the local one counts.
    minor_repair: not major, and not followed by an evacuation to the atmosphere: 0 psig. leaking: leaks make the level
    unattainable, or would draw air into what is recovered (82.156(a)(2)): 0 psig, and what does not leak by the table.
    class_estimated: the class hangs on an estimated blend's pressure.
    """
    if pressure_class not in ("low", "medium", "high", "very high"):
        return RecoveryLevel(unknown("Pa", "pressure class of the refrigerant unknown"))
    if charge_kg is not None and not charge_kg > 0:
        return RecoveryLevel(unknown("Pa", f"a full charge of {charge_kg:g} kg is no charge"))
    no_vacuum = min(ambient_pa, STANDARD_INHG * INHG_PA)
    if minor_repair:
        return RecoveryLevel(known(min(ambient_pa, STANDARD_ATMOSPHERE_PA), "Pa"), (word("level", "minor_repair"),))
    if leaking:
        return RecoveryLevel(known(min(ambient_pa, STANDARD_ATMOSPHERE_PA), "Pa"), (word("level", "leaking"),))
    estimated = (word("class_from", "estimated"),) if class_estimated else ()
    if pressure_class == "low":
        basis_low = (word("level", "25_mm_absolute"), word("class", "low"), *estimated)
        return RecoveryLevel(known(LOW_PRESSURE_PA, "Pa"), basis_low)
    large = charge_kg is None or charge_kg >= LARGE_CHARGE_KG * (1 - 1e-9)
    new = machine_made is None or machine_made >= NEW_EQUIPMENT
    vacuum = _VACUUM_INHG[pressure_class, large][new]
    pressure_pa = (STANDARD_INHG - vacuum) * INHG_PA if vacuum else no_vacuum
    missing = [name for name, entered in (("charge", charge_kg), ("made", machine_made)) if entered is None]
    basis = [
        word("level", f"{vacuum:g}_in_hg"),
        word("class", pressure_class),
        word("charge", "200_lb_or_more" if large else "under_200_lb"),
        word("made", "new" if new else "old"),
        *(word("not_entered", f"no_{name}") for name in missing),
        *estimated,
    ]
    if charge_kg is not None and charge_kg <= SMALL_APPLIANCE_KG * (1 + 1e-9):
        basis.append(word("small", "small_appliance"))
    note = "the stricter column where something was not entered" if missing else None
    return RecoveryLevel(known(pressure_pa, "Pa", note=note), tuple(basis))


def judge_level(
    level: RecoveryLevel,
    settled: Value,
    settled_for_s: float | None = None,
    settled_yet: bool = True,
    accuracy_stated: bool = True,
) -> Finding:
    """Does a settled pressure (absolute, with its uncertainty) meet the level? Between is "cannot tell".

    settled_for_s: how long it had after the recovery machine was stopped. settled_yet: whether that was long enough.
    accuracy_stated: of the gauge; without it nothing is held.
    """
    limit, found = level.pressure.number, settled.number
    inputs = [
        number("required", Quantity.PRESSURE, level.pressure),
        number("settled", Quantity.PRESSURE, settled),
        *level.basis,
    ]
    if settled_for_s is not None:
        inputs.append(number("settled_for", Quantity.TIME, known(settled_for_s, "s")))
    verdict, judged = Verdict.CANNOT_TELL, "too_close"
    band = 2 * (settled.u or 0.0)
    if limit is None or found is None:
        judged = "unknown"
    elif found + band <= limit:
        verdict, judged = (Verdict.PASS, "held") if accuracy_stated else (Verdict.CANNOT_TELL, "no_accuracy")
    elif found - band > limit:
        verdict, judged = Verdict.FAIL, "not_held" if settled_yet else "above_already"
    return Finding("recovery.level", verdict, (*inputs, word("judged", judged)))
