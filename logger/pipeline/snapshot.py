"""What the daemon shows now: plain data for the API, screens and alarms."""

from dataclasses import dataclass

from logger.model.cylinder import Cylinder
from logger.model.finding import Finding
from logger.model.job import Job, Note, Stage, StageKind
from logger.model.points import Quantity
from logger.model.value import Value

_Q = Quantity


@dataclass(frozen=True, slots=True)
class LiveQuantity:
    """key: name in the API and exports. label: what the mechanic reads."""

    key: str
    label: str
    quantity: Quantity


LIVE: dict[str, LiveQuantity] = {
    key: LiveQuantity(key, label, quantity)
    for key, label, quantity in (
        ("cylinder_net_mass", "In the cylinder", _Q.MASS),
        ("cylinder_of_limit", "Cylinder, share of its limit", _Q.RATIO),
        ("cylinder_fill_now", "Liquid fill now", _Q.RATIO),
        ("cylinder_fill_25c", "Liquid fill at 25 °C", _Q.RATIO),
        ("liquid_full_temperature", "Liquid-full at", _Q.TEMPERATURE),
        ("mass_allowed", "Cylinder may still take", _Q.MASS),
        ("mass_rate", "Rate", _Q.MASS_RATE),
        ("recovered", "Recovered", _Q.MASS),
        ("charge_left", "Left of the charge", _Q.MASS),
        ("time_to_charge_out", "Charge out in", _Q.TIME),
        ("time_to_limit", "Cylinder at its limit in", _Q.TIME),
        ("stalled_for", "Nothing comes for", _Q.TIME),
        ("condensing_over_ambient", "Condensing over ambient", _Q.TEMPERATURE_DIFFERENCE),
        ("outlet_saturation", "Outlet saturation (dew)", _Q.TEMPERATURE),
        ("cylinder_saturation", "Cylinder saturation (bubble)", _Q.TEMPERATURE),
        ("cylinder_margin", "Cylinder below its pressure limit", _Q.PRESSURE_DIFFERENCE),
        ("pressure_expected", "Expected by temperature", _Q.PRESSURE),
        ("pressure_change", "Change, temperature-corrected", _Q.PRESSURE_DIFFERENCE),
        ("vacuum", "Vacuum", _Q.VACUUM),
        ("vacuum_rate", "Vacuum, rate", _Q.PRESSURE_RATE),
        ("vacuum_rise", "Rise since isolation", _Q.VACUUM),
        ("isolated_for", "Isolated for", _Q.TIME),
        ("time_to_target", "Target vacuum in", _Q.TIME),
        ("water_saturation", "Water boils at", _Q.TEMPERATURE),
        ("charged", "Charged", _Q.MASS),
        ("charge_to_go", "Still to go in", _Q.MASS),
        ("time_to_stop", "Close the valve in", _Q.TIME),
        ("suction_superheat", "Suction superheat", _Q.TEMPERATURE_DIFFERENCE),
        ("discharge_superheat", "Discharge superheat", _Q.TEMPERATURE_DIFFERENCE),
        ("subcooling", "Subcooling", _Q.TEMPERATURE_DIFFERENCE),
        ("suction_saturation", "Evaporating (dew)", _Q.TEMPERATURE),
        ("condensing_saturation", "Condensing (dew)", _Q.TEMPERATURE),
        ("approach", "Approach", _Q.TEMPERATURE_DIFFERENCE),
        ("high_side_margin", "High side below limit", _Q.PRESSURE_DIFFERENCE),
    )
}


@dataclass(frozen=True, slots=True)
class StageView:
    """What a stage puts first: the one large number, the lines under it, the point whose trend is drawn, the points
    whose readings come before the others."""

    headline: str
    lines: tuple[str, ...]
    trend: str
    points: tuple[str, ...] = ()
    log_trend: bool = False


_VESSEL = ("cylinder_mass", "cylinder_pressure", "cylinder_temperature")
_SYSTEM = ("system_pressure", "system_temperature", "ambient_temperature")


STAGE_VIEW: dict[StageKind | None, StageView] = {
    StageKind.RECOVERY: StageView(
        "cylinder_of_limit",
        ("recovered", "mass_rate", "mass_allowed", "time_to_limit", "charge_left", "time_to_charge_out",
         "cylinder_fill_now", "liquid_full_temperature", "condensing_over_ambient"),
        "cylinder_mass",
        (*_VESSEL, "recovery_inlet_pressure", "recovery_outlet_pressure", *_SYSTEM),
    ),
    StageKind.PRESSURE_TEST: StageView("pressure_change", ("pressure_expected",), "system_pressure", _SYSTEM),
    StageKind.EVACUATION: StageView(
        "vacuum", ("vacuum_rate", "time_to_target", "water_saturation"), "vacuum", ("vacuum", *_SYSTEM), True
    ),
    StageKind.DECAY_TEST: StageView(
        "vacuum", ("vacuum_rise", "isolated_for", "vacuum_rate", "water_saturation"), "vacuum",
        ("vacuum", *_SYSTEM), True,
    ),
    StageKind.CHARGING: StageView(
        "charge_to_go", ("charged", "mass_rate", "time_to_stop", "cylinder_net_mass"), "cylinder_mass",
        (*_VESSEL, *_SYSTEM),
    ),
    StageKind.START_UP: StageView(
        "suction_superheat",
        ("subcooling", "discharge_superheat", "suction_saturation", "condensing_saturation",
         "condensing_over_ambient", "approach", "high_side_margin"),
        "suction_pressure",
        ("suction_pressure", "suction_temperature", "liquid_pressure", "liquid_temperature", "discharge_pressure",
         "discharge_temperature", "valve_position", "liquid_level", "ambient_temperature"),
    ),
    None: StageView("", (), "cylinder_mass"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class PointNow:
    """A point's newest reading; value.problem says why it is not trusted."""

    point: str
    value: Value
    age_s: float | None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """ambient_pa: what gauge pressures refer to. findings: of the running stage so far, or of the last one.

    refrigerant: the job's label for it. earlier: the first finding of each ended stage, oldest first. advice: what to
    do now and why, in short sentences.
    """

    t_ns: int
    job: Job
    refrigerant: str
    stage: Stage | None
    cylinder: Cylinder | None
    ambient_pa: Value
    points: dict[str, PointNow]
    live: dict[str, Value]
    findings: tuple[Finding, ...]
    notes: tuple[Note, ...]
    earlier: tuple[tuple[Stage, Finding], ...] = ()
    advice: tuple[str, ...] = ()
