"""Vacuum decay test: isolated from the pump, does the vacuum hold?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logger.alarms.rules import AlarmRule, Kind
from logger.model.alarm import Priority
from logger.model.drawing import Curve, LimitLine, PlotSpec
from logger.model.finding import Verdict
from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.units import MICRON_PA, NS_PER_S
from logger.model.value import Statement, Value, known, number, unknown
from logger.stages import vacuum
from logger.stages.acceptance import DECAY_PROFILES, DEFAULT_DECAY_PROFILE, NAMED, DecayProfile
from logger.stages.comparison import Comparing
from logger.stages.computed_curve import curve_of
from logger.stages.decay_test.words import WORDS
from logger.stages.definition import LiveQuantity, Pending, Profiles, StageDefinition, StageResult, View, Watch
from logger.stages.inputs import StageInputs
from logger.stages.noticing import Notice
from logger.stages.settings import Form, setting

DECAY_TEST = "decay-test"
DECAY_RISE_PA = 200 * MICRON_PA
_Q = Quantity
_EVACUATIONS = "evacuations"  # a fact of a stage that pumped
_HELD = "held:"  # facts: with the profile's name behind it
Inputs = StageInputs["DecayTest"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DecayTest:
    profile: str | None = setting(Form.PROFILE, NAMED)
    leak_that_matters: float | None = setting(_Q.RATIO, "share of the charge a year; default 10%")


def profile_of(settings: DecayTest, profiles: Profiles) -> DecayProfile | None:
    """The acceptance profile chosen for the stage: the user's own or a published one."""
    key = settings.profile or DEFAULT_DECAY_PROFILE
    found = profiles.get(key) or DECAY_PROFILES.get(key)
    return found if isinstance(found, DecayProfile) else None


def _analyse(now: Inputs) -> StageResult:
    from logger.stages.decay_test.analysis import analyse_decay

    isolated_ns = _isolated_ns(now)
    profile, job = profile_of(now.settings, now.profiles), now.job
    result = analyse_decay(
        now.series("vacuum", now.lead_ns),
        profile=profile,
        isolated_s=None if isolated_ns is None else (isolated_ns - now.lead_ns) / NS_PER_S,
        ended_s=(now.until_ns - now.lead_ns) / NS_PER_S,
        temperature=now.measured("system_temperature", now.lead_ns),
        ambient=now.measured("ambient_temperature", now.lead_ns),
        volume_m3=job.volume_m3,
        volume_u_m3=job.volume_u_m3,
        gas=now.service_gas(),
        evacuations=int(_sum(now, _EVACUATIONS)) or None,
        earlier_held=int(_sum(now, _HELD + profile.key)) if profile else 0,
        pump_ultimate_pa=job.pump_ultimate_pa,
        charge_kg=job.full_charge_kg,
        leak_that_matters=now.settings.leak_that_matters,
        ambient_pa=now.ambient.pressure_pa,
        pumped_from_s=_pumped_from_s(now),
    )
    curves: tuple[Curve, ...] = ()
    if result.fit is not None and len(result.readings) > 1:
        times = [t for t, _, _ in result.readings]
        curves = (curve_of("trend", "vacuum", times[0], times[-1], result.fit.at, now.lead_ns),)
    limit_pa = profile.steps[-1].limit_pa if profile else None
    held = profile is not None and result.verdict.verdict is Verdict.PASS
    return StageResult(
        result.findings,
        facts={f"{_HELD}{profile.key}": known(1.0, "1")} if held and profile else {},
        curves=curves,
        limits=() if limit_pa is None else (LimitLine("limit", "vacuum", limit_pa),),
        held_ns=_held_ns(now, [t_s for t_s, _, _ in result.readings]),
        result=result,
    )


def _isolated_ns(now: Inputs) -> int | None:
    """When the pump was valved off, as marked: maybe before the stage was begun, but not for the test before this, nor
    before the pump was started again."""
    tested_ns = [one.stage.ended_ns or 0 for one in now.earlier if one.stage.kind == DECAY_TEST]
    pumped_ns = [t for t in now.marked("pump-started", now.lead_ns) if t <= now.stage.begun_ns]
    since_ns = max([now.lead_ns, *tested_ns, *pumped_ns])
    return max((t for t in now.marked("isolated", since_ns) if t <= now.until_ns), default=None)


def _pending(now: Inputs) -> Pending | None:
    """The pump valved off, and the hold."""
    isolated_ns, profile = _isolated_ns(now), profile_of(now.settings, now.profiles)
    if isolated_ns is None:
        return Pending(Statement("decay.to_isolate"), "isolated")
    lasted_s, hold_s = (now.until_ns - isolated_ns) / NS_PER_S, profile.steps[0].hold_s if profile is not None else 0.0
    if lasted_s >= hold_s:
        return None
    times = (("lasted", lasted_s), ("hold", hold_s))
    return Pending(Statement("decay.to_hold", tuple(number(n, _Q.TIME, known(s, "s")) for n, s in times)))


def _held_ns(now: Inputs, times: Sequence[float]) -> tuple[int, int] | None:
    first, last = (now.lead_ns + round(times[i] * NS_PER_S) for i in (0, -1)) if len(times) > 1 else (0, 0)
    return (first, last) if last > first else None


def _pumped_from_s(now: Inputs) -> float | None:
    """When the job's first evacuation began: walls and gaskets have given off gas since then."""
    begun = [one.stage.begun_ns for one in now.earlier if _EVACUATIONS in one.facts]
    return (min(begun) - now.lead_ns) / NS_PER_S if begun else None


def _sum(now: Inputs, fact: str) -> float:
    """Over this job's ended stages: some profiles ask for several evacuations and holds."""
    return sum(one.facts[fact].number or 0.0 for one in now.earlier if fact in one.facts)


class IsolatedWatch(vacuum.VacuumWatch):
    """The vacuum, and what it rose since it was isolated."""

    def __init__(self) -> None:
        super().__init__()
        self._start: tuple[int, int, Series | None] = -1, 0, None  # second, isolated since, the first readings then

    def update(self, now: Inputs) -> Mapping[str, Value]:
        """The live quantities of a decay test, by name, in SI."""
        found = super().update(now)
        since = max(now.marked("isolated"), default=None)
        if since is None:
            why = "isolation not marked: `rimelog mark isolated` when the pump is valved off"
            return {**found, "isolated_for": unknown("s", why), "vacuum_rise": unknown("Pa", why)}
        isolated_for = known((now.until_ns - since) / NS_PER_S, "s")
        second = now.until_ns // NS_PER_S
        if self._start[:2] != (second, since):
            self._start = second, since, _at_isolation(now, since)
        return {**found, "isolated_for": isolated_for, "vacuum_rise": _rise(self._start[2], found["vacuum"])}


def _at_isolation(now: Inputs, since_ns: int) -> Series:
    history = now.history("vacuum")
    first_s = max(10.0, 2 * history.width_s) if history is not None else 10.0  # a long stage's buckets are wide
    return now.source("vacuum", since_ns, since_ns + int(first_s * NS_PER_S))


def _rise(start: Series | None, vacuum_now: Value) -> Value:
    if start is None or not len(start):
        return unknown("Pa", "no reading at isolation")
    if vacuum_now.number is None:
        return unknown("Pa", str(vacuum_now.problem))
    return known(vacuum_now.number - sum(start.value) / len(start), "Pa", 1.41 * start.u)


def _watch(now: Inputs) -> Watch:
    return IsolatedWatch()


def alarms(settings: DecayTest | None, profiles: Profiles) -> tuple[AlarmRule, ...]:
    """With a limit of the acceptance profile that; without one the rise since isolation is watched."""
    profile = profile_of(settings, profiles) if settings is not None else None
    limit_pa = profile.steps[-1].limit_pa if profile else None
    about, source, limit = "vacuum-rise", "vacuum_rise", DECAY_RISE_PA
    basis = "200 microns over the level at isolation, as UFGS 15182 3.3.3 (300 to 500 microns)"
    if limit_pa is not None:
        about, source, limit, basis = "vacuum-over-limit", "vacuum", limit_pa, "the acceptance profile of the test"
    return (
        AlarmRule(
            "vacuum-rise", Priority.HIGH, Kind.HIGH, source, _Q.VACUUM, limit, deadband=10 * MICRON_PA,
            on_delay_s=30, off_delay_s=60, stages=frozenset({DECAY_TEST}), latched=True,
            about=Statement(about), basis=basis,
        ),
    )  # fmt: skip


def _comparing() -> Comparing:
    from logger.stages.decay_test.compare import COMPARING

    return COMPARING


def _notices() -> tuple[Notice, ...]:
    from logger.stages.decay_test.noticing import NOTICES

    return NOTICES


DEFINITION = StageDefinition(
    kind=DECAY_TEST,
    also_called=("decay",),
    label="Vacuum decay test",
    decides="decay.verdict",
    settings=DecayTest,
    analyse=_analyse,
    watch=_watch,
    view=View(
        "vacuum",
        ("vacuum_rise", "isolated_for", "vacuum_rate", "water_saturation"),
        "vacuum",
        ("vacuum", "system_pressure", "system_temperature", "ambient_temperature"),
        log=True,
    ),
    live=(
        *vacuum.LIVE,
        LiveQuantity("vacuum_rise", "Rise since isolation", _Q.VACUUM, whole_stage=True),
        LiveQuantity("isolated_for", "Isolated for", _Q.TIME),
    ),
    alarms=alarms,
    silence_matters=frozenset({"vacuum"}),
    plots=(
        PlotSpec("Vacuum since isolation", ("vacuum",), hold=True),
        PlotSpec("Vacuum", ("vacuum",), log=True),
    ),
    listed=("vacuum", "system_temperature", "ambient"),
    profiles=DECAY_PROFILES,
    profile=DEFAULT_DECAY_PROFILE,
    comparing=_comparing,
    acts=("isolated", "pump-stopped"),
    pending=_pending,
    again="evacuation",
    notices=_notices,
    words=WORDS,
    question="Does the vacuum hold with the pump valved off?",
    figures=tuple(("decay.verdict", name) for name in ("start", "highest", "rise", "isolated_for", "limit")),
)
