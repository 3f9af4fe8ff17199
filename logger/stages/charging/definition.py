"""Charging: a mass of refrigerant is weighed into the system."""

from dataclasses import dataclass
from datetime import date

from logger.alarms.rules import AlarmRule, Kind
from logger.cylinder.on_scale import contents_finding
from logger.model.alarm import Priority
from logger.model.drawing import PlotSpec
from logger.model.finding import Finding
from logger.model.points import Quantity
from logger.model.value import Statement, Value, name_of, number, unknown
from logger.stages.charging.words import WORDS
from logger.stages.definition import Carry, LiveQuantity, Pending, Profiles, StageDefinition, StageResult, View, Watch
from logger.stages.high_side import HIGH_SIDE_LIMIT_HELP, HIGH_SIDE_MARGIN, high_head
from logger.stages.inputs import StageInputs
from logger.stages.leak_law.regimes import CHOICES
from logger.stages.noticing import Notice
from logger.stages.settings import Form, setting
from logger.stages.weighed import NO_SCALE, on_scale, stays

CHARGING = "charging"
TOLERANCE_KG = 0.1
_Q = Quantity
_OWN = "Rimelog default"
Inputs = StageInputs["Charging"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Charging:
    """target: kg into the system in this stage. direction: what is on the scale."""

    target: float | None = setting(_Q.MASS, "the mass to weigh in, such as 220lb")
    direction: str | None = setting(("supply", "receiver"), "what is on the scale")
    purpose: str | None = setting(Form.TEXT, "why, when not for a leak: its leak rate is not judged then")
    regime: str | None = setting(CHOICES, "whose leak rules apply; default us")
    verified: str | None = setting(Form.DAY, "day of the last successful follow-up verification test of a repair")
    high_side_limit: float | None = setting(_Q.PRESSURE, HIGH_SIDE_LIMIT_HELP)


def direction_of(settings: Charging) -> int | None:
    """Which way the scale goes while charging: "supply" loses, "receiver" gains; None finds out."""
    return {"supply": -1, "receiver": 1}.get(settings.direction or "")


def _interim(now: Inputs) -> StageResult:
    return StageResult(contents_finding(now.on_scale, now.refrigerant))


def _analyse(now: Inputs) -> StageResult:
    from logger.stages.charging.analysis import analyse_charging

    contents = _interim(now).findings
    if now.scale is None:
        return StageResult(contents)
    first, swaps = on_scale(now)
    evacuated = any("evacuations" in one.facts for one in now.earlier)
    charged_before = any(one.stage.kind == CHARGING for one in now.earlier)
    result = analyse_charging(
        now.series("cylinder_mass"),
        resolution_kg=now.scale.resolution_kg,
        target_kg=now.settings.target,
        full_charge_kg=now.job.full_charge_kg,
        before_kg=0.0 if evacuated and not charged_before else None,
        direction=direction_of(now.settings),
        cylinder=first,
        swaps=tuple(swaps),
        u_accuracy_kg=now.scale.u_accuracy_kg,
    )
    return StageResult(
        (*result.findings, _leak_rate(now, result.charged), *contents),
        facts={"charged": result.charged},
        stays=tuple(stays(result.ledger)),
        result=result,
    )


def _leak_rate(now: Inputs, charged: Value) -> Finding:
    """By what this job has added so far and what earlier jobs of the appliance did."""
    from logger.stages.charging.carry import EarlierJobs
    from logger.stages.leak_law.leak_rate import Appliance
    from logger.stages.leak_law.leak_record import leak_rate_finding, leak_record

    recovered = [one.facts["recovered"] for one in now.earlier if "recovered" in one.facts]
    carried = now.carried if isinstance(now.carried, EarlierJobs) else None
    settings, job = now.settings, now.job
    return leak_rate_finding(
        [*(one.facts["charged"] for one in now.earlier if "charged" in one.facts), charged],
        recovered,
        None if carried is None else leak_record(carried.jobs, now.job.full_charge_kg, carried.complete),
        appliance=Appliance(now.refrigerant, job.full_charge_kg, job.appliance_class, settings.regime or "us"),
        on=now.day,
        method=job.leak_rate_method,
        verified=None if settings.verified is None else date.fromisoformat(settings.verified),
        first_charge=any("evacuations" in one.facts for one in now.earlier) and not recovered,
        purpose=now.settings.purpose or "",
    )


def _watch(now: Inputs) -> Watch:
    from logger.stages.charging.live import ScaleWatch

    return ScaleWatch(now)


def _pending(now: Inputs) -> Pending | None:
    """The target; without one, that something goes in."""
    to_go, charged = (now.live.get(key, unknown("kg", NO_SCALE)) for key in ("charge_to_go", "charged"))
    if charged.number is None:
        return Pending(Statement("charging.unknown", (name_of("why", str(charged.problem)),)))
    if to_go.number is not None:
        short = (number("short", _Q.MASS, to_go),)
        return Pending(Statement("charging.to_charge", short)) if to_go.number > TOLERANCE_KG else None
    return Pending(Statement("charging.none_yet")) if charged.number < TOLERANCE_KG else None


def _carry() -> Carry:
    from logger.stages.charging.carry import CARRY

    return CARRY


def alarms(settings: Charging | None, profiles: Profiles) -> tuple[AlarmRule, ...]:
    """The alarms of a charge, from what was entered when the stage began."""
    only = frozenset({CHARGING})
    return (
        AlarmRule(
            "charge-near", Priority.HIGH, Kind.PREDICTION, "time_to_stop", _Q.TIME, 60,
            deadband=30, on_delay_s=3, off_delay_s=30, stages=only, basis=_OWN,
        ),
        AlarmRule(
            "charge-reached", Priority.HIGH, Kind.LOW, "charge_to_go", _Q.MASS, 0.0,
            deadband=TOLERANCE_KG, off_delay_s=10, stages=only, basis="the target",
        ),
        AlarmRule(
            "overcharge", Priority.URGENT, Kind.LOW, "charge_to_go", _Q.MASS,
            -TOLERANCE_KG, deadband=TOLERANCE_KG / 2, on_delay_s=1, off_delay_s=10, stages=only, latched=True,
            basis=_OWN,
        ),
        high_head(CHARGING),
    )  # fmt: skip


def _notices() -> tuple[Notice, ...]:
    from logger.stages.charging.noticing import NOTICES

    return NOTICES


DEFINITION = StageDefinition(
    kind=CHARGING,
    label="Charging",
    decides="charging.target",
    settings=Charging,
    analyse=_analyse,
    interim=_interim,
    watch=_watch,
    fed_by=frozenset({"cylinder_mass"}),
    view=View(
        "charge_to_go",
        ("charged", "mass_rate", "time_to_stop", "cylinder_net_mass"),
        "cylinder_mass",
        ("cylinder_mass", "cylinder_pressure", "cylinder_temperature", "system_pressure", "system_temperature",
         "ambient_temperature"),
    ),
    live=(
        LiveQuantity("mass_rate", "Rate", _Q.MASS_RATE),
        LiveQuantity("charged", "Charged", _Q.MASS, whole_stage=True),
        LiveQuantity("charge_to_go", "Left to add", _Q.MASS, whole_stage=True),
        LiveQuantity("time_to_stop", "Close the valve in", _Q.TIME, whole_stage=True),
        HIGH_SIDE_MARGIN,
    ),
    alarms=alarms,
    silence_matters=frozenset(
        {"cylinder_mass", "suction_pressure", "suction_temperature", "liquid_pressure", "liquid_temperature",
         "discharge_pressure", "discharge_temperature"}
    ),
    plots=(
        PlotSpec("Weight on the scale", ("cylinder_mass",)),
        PlotSpec("Pressures", ("suction_pressure", "liquid_pressure", "cylinder_pressure")),
    ),
    listed=("cylinder", "suction_pressure", "liquid_pressure", "ambient"),
    carry=_carry,
    acts=("charging-valve-opened", "charging-valve-closed", "charge-added"),
    pending=_pending,
    notices=_notices,
    words=WORDS,
    question="Is the right charge in the system?",
    figures=(
        ("charging.mass", "charged"), ("charging.target", "target"), ("charging.full_charge", "in_the_system"),
        ("charging.full_charge", "full_charge"),
    ),
)  # fmt: skip
