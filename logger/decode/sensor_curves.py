"""Sensor curves: what a sensor measures, from what it shows electrically.

Electrical inputs in SI: V, A, Ohm, or a ratio (V/V). Outputs in the SI unit of the quantity. Each curve knows which
electrical values no healthy sensor gives: those are reported as an open or short circuit instead of a number.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from firmware_protocol.thermocouple import MIN_CELSIUS, REFERENCE_FUNCTIONS
from logger.model.errors import ComputeError
from logger.model.value import CodedProblem

# IEC 60751:2008, 4.2: industrial platinum resistance thermometers, -200 C to 850 C.
RTD_A, RTD_B, RTD_C = 3.9083e-3, -5.775e-7, -4.183e-12
ICE_POINT_K = 273.15

OPEN = CodedProblem("open-circuit", "open circuit")
SHORT = CodedProblem("short-circuit", "short circuit")
OPEN_OR_SHORT = CodedProblem("open-or-short", "open or short circuit")


class SensorError(ComputeError):
    """Sensor parameters that make no curve. The message says which and why."""


@dataclass(frozen=True, slots=True)
class SensorCurve:
    """`value_at(x)` gives the measured SI value for electrical values between `fault_low` and `fault_high`.

    electrical: SI unit of x ("V", "A", "Ohm", "1"; "" for a direct value, in the unit the device states).
    At or below fault_low the sensor is `low_fault`, at or above fault_high `high_fault`; `valid_low` and
    `valid_high` bound the x the curve is stated for (outside: under or over range).
    """

    value_at: Callable[[float], float]
    electrical: str
    fault_low: float = -math.inf
    fault_high: float = math.inf
    low_fault: CodedProblem = OPEN_OR_SHORT
    high_fault: CodedProblem = OPEN_OR_SHORT
    valid_low: float = -math.inf
    valid_high: float = math.inf

    def slope_at(self, x: float, step: float) -> float:
        """d(value)/dx around x by a central difference over `step` (electrical units)."""
        half = abs(step) / 2 or 1e-9
        return (self.value_at(x + half) - self.value_at(x - half)) / (2 * half)


def direct(factor: float = 1.0, offset: float = 0.0) -> SensorCurve:
    """The device already states the quantity: SI = x * factor + offset."""
    if factor == 1.0 and offset == 0.0:
        return SensorCurve(lambda x: x, "")
    return SensorCurve(lambda x: x * factor + offset, "")


def linear(x_low: float, x_high: float, value_low: float, value_high: float, electrical: str) -> SensorCurve:
    """A straight line through two points. Raises SensorError where they do not make one."""
    _finite("linear", x_low=x_low, x_high=x_high, value_low=value_low, value_high=value_high)
    if x_low == x_high or value_low == value_high:
        raise SensorError("linear sensor: its two points must differ in both input and value")
    gain = (value_high - value_low) / (x_high - x_low)
    offset = value_low - gain * x_low
    return SensorCurve(lambda x: gain * x + offset, electrical)


def ratiometric(x_low: float, x_high: float, value_low: float, value_high: float) -> SensorCurve:
    """Voltage transducer read as a share of its supply: 0.5-4.5 V of 5 V is 0.1 to 0.9.

    With a live zero, below half of it the wire is open or shorted to ground, and above halfway from full output
    to the supply it is shorted to the supply (diagnostic bands: common practice, from memory).
    """
    line = linear(x_low, x_high, value_low, value_high, "1")
    low, high = min(x_low, x_high), max(x_low, x_high)
    if not 0 <= low < high <= 1:
        raise SensorError(f"ratiometric sensor: {x_low:g} to {x_high:g} does not lie inside its supply, 0 to 1")
    return replace(
        line,
        fault_low=low / 2 if low > 0 else -math.inf,
        fault_high=(high + 1) / 2 if high < 1 else math.inf,
        high_fault=CodedProblem(SHORT.code, "short circuit to supply"),
    )


def current_loop(x_low: float, x_high: float, value_low: float, value_high: float) -> SensorCurve:
    """Current loop, input in A. With a live zero of 4 mA: failure below 3.6 or above 21 mA, measurement 3.8 to
    20.5 mA (NAMUR NE 43, from memory). A loop without live zero (0-20 mA) cannot tell a broken wire.
    """
    line = linear(x_low, x_high, value_low, value_high, "A")
    if not 3.8e-3 <= min(x_low, x_high) < max(x_low, x_high) <= 20.5e-3:
        return line
    return replace(
        line,
        fault_low=3.6e-3,
        fault_high=21e-3,
        low_fault=CodedProblem(OPEN.code, "open circuit or transmitter fault, below 3.6 mA"),
        high_fault=CodedProblem(SHORT.code, "short circuit or transmitter fault, above 21 mA"),
        valid_low=3.8e-3,
        valid_high=20.5e-3,
    )


def logarithmic(x_low: float, x_high: float, value_low: float, value_high: float, electrical: str) -> SensorCurve:
    """A straight line through two points in the logarithm of the value: so many volts a decade, as a vacuum gauge's log
    output. Farther beyond its two points than they lie apart, the input is no gauge's. Raises SensorError."""
    _positive("logarithmic", value_low=value_low, value_high=value_high)
    line = linear(x_low, x_high, math.log(value_low), math.log(value_high), electrical)
    span = abs(x_high - x_low)
    first, last = min(x_low, x_high) - span, max(x_low, x_high) + span
    if max(abs(line.value_at(first)), abs(line.value_at(last))) > _MAX_LOG:
        raise SensorError(f"logarithmic sensor: {value_low:g} to {value_high:g} is no gauge's range")
    exp, log_value_at = math.exp, line.value_at
    return replace(line, value_at=lambda x: exp(log_value_at(x)), fault_low=first, fault_high=last)


_MAX_LOG = 700.0  # e^709 is no float any more


def ntc_beta(r0_ohm: float, t0_k: float, beta_k: float) -> SensorCurve:
    """NTC thermistor: R = R0 exp(B (1/T - 1/T0)), input in Ohm."""
    _positive("NTC", r0_ohm=r0_ohm, t0_k=t0_k, beta_k=beta_k)
    log, inverse_t0, inverse_b = math.log, 1 / t0_k, 1 / beta_k

    def temperature(r_ohm: float) -> float:
        return 1 / (inverse_t0 + inverse_b * log(r_ohm / r0_ohm))

    return _thermistor(temperature, lambda t_k: r0_ohm * math.exp(beta_k * (1 / t_k - inverse_t0)))


def steinhart_hart(a: float, b: float, c: float) -> SensorCurve:
    """NTC thermistor: 1/T = a + b ln R + c (ln R)^3, R in Ohm (Steinhart and Hart, Deep-Sea Research 15, 1968)."""
    _finite("Steinhart-Hart", a=a, b=b, c=c)
    if b <= 0 or c < 0:
        raise SensorError("Steinhart-Hart: b must be above 0 and c not below 0, or temperature would not fall with R")
    log = math.log

    def temperature(r_ohm: float) -> float:
        ln_r = log(r_ohm)
        return 1 / (a + ln_r * (b + c * ln_r * ln_r))

    def resistance(t_k: float) -> float:
        low, high = -20.0, 40.0  # ln R: bisection, done twice when the curve is made
        while high - low > 1e-9:
            mid = (low + high) / 2
            if a + mid * (b + c * mid * mid) < 1 / t_k:
                low = mid
            else:
                high = mid
        return math.exp(low)

    return _thermistor(temperature, resistance)


_COLDEST_K, _HOTTEST_K = 213.15, 433.15  # -60 C and 160 C: beyond, a thermistor of this work is broken


def _thermistor(temperature: Callable[[float], float], resistance: Callable[[float], float]) -> SensorCurve:
    return SensorCurve(temperature, "Ohm", resistance(_HOTTEST_K), resistance(_COLDEST_K), SHORT, OPEN)


def rtd(r0_ohm: float = 100.0, a: float = RTD_A, b: float = RTD_B, c: float = RTD_C) -> SensorCurve:
    """Platinum resistance thermometer, input in Ohm: Callendar-Van Dusen with the coefficients of IEC 60751.

    R = R0 (1 + A t + B t^2 + C (t - 100) t^3), t in C, C only below 0 C. Inverted in closed form above 0 C and by
    Newton's method below (to better than 1e-6 K over -200..850 C).
    """
    _positive("RTD", r0_ohm=r0_ohm, a=a)
    if b >= 0:
        raise SensorError("RTD: coefficient B must be below 0 (IEC 60751: -5.775e-7)")
    sqrt = math.sqrt

    def resistance(t_c: float) -> float:
        below = c * (t_c - 100) * t_c**3 if t_c < 0 else 0.0
        return r0_ohm * (1 + a * t_c + b * t_c * t_c + below)

    def temperature(r_ohm: float) -> float:
        t = (-a + sqrt(a * a - 4 * b * (1 - r_ohm / r0_ohm))) / (2 * b)
        if t >= 0:
            return t + ICE_POINT_K
        w = r_ohm / r0_ohm
        for _ in range(3):
            t -= (1 + t * (a + t * (b + c * (t - 100) * t)) - w) / (a + t * (2 * b + c * t * (4 * t - 300)))
        return t + ICE_POINT_K

    return SensorCurve(temperature, "Ohm", resistance(-200.0), resistance(850.0), SHORT, OPEN)


def thermocouple(kind: int) -> SensorCurve:
    """Thermocouple, input in V: its own and that of a junction at its terminals' temperature, which counts from 0 C.

    The reference function of ITS-90 (firmware_protocol.thermocouple), inverted by Newton's method. Where it ends, a
    wire is broken or shorted; a short between its own wires reads the terminals' temperature and cannot be told.
    """
    function = REFERENCE_FUNCTIONS.get(kind)
    if function is None:
        raise SensorError(f"thermocouple: type {kind} is not known to this version")
    lowest, highest = function.volts(MIN_CELSIUS), function.volts(function.highest_celsius)

    def temperature(volts: float) -> float:
        celsius = function.celsius(min(max(volts, lowest), highest))  # beyond is told before
        assert celsius is not None
        return celsius + ICE_POINT_K

    return SensorCurve(temperature, "V", lowest, highest)


def bridge(x_low: float, x_high: float, value_low: float, value_high: float) -> SensorCurve:
    """Strain-gauge bridge (load cell), input in V/V (2 mV/V is 0.002).

    Beyond 1.5 times its largest stated output either way a bridge arm is broken (from memory).
    """
    limit = 1.5 * max(abs(x_low), abs(x_high))
    return replace(linear(x_low, x_high, value_low, value_high, "1"), fault_low=-limit, fault_high=limit)


def _finite(sensor: str, **parameters: float) -> None:
    for name, number in parameters.items():
        if not math.isfinite(number):
            raise SensorError(f"{sensor}: {name} is {number}, not a number to compute with")


def _positive(sensor: str, **parameters: float) -> None:
    _finite(sensor, **parameters)
    for name, number in parameters.items():
        if number <= 0:
            raise SensorError(f"{sensor}: {name} must be above 0, not {number:g}")
