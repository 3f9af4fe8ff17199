"""Recovery: refrigerant out of the system into cylinders on the scale."""

from dataclasses import dataclass

from logger.alarms.rules import AlarmRule, Kind
from logger.cylinder.limits import limits
from logger.model.alarm import Priority
from logger.model.drawing import LimitLine, PlotSpec
from logger.model.errors import ComputeError
from logger.model.points import Quantity
from logger.model.units import PSI_PA, STANDARD_ATMOSPHERE_PA
from logger.model.value import Value, unknown
from logger.refrigerant import OutOfRange, Refrigerant, RefrigerantError
from logger.refrigerant.pressure_class import REFERENCE_TEMPERATURE_K, near_a_limit
from logger.stages.comparison import Comparing
from logger.stages.definition import LiveQuantity, Pending, Profiles, StageDefinition, StageResult, View, Watch
from logger.stages.inputs import StageInputs
from logger.stages.noticing import Notice
from logger.stages.recovery.level import JUDGED_BY, RecoveryLevel, required_level
from logger.stages.recovery.words import WORDS
from logger.stages.settings import Form, setting
from logger.stages.weighed import cylinder_findings, on_scale, out_before, stays

RECOVERY = "recovery"
OUTLET_LIMIT_PA = 450 * PSI_PA + STANDARD_ATMOSPHERE_PA
_Q = Quantity
_OWN = "Rimelog default"
Inputs = StageInputs["Recovery"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    minor_repair: bool = setting(Form.FLAG, "not major, no evacuation to the atmosphere after it")
    leaking: bool = setting(Form.FLAG, "leaks make the level unattainable, or would draw air in")


def level_of(now: Inputs) -> RecoveryLevel:
    """How far down the refrigerant must be recovered; its pressure is unknown without a refrigerant."""
    return required_level(
        now.refrigerant.pressure_class if now.refrigerant else None,
        now.job.full_charge_kg,
        now.job.recovery_machine_made,
        ambient_pa=now.ambient.pressure_pa,
        minor_repair=now.settings.minor_repair,
        leaking=now.settings.leaking,
        class_estimated=now.refrigerant is not None and _class_estimated(now.refrigerant),
    )


def _class_estimated(refrigerant: Refrigerant) -> bool:
    try:
        return refrigerant.estimated and near_a_limit(refrigerant.bubble_pressure(REFERENCE_TEMPERATURE_K))
    except OutOfRange:
        return False


def _interim(now: Inputs) -> StageResult:
    return StageResult(cylinder_findings(now))


def _analyse(now: Inputs) -> StageResult:
    from logger.stages.recovery.analysis import analyse_recovery, level_held

    of_cylinder = cylinder_findings(now)
    stopped_ns = stopped_for_good(now)
    stopped_s = None if stopped_ns is None else now.seconds(stopped_ns)
    series = {name: now.series(name) for name in now.values}
    if now.scale is None:
        rebound = level_held(series, level_of(now), now.refrigerant, stopped_s)
        return StageResult(
            (*rebound.findings, *of_cylinder) if rebound else of_cylinder, limits=tuple(_level_lines(now))
        )
    first, swaps = on_scale(now)
    result = analyse_recovery(
        series,
        refrigerant=now.refrigerant,
        resolution_kg=now.scale.resolution_kg,
        charge_kg=now.job.full_charge_kg,
        u_accuracy_kg=now.scale.u_accuracy_kg,
        cylinder=first,
        swaps=swaps,
        level=level_of(now),
        stopped_s=stopped_s,
        before=out_before(now),
    )
    found = tuple(stays(result.ledger))
    return StageResult(
        (*result.findings, *of_cylinder),
        facts={"recovered": result.recovered},
        limits=(*_limit_lines(now, dict.fromkeys(stay.cylinder for stay in found)), *_level_lines(now)),
        stays=found,
        result=result,
    )


def stopped_for_good(now: Inputs) -> int | None:
    """When the recovery machine was marked as stopped, UTC ns; None where it was marked as started since, or never."""
    starts, stops = now.marked("machine-started"), now.marked("machine-stopped")
    return stops[-1] if stops and stops[-1] >= max(starts, default=0) else None


def _limit_lines(now: Inputs, names: dict[str, None]) -> list[LimitLine]:
    """Each cylinder's limit as the scale would show it."""
    lines = []
    for name in names:
        cylinder = now.cylinders.get(name)
        gross = unknown("kg", "its markings were not entered") if cylinder is None else _most(now, name)
        if gross.number is not None and cylinder is not None:
            lines.append(LimitLine(f"limit of {name}", "cylinder_mass", gross.number + cylinder.tare_kg))
    return lines


def _level_lines(now: Inputs) -> list[LimitLine]:
    """The required level, beside the pressure that is judged by it."""
    level_pa = level_of(now).pressure.number
    judged = next((point for point in JUDGED_BY if len(now.series(point))), None)
    return [] if level_pa is None or judged is None else [LimitLine("required recovery level", judged, level_pa)]


def _most(now: Inputs, name: str) -> Value:
    try:
        return limits(now.cylinders[name], now.job.jurisdiction, now.job.refrigerant).max_net
    except (ComputeError, RefrigerantError) as exc:
        return unknown("kg", str(exc))


def _watch(now: Inputs) -> Watch:
    from logger.stages.recovery.live import CylinderWatch

    return CylinderWatch(now)


def _pending(now: Inputs) -> Pending | None:
    from logger.stages.recovery.pending import pending

    return pending(now)


def alarms(settings: Recovery | None, profiles: Profiles) -> tuple[AlarmRule, ...]:
    """The alarms of a recovery, from what was entered when the stage began."""
    only = frozenset({RECOVERY})
    return (
        AlarmRule(
            "fill-unknown", Priority.URGENT, Kind.UNKNOWN, "cylinder_of_limit",
            on_delay_s=15, off_delay_s=5, stages=only, protected=True,
            basis="an overfill that cannot be seen must not go on unseen",
        ),
        AlarmRule(
            "time-to-limit", Priority.HIGH, Kind.PREDICTION, "time_to_limit", _Q.TIME,
            600, deadband=60, on_delay_s=15, off_delay_s=30, stages=only,
            basis="where what is left in the system may fill it; Rimelog default",
        ),
        AlarmRule(
            "outlet-pressure", Priority.URGENT, Kind.HIGH,
            "recovery_outlet_pressure", _Q.PRESSURE, OUTLET_LIMIT_PA, deadband=20 * PSI_PA, on_delay_s=3,
            off_delay_s=30, stages=only,
            basis="450 psig, below the usual 550 psig cut-out of recovery machines (common practice)",
        ),
        AlarmRule(
            "outlet-blocked", Priority.HIGH, Kind.HIGH,
            "recovery_outlet_pressure", _Q.PRESSURE_DIFFERENCE, 75 * PSI_PA, deadband=10 * PSI_PA, on_delay_s=30,
            off_delay_s=30, stages=only, other="cylinder_pressure",
            basis=_OWN,
        ),
        AlarmRule(
            "recovery-stalled", Priority.HIGH, Kind.HIGH, "stalled_for", _Q.TIME,
            300, deadband=1, off_delay_s=60, stages=only,
            basis="a scale that is stuck would hide an overfill; Rimelog default",
        ),
        AlarmRule(
            "condensing-hot", Priority.HIGH, Kind.HIGH, "condensing_over_ambient",
            _Q.TEMPERATURE_DIFFERENCE, 35, deadband=5, on_delay_s=120, off_delay_s=60, stages=only,
            basis=_OWN,
        ),
    )  # fmt: skip


def _comparing() -> Comparing:
    from logger.stages.recovery.compare import COMPARING

    return COMPARING


def _notices() -> tuple[Notice, ...]:
    from logger.stages.recovery.noticing import NOTICES

    return NOTICES


DEFINITION = StageDefinition(
    kind=RECOVERY,
    label="Recovery",
    decides="recovery.level",
    settings=Recovery,
    analyse=_analyse,
    interim=_interim,
    watch=_watch,
    view=View(
        "cylinder_of_limit",
        ("recovered", "recovered_in_job", "mass_rate", "mass_allowed", "time_to_limit", "charge_left",
         "time_to_charge_out", "cylinder_fill_now", "liquid_full_temperature", "condensing_over_ambient"),
        "cylinder_mass",
        ("cylinder_mass", "cylinder_pressure", "cylinder_temperature", "recovery_inlet_pressure",
         "recovery_outlet_pressure", "system_pressure", "system_temperature", "ambient_temperature"),
        optional=frozenset({"recovered_in_job"}),
    ),
    live=(
        LiveQuantity("mass_rate", "Rate", _Q.MASS_RATE),
        LiveQuantity("recovered", "Recovered", _Q.MASS, whole_stage=True),
        LiveQuantity("recovered_in_job", "Out of system, whole job", _Q.MASS, whole_stage=True),
        LiveQuantity("charge_left", "Still in system (est.)", _Q.MASS, whole_stage=True),
        LiveQuantity("time_to_charge_out", "Time to empty (est.)", _Q.TIME, whole_stage=True),
        LiveQuantity("time_to_limit", "Cylinder full in", _Q.TIME),
        LiveQuantity("stalled_for", "No flow for", _Q.TIME),
        LiveQuantity("condensing_over_ambient", "Condensing over ambient", _Q.TEMPERATURE_DIFFERENCE),
        LiveQuantity("outlet_saturation", "Outlet saturation (dew)", _Q.TEMPERATURE),
    ),
    alarms=alarms,
    silence_matters=frozenset(
        {"cylinder_mass", "cylinder_pressure", "cylinder_temperature", "recovery_inlet_pressure",
         "recovery_outlet_pressure", "system_pressure"}
    ),
    fills_cylinder=True,
    plots=(
        PlotSpec("Weight on the scale", ("cylinder_mass",)),
        PlotSpec("Pressures", ("recovery_inlet_pressure", "recovery_outlet_pressure", "cylinder_pressure")),
        PlotSpec("Pressure of the system", ("system_pressure", "recovery_inlet_pressure")),
        PlotSpec("Temperatures", ("cylinder_temperature", "ambient_temperature")),
    ),
    listed=("cylinder", "recovery", "system_pressure", "ambient"),
    comparing=_comparing,
    acts=("machine-started", "machine-stopped", "valve-opened", "valve-closed"),
    pending=_pending,
    notices=_notices,
    words=WORDS,
    question="Is the refrigerant out of the system, down to the required level?",
    figures=(("recovery.mass", "recovered"), ("recovery.level", "settled"), ("recovery.level", "required")),
)  # fmt: skip
