"""Start-up: the machine runs under load and is judged by superheat, subcooling and head pressure."""

from collections.abc import Mapping
from dataclasses import dataclass

from logger.alarms.rules import AlarmRule, Kind
from logger.model.alarm import Priority
from logger.model.drawing import PlotSpec
from logger.model.points import Quantity
from logger.model.value import Value
from logger.stages.comparison import Comparing
from logger.stages.definition import Carry, LiveQuantity, Profiles, StageDefinition, StageResult, View, Watch
from logger.stages.high_side import HIGH_SIDE_LIMIT_HELP, HIGH_SIDE_MARGIN, high_head
from logger.stages.inputs import StageInputs
from logger.stages.noticing import Notice
from logger.stages.settings import setting
from logger.stages.start_up.words import WORDS

START_UP = "start-up"
_Q = Quantity
_OWN = "Rimelog default"
Inputs = StageInputs["StartUp"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StartUp:
    high_side_limit: float | None = setting(_Q.PRESSURE, HIGH_SIDE_LIMIT_HELP)
    superheat_target: float | None = setting(_Q.TEMPERATURE_DIFFERENCE, "such as 11F")
    subcooling_target: float | None = setting(_Q.TEMPERATURE_DIFFERENCE, "such as 10F")
    suction_line_drop: float | None = setting(
        _Q.PRESSURE_DIFFERENCE, "evaporator outlet over the suction gauge at the compressor, such as 2psi"
    )
    freezing_point: float | None = setting(_Q.TEMPERATURE, "of the cooled fluid, such as 15F; default water")


def _analyse(now: Inputs) -> StageResult:
    from logger.stages.start_up.analysis import WATER_FREEZES_K, analyse_start_up, standing_check
    from logger.stages.start_up.carry import figures_finding
    from logger.stages.start_up.evaporator_feed import SUPERHEAT_TARGET_K

    if now.refrigerant is None:
        return StageResult()
    target_k = now.settings.superheat_target
    before, named = _baseline(now)
    result = analyse_start_up(
        {name: now.series(name) for name in now.values},
        refrigerant=now.refrigerant,
        high_limit_pa=now.settings.high_side_limit,
        baseline=before,
        baseline_of=named,
        superheat_target_k=SUPERHEAT_TARGET_K if target_k is None else target_k,
        subcooling_target_k=now.settings.subcooling_target,
        suction_line_drop_pa=now.settings.suction_line_drop or 0.0,
        freezing_point_k=now.settings.freezing_point or WATER_FREEZES_K,
    )
    standing = standing_check({name: now.series(name, now.lead_ns) for name in now.values}, now.refrigerant)
    findings = (*result.findings, *((standing,) if standing is not None else ()), *figures_finding(result.baseline))
    return StageResult(findings, facts=result.baseline, result=result)


def _baseline(now: Inputs) -> tuple[Mapping[str, Value] | None, str]:
    """The start-up before this one, in this job or an earlier one, and which it is."""
    from logger.stages.start_up.carry import EarlierStartUp

    for one in reversed(now.earlier):
        if one.stage.kind == START_UP and one.facts:
            return one.facts, f"stage {one.stage.number} of this job"
    carried = now.carried if isinstance(now.carried, EarlierStartUp) else None
    return (None, "") if carried is None else (carried.figures, carried.named)


def _watch(now: Inputs) -> Watch:
    from logger.stages.start_up.live import MachineWatch

    return MachineWatch()


def _carry() -> Carry:
    from logger.stages.start_up.carry import CARRY

    return CARRY


def alarms(settings: StartUp | None, profiles: Profiles) -> tuple[AlarmRule, ...]:
    """The alarms of a start-up, from what was entered when the stage began."""
    only = frozenset({START_UP})
    return (
        high_head(START_UP),
        AlarmRule(
            "low-superheat", Priority.HIGH, Kind.LOW, "suction_superheat",
            _Q.TEMPERATURE_DIFFERENCE, 2.0, deadband=1.0, on_delay_s=60, off_delay_s=60, stages=only,
            basis=_OWN,
        ),
        AlarmRule(
            "discharge-hot", Priority.HIGH, Kind.HIGH, "discharge_temperature", _Q.TEMPERATURE,
            (225 + 459.67) / 1.8, deadband=5, on_delay_s=30, off_delay_s=60, stages=only,
            basis="225 °F, common practice",
        ),
    )  # fmt: skip


def _comparing() -> Comparing:
    from logger.stages.start_up.compare import COMPARING

    return COMPARING


def _notices() -> tuple[Notice, ...]:
    from logger.stages.start_up.noticing import NOTICES

    return NOTICES


DEFINITION = StageDefinition(
    kind=START_UP,
    also_called=("startup",),
    label="Start-up",
    decides="start_up.feed",
    settings=StartUp,
    analyse=_analyse,
    watch=_watch,
    view=View(
        "suction_superheat",
        ("total_superheat", "subcooling", "discharge_superheat", "suction_saturation", "condensing_saturation",
         "condensing_over_ambient", "approach", "high_side_margin"),
        "suction_pressure",
        ("suction_pressure", "suction_temperature", "compressor_suction_temperature", "liquid_pressure",
         "liquid_temperature", "valve_inlet_temperature", "discharge_pressure", "discharge_temperature",
         "valve_position", "liquid_level", "ambient_temperature"),
    ),
    live=(
        LiveQuantity("suction_superheat", "Suction superheat now", _Q.TEMPERATURE_DIFFERENCE),
        LiveQuantity("total_superheat", "Superheat at compressor", _Q.TEMPERATURE_DIFFERENCE),
        LiveQuantity("discharge_superheat", "Discharge superheat", _Q.TEMPERATURE_DIFFERENCE),
        LiveQuantity("subcooling", "Subcooling", _Q.TEMPERATURE_DIFFERENCE),
        LiveQuantity("suction_saturation", "Sat. suction temp", _Q.TEMPERATURE),
        LiveQuantity("condensing_saturation", "Sat. condensing temp", _Q.TEMPERATURE),
        LiveQuantity("condensing_over_ambient", "Condensing over ambient", _Q.TEMPERATURE_DIFFERENCE),
        LiveQuantity("approach", "Evaporator approach", _Q.TEMPERATURE_DIFFERENCE),
        HIGH_SIDE_MARGIN,
    ),
    alarms=alarms,
    silence_matters=frozenset(
        {"suction_pressure", "suction_temperature", "liquid_pressure", "liquid_temperature", "discharge_pressure",
         "discharge_temperature"}
    ),
    plots=(
        PlotSpec("Pressures", ("suction_pressure", "liquid_pressure", "discharge_pressure")),
        PlotSpec(
            "Temperatures",
            ("suction_temperature", "liquid_temperature", "discharge_temperature", "ambient_temperature"),
        ),
        PlotSpec("Fluid temperatures", ("entering_fluid_temperature", "leaving_fluid_temperature")),
    ),
    listed=("suction", "liquid", "discharge", "valve", "entering", "leaving", "ambient"),
    carry=_carry,
    comparing=_comparing,
    acts=("compressor-started", "compressor-stopped", "charge-added", "subcooler-on", "subcooler-off"),
    notices=_notices,
    words=WORDS,
    question="Is the system running right?",
    figures=(("start_up.figures", None),),
)  # fmt: skip
