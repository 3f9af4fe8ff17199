"""A stage's analysis: what the computations are given, live every ten seconds and once more at the end.

To add a stage: a function here from JobModel and Stage to Report, an entry in _ANALYSES, its view in snapshot.py.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from logger.model.finding import Finding, Verdict
from logger.model.job import Stage, StageKind
from logger.model.sample import Series
from logger.model.units import NS_PER_S
from logger.model.value import Value, known
from logger.physics.ambient import AmbientSource
from logger.physics.leak_flow import ServiceGas, service_gas
from logger.pipeline.cylinder_findings import contents_finding, vessel_findings
from logger.pipeline.job_model import JobModel
from logger.refrigerant import OutOfRange
from logger.stages.acceptance import DECAY_PROFILES, PRESSURE_PROFILES, DecayProfile, PressureProfile
from logger.stages.charging.analysis import ChargingResult, analyse_charging
from logger.stages.charging.leak_record import leak_rate_findings, leak_record
from logger.stages.decay_test.analysis import analyse_decay
from logger.stages.evacuation.analysis import analyse_pull_down
from logger.stages.evacuation.stretches import PumpMark
from logger.stages.pressure_test.analysis import Thermometer, analyse_standing
from logger.stages.recovery.analysis import RecoveryResult, analyse_recovery
from logger.stages.recovery.level import RecoveryLevel, required_level
from logger.stages.start_up.analysis import StartUpResult, analyse_start_up
from logger.stages.start_up.carry import figures_finding
from logger.stages.start_up.evaporator_feed import SUPERHEAT_TARGET_K

DEFAULT_DECAY_PROFILE = "ufgs-15182"
DEFAULT_PRESSURE_PROFILE = "ufgs-15217n"
FILLED_SETTLING_S = 900.0
LEAK_REFERENCE_K = 293.15  # where no temperature is measured
# What a stage is judged by comes first among its findings.
VERDICT_KEYS = frozenset(
    {"recovery.level", "standing-pressure.verdict", "evacuation.progress", "decay.verdict", "charging.target",
     "start_up.feed"}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Report:
    """findings: verdict first. values: live quantities that only the analysis knows. result: for plots and exports."""

    findings: tuple[Finding, ...] = ()
    values: dict[str, Value] = field(default_factory=dict)
    result: Any = None


def analyse(model: JobModel, stage: Stage, until_ns: int, final: bool = False) -> Report:
    """The stage from its beginning to `until_ns`; unless final, from few readings, so that it takes milliseconds."""
    model.brief = not final
    try:
        report = _ANALYSES[stage.kind](model, stage, until_ns, final)
    finally:
        model.brief = False  # what is live goes by all readings
    return replace(report, findings=tuple(sorted(report.findings, key=lambda f: f.key not in VERDICT_KEYS)))


def not_analysed(fault: str) -> Report:
    """Of a stage at whose analysis this program failed. fault: the error, in a line."""
    text = f"This program failed at the analysis of this stage ({fault}). Its readings are recorded."
    return Report((Finding("program.failed", Verdict.CANNOT_TELL, "not analysed", text),))


def profile_of(model: JobModel, stage: Stage) -> DecayProfile | PressureProfile | None:
    """The acceptance profile chosen for the stage: the user's own or a published one."""
    key = stage.settings.get("profile")
    own = model.state.profiles.get(key) if key else None
    if own is not None:
        return own
    if stage.kind is StageKind.DECAY_TEST:
        return DECAY_PROFILES.get(key or DEFAULT_DECAY_PROFILE)
    if stage.kind is StageKind.PRESSURE_TEST:
        return PRESSURE_PROFILES.get(key or DEFAULT_PRESSURE_PROFILE)
    return None


def _recovery(model: JobModel, stage: Stage, until_ns: int, final: bool) -> Report:
    job = model.state.job
    vessel = vessel_findings(model, until_ns)
    if not final or job is None or model.weighing is None:
        return Report(vessel)
    series = {name: model.series(name, stage.begun_ns, until_ns) for name in model.points}
    first, swaps = _cylinders(model, stage, until_ns)
    stops = model.marks("machine-stopped", stage.begun_ns)
    result = analyse_recovery(
        series,
        refrigerant=model.refrigerant(),
        resolution_kg=model.weighing.resolution_kg,
        charge_kg=job.full_charge_kg,
        u_accuracy_kg=model.weighing.u_accuracy_kg,
        cylinder=first,
        swaps=swaps,
        level=level_of(model, stage),
        stopped_s=(stops[-1] - stage.begun_ns) / NS_PER_S if stops else None,
    )
    return Report((*result.findings, *vessel), {}, result)


def level_of(model: JobModel, stage: Stage) -> RecoveryLevel:
    """How far down the refrigerant must be recovered; its pressure is unknown without a job or refrigerant."""
    refrigerant, job = model.refrigerant(), model.state.job
    return required_level(
        refrigerant.pressure_class if refrigerant else None,
        job.full_charge_kg if job else None,
        job.recovery_machine_made if job else None,
        ambient_pa=model.ambient.pressure_pa,
        minor_repair=bool(stage.settings.get("minor_repair")),
    )


def _cylinders(model: JobModel, stage: Stage, until_ns: int) -> tuple[str, list[tuple[float, str]]]:
    """Name of the cylinder on the scale at the beginning, and (seconds into the stage, name) of those that came."""
    before = [name for t, name in model.state.swaps if t <= stage.begun_ns]
    came = [((t - stage.begun_ns) / NS_PER_S, name) for t, name in model.state.swaps if stage.begun_ns < t <= until_ns]
    return before[-1] if before else "", came


def target_vacuum(stage: Stage) -> float:
    """Absolute Pa to reach: as set for the stage, else where the default acceptance profile lets a hold begin."""
    start_max_pa = DECAY_PROFILES[DEFAULT_DECAY_PROFILE].steps[0].start_max_pa
    assert start_max_pa is not None
    return float(stage.settings.get("target_vacuum", start_max_pa))


def _evacuation(model: JobModel, stage: Stage, until_ns: int, final: bool) -> Report:
    begun = stage.begun_ns
    acts = [PumpMark((t - begun) / NS_PER_S, f"{what} {text}".strip()) for t, what, text in model.state.marks]
    notes = [PumpMark((n.t_ns - begun) / NS_PER_S, n.text) for n in model.state.notes]
    result = analyse_pull_down(
        model.series("vacuum", begun, until_ns),
        target_pa=target_vacuum(stage),
        marks=sorted((m for m in [*acts, *notes] if 0 <= m.t_s <= (until_ns - begun) / NS_PER_S), key=lambda m: m.t_s),
        temperature=model.measured("system_temperature", begun, until_ns)
        or model.measured("ambient_temperature", begun, until_ns),
        pump_ultimate_pa=model.state.job.pump_ultimate_pa if model.state.job else None,
        evacuations_asked=stage.settings.get("evacuations"),
    )
    return Report(result.findings, {"time_to_target": result.time_to_target}, result)


def _charging(model: JobModel, stage: Stage, until_ns: int, final: bool) -> Report:
    job = model.state.job
    vessel = contents_finding(model)
    if not final or job is None or model.weighing is None:
        return Report(vessel)
    first, swaps = _cylinders(model, stage, until_ns)
    evacuated = any(s.kind is StageKind.EVACUATION for s in model.state.stages)
    charged_before = any(s.kind is StageKind.CHARGING and s.number < stage.number for s in model.state.stages)
    result = analyse_charging(
        model.series("cylinder_mass", stage.begun_ns, until_ns),
        resolution_kg=model.weighing.resolution_kg,
        target_kg=stage.settings.get("target"),
        full_charge_kg=job.full_charge_kg,
        before_kg=0.0 if evacuated and not charged_before else None,
        direction=direction_of(stage),
        cylinder=first,
        swaps=tuple(swaps),
        u_accuracy_kg=model.weighing.u_accuracy_kg,
    )
    return Report((*result.findings, *_leak_rate(model, stage, until_ns, result.charged), *vessel), {}, result)


def _leak_rate(model: JobModel, stage: Stage, until_ns: int, charged: Value) -> tuple[Finding, ...]:
    """By what this job has added so far and what earlier jobs of the appliance did."""
    state, job = model.state, model.state.job
    if job is None:
        return ()
    before = [model.results[n] for n in sorted(model.results) if n < stage.number]
    recovered = [result.recovered for result in before if isinstance(result, RecoveryResult)]
    return leak_rate_findings(
        [*(result.charged for result in before if isinstance(result, ChargingResult)), charged],
        recovered,
        None if state.earlier is None else leak_record(state.earlier, job.full_charge_kg, state.earlier_complete),
        full_charge_kg=job.full_charge_kg,
        on=state.day(until_ns),
        appliance_class=job.appliance_class,
        first_charge=bool(model.evacuations) and not recovered,
        purpose=str(stage.settings.get("purpose", "")),
    )


def direction_of(stage: Stage) -> int | None:
    """Which way the scale goes while charging: "supply" loses, "receiver" gains; None finds out."""
    return {"supply": -1, "receiver": 1}.get(stage.settings.get("direction", ""))


def _decay(model: JobModel, stage: Stage, until_ns: int, final: bool) -> Report:
    lead_ns = max(model.window_ns, 0)
    # the valve may have been closed before the stage was begun, but not for the test before this one
    tested_ns = [s.ended_ns or 0 for s in model.state.stages if s.kind is stage.kind and s.number < stage.number]
    marked = [t for t in model.marks("isolated", max([lead_ns, *tested_ns])) if t <= until_ns]
    profile = profile_of(model, stage)
    job = model.state.job
    vacuum = model.series("vacuum", lead_ns, until_ns)
    result = analyse_decay(
        vacuum,
        profile=profile if isinstance(profile, DecayProfile) else None,
        isolated_s=(marked[-1] - lead_ns) / NS_PER_S if marked else None,
        ended_s=(until_ns - lead_ns) / NS_PER_S,
        temperature=model.measured("system_temperature", lead_ns, until_ns),
        ambient=model.measured("ambient_temperature", lead_ns, until_ns),
        volume_m3=job.volume_m3 if job else None,
        volume_u_m3=job.volume_u_m3 if job else None,
        gas=_gas(model),
        evacuations=sum(model.evacuations.values()) or None,
        earlier_held=list(model.held.values()).count(profile.key) if profile else 0,
        pump_ultimate_pa=job.pump_ultimate_pa if job else None,
    )
    return Report(result.findings, {}, result)


def _gas(model: JobModel) -> ServiceGas | None:
    """The refrigerant as it would leak: at its dew pressure where the machine stands."""
    refrigerant = model.refrigerant()
    if refrigerant is None:
        return None
    around = model.value("system_temperature")
    if around.number is None:
        around = model.value("ambient_temperature")
    try:
        pressure_pa = refrigerant.dew_pressure(around.number if around.number is not None else LEAK_REFERENCE_K)
    except OutOfRange:
        return None
    return service_gas(refrigerant.name, refrigerant.molar_mass, pressure_pa)


def _pressure_test(model: JobModel, stage: Stage, until_ns: int, final: bool) -> Report:
    begun = stage.begun_ns
    pressure = model.series("system_pressure", begun, until_ns)
    pipe = model.measured("system_temperature", begun, until_ns)
    profile = profile_of(model, stage)
    job = model.state.job
    result = analyse_standing(
        pressure,
        profile=profile if isinstance(profile, PressureProfile) else None,
        temperature=pipe or model.measured("ambient_temperature", begun, until_ns),
        thermometer=Thermometer.AIR if pipe is None else Thermometer.PIPE,
        began_s=_holding_since(model, stage, pressure),
        ended_s=(until_ns - begun) / NS_PER_S,
        gauge_reference="system_pressure" in model.gauges,
        barometer_measured=model.ambient.source is AmbientSource.MEASURED,
        ambient_pa=model.ambient.pressure_pa,
        volume_m3=job.volume_m3 if job else None,
    )
    drop = result.drop
    change = drop if drop.number is None else known(-drop.number, "Pa", drop.u, drop.note)
    return Report(result.findings, {"pressure_expected": result.expected, "pressure_change": change}, result)


def _holding_since(model: JobModel, stage: Stage, pressure: Series) -> float | None:
    """Seconds into the stage from which the charge is closed in: as marked, else once it stood near its highest.

    A quarter of an hour is left for the gas to come to the temperature of the pipes (common practice, no source).
    """
    marked = model.marks("holding", stage.begun_ns)
    if marked:
        return (marked[-1] - stage.begun_ns) / NS_PER_S
    if not len(pressure):
        return None
    top = max(pressure.value)
    full = next(t for t, p in zip(pressure.t_s, pressure.value, strict=True) if p >= 0.97 * top)
    return full + FILLED_SETTLING_S


def _start_up(model: JobModel, stage: Stage, until_ns: int, final: bool) -> Report:
    refrigerant = model.refrigerant()
    if refrigerant is None:
        return Report()
    settings = stage.settings
    targets = {
        "superheat_target_k": settings.get("superheat_target", SUPERHEAT_TARGET_K),
        "subcooling_target_k": settings.get("subcooling_target"),
    }
    before, named = _baseline(model, stage)
    result = analyse_start_up(
        {name: model.series(name, stage.begun_ns, until_ns) for name in model.points},
        refrigerant=refrigerant,
        high_limit_pa=settings.get("high_side_limit"),
        baseline=before,
        **targets,
    )
    findings = [
        replace(f, text=f"{f.text} The baseline is {named}.") if f.key == "start_up.compare" else f
        for f in result.findings
    ]
    return Report((*findings, *figures_finding(result.baseline)), {}, result)


def _baseline(model: JobModel, stage: Stage) -> tuple[dict[str, Value] | None, str]:
    """The start-up before this one, in this job or an earlier one, and which it is."""
    for number in sorted((n for n in model.results if n < stage.number), reverse=True):
        result = model.results[number]
        if isinstance(result, StartUpResult):
            return result.baseline, f"stage {number} of this job"
    return model.state.baseline, model.state.baseline_of


_ANALYSES: dict[StageKind, Callable[[JobModel, Stage, int, bool], Report]] = {
    StageKind.RECOVERY: _recovery,
    StageKind.PRESSURE_TEST: _pressure_test,
    StageKind.EVACUATION: _evacuation,
    StageKind.DECAY_TEST: _decay,
    StageKind.CHARGING: _charging,
    StageKind.START_UP: _start_up,
}
