"""Standing pressure (nitrogen) test: is a pressure change more than the temperature explains?

A sealed charge follows its temperature: by the gas law at constant volume (UFGS 15217N 3.2.6.4), or as real nitrogen
(logger/physics/nitrogen.py), which at 600 psig differs by 2 psi over 15 F. Every reading is brought to the first
temperature; what then is missing is the drop. Its uncertainty holds the instruments, the barometer's change where a
gauge pressure rests on one not measured, what the measured temperature says about the gas, and how the volume is split
between places: one pressure in all of them, p (sum of share / temperature) = constant. A share that nobody entered is
anything from nothing to all, with the rest where a second temperature is measured, else at one that does not change.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.units import STANDARD_ATMOSPHERE_PA
from logger.model.value import Argument, Value, codes, known, name_of, number, unknown, word
from logger.physics import nitrogen
from logger.physics.ambient import weather_u
from logger.physics.leak_flow import Drive, nitrogen_out, service_range
from logger.stages.acceptance import MIN_HOLD_S, PressureProfile
from logger.stages.hidden_leak import ClosedSystem, hidden_leak
from logger.stages.pressure_test.enough import Enough
from logger.statistics.block_means import Blocks, blocks, interpolate
from logger.statistics.isolation import scatter
from logger.statistics.least_squares import line

K = 2.0
ONE_SIDED = 1.645  # 95 %
TOP_SHARE = 0.995  # of a gauge's range: from there on a reading is a bound, no value
DETECT = 3.29  # 95 % both ways: a drop of this many u is neither missed nor invented
ELSEWHERE_K = 15.0  # half-width: how far a part of the system that nobody measures may warm or cool (common practice)
ANY_SHARE = 1.0 / math.sqrt(3.0)  # root of the mean square of a share that may be anything from 0 to 1
FILLED_SHARE = 0.02  # of the test pressure: gas that was warm when it was filled in settles below it (common practice)
SHARE_KNOWN_TO = 0.05  # half-width of a share that was entered for more than one place
VERDICT_KEY = "standing-pressure.verdict"
REASON = {
    "few_readings": "too few pressure readings",
    "too_short": "too short a time of readings",
    "out_of_range": "beyond the range that temperature is corrected for",
    "no_temperature": "no temperature was measured",
    "absolute_zero": "a temperature is not above absolute zero",
    "temperature_at_ends": "the temperature was not measured at both ends of the test",
}
"""Why nothing is known, as the reason of the values; the finding has the code."""


class Thermometer(StrEnum):
    """Where the temperature was measured: in the gas, by a clamp on a pipe, or in the air around."""

    GAS = "gas"
    PIPE = "pipe"
    AIR = "air"


# How far the gas may be from it: half-widths in K, and as a share of the range that the temperature went through. Gas
# stays warm from the filling and follows a day late by its mass of metal. From simulated circuits of 30 to 1000 L.
_FOLLOWS = {Thermometer.GAS: (0.0, 0.0), Thermometer.PIPE: (0.3, 0.25), Thermometer.AIR: (2.0, 0.5)}


@dataclass(frozen=True, slots=True)
class GasLaw:
    """How a sealed charge follows temperature: `expected(start_pa, start_k, now_k)`, absolute Pa and K.

    error(pressure_pa): standard uncertainty of that, as a share of the pressure for each kelvin of change.
    """

    name: str
    expected: Callable[[float, float, float], float]
    source: str
    error: Callable[[float], float]


def ideal_pressure(start_pa: float, start_k: float, now_k: float) -> float:
    """Absolute pressure a sealed ideal gas shows at `now_k`: UFGS 15217N 3.2.6.4."""
    return start_pa * now_k / start_k


# Errors against CoolProp's nitrogen, 250 to 335 K: real within 2e-5 a kelvin; ideal by 8.5e-11 a kelvin and a pascal.
IDEAL = GasLaw(
    "ideal gas",
    ideal_pressure,
    "gas law at constant volume, UFGS 15217N 3.2.6.4",
    lambda pressure_pa: 8.5e-11 * pressure_pa / math.sqrt(3.0),
)
NITROGEN = GasLaw(
    "real nitrogen",
    nitrogen.sealed_pressure,
    "virial equation, B of Tsonopoulos 1974, C of Orbey and Vera 1983",
    lambda pressure_pa: 2e-5 / math.sqrt(3.0),
)


@dataclass(frozen=True, slots=True)
class StandingResult:
    """start, end: absolute Pa at the two temperatures. expected: what `end` would be with nothing lost.

    drop: expected minus end, with u. rate: of the corrected pressure, Pa/s, negative when gas is lost.
    smallest_drop: least drop these instruments could have told from none in this time. flow: Pa m3/s lost.
    curve: (t_s, measured Pa, corrected to the first temperature Pa).
    """

    start: Value
    end: Value
    expected: Value
    drop: Value
    rate: Value
    smallest_drop: Value
    flow: Value
    lasted_s: float
    curve: tuple[tuple[float, float, float], ...]
    findings: tuple[Finding, ...]

    @property
    def verdict(self) -> Finding:
        return self.findings[0]


def analyse_standing(
    pressure: Series,
    *,
    profile: PressureProfile | None = None,
    temperature: Series | None = None,
    thermometer: Thermometer = Thermometer.AIR,
    law: GasLaw = NITROGEN,
    began_s: float | None = None,
    ended_s: float | None = None,
    gauge_reference: bool = True,
    barometer_measured: bool = False,
    ambient_pa: float = STANDARD_ATMOSPHERE_PA,
    volume_m3: float | None = None,
    second: Series | None = None,
    share: float | None = None,
    tested: ClosedSystem | None = None,
    enough: Enough | None = None,
) -> StandingResult:
    """Analyse a standing pressure test. One time axis; pressure absolute Pa, temperature K.

    thermometer: where `temperature` was measured. second: temperature of another part of the system; share: of the
    volume at `temperature`, 0 to 1 (None: anything; measured in the gas: all); without `second` the rest may have
    warmed or cooled by ELSEWHERE_K. tested: for the leak that could hide. enough: what the test pressure is judged
    against, None: it is not.
    gauge_reference: the sensor measures against the air, so that an unmeasured barometer adds its weather. ambient_pa:
    to tell the gauge pressure that the profile's sensitivity refers to.
    """
    if len(pressure) < 4:
        return _nothing("few_readings")
    begin = pressure.t_s[0] if began_s is None else began_s
    end = pressure.t_s[-1] if ended_s is None else min(ended_s, pressure.t_s[-1])
    lasted = end - begin
    data = blocks(pressure, begin, end, 240)
    if lasted < MIN_HOLD_S or len(data) < 6:
        return _nothing("too_short" if lasted < MIN_HOLD_S else "few_readings", lasted_s=max(lasted, 0.0))
    kelvin, why_not = _temperatures(temperature, data)
    if kelvin is None:
        return _nothing(why_not, data)
    elsewhere = [kelvin[0]] * len(kelvin)
    if second is not None and len(second):
        also, why_not = _temperatures(second, data)
        if also is None:
            return _nothing(why_not, data)
        elsewhere = also
    if share is None and thermometer is Thermometer.GAS and second is None:
        share = 1.0
    ends = _shares(share)
    split = [_together(kelvin, elsewhere, s) for s in ends]
    range_k = max(max(kelvin) - min(kelvin), max(elsewhere) - min(elsewhere))
    kelvin = _together(kelvin, elsewhere, _mean(list(ends)))
    try:
        corrected = [law.expected(p, k, kelvin[0]) for p, k in zip(data.value, kelvin, strict=True)]
        window = max(2, min(len(data) // 6, 12))
        start_pa, start_k = _mean(data.value[:window]), _mean(kelvin[:window])
        end_pa, end_k = _mean(data.value[-window:]), _mean(kelvin[-window:])
        expected = law.expected(start_pa, start_k, end_k)
        per_k = law.expected(start_pa, start_k, start_k + 0.5) - law.expected(start_pa, start_k, start_k - 0.5)
        at_ends = [law.expected(start_pa, _mean(k[:window]), _mean(k[-window:])) for k in split]
    except nitrogen.NitrogenRangeError:
        return _nothing("out_of_range", data)
    u_read = scatter(data) / math.sqrt(window)
    assert temperature is not None  # kelvin came from it
    u_kelvin = _temperature_u(temperature, thermometer, end_k - start_k, range_k)
    u_split = abs(at_ends[1] - at_ends[0]) / math.sqrt(12.0)
    if second is None or not len(second):
        rest = ANY_SHARE if share is None else 1.0 - share
        u_split = math.hypot(u_split, rest * per_k * ELSEWHERE_K / math.sqrt(3.0))
    u_weather = 0.0 if barometer_measured or not gauge_reference else weather_u(lasted)
    of_reading = pressure.u_scale / max(start_pa, pressure.u_scale, 1e-9)
    u_drop = math.hypot(
        math.sqrt(2.0) * u_read, per_k * u_kelvin, u_weather, u_split,
        of_reading * abs(end_pa - start_pa),
        law.error(start_pa) * start_pa * abs(end_k - start_k),
    )  # fmt: skip
    # an offset common to all readings cancels; its share of the change does not
    drop = known(expected - end_pa, "Pa", u_drop, _note(thermometer, u_weather, u_split))
    smallest = known(DETECT * u_drop, "Pa")
    trend = line(data.t_s, corrected, data.u)
    u_slow = math.hypot(per_k * u_kelvin, u_weather, u_split) / lasted
    rate = unknown("Pa/s", "too few readings")
    if trend is not None:
        rate = known(trend.slope, "Pa/s", math.hypot(trend.u_slope, u_slow))
    flow = _flow(rate, volume_m3)
    drive = nitrogen_out(start_pa, ambient_pa)
    start, end_value, at_end = (
        known(start_pa, "Pa", math.hypot(u_read, pressure.u_scale)),
        known(end_pa, "Pa", math.hypot(u_read, pressure.u_scale)),
        known(expected, "Pa", math.hypot(u_drop, pressure.u_scale)),
    )
    inputs = (
        number("start", Quantity.PRESSURE, start),
        number("end", Quantity.PRESSURE, end_value),
        number("expected", Quantity.PRESSURE, at_end),
        number("drop", Quantity.PRESSURE_DIFFERENCE, drop),
        number("smallest_drop", Quantity.PRESSURE_DIFFERENCE, smallest),
        number("rate", Quantity.PRESSURE_DIFFERENCE_RATE, rate),
        number("temperature_start", Quantity.TEMPERATURE, known(start_k, "K")),
        number("temperature_end", Quantity.TEMPERATURE, known(end_k, "K")),
        number("lasted", Quantity.TIME, known(lasted, "s")),
        word("law", law.name),
        name_of("law_source", law.source),
        *(() if u_split == 0.0 else (number("split", Quantity.PRESSURE_DIFFERENCE, known(2 * u_split, "Pa")),)),
        *(() if pressure.u_scale > 0.0 else (word("accuracy", "not_stated"),)),
        *_leak(flow, drive, tested),
        *(() if enough is None else enough.inputs()),
    )
    lost = [g.end_s - g.start_s for g in pressure.gaps_within(begin, end)]
    reached = start_pa + K * math.hypot(u_read, pressure.u_scale)
    short = () if enough is None else enough.short(reached, FILLED_SHARE, ambient_pa)
    if pressure.high is not None and max(data.value) >= TOP_SHARE * pressure.high:
        short += (word("doubt", "gauge_top"), number("gauge_top", Quantity.PRESSURE, known(pressure.high, "Pa")))
    finding = _verdict(profile, drop, smallest, start_pa - ambient_pa, lasted, lost, thermometer, inputs, short)
    findings: tuple[Finding, ...] = (finding,)
    if tested is not None:
        least = known(DETECT * u_drop / lasted, "Pa/s")
        most = known(max(expected - end_pa, 0.0) / lasted + ONE_SIDED * u_drop / lasted, "Pa/s")
        hidden = hidden_leak("standing-pressure.hidden", least, most, drive, tested, Quantity.PRESSURE_DIFFERENCE_RATE)
        findings = (finding, hidden.finding)
    curve = tuple(zip(data.t_s, data.value, corrected, strict=True))
    return StandingResult(start, end_value, at_end, drop, rate, smallest, flow, lasted, curve, findings)


def _shares(share: float | None) -> tuple[float, float]:
    """Ends of what the share of the volume at the first temperature may be."""
    if share is None:
        return 0.0, 1.0
    if share >= 1.0:
        return 1.0, 1.0
    return max(share - SHARE_KNOWN_TO, 0.0), min(share + SHARE_KNOWN_TO, 1.0)


def _together(one: list[float], other: list[float], share: float) -> list[float]:
    """The temperature of a gas that fills two places: share of the volume at the one, the rest at the other."""
    if share == 1.0:
        return one
    return [1.0 / (share / a + (1.0 - share) / b) for a, b in zip(one, other, strict=True)]


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)


def _temperatures(temperature: Series | None, data: Blocks) -> tuple[list[float] | None, str]:
    if temperature is None or len(temperature) == 0:
        return None, "no_temperature"
    if min(temperature.value) <= 0.0:
        return None, "absolute_zero"
    slack = 0.1 * (data.t_s[-1] - data.t_s[0])
    if temperature.t_s[0] > data.t_s[0] + slack or temperature.t_s[-1] < data.t_s[-1] - slack:
        return None, "temperature_at_ends"
    return interpolate(temperature.t_s, temperature.value, data.t_s), ""


def _temperature_u(temperature: Series, where: Thermometer, change_k: float, range_k: float) -> float:
    """Standard uncertainty of the gas's change of temperature, K: a sensor's offset cancels, its span does not."""
    late_k, share = _FOLLOWS[where]
    span = 0.005 * abs(change_k)
    return math.hypot(temperature.u, span, late_k / math.sqrt(3.0), share * range_k / math.sqrt(3.0))


def _note(where: Thermometer, u_weather: float, u_split: float) -> str | None:
    notes = []
    if u_split > 0.0:
        notes.append("how the volume is split between places is in the uncertainty")
    if where is Thermometer.PIPE:
        notes.append("gas temperature taken from the pipe: how far the gas may be from it is in the uncertainty")
    if where is Thermometer.AIR:
        notes.append("gas temperature taken from the air: its lag is in the uncertainty")
    if u_weather > 0.0:
        notes.append("barometer not measured: what it may have changed is in the uncertainty")
    return "; ".join(notes) or None


def _flow(rate: Value, volume_m3: float | None) -> Value:
    unit = "Pa.m3/s"
    if volume_m3 is None:
        return unknown(unit, "the system's volume is not known, and without it there is no leak rate")
    if not volume_m3 > 0.0:
        return unknown(unit, f"a volume of {volume_m3:g} m3 makes no sense")
    if rate.number is None or rate.u is None:
        return unknown(unit, rate.problem or "the rate is not known")
    if -rate.number < K * rate.u:
        return unknown(unit, "no loss above the noise")
    return known(-rate.number * volume_m3, unit, rate.u * volume_m3, "of the test gas, at the test pressure")


def _leak(flow: Value, drive: Drive, tested: ClosedSystem | None) -> tuple[Argument, ...]:
    """The loss as a flow of nitrogen and, of this job's refrigerant, a year; nothing where it is not known."""
    if flow.number is None:
        return ()
    found = number("flow", Quantity.LEAK_RATE, flow)
    if tested is None or tested.gas is None:
        return (found,)
    low, high = service_range(flow.number, drive, tested.gas, tested.ambient_pa)
    return (
        found,
        number("loss_low", Quantity.MASS_PER_YEAR, known(low, "kg/s")),
        number("loss_high", Quantity.MASS_PER_YEAR, known(high, "kg/s")),
        name_of("gas", tested.gas.name),
    )


def _verdict(
    profile: PressureProfile | None,
    drop: Value,
    smallest: Value,
    gauge_pa: float,
    lasted_s: float,
    lost_s: list[float],
    thermometer: Thermometer,
    inputs: tuple[Argument, ...],
    short: tuple[Argument, ...] = (),
) -> Finding:
    """Held only if no drop is told from none (drop minus 1.645 u not above zero, 95 %) and the test could have seen
    the drop the profile cares for; not held only if the drop minus U (k=2) is above what is allowed. What speaks
    against a pass are arguments "doubt". short: those about the test pressure."""
    assert drop.number is not None and drop.u is not None and smallest.number is not None

    def finding(verdict: Verdict, *more: Argument) -> Finding:
        return Finding(VERDICT_KEY, verdict, (*inputs, *more))

    if profile is None:
        return finding(Verdict.CANNOT_TELL, word("doubt", "no_profile"))
    allowed = 0.0 if profile.drop_max_pa is None else profile.drop_max_pa
    of_profile = (
        name_of("profile", f"{profile.key}: {profile.described()}"),
        number("hold", Quantity.TIME, known(profile.hold_s, "s")),
        number("allowed", Quantity.PRESSURE_DIFFERENCE, known(allowed, "Pa")),
    )
    if drop.number - K * drop.u > allowed:
        return finding(Verdict.FAIL, *of_profile, word("check", "find_leak"))
    doubts: list[Argument] = []
    if codes(inputs, "accuracy"):
        doubts.append(word("doubt", "no_accuracy"))
    if lasted_s < 0.995 * profile.hold_s:
        doubts.append(word("doubt", "too_short"))
    if lost_s and (max(lost_s) > 0.05 * profile.hold_s or sum(lost_s) > 0.1 * profile.hold_s):
        doubts += (word("doubt", "gaps"), number("lost", Quantity.TIME, known(sum(lost_s), "s")))
    must_see_pa = profile.must_see * gauge_pa
    doubts += short
    if gauge_pa <= 0.0:
        doubts.append(word("doubt", "no_pressure"))
    elif smallest.number > max(must_see_pa, allowed):
        must_see = number("must_see", Quantity.PRESSURE_DIFFERENCE, known(must_see_pa, "Pa"))
        share = number("must_see_share", Quantity.RATIO, known(profile.must_see, "1"))
        doubts += (word("doubt", "blind"), must_see, share)
    if drop.number < -DETECT * drop.u:
        doubts.append(word("doubt", "rose"))
    if profile.drop_max_pa is None and drop.number - ONE_SIDED * drop.u > 0.0:
        doubts.append(word("doubt", "some_drop"))
    elif profile.drop_max_pa is not None and drop.number + K * drop.u > allowed:
        doubts.append(word("doubt", "near_limit"))
    if not doubts:
        return finding(Verdict.PASS, *of_profile)
    checks: tuple[Argument, ...] = (word("check", "clamp_pipe"),) if thermometer is Thermometer.AIR else ()
    if any(one.name == "split" for one in inputs):
        checks += (word("check", "enter_share"),)
    return finding(Verdict.CANNOT_TELL, *of_profile, *doubts, *checks)


def _nothing(why: str, data: Blocks | None = None, lasted_s: float | None = None) -> StandingResult:
    """why: a code of words.py."""
    none = unknown("Pa", REASON[why])
    inputs = [word("why", why)]
    if why == "out_of_range":
        coldest_k, warmest_k = nitrogen.TEMPERATURE_RANGE_K
        inputs += (
            number("coldest", Quantity.TEMPERATURE, known(coldest_k, "K")),
            number("warmest", Quantity.TEMPERATURE, known(warmest_k, "K")),
            number("highest", Quantity.PRESSURE, known(nitrogen.PRESSURE_RANGE_PA[1], "Pa")),
        )
    if lasted_s is not None:
        inputs += (
            number("lasted", Quantity.TIME, known(lasted_s, "s")),
            number("least", Quantity.TIME, known(MIN_HOLD_S, "s")),
        )
    start = end = none
    if data is not None:
        start, end = known(data.value[0], "Pa"), known(data.value[-1], "Pa")
    finding = Finding(VERDICT_KEY, Verdict.CANNOT_TELL, tuple(inputs))
    return StandingResult(
        start, end, none, none, unknown("Pa/s", REASON[why]), none, unknown("Pa.m3/s", REASON[why]), 0.0, (),
        (finding,),
    )  # fmt: skip
