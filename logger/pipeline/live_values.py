"""Live quantities, once a second and at each reading that an alarm hangs on. Every one has a value or its reason."""

from collections.abc import Mapping
from dataclasses import replace

from logger.cylinder.limits import CylinderLimits
from logger.cylinder.on_scale import CylinderReadings, entry_findings, fill_of, margin_of
from logger.model.finding import Finding, Verdict
from logger.model.job import Stage
from logger.model.points import SI_UNIT
from logger.model.value import Statement, Value, unknown
from logger.pipeline.job_model import JobModel
from logger.pipeline.job_state import JobState
from logger.pipeline.stage_inputs import StageInputsMaker
from logger.refrigerant import Refrigerant, UnknownRefrigerant
from logger.stages import registry
from logger.stages.definition import Watch


class LiveQuantities:
    """Feeds the running stage's watch, made again with each stage, and adds what is known of the cylinder."""

    def __init__(self) -> None:
        self.watch: Watch | None = None
        self._maker: StageInputsMaker | None = None

    def begin(self, model: JobModel, stage: Stage) -> None:
        self._maker, self.watch = StageInputsMaker(model, stage), None
        known = self._maker.known
        if known is not None and known.watch is not None:
            self.watch = known.watch(self._maker.full(model.now_ns, cylinder_values(model)))

    def refer(self, model: JobModel, stage: Stage) -> None:
        """The running stage's settings, or the job's facts, are otherwise now; its watch goes on."""
        self._maker = StageInputsMaker(model, stage)

    def values(self, model: JobModel, stage: Stage | None, slow: Mapping[str, Value]) -> dict[str, Value]:
        """slow: what the stage's analysis found (every ten seconds), such as the time to the target vacuum."""
        found = {**cylinder_values(model), **slow}
        if stage is not None:
            if self._maker is None or self._maker.stage.number != stage.number:
                self.begin(model, stage)
            if self.watch is not None and self._maker is not None:
                found |= self.watch.update(self._maker.full(model.now_ns, found))
        live, view = registry.live_quantities(), registry.view(stage.kind if stage else None)
        for key in (view.headline, *view.lines):
            if key and key not in found and key not in view.optional:
                found[key] = unknown(SI_UNIT[live[key].quantity], "not enough readings yet")
        return {key: found[key] for key in live if key in found}

    def advice(self, model: JobModel, stage: Stage | None) -> tuple[Statement, ...]:
        """What to do now and why, the most urgent first; none where the watch has nothing to say."""
        if stage is None or self.watch is None or self._maker is None or self._maker.stage.number != stage.number:
            return ()
        return self.watch.advice(self._maker.full(model.now_ns))


CYLINDER_READINGS = frozenset({"cylinder_mass", "cylinder_pressure", "cylinder_temperature"})
"""Points whose every reading counts at once for what is known of the cylinder."""


def cylinder_readings(model: JobModel) -> CylinderReadings:
    return CylinderReadings(
        model.weighing.on_scale if model.weighing else None,
        model.value("cylinder_mass"),
        model.value("cylinder_pressure"),
        model.value("cylinder_temperature"),
        model.value("ambient_temperature"),
    )


def cylinder_values(model: JobModel) -> dict[str, Value]:
    """Fill and pressure margin of the cylinder on the scale; nothing when the rig has neither scale nor gauge on it.

    While a correction is worked in, each as the stricter of old and new facts has it.
    """
    if model.weighing is None and not model.is_measured("cylinder_pressure"):
        return {}
    found = _cylinder_values(model, model.state)
    for held in model.held:
        for key, value in _cylinder_values(model, held).items():
            own, side = found[key].number, _STRICTER[key]
            if own is not None and value.number is not None and side * value.number > side * own:
                found[key] = replace(value, note="by the stricter of old and new entries")
    return found


_STRICTER = {
    "cylinder_net_mass": 1, "cylinder_of_limit": 1, "mass_allowed": -1, "cylinder_fill_now": 1, "cylinder_fill_25c": 1,
    "liquid_full_temperature": -1, "cylinder_margin": -1,
}  # fmt: skip
"""Which way a value is the stricter one."""
OF_CYLINDER = frozenset(_STRICTER)


def _cylinder_values(model: JobModel, state: JobState) -> dict[str, Value]:
    limit = model.cylinder_limits(state)
    if not isinstance(limit, CylinderLimits):
        return unknown_cylinder(str(limit.problem))
    now = cylinder_readings(model)
    fill = fill_of(limit, now)
    return {
        "cylinder_net_mass": fill.net_mass,
        "cylinder_of_limit": fill.of_limit,
        "mass_allowed": fill.mass_allowed,
        "cylinder_fill_now": fill.fill_now,
        "cylinder_fill_25c": fill.fill_25c,
        "liquid_full_temperature": fill.liquid_full_temperature,
        "cylinder_margin": margin_of(limit, now.pressure, model.ambient.pressure_pa),
    }


def unknown_cylinder(why: str) -> dict[str, Value]:
    live = registry.live_quantities()
    return {key: unknown(SI_UNIT[live[key].quantity], why) for key in _STRICTER}


def forbidding(model: JobModel, now_ns: int) -> tuple[Finding, ...]:
    """Findings for which nothing may be put into the cylinder on the scale: its contents, marking or test."""
    found: dict[str, Finding] = {}
    for state in (model.state, *model.held):
        for one in forbidding_of(model, state, now_ns):
            found.setdefault(one.key, one)
    return tuple(found.values())


def forbidding_of(model: JobModel, state: JobState, now_ns: int) -> tuple[Finding, ...]:
    """The same by one state of the entries."""
    refrigerant = model.refrigerant() if state is model.state else refrigerant_of(state)
    found = entry_findings(state.cylinder, model.cylinder_limits(state), refrigerant, state.day(now_ns))
    return tuple(f for f in found if f.verdict is Verdict.FAIL)


def refrigerant_of(state: JobState) -> Refrigerant | None:
    try:
        return state.catalogue.find(state.job.refrigerant) if state.job is not None else None
    except UnknownRefrigerant:
        return None
