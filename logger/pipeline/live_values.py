"""Live quantities, once a second and at each reading that an alarm hangs on. Every one has a value or its reason."""

from logger.cylinder.limits import CylinderLimits
from logger.model.job import Stage, StageKind
from logger.model.points import SI_UNIT
from logger.model.units import NS_PER_S
from logger.model.value import Value, known, unknown
from logger.pipeline.analysis import direction_of, level_of
from logger.pipeline.cylinder_findings import fill_of
from logger.pipeline.job_model import JobModel
from logger.pipeline.snapshot import LIVE, STAGE_VIEW
from logger.refrigerant import OutOfRange
from logger.refrigerant.water import saturation_temperature
from logger.stages.charging.analysis import ChargingNow, ChargingWatch
from logger.stages.recovery.live import RecoveryNow, RecoveryWatch
from logger.stages.start_up.analysis import start_up_now
from logger.statistics.least_squares import line

RATE_WINDOW_S = 120.0
OF_THE_PAST = frozenset(
    {"recovered", "charge_left", "time_to_charge_out", "pressure_expected", "pressure_change", "vacuum_rise",
     "time_to_target", "charged", "charge_to_go", "time_to_stop"}
)  # fmt: skip
"""What rests on the stage from its beginning, and not on the last minutes alone."""
_RECOVERY_POINTS = (
    "recovery_inlet_pressure", "recovery_inlet_temperature", "recovery_outlet_pressure", "cylinder_pressure",
    "cylinder_temperature", "ambient_temperature", "system_pressure", "system_temperature",
)  # fmt: skip


class LiveQuantities:
    """What must be remembered between two looks; begun anew with each stage."""

    def __init__(self) -> None:
        self.recovery: RecoveryWatch | None = None
        self.recovery_now: RecoveryNow | None = None
        self.charging: ChargingWatch | None = None
        self.charging_now: ChargingNow | None = None

    def begin(self, model: JobModel, stage: Stage) -> None:
        self.recovery = self.recovery_now = None
        self.charging = self.charging_now = None
        if stage.kind is StageKind.RECOVERY:
            self.recovery = RecoveryWatch(model.refrigerant(), charge_of(model))
        if stage.kind is StageKind.CHARGING and model.weighing is not None:
            target = stage.settings.get("target")
            no_target = unknown("kg", "no target: give one with `--target 220lb` at the stage's beginning")
            self.charging = ChargingWatch(
                no_target if target is None else known(target, "kg"),
                resolution_kg=model.weighing.resolution_kg,
                direction=direction_of(stage),
            )

    def values(self, model: JobModel, stage: Stage | None, slow: dict[str, Value]) -> dict[str, Value]:
        """slow: what the stage's analysis found (every ten seconds), such as the time to the target vacuum."""
        found = {**_cylinder(model), **slow}
        kind = stage.kind if stage else None
        if stage is not None and kind is StageKind.RECOVERY:
            found |= self._recovery(model, stage, found)
        elif stage is not None and kind is StageKind.CHARGING:
            found |= self._charging(model, stage)
        elif stage is not None and kind in (StageKind.EVACUATION, StageKind.DECAY_TEST):
            found |= _vacuum(model, stage)
        elif kind is StageKind.START_UP:
            found |= _start_up(model)
        for key in (STAGE_VIEW[kind].headline, *STAGE_VIEW[kind].lines):
            if key and key not in found:
                found[key] = unknown(SI_UNIT[LIVE[key].quantity], "not enough readings yet")
        return {key: found[key] for key in LIVE if key in found}

    def _recovery(self, model: JobModel, stage: Stage, found: dict[str, Value]) -> dict[str, Value]:
        if self.recovery is None:
            self.begin(model, stage)
            assert self.recovery is not None
        self.recovery.charge = charge_of(model)  # both may be entered while it runs
        self.recovery.level_pa = level_of(model, stage).pressure.number
        weighing = model.weighing
        rate, moved = unknown("kg/s", "no scale in the rig"), unknown("kg", "no scale in the rig")
        if weighing is not None:
            rate, moved = weighing.rate.value, weighing.moved_at(weighing.seconds(model.now_ns))
        if (silent := scale_problem(model)) is not None:
            rate, moved = unknown("kg/s", silent), unknown("kg", silent)
        now = self.recovery_now = self.recovery.update(
            (model.now_ns - stage.begun_ns) / NS_PER_S,
            rate,
            moved,
            found.get("mass_allowed", unknown("kg", "no scale in the rig")),
            {name: model.value(name) for name in _RECOVERY_POINTS},
            found.get("cylinder_fill_now", unknown("1", "no scale in the rig")),
        )
        return {
            "mass_rate": rate,
            "recovered": moved,
            "charge_left": now.charge_left,
            "time_to_charge_out": now.time_to_charge_out.value,
            "time_to_limit": now.time_to_limit.value,
            "condensing_over_ambient": now.condensing_over_ambient,
            "outlet_saturation": now.outlet_saturation,
            "stalled_for": _stalled_for(rate, now, (model.now_ns - stage.begun_ns) / NS_PER_S),
        }

    def _charging(self, model: JobModel, stage: Stage) -> dict[str, Value]:
        weighing = model.weighing
        if self.charging is None:
            self.begin(model, stage)  # it was begun before the scale was heard
        if weighing is None or self.charging is None:
            none = unknown("kg", "no scale in the rig")
            return {"mass_rate": unknown("kg/s", "no scale in the rig"), "charge_to_go": none, "charged": none}
        t_s = weighing.seconds(model.now_ns)
        moved, rate, quick = weighing.moved_at(t_s), weighing.rate.value, weighing.rate.quick
        if (silent := scale_problem(model)) is not None:
            moved, rate, quick = unknown("kg", silent), unknown("kg/s", silent), unknown("kg/s", silent)
        now = self.charging_now = self.charging.update(t_s, moved, rate, quick)
        return {
            "mass_rate": now.rate,
            "charged": now.charged,
            "charge_to_go": now.to_go,
            "time_to_stop": now.time_to_close.value,
        }


def scale_problem(model: JobModel) -> str | None:
    """Why nothing is known of what flows now: what the scale said before it went silent is not what it would say."""
    now = model.value("cylinder_mass")
    return None if now.number is not None or model.weighing is None else f"scale: {now.problem}"


def _stalled_for(rate: Value, now: RecoveryNow, t_s: float) -> Value:
    """Seconds; 0 while something comes, or nothing remains to come. t_s: since the stage began."""
    if rate.number is None:
        return unknown("s", str(rate.problem))
    if now.stall_problem is not None:
        return unknown("s", now.stall_problem)
    return known(0.0 if now.stalled_since_s is None else t_s - now.stalled_since_s, "s")


def charge_of(model: JobModel) -> Value:
    job = model.state.job
    if job is None or job.full_charge_kg is None:
        return unknown("kg", "the appliance's charge is not entered")
    return known(job.full_charge_kg, "kg")


def _cylinder(model: JobModel) -> dict[str, Value]:
    """Fill and pressure margin of the cylinder on the scale; nothing when the rig has neither scale nor gauge on it."""
    keys = ("cylinder_net_mass", "cylinder_of_limit", "mass_allowed")
    if model.weighing is None and "cylinder_pressure" not in model.points:
        return {}
    found: dict[str, Value] = {}
    limit = model.cylinder_limits()
    if not isinstance(limit, CylinderLimits):
        why = str(limit.problem)
        found |= {key: unknown(SI_UNIT[LIVE[key].quantity], why) for key in (*keys, *_FILLS, "cylinder_margin")}
        return found
    fill = fill_of(model, limit)
    found |= {
        "cylinder_net_mass": fill.net_mass,
        "cylinder_of_limit": fill.of_limit,
        "mass_allowed": fill.mass_allowed,
        "cylinder_fill_now": fill.fill_now,
        "cylinder_fill_25c": fill.fill_25c,
        "liquid_full_temperature": fill.liquid_full_temperature,
        "cylinder_margin": _cylinder_margin(model, limit),
    }
    return found


_FILLS = ("cylinder_fill_now", "cylinder_fill_25c", "liquid_full_temperature")


def _cylinder_margin(model: JobModel, limit: CylinderLimits) -> Value:
    pressure = model.value("cylinder_pressure")
    service = limit.cylinder.service_pressure_pa
    if service is None:
        return unknown("Pa", "the cylinder's service pressure is not entered")
    if pressure.number is None:
        return unknown("Pa", f"cylinder pressure: {pressure.problem}")
    return known(service + model.ambient.pressure_pa - pressure.number, "Pa", pressure.u, pressure.note)


def _vacuum(model: JobModel, stage: Stage) -> dict[str, Value]:
    vacuum = model.value("vacuum")
    rate = _rate(model) if vacuum.number is not None else unknown("Pa/s", str(vacuum.problem))
    found = {"vacuum": vacuum, "water_saturation": _water(vacuum), "vacuum_rate": rate}
    if stage.kind is StageKind.DECAY_TEST:
        since = max(model.marks("isolated", stage.begun_ns), default=None)
        if since is None:
            why = "isolation not marked: `rimelog mark isolated` when the pump is valved off"
            return found | {"isolated_for": unknown("s", why), "vacuum_rise": unknown("Pa", why)}
        found["isolated_for"] = known((model.now_ns - since) / NS_PER_S, "s")
        found["vacuum_rise"] = _rise(model, vacuum, since)
    return found


def _rise(model: JobModel, vacuum: Value, since_ns: int) -> Value:
    history = model.histories.get("vacuum")
    first_s = max(10.0, 2 * history.width_s) if history is not None else 10.0  # a long stage's buckets are wide
    start = model.series("vacuum", since_ns, since_ns + int(first_s * NS_PER_S))
    first = start.value
    if not first:
        return unknown("Pa", "no reading at isolation")
    if vacuum.number is None:
        return unknown("Pa", str(vacuum.problem))
    return known(vacuum.number - sum(first) / len(first), "Pa", 1.41 * start.u)


def _rate(model: JobModel) -> Value:
    history = model.histories.get("vacuum")
    if history is None:
        return unknown("Pa/s", "no vacuum reading yet")
    buckets = history.buckets((model.now_ns - history.start_ns) / NS_PER_S - max(RATE_WINDOW_S, 8 * history.width_s))
    fit = line([b.start_s for b in buckets], [b.mean for b in buckets]) if len(buckets) >= 5 else None
    if fit is None:
        return unknown("Pa/s", "not enough readings yet")
    return known(fit.slope, "Pa/s", fit.u_slope)


def _water(vacuum: Value) -> Value:
    """Where water boils at this pressure: below the coldest place of the circuit it stays."""
    if vacuum.number is None:
        return unknown("K", str(vacuum.problem))
    try:
        return known(saturation_temperature(vacuum.number), "K")
    except OutOfRange as exc:
        return unknown("K", str(exc))


def _start_up(model: JobModel) -> dict[str, Value]:
    refrigerant = model.refrigerant()
    if refrigerant is None:
        return {}
    return start_up_now(refrigerant, {name: model.value(name) for name in model.points}, high_side_limit(model))


def high_side_limit(model: JobModel) -> float | None:
    """Absolute Pa, from the job's stage settings; None when not entered."""
    stage = model.state.stage
    limit = stage.settings.get("high_side_limit") if stage else None
    return float(limit) if limit is not None else None
