"""Random simulated circuits of known truth, and what the decay and pull-down analyses say of them, asked by the
public door (`logger.analyse`)."""

import random
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import logger
from logger.model.finding import Verdict
from logger.model.job import Job
from logger.model.sample import Gap, Series
from logger.model.units import MICRON_PA
from logger.stages.acceptance import DECAY_PROFILES
from logger.stages.decay_test.analysis import DecayResult
from logger.stages.decay_test.cause import RiseCause
from logger.stages.evacuation.analysis import PullDown, PumpState
from logger.stages.evacuation.standstill import Origin
from sim_device.physics.gas import Leak
from sim_device.vacuum import VacuumCase, decay_series, pull_down_series, random_decay, random_pull_down

SUITE_SEED = 40_000
PROFILE = DECAY_PROFILES["ufgs-15182"]
GAUGE_U = 0.03  # of the reading: the simulated gauges' scale error is drawn from this
TARGET_PA = 300 * MICRON_PA


@dataclass(frozen=True)
class Group:
    """One row: cases of a kind, `count` of them. leaking: the truth. fault: of the gauge."""

    name: str
    kind: str
    count: int
    leaking: bool = False
    coarse: bool = False
    weather: bool = False
    small: bool = False
    minutes: float | None = None
    fault: str = ""
    slow: bool = False


DECAYS = (
    Group("tight and dry", "tight", 120),
    Group("tight, gauge with steps of 10 microns", "tight", 40, coarse=True),
    Group("tight, temperature drifting 2 to 4 K/h", "tight", 40, weather=True),
    Group("free water, tight", "wet", 60),
    Group("refrigerant in oil, tight", "oily", 60),
    Group("refrigerant in oil, tight, watched for 8 h", "oily", 20, minutes=480),
    Group("leak of 250 to 6000 microns/h", "leak", 90, leaking=True),
    Group("leak of 60 to 250 microns/h", "leak", 40, leaking=True, small=True),
    Group("leak, temperature drifting 2 to 4 K/h", "leak", 20, leaking=True, weather=True),
    Group("leak and free water", "leak_and_wet", 50, leaking=True),
)
SHORT = (Group("tight, ten minutes", "tight", 30, minutes=10), Group("leak, ten minutes", "leak", 30, True, minutes=10))
SLOW = (
    Group("watched for 1 h", "wet", 20, minutes=60, slow=True),
    Group("watched for 8 h", "wet", 20, minutes=480, slow=True),
)
FAULTS = (
    Group("frozen gauge on a leaking system", "leak", 30, leaking=True, fault="frozen"),
    Group("gauge valved off, leaking system", "leak", 30, leaking=True, fault="valve_closed"),
    Group("oil-wetted gauge on a tight system", "tight", 30, fault="oil"),
)
PULL_DOWNS = (("clean", 60), ("wet", 60), ("oily", 60), ("leak", 60), ("pump_oil", 60))


@dataclass(frozen=True)
class Outcome:
    group: Group
    seed: int
    cause: RiseCause
    verdict: Verdict
    suspected: bool
    gauge_named: bool
    long_enough: bool
    truly_held: bool | None  # by the noise-free pressure; None: the test was not one by the profile


def varied(group: Group, seed: int) -> VacuumCase:
    """The simulation's random case, made harder as the group says."""
    rng = random.Random(f"variation/{group.name}/{seed}")
    case = random_decay(seed, group.kind)
    if group.coarse:
        case = replace(case, step_pa=10 * MICRON_PA)
    if group.weather:
        case = replace(case, drift_k_h=rng.choice((-1, 1)) * rng.uniform(2.0, 4.0))
    if group.small:
        case = replace(case, leak=Leak(rng.uniform(60, 250) * MICRON_PA / 3600.0 * case.volume_m3, "viscous"))
    if group.slow:
        case = replace(case, water_kg=0.5, water_conductance_m3_s=case.volume_m3 / (3600.0 * rng.uniform(12.0, 24.0)))
    if group.minutes is not None:
        case = replace(case, duration_s=60.0 * group.minutes)
    if group.fault:
        case = replace(case, gauge_fault=group.fault, duration_s=max(case.duration_s, 3600.0))
    if group.fault == "frozen":
        case = replace(case, noise=0.0)  # a frozen gauge repeats one number
    return case


def as_series(t: list[float], p: list[float | None], case: VacuumCase, level: float | None = None) -> Series:
    """Readings with what the daemon would know of the gauge; stretches without one become gaps.

    level: pressure at which the gauge's uncertainty is stated, the first reading for None.
    """
    kept = [(x, v) for x, v in zip(t, p, strict=True) if v is not None]
    gaps = [Gap(x, x + case.period_s, "over range") for x, v in zip(t, p, strict=True) if v is None]
    if level is None:
        level = kept[0][1] if kept else 1.0
    return Series(
        "vacuum", [x for x, _ in kept], [v for _, v in kept], u=max(case.noise, 1e-3) * level, u_scale=GAUGE_U * level,
        low=case.floor_pa, high=case.ceiling_pa, gaps=tuple(gaps),
    )  # fmt: skip


def temperatures(t: list[float], kelvin: list[float]) -> Series:
    return Series("system_temperature", t, kelvin, u=0.1, u_scale=0.5)


def with_before(case: VacuumCase, seed: int) -> tuple[list[float], list[float | None], list[float]]:
    """Half an hour of pumping before the isolation at 0 s, seen through the same (valved-off) gauge."""
    before = replace(case, start_pa=case.target_pa, duration_s=1800.0)
    t0, p0, k0 = pull_down_series(before, seed)
    last = p0[-1] if p0[-1] is not None else case.target_pa
    after = replace(case, target_pa=last)
    t1, p1, k1 = decay_series(after, seed + 1)
    return [x - 1800.0 for x in t0[:-1]] + t1, p0[:-1] + p1, k0[:-1] + k1


def truly_held(case: VacuumCase) -> bool | None:
    """By the pressure itself: isolated as the profile asks and never above its limit for the hold."""
    hold = PROFILE.steps[-1]
    assert hold.start_max_pa is not None
    assert hold.limit_pa is not None
    perfect = replace(
        case, noise=0.0, gauge_scale=1.0, step_pa=1e-6, floor_pa=1e-6, ceiling_pa=2e5, gauge_fault="",
        duration_s=hold.hold_s,
    )  # fmt: skip
    _, p, _ = decay_series(perfect)
    values = [v for v in p if v is not None]
    return None if values[0] > hold.start_max_pa else max(values) <= hold.limit_pa


def decays(groups: Iterable[Group], seed: int) -> Iterator[Outcome]:
    for group in groups:
        for i in range(group.count):
            case = varied(group, seed + i)
            before = group.fault == "valve_closed"
            t, p, kelvin = with_before(case, seed + i) if before else decay_series(case, seed + i)
            vacuum = as_series(t, p, case, PROFILE.steps[-1].limit_pa)
            warm = temperatures(t, kelvin)
            r = logger.analyse(
                "decay-test",
                {"vacuum": vacuum, "system_temperature": warm, "ambient_temperature": warm},
                {"profile": PROFILE.key},
                job=Job("", "", pump_ultimate_pa=case.pump_base_pa if before else None),
                marks={"isolated": 0.0},
            ).result
            assert isinstance(r, DecayResult)
            in_range_s = vacuum.t_s[-1] if vacuum.t_s else 0.0
            long = case.duration_s >= 3600.0 and in_range_s >= 600.0
            truth = truly_held(case) if case.duration_s >= PROFILE.steps[-1].hold_s else None
            named = bool(r.suspicions) or any(f.key == "decay.gauge" for f in r.findings)
            yield Outcome(group, seed + i, r.cause, r.verdict.verdict, bool(r.suspicions), named, long, truth)


@dataclass(frozen=True)
class PumpOutcome:
    kind: str
    seed: int
    call: str
    target_below_base: bool  # the truth: this circuit cannot get to the target


def pulled_down(vacuum: Series, target_pa: float, warm: Series | None = None) -> PullDown:
    series = {"vacuum": vacuum} if warm is None else {"vacuum": vacuum, "system_temperature": warm}
    found = logger.analyse("evacuation", series, {"target_vacuum": target_pa}).result
    assert isinstance(found, PullDown)
    return found


STEADY = "steady base: leak, pump or water"


def pull_downs(groups: Iterable[tuple[str, int]], seed: int) -> Iterator[PumpOutcome]:
    for kind, count in groups:
        for i in range(count):
            case = random_pull_down(seed + i, kind)
            t, p, kelvin = pull_down_series(case, seed + i)
            r = pulled_down(as_series(t, p, case, TARGET_PA), TARGET_PA, temperatures(t, kelvin))
            call = r.state.value
            if r.state is PumpState.STALLED and r.standstill is not None:
                named = {x.source for x in r.standstill.leading}
                call = STEADY if {Origin.LEAK, Origin.PUMP} <= named else "stalled: " + " or ".join(sorted(named))
            _, true, _ = pull_down_series(replace(case, noise=0.0, gauge_scale=1.0, step_pa=1e-6, ceiling_pa=2e5))
            lowest = min(v for v in true if v is not None)
            yield PumpOutcome(kind, seed + i, call, lowest > TARGET_PA)


def predictions(seed: int, count: int) -> Counter[str]:
    """Time to target foretold while the pump still pulls, against when it got there without noise."""
    found: Counter[str] = Counter()
    for kind in ("clean", "oily", "leak"):
        for i in range(count):
            rng = random.Random(f"prediction/{kind}/{seed + i}")
            case = random_pull_down(seed + i, kind)
            case = replace(case, volume_m3=max(case.volume_m3, 0.05), duration_s=10800.0)
            target, ratio = rng.uniform(200, 700) * MICRON_PA, rng.uniform(1.3, 6.0)
            true = [(x, v) for x, v in zip(*pull_down_series(replace(case, noise=0.0))[:2], strict=True) if v]
            there = next((x for x, v in true if v <= target), None)
            now = next((x for x, v in true if v <= ratio * target), None)
            if now is None or (there is not None and there <= max(now, 300.0)):
                continue
            now = max(now, true[0][0] + 300.0)
            if there is not None and there <= now:
                continue
            t, p, _ = pull_down_series(case, seed + i)
            n = sum(x <= now for x in t)
            r = pulled_down(as_series(t[:n], p[:n], case, target), target)
            found[_judged(None if there is None else there - now, r)] += 1
    return found


def _judged(wait_s: float | None, reported: PullDown) -> str:
    soonest, latest = reported.soonest.number, reported.latest.number
    reserved = reported.latest.note is not None
    if wait_s is None:
        if latest is None:
            return "not within 3 h: left open or stalled"
        return f"not within 3 h: {'reported with that reservation' if reserved else 'band closed before that'}"
    if reported.state is PumpState.STALLED or soonest is None:
        return "got there: said to stand still"
    inside = soonest - 20.0 <= wait_s and (latest is None or wait_s <= latest + 20.0)
    if not inside:
        return "got there: outside the band"
    if latest is None:
        return "got there: after the soonest, band open above"
    return f"got there: inside the band{', reported with the reservation that it may rest above' if reserved else ''}"
