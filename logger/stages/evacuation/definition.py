"""Evacuation: the system is pumped down to a target vacuum."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from logger.alarms.rules import AlarmRule, Kind
from logger.model.alarm import Priority
from logger.model.drawing import Curve, LimitLine, PlotSpec
from logger.model.points import Quantity
from logger.model.units import MICRON_PA
from logger.model.value import Statement, known, name_of, number
from logger.stages import vacuum
from logger.stages.acceptance import DECAY_PROFILES, DEFAULT_DECAY_PROFILE
from logger.stages.comparison import Comparing
from logger.stages.computed_curve import curve_of
from logger.stages.definition import LiveQuantity, Pending, Profiles, StageDefinition, StageResult, View, Watch
from logger.stages.evacuation.words import WORDS
from logger.stages.inputs import StageInputs
from logger.stages.noticing import Notice
from logger.stages.settings import Form, setting

EVACUATION = "evacuation"
_Q = Quantity
USUAL_TARGET_PA = (5 * MICRON_PA, 10_000 * MICRON_PA)  # Rimelog default
Inputs = StageInputs["Evacuation"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evacuation:
    target_vacuum: float | None = setting(_Q.VACUUM, "the vacuum to reach, such as 300micron", USUAL_TARGET_PA)
    evacuations: int | None = setting(Form.COUNT, "how many, with nitrogen breaks between")


def target_vacuum(settings: Evacuation) -> float:
    """Absolute Pa to reach: as set for the stage, else where the default acceptance profile lets a hold begin."""
    start_max_pa = DECAY_PROFILES[DEFAULT_DECAY_PROFILE].steps[0].start_max_pa
    assert start_max_pa is not None
    return start_max_pa if settings.target_vacuum is None else float(settings.target_vacuum)


def _analyse(now: Inputs) -> StageResult:
    from logger.stages.evacuation.analysis import analyse_pull_down
    from logger.stages.evacuation.stretches import PumpMark

    acts = [PumpMark(now.seconds(m.t_ns), f"{m.act} {m.text}".strip()) for m in now.marks]
    notes = [PumpMark(now.seconds(n.t_ns), n.text) for n in now.notes]
    target_pa = target_vacuum(now.settings)
    result = analyse_pull_down(
        now.series("vacuum"),
        target_pa=target_pa,
        marks=sorted((m for m in [*acts, *notes] if 0 <= m.t_s <= now.elapsed_s), key=lambda m: m.t_s),
        temperature=now.measured("system_temperature") or now.measured("ambient_temperature"),
        pump_ultimate_pa=now.job.pump_ultimate_pa,
        evacuations_asked=now.settings.evacuations,
    )
    curves: tuple[Curve, ...] = ()
    if result.tail is not None and result.stretches:
        stretch, tail = result.stretches[-1], result.tail.best
        begin_s = stretch.start_s + tail.t0_s
        if stretch.end_s > begin_s:
            fitted = partial(_shifted, tail.at, stretch.start_s)
            curves = (curve_of("trend", "vacuum", begin_s, stretch.end_s, fitted, now.stage.begun_ns),)
    return StageResult(
        result.findings,
        live={"time_to_target": result.time_to_target},
        facts={"evacuations": known(float(max(1, len(result.evacuations))), "1")},
        curves=curves,
        limits=(LimitLine("target", "vacuum", target_pa),),
        result=result,
    )


def _shifted(at: Callable[[float], float], start_s: float, t_s: float) -> float:
    return at(t_s - start_s)


def _watch(now: Inputs) -> Watch:
    return vacuum.VacuumWatch()


def _pending(now: Inputs) -> Pending | None:
    """The target; once the pump is valved off the decay test looks at that."""
    vacuum, target_pa = now.value("vacuum"), target_vacuum(now.settings)
    if "vacuum" not in now.values:
        return Pending(Statement("evacuation.not_measured"))
    if vacuum.number is None:
        return Pending(Statement("evacuation.no_vacuum", (name_of("why", str(vacuum.problem)),)))
    isolated, started = (max(now.marked(act), default=0) for act in ("isolated", "pump-started"))
    if vacuum.number <= target_pa or isolated > started:
        return None
    inputs = (number("vacuum", _Q.VACUUM, vacuum), number("target", _Q.VACUUM, known(target_pa, "Pa")))
    return Pending(Statement("evacuation.to_pull", inputs), missed=vacuum.number - 2.0 * (vacuum.u or 0.0) > target_pa)


def alarms(settings: Evacuation | None, profiles: Profiles) -> tuple[AlarmRule, ...]:
    """The alarms of an evacuation, from what was entered when the stage began."""
    return (
        AlarmRule(
            "vacuum-lost", Priority.HIGH, Kind.RATE, "vacuum", _Q.PRESSURE_RATE,
            300 * MICRON_PA / 60, deadband=200 * MICRON_PA / 60, on_delay_s=20, off_delay_s=60, window_s=60,
            stages=frozenset({EVACUATION}),
            basis="Rimelog default",
        ),
    )  # fmt: skip


def _comparing() -> Comparing:
    from logger.stages.evacuation.compare import COMPARING

    return COMPARING


def _notices() -> tuple[Notice, ...]:
    from logger.stages.evacuation.noticing import NOTICES

    return NOTICES


DEFINITION = StageDefinition(
    kind=EVACUATION,
    also_called=("pull-down",),
    label="Evacuation",
    decides="evacuation.progress",
    settings=Evacuation,
    analyse=_analyse,
    watch=_watch,
    view=View(
        "vacuum",
        ("vacuum_rate", "time_to_target", "water_saturation"),
        "vacuum",
        ("vacuum", "system_pressure", "system_temperature", "ambient_temperature"),
        log=True,
    ),
    live=(*vacuum.LIVE, LiveQuantity("time_to_target", "Target vacuum in", _Q.TIME, whole_stage=True)),
    alarms=alarms,
    silence_matters=frozenset({"vacuum"}),
    plots=(PlotSpec("Vacuum", ("vacuum",), log=True),),
    listed=("vacuum", "system_temperature", "ambient"),
    comparing=_comparing,
    pending=_pending,
    acts=("pump-started", "pump-stopped", "pump-oil-changed", "nitrogen-break", "isolated"),
    notices=_notices,
    words=WORDS,
    question="Is the system pulled down to the target vacuum?",
    figures=(("evacuation.progress", "vacuum"), ("evacuation.progress", "target")),
)
