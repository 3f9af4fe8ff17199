"""The findings of a decay test: what made the pressure rise, how large a leak, what about water."""

from collections.abc import Iterator, Sequence

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.sample import NOTHING_STATED, GaugeFacts
from logger.model.value import Argument, Value, known, name_of, number, word
from logger.physics.leak_flow import RefrigerantLoss, ServiceGas
from logger.refrigerant.errors import OutOfRange
from logger.refrigerant.water import (
    TRIPLE_PRESSURE_PA,
    saturation_pressure,
    saturation_temperature,
    supercooled_temperature,
)
from logger.stages.decay_test.cause import LEAKING, RiseCause, RiseJudgment
from logger.stages.decay_test.gauge import Suspicion
from logger.stages.decay_test.rise_fit import max_tau_s

_VERDICT = {
    RiseCause.TIGHT: Verdict.INFO,
    RiseCause.LEVELS_OFF: Verdict.INFO,
    RiseCause.CANNOT_TELL: Verdict.CANNOT_TELL,
}
_CAUSES = {
    RiseCause.LEVELS_OFF: ("moisture", "oil_outgassing", "outgassing", "oily_gauge"),
    RiseCause.LEAK: ("leak", "core_or_hose", "slow_moisture"),
    RiseCause.LEAK_AND_RISE: ("leak_with_moisture",),
    RiseCause.MASKED: ("moisture", "oil_outgassing", "oily_gauge"),
    RiseCause.CANNOT_TELL: ("leak", "moisture_or_outgassing"),
}
_CHECKS = {
    RiseCause.LEVELS_OFF: ("evacuate_and_repeat",),
    RiseCause.LEAK: ("find_leak", "hoses_off", "watch_for_hours"),
    RiseCause.LEAK_AND_RISE: ("leak_first",),
    RiseCause.MASKED: ("dry_system",),
}


def cause_finding(
    cause: RiseCause,
    judgement: RiseJudgment | None,
    signs: Sequence[Suspicion],
    rate: Value,
    smallest: Value,
    largest: Value,
    span_s: float,
    temperature_known: bool,
) -> Finding:
    """What made the pressure rise, or the largest leak that may have, and how long to wait for an answer."""
    inputs: tuple[Argument, ...] = (
        number("rate", Quantity.VACUUM_RISE, rate),
        number("smallest_rate", Quantity.VACUUM_RISE, smallest),
    )
    if signs:
        checks = tuple(word("check", s.key) for s in signs)
        return Finding("decay.cause", Verdict.CANNOT_TELL, (*inputs, word("cause_code", "gauge"), *checks))
    if judgement is None:
        return Finding("decay.cause", Verdict.CANNOT_TELL, (*inputs, word("cause_code", "no_shape")))
    fell = () if not judgement.fell_pa else (number("fell", Quantity.VACUUM, known(judgement.fell_pa, "Pa")),)
    inputs = (
        *inputs,
        number("largest_rate", Quantity.VACUUM_RISE, largest),
        number("confidence", Quantity.RATIO, known(judgement.confidence, "1")),
        number("span", Quantity.TIME, known(span_s, "s")),
        word("cause_code", cause.value),
        *_details(cause, judgement, span_s),
        *fell,
        *(word("cause", code) for code in _CAUSES.get(cause, ())),
        *(word("check", code) for code in _CHECKS.get(cause, ())),
        *((word("check", "state_drift"),) if judgement.why == "could_hide" and not judgement.isolate_s else ()),
        *(() if temperature_known else (word("temperature", "not_measured"),)),
    )
    return Finding("decay.cause", _VERDICT.get(cause, Verdict.ATTENTION), inputs)


def _details(cause: RiseCause, j: RiseJudgment, span_s: float) -> Iterator[Argument]:
    if cause in (RiseCause.LEVELS_OFF, RiseCause.LEAK_AND_RISE) and j.levels_off_at_pa is not None:
        yield number("levels_off_at", Quantity.VACUUM, known(j.levels_off_at_pa, "Pa"))
    if cause is RiseCause.LEVELS_OFF:
        yield number("settles", Quantity.TIME, known(j.settles_s, "s"))
    if cause is RiseCause.LEAK:
        yield number("straight_for", Quantity.TIME, known(max_tau_s(span_s), "s"))
    if cause is RiseCause.CANNOT_TELL:
        yield word("why", j.why)
    if cause in (RiseCause.CANNOT_TELL, RiseCause.MASKED) and j.isolate_s:
        yield number("go_on", Quantity.TIME, known(j.isolate_s, "s"))


def gauge_doubt_finding(slowest_s: float, size_pa: float) -> Finding:
    """A rise that is over within minutes may be the gauge's own."""
    return Finding(
        "decay.gauge",
        Verdict.ATTENTION,
        (
            number("rise", Quantity.VACUUM, known(size_pa, "Pa")),
            number("time_constant", Quantity.TIME, known(slowest_s, "s")),
            word("cause", "oily_sensor"),
            word("cause", "little_moisture"),
            word("check", "clean_gauge"),
        ),
    )


def leak_findings(cause: RiseCause, flow: Value, loss: RefrigerantLoss | None, gas: ServiceGas | None) -> list[Finding]:
    """How large the leak is; only where a leak is called."""
    if cause not in LEAKING:
        return []
    inputs = [number("flow", Quantity.LEAK_RATE, flow)]
    if flow.number is None:
        return [Finding("decay.leak-rate", Verdict.INFO, (*inputs, word("check", "enter_volume")))]
    if loss is not None and gas is not None and loss.low.number is not None and loss.high.number is not None:
        inputs += [
            number("loss_low", Quantity.MASS_PER_YEAR, loss.low),
            number("loss_high", Quantity.MASS_PER_YEAR, loss.high),
            name_of("gas", gas.name),
            name_of("assumption", loss.assumption),
        ]
    return [Finding("decay.leak-rate", Verdict.INFO, tuple(inputs))]


def water_findings(
    cause: RiseCause, levels: Value, end_pa: float, near_k: float | None, gauge: GaugeFacts = NOTHING_STATED
) -> list[Finding]:
    """What the level it tends to says about water. end_pa: the pressure now; near_k: measured now. gauge:
    how much it shows of water vapor."""
    if levels.number is None or cause in (RiseCause.TIGHT, RiseCause.LEAK):
        return []
    try:
        boils_k = saturation_temperature(levels.number)
    except OutOfRange:
        return []
    inputs = [
        number("levels_off_at", Quantity.VACUUM, levels),
        number("water_boils_at", Quantity.TEMPERATURE, known(boils_k, "K")),
    ]
    supercooled_k = supercooled_temperature(levels.number)
    if supercooled_k is not None:
        inputs.append(number("supercooled_at", Quantity.TEMPERATURE, known(supercooled_k, "K")))
    judged = "possible"
    causes: tuple[str, ...] = ("held_moisture",)
    if near_k is not None:
        ambient_pa = saturation_pressure(near_k)
        ratio = max(levels.number, end_pa) / ambient_pa
        inputs += [
            number("water_pressure", Quantity.VACUUM, known(ambient_pa, "Pa")),
            number("near", Quantity.TEMPERATURE, known(near_k, "K")),
            number("now", Quantity.VACUUM, known(end_pa, "Pa")),
        ]
        judged = "colder"
        most = 1.15 * max(gauge.water_factor or 1.0, 1.0)
        if 0.75 <= ratio <= most:
            judged, causes = "free", ("liquid_water",)
        elif ratio > most:
            judged, causes = "more", ("leak_beside_water", "liquid_refrigerant")
    phase = word("phase", "ice" if levels.number < TRIPLE_PRESSURE_PA else "water")
    said = (word("judged", judged), phase, *(word("cause", code) for code in causes))
    return [Finding("decay.water", Verdict.ATTENTION, (*inputs, *said))]
