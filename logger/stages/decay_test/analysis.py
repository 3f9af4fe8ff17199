"""Vacuum decay test: from isolation to verdict, cause, and what leak would do it.

Used live (every ten seconds or so, on a bounded series) and at the stage's end: the same call. Pure; unknown inputs
lead to "cannot tell" or to a Value that says why, never to an exception.
"""

import math
from dataclasses import dataclass, replace

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.units import MICRON_PA, STANDARD_ATMOSPHERE_PA
from logger.model.value import Value, known, name_of, number, unknown, word
from logger.physics.leak_flow import RefrigerantLoss, ServiceGas, air_into_vacuum, refrigerant_loss
from logger.refrigerant.errors import OutOfRange
from logger.refrigerant.water import saturation_pressure
from logger.stages.acceptance import DECAY_PROFILES, DecayProfile
from logger.stages.decay_test.cause import (
    LEAKING,
    MATTERS,
    NOT_LEAKING,
    UNMEASURED_DRIFT_K,
    RiseCause,
    RiseJudgment,
    judge_rise,
)
from logger.stages.decay_test.findings import cause_finding, gauge_doubt_finding, leak_findings, water_findings
from logger.stages.decay_test.gauge import Suspicion, settles_like_oil, suspicions
from logger.stages.decay_test.hold import VERDICT_KEY, Held, judge_hold, measure_hold, within_range
from logger.stages.decay_test.rise_fit import K, RiseFit, fit_rise
from logger.stages.hidden_leak import MATTERS_A_YEAR, ClosedSystem, Hidden, hidden_leak
from logger.statistics.block_means import Blocks, blocks, interpolate
from logger.statistics.isolation import Isolation, detect_isolation, marked, sealed_until
from logger.statistics.least_squares import line

MIN_S = 300.0  # a shape needs five minutes
# Rimelog defaults for a gauge of which nothing is stated: thermal conductivity gauges show more of water vapor than of
# air, and their zero moves by some microns an hour.
WATER_FACTOR = 1.5
ZERO_DRIFT_PA_S = 10 * MICRON_PA / 3600.0
DRIFTS_FOR_S = 8 * 3600.0  # further than in a working day a zero does not move
MAX_PROPOSED_S = 72 * 3600.0  # of a test that is proposed
SHRINKS = 1.5  # a rate's interval, with the power of the test's length: 2.5 for scatter alone, 1 for a common offset
DEFAULT_PROFILE = DECAY_PROFILES["ufgs-15182"]  # sets what matters when no profile is chosen


@dataclass(frozen=True, slots=True)
class DecayResult:
    """What one decay test shows.

    isolation: when it began and how that is known. sealed_until_s: when it ended by itself (pump opened, or readings
    end). held: the measured hold. cause, judgement: what made it rise; judgement None when no shape could be fitted.
    fit: the fitted curve, for plots (`fit.at(t_s)`). readings: (t_s, measured Pa, temperature-corrected Pa)
    block means behind the fit. rate: the steady part of the rise, Pa/s. smallest_rate: least steady rise that this
    test could have told from none, Pa/s. air_flow: Pa m3/s. loss: as refrigerant. levels_off_at: Pa.
    findings: verdict first.
    """

    isolation: Isolation
    sealed_until_s: float
    held: Held | None
    cause: RiseCause
    judgement: RiseJudgment | None
    fit: RiseFit | None
    readings: tuple[tuple[float, float, float], ...]
    rate: Value
    smallest_rate: Value
    levels_off_at: Value
    air_flow: Value
    loss: RefrigerantLoss | None
    suspicions: tuple[Suspicion, ...]
    findings: tuple[Finding, ...]

    @property
    def verdict(self) -> Finding:
        return self.findings[0]


def analyse_decay(
    vacuum: Series,
    *,
    profile: DecayProfile | None = None,
    step: int = -1,
    isolated_s: float | None = None,
    ended_s: float | None = None,
    temperature: Series | None = None,
    temperature_is_gas: bool = False,
    ambient: Series | None = None,
    volume_m3: float | None = None,
    volume_u_m3: float | None = None,
    gas: ServiceGas | None = None,
    evacuations: int | None = None,
    earlier_held: int = 0,
    other_gauge: Series | None = None,
    pump_ultimate_pa: float | None = None,
    charge_kg: float | None = None,
    leak_that_matters: float | None = None,
    ambient_pa: float = STANDARD_ATMOSPHERE_PA,
    pumped_from_s: float | None = None,
) -> DecayResult:
    """Analyse a decay test. Everything is on one time axis, in SI.

    vacuum: absolute Pa; begin some ten minutes before isolation where that was recorded, it shows whether the gauge
    follows. isolated_s: marked by hand; None: looked for. ended_s: when the test was ended by hand. temperature: of
    the gas if `temperature_is_gas`, else of something near it; None: `ambient` is taken. gas: the refrigerant, for
    what a leak would lose. evacuations, earlier_held: from the job's record. other_gauge: another absolute pressure
    on the same system. pump_ultimate_pa: stated for the pump, with clean oil. charge_kg, leak_that_matters (share of
    it a year), ambient_pa: for the leak that could hide. pumped_from_s: when the pump was first opened to the system.
    """
    isolation = detect_isolation(vacuum) if isolated_s is None else marked(vacuum, isolated_s)
    if isolation.t_s is None:
        return _nothing(isolation, isolation.problem or "mark the moment the pump was valved off")
    start = isolation.t_s
    end = sealed_until(vacuum, start)
    if ended_s is not None:
        end = min(end, ended_s)
    near = temperature if temperature is not None else ambient
    chosen = DEFAULT_PROFILE if profile is None else profile
    hold = chosen.steps[step]
    shown_from, shown_to = within_range(vacuum, start, end)
    signs = suspicions(
        vacuum,
        shown_from,
        shown_to,
        marked=isolation.how == "marked",
        other=other_gauge,
        pump_ultimate_pa=pump_ultimate_pa,
    )
    held = measure_hold(vacuum, start, min(end, start + hold.hold_s))
    data = blocks(vacuum, shown_from, shown_to)
    corrected, kelvin, u_extra = _corrected(data, near, temperature_is_gas)
    span = data.t_s[-1] - data.t_s[0] if len(data) > 1 else 0.0
    begun = min(vacuum.t_s[0], start if pumped_from_s is None else pumped_from_s)
    shows_of_water = WATER_FACTOR if vacuum.gauge.water_factor is None else max(vacuum.gauge.water_factor, 1.0)
    fit = fit_rise(data, corrected, kelvin, shown_from - begun) if span >= MIN_S else None
    judgement = None
    if fit is not None:
        water_pa = None if kelvin is None else _water_pa(kelvin[-1])
        trend = None if kelvin is None else _trend(data.t_s, kelvin)
        level = sum(corrected) / len(corrected)
        warming = UNMEASURED_DRIFT_K / span if trend is None else trend
        u_gauge = (vacuum.gauge.per_k or 0.0) * level * abs(warming) / math.sqrt(3.0)
        judgement = judge_rise(
            fit,
            allowed_pa_s=hold.allowed_rise_pa / hold.hold_s,
            begin_pa=hold.start_max_pa or hold.limit_pa or math.inf,
            u_extra_pa_s=math.hypot(u_extra, u_gauge),
            drift_pa_s=_zero_drift(vacuum, span),
            water_pa=None if water_pa is None else shows_of_water * water_pa,
            warming_k_s=trend,
        )
    hidden = _hidden(
        judgement, vacuum, ClosedSystem(volume_m3, gas, charge_kg, ambient_pa, leak_that_matters or MATTERS_A_YEAR)
    )
    if judgement is not None and judgement.cause in NOT_LEAKING and _could_matter(judgement, hidden, vacuum):
        judgement = replace(
            judgement, cause=RiseCause.CANNOT_TELL, why="could_hide",
            isolate_s=_needed(judgement, hidden, vacuum, span),
        )  # fmt: skip
    beyond = signs
    if judgement is None and held.gauge_limit is not None and not signs:
        beyond = (Suspicion(held.gauge_limit.name, (held.gauge_limit,)),)
    cause = RiseCause.CANNOT_TELL if judgement is None or beyond else judgement.cause
    if judgement is None:
        rate = smallest = largest = unknown("Pa/s", "isolated for less than the five minutes that a rise is judged by")
    else:
        u_rate = math.hypot(judgement.u_rate, _share(vacuum) * judgement.rate_pa_s)
        rate = known(judgement.rate_pa_s, "Pa/s", u_rate)
        largest = _largest(judgement, vacuum)
        smallest = known(judgement.smallest_pa_s, "Pa/s", note="95 % both ways: missed, or called by mistake")
    if beyond:
        rate = unknown("Pa/s", "the gauge cannot be trusted" if signs else "the gauge was at the end of its range")
    levels = unknown("Pa", "the rise does not level off")
    if judgement is not None and judgement.levels_off_at_pa is not None and not beyond:
        levels = known(judgement.levels_off_at_pa, "Pa")
    flow = air_flow(rate, cause, volume_m3, volume_u_m3)
    loss = None if gas is None or flow.number is None else refrigerant_loss(flow, gas, ambient_pa=ambient_pa)
    findings: list[Finding] = []
    if profile is not None:
        findings.append(
            judge_hold(
                held, profile, step=step, earlier_held=earlier_held, evacuations=evacuations, ambient=ambient,
                suspected=signs, accuracy_stated=vacuum.u_scale > 0.0,
            )
        )  # fmt: skip
    else:
        findings.append(_no_profile(held))
    if findings[0].verdict is Verdict.PASS and cause in LEAKING:
        findings[0] = replace(findings[0], inputs=(*findings[0].inputs, word("more", "steady_rise")))
    findings.append(cause_finding(cause, judgement, beyond, rate, smallest, largest, span, kelvin is not None))
    if not beyond:
        findings += leak_findings(cause, flow, loss, gas)
        findings.append(hidden.finding)
        if judgement is not None and fit is not None and judgement.levels_off_at_pa is not None:
            size = judgement.levels_off_at_pa - fit.start_pa
            if settles_like_oil(fit.slowest_s, size, span):
                findings.append(gauge_doubt_finding(fit.slowest_s, size))
        if len(data):
            near_k = None if kelvin is None or _water_pa(kelvin[-1]) is None else kelvin[-1]
            findings += water_findings(cause, levels, data.value[-1], near_k, vacuum.gauge)
    readings = tuple(zip(data.t_s, data.value, corrected, strict=True))
    return DecayResult(
        isolation, end, held, cause, judgement, fit, readings, rate, smallest, levels, flow, loss, signs,
        tuple(findings),
    )  # fmt: skip


def _share(vacuum: Series) -> float:
    """Of a rate, its standard uncertainty by the gauge's accuracy, which is stated at the newest reading."""
    return vacuum.u_scale / max(vacuum.value[-1], vacuum.u_scale, 1e-9)


def _largest(judgement: RiseJudgment, vacuum: Series) -> Value:
    """The largest steady rise still in play, the gauge's accuracy included."""
    over = math.hypot(judgement.at_most_pa_s - judgement.rate_pa_s, K * _share(vacuum) * judgement.rate_pa_s)
    return known(max(judgement.rate_pa_s + over, 0.0), "Pa/s")


def _hidden(judgement: RiseJudgment | None, vacuum: Series, tested: ClosedSystem) -> Hidden:
    smallest = largest = unknown("Pa/s", "isolated for less than the five minutes that a rise is judged by")
    if judgement is not None:
        smallest, largest = known(judgement.smallest_pa_s, "Pa/s"), _largest(judgement, vacuum)
    return hidden_leak("decay.hidden", smallest, largest, air_into_vacuum(tested.ambient_pa), tested)


def _zero_drift(vacuum: Series, span_s: float) -> float:
    """By which the gauge's zero may move, either way, Pa/s over the test."""
    if vacuum.gauge.zero_drift is not None:
        return vacuum.gauge.zero_drift
    return ZERO_DRIFT_PA_S * min(1.0, DRIFTS_FOR_S / max(span_s, 1.0))


def _matters_pa_s(hidden: Hidden, vacuum: Series, judgement: RiseJudgment) -> float:
    """The steady rise that would matter: by the share of the charge, else by the default profile's allowed rise."""
    matters, largest = hidden.finding.value("matters"), _largest(judgement, vacuum).number
    if hidden.share and matters is not None and matters.number is not None and largest is not None:
        return largest * matters.number / hidden.share
    hold = DEFAULT_PROFILE.steps[-1]
    return MATTERS * hold.allowed_rise_pa / hold.hold_s


def _needed(judgement: RiseJudgment, hidden: Hidden, vacuum: Series, span_s: float) -> float:
    """How long the test would have to be for such a leak to show, s; 0 where the gauge's zero drift hides it however
    long."""
    matters = _matters_pa_s(hidden, vacuum, judgement)

    def drift(lasted_s: float) -> float:
        return K * _zero_drift(vacuum, lasted_s) / math.sqrt(3.0)

    over = judgement.at_most_pa_s - max(judgement.rate_pa_s, 0.0)
    by_test = math.sqrt(max(over**2 - drift(span_s) ** 2, 0.0))
    lasted_s = 1.5 * span_s
    while lasted_s <= MAX_PROPOSED_S:
        at_most = max(judgement.rate_pa_s, 0.0) + math.hypot(by_test * (span_s / lasted_s) ** SHRINKS, drift(lasted_s))
        if at_most < matters:
            return lasted_s
        lasted_s *= 1.2
    return 0.0


def _could_matter(judgement: RiseJudgment, hidden: Hidden, vacuum: Series) -> bool:
    """Where volume and charge are known by the share of the charge, else by the default profile's allowed rise."""
    if hidden.share is not None:
        value = hidden.finding.value("matters")
        return value is not None and value.number is not None and hidden.share > value.number
    return judgement.at_most_pa_s > _matters_pa_s(hidden, vacuum, judgement)


def _corrected(data: Blocks, near: Series | None, is_gas: bool) -> tuple[list[float], list[float] | None, float]:
    """Block means at the first temperature, the temperatures, and what their meaning adds to a rate's u (Pa/s).

    A temperature that is not the gas's own may move it by anything from nothing to all: the correction's own slope,
    taken as a rectangular half-width.
    """
    value = data.value
    span = data.t_s[-1] - data.t_s[0] if len(data) > 1 else 0.0
    inside = 0
    if near is not None:
        inside = sum(1 for t in near.t_s if data.t_s and data.t_s[0] <= t <= data.t_s[-1])
    if near is None or inside < 3 or min(near.value) <= 0.0:
        level = sum(value) / len(value) if value else 0.0
        drift = level * UNMEASURED_DRIFT_K / 293.15 / math.sqrt(3.0)
        return list(value), None, drift / span if span > 0.0 else 0.0
    kelvin = interpolate(near.t_s, near.value, data.t_s)
    corrected = [v * kelvin[0] / k for v, k in zip(value, kelvin, strict=True)]
    if is_gas:
        return corrected, kelvin, 0.0
    moved = line(data.t_s, [c - v for c, v in zip(corrected, value, strict=True)])
    return corrected, kelvin, 0.0 if moved is None else abs(moved.slope) / math.sqrt(3.0)


def _trend(t_s: list[float], kelvin: list[float]) -> float:
    fit = line(t_s, kelvin)
    return 0.0 if fit is None else fit.slope


def _water_pa(temperature_k: float) -> float | None:
    try:
        return saturation_pressure(temperature_k)
    except OutOfRange:
        return None


def air_flow(rate: Value, cause: RiseCause, volume_m3: float | None, volume_u_m3: float | None) -> Value:
    """Q = V dp/dt in Pa m3/s, of a rate in Pa/s at constant temperature. Unknown without a leak or a volume."""
    unit = "Pa.m3/s"
    if volume_m3 is None:
        return unknown(unit, "the system's volume is not known, and without it there is no leak rate")
    if not volume_m3 > 0.0:
        return unknown(unit, f"a volume of {volume_m3:g} m3 makes no sense")
    if rate.number is None:
        return unknown(unit, rate.problem or "the rate of rise is not known")
    if cause not in LEAKING:
        return unknown(unit, "no steady rise above the noise")
    share = 0.0 if volume_u_m3 is None else volume_u_m3 / volume_m3
    u = volume_m3 * math.hypot(rate.u or 0.0, share * rate.number)
    note = None if volume_u_m3 is not None else "uncertainty of the volume is not stated"
    return known(volume_m3 * rate.number, unit, u, note)


def _no_profile(held: Held) -> Finding:
    inputs = (
        number("start", Quantity.VACUUM, held.start),
        number("highest", Quantity.VACUUM, held.highest),
        number("rise", Quantity.VACUUM, held.rise),
        word("doubt", "no_profile"),
        word("check", "choose_profile"),
    )
    return Finding(VERDICT_KEY, Verdict.CANNOT_TELL, inputs)


def _nothing(isolation: Isolation, why: str) -> DecayResult:
    """No isolation, no test."""
    reason = name_of("reason", why)
    verdict = Finding(VERDICT_KEY, Verdict.CANNOT_TELL, (word("doubt", "not_isolated"), reason))
    cause = Finding("decay.cause", Verdict.CANNOT_TELL, (word("cause_code", "not_isolated"), reason))
    return DecayResult(
        isolation, 0.0, None, RiseCause.CANNOT_TELL, None, None, (), unknown("Pa/s", why), unknown("Pa/s", why),
        unknown("Pa", why), unknown("Pa.m3/s", why), None, (), (verdict, cause),
    )  # fmt: skip
