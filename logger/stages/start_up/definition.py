"""Start-up: the machine runs under load and is judged by superheat, subcooling and head pressure."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.alarms.rules import AlarmRule, Kind
from logger.model.alarm import Priority
from logger.model.drawing import PlotSpec
from logger.model.points import Quantity
from logger.model.units import NS_PER_S
from logger.model.value import Statement, Value, known, number
from logger.stages.comparison import Comparing
from logger.stages.definition import Carry, LiveQuantity, Pending, Profiles, StageDefinition, StageResult, View, Watch
from logger.stages.high_side import HIGH_SIDE_LIMIT_HELP, HIGH_SIDE_MARGIN, high_head
from logger.stages.inputs import StageInputs
from logger.stages.noticing import Notice
from logger.stages.settings import Form, setting
from logger.stages.start_up.rated_map import FLOW, POWER, read_map
from logger.stages.start_up.words import WORDS

if TYPE_CHECKING:
    from logger.stages.start_up.performance import Machine

START_UP = "start-up"
_Q = Quantity
_OWN = "Rimelog default"
Inputs = StageInputs["StartUp"]


def flow_fits(text: str) -> bool:
    return read_map(text, FLOW) is not None


def power_fits(text: str) -> bool:
    return read_map(text, POWER) is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class StartUp:
    high_side_limit: float | None = setting(_Q.PRESSURE, HIGH_SIDE_LIMIT_HELP)
    superheat_target: float | None = setting(_Q.TEMPERATURE_DIFFERENCE, "such as 11F")
    subcooling_target: float | None = setting(_Q.TEMPERATURE_DIFFERENCE, "such as 10F")
    suction_line_drop: float | None = setting(
        _Q.PRESSURE_DIFFERENCE, "evaporator outlet over the suction gauge at the compressor, such as 2psi"
    )
    freezing_point: float | None = setting(_Q.TEMPERATURE, "of the cooled fluid, such as 15F; default water")
    power: float | None = setting(_Q.POWER, "of the compressor as read, such as 12.4kW")
    current: float | None = setting(_Q.CURRENT, "of the compressor, such as 21A, with voltage and power_factor")
    voltage: float | None = setting(_Q.VOLTAGE, "between phases, such as 460V")
    power_factor: float | None = setting(_Q.RATIO, "such as 85%")
    phases: str | None = setting(("1", "3"), "default 3")
    displacement: float | None = setting(_Q.VOLUME_RATE, "swept volume of the compressor, such as 22cfm or 38m3/h")
    rated_flow: str | None = setting(
        Form.LONG_TEXT, "ten coefficients of the rating sheet and their unit: 'C1 ... C10 lb/h' (°F) or kg/h (°C)",
        fits=flow_fits,
    )  # fmt: skip
    rated_power: str | None = setting(Form.LONG_TEXT, "the same of power: 'C1 ... C10 W@F' or W@C", fits=power_fits)
    rated_superheat: float | None = setting(_Q.TEMPERATURE_DIFFERENCE, "of the rating sheet; default 20F")


def _analyse(now: Inputs) -> StageResult:
    return _judged(now, at_end=True)


def _interim(now: Inputs) -> StageResult:
    return _judged(now, at_end=False)


def _judged(now: Inputs, at_end: bool) -> StageResult:
    """at_end: with what takes enthalpies, and seconds."""
    from logger.stages.start_up.analysis import WATER_FREEZES_K, analyse_start_up, performance_of, standing_check
    from logger.stages.start_up.carry import figures_finding
    from logger.stages.start_up.evaporator_feed import SUPERHEAT_TARGET_K

    if now.refrigerant is None:
        return StageResult()
    target_k = now.settings.superheat_target
    before, named = _baseline(now)
    series = {name: now.series(name) for name in now.values}
    result = analyse_start_up(
        series,
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
    if at_end:
        findings += tuple(performance_of(series, result, now.refrigerant, _power(now.settings), _machine(now.settings)))
    return StageResult(findings, facts=result.baseline, result=result)


def _power(entered: StartUp) -> Value | None:
    """As read, or of current, voltage and power factor; None where neither was entered."""
    from logger.stages.start_up.performance import CURRENT_U, POWER_U

    if entered.power is not None:
        return known(entered.power, "W", POWER_U * entered.power)
    if entered.current is None or entered.voltage is None or entered.power_factor is None:
        return None
    watts = (
        (1.0 if entered.phases == "1" else math.sqrt(3.0)) * entered.current * entered.voltage * entered.power_factor
    )
    return known(watts, "W", CURRENT_U * watts)


def _machine(entered: StartUp) -> "Machine":
    from logger.stages.start_up.performance import RATED_SUPERHEAT_K, Machine

    return Machine(
        read_map(entered.rated_flow, FLOW) if entered.rated_flow else None,
        read_map(entered.rated_power, POWER) if entered.rated_power else None,
        entered.displacement,
        entered.rated_superheat or RATED_SUPERHEAT_K,
    )


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


def _pending(now: Inputs) -> Pending | None:
    """Nothing is judged before the system has run for as long as it must be steady."""
    from logger.statistics.steadiness import SETTLING_S

    started_ns = max((now.stage.begun_ns, *now.marked("compressor-started")))
    lasted_s = (now.until_ns - started_ns) / NS_PER_S
    if lasted_s >= SETTLING_S or now.marked("compressor-stopped"):
        return None
    times = (("lasted", lasted_s), ("asked", SETTLING_S))
    return Pending(Statement("start_up.to_run", tuple(number(n, _Q.TIME, known(s, "s")) for n, s in times)))


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
    interim=_interim,
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
    pending=_pending,
    notices=_notices,
    words=WORDS,
    question="Is the system running right?",
    figures=(("start_up.figures", None),),
)  # fmt: skip
