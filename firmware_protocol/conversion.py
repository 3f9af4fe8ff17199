"""From the raw integer of a sample to the channel's quantity, and back (SPEC.md section 7.4).

Devices send what they measure electrically, scaled by a power of ten; the host does the rest, so that an old log
can be evaluated again with a better calibration.
"""

import math
from collections.abc import Callable, Sequence
from typing import Final

from firmware_protocol.codes import Quantity, SensorKind
from firmware_protocol.errors import MessageError
from firmware_protocol.messages import Describe
from firmware_protocol.thermocouple import MIN_CELSIUS, REFERENCE_FUNCTIONS

KELVIN_AT_0_CELSIUS: Final = 273.15

# IEC 60751:2022, platinum: R(t) = R0 (1 + A t + B t^2 + C (t - 100) t^3), the last term below 0 Cel only
RTD_A: Final = 3.9083e-3
RTD_B: Final = -5.775e-7
RTD_C: Final = -4.183e-12
_RTD_LOW_CELSIUS: Final = -200.0
_RTD_HIGH_CELSIUS: Final = 850.0

_LINEAR: Final = {
    SensorKind.RATIOMETRIC,
    SensorKind.VOLTAGE,
    SensorKind.CURRENT_LOOP,
    SensorKind.BRIDGE,
}
_PARAMETER_COUNTS: Final = {
    SensorKind.DIRECT: (0,),
    **dict.fromkeys(_LINEAR | {SensorKind.LOG_VOLTAGE}, (4,)),
    SensorKind.NTC_BETA: (3,),
    SensorKind.NTC_STEINHART_HART: (3,),
    SensorKind.RTD_IEC60751: (1, 4),
    SensorKind.THERMOCOUPLE: (1, 2),
}

_TEMPERATURES: Final = frozenset(
    {SensorKind.NTC_BETA, SensorKind.NTC_STEINHART_HART, SensorKind.RTD_IEC60751, SensorKind.THERMOCOUPLE}
)

_PRESSURES: Final = frozenset({"Pa", "kPa", "bar", "mbar", "[psi]", "um[Hg]"})
_UNITS: Final[dict[int, frozenset[str]]] = {  # of each quantity, those that every host knows (SPEC.md section 7.2)
    Quantity.ABSOLUTE_PRESSURE: _PRESSURES,
    Quantity.GAUGE_PRESSURE: _PRESSURES,
    Quantity.DIFFERENTIAL_PRESSURE: _PRESSURES,
    Quantity.TEMPERATURE: frozenset({"K", "Cel", "[degF]"}),
    Quantity.MASS: frozenset({"kg", "g", "[lb_av]", "[oz_av]"}),
    Quantity.RATIO: frozenset({"1", "%"}),
    Quantity.RELATIVE_HUMIDITY: frozenset({"1", "%"}),
    Quantity.VOLTAGE: frozenset({"V"}),
    Quantity.CURRENT: frozenset({"A"}),
    Quantity.RESISTANCE: frozenset({"Ohm"}),
    Quantity.POWER: frozenset({"W"}),
    Quantity.FREQUENCY: frozenset({"Hz"}),
    Quantity.STATE: frozenset({"1"}),
    Quantity.COUNT: frozenset({"1"}),
}
_KNOWN_UNITS: Final = frozenset(unit for units in _UNITS.values() for unit in units)

# Temperature units a thermistor or RTD channel may have: kelvin to unit, unit to kelvin
_FROM_KELVIN: Final[dict[str, Callable[[float], float]]] = {
    "K": lambda t: t,
    "Cel": lambda t: t - KELVIN_AT_0_CELSIUS,
    "[degF]": lambda t: t * 9 / 5 - 459.67,
}
_TO_KELVIN: Final[dict[str, Callable[[float], float]]] = {
    "K": lambda t: t,
    "Cel": lambda t: t + KELVIN_AT_0_CELSIUS,
    "[degF]": lambda t: (t + 459.67) * 5 / 9,
}


def problem_with(channel: Describe) -> str | None:
    """Why this channel's samples cannot be converted by this version, or None."""
    kind = channel.sensor_kind
    if (problem := range_problem(channel)) is not None:
        return problem
    if kind not in _PARAMETER_COUNTS:
        return f"sensor kind {kind} is not known to this version"
    counts = _PARAMETER_COUNTS[SensorKind(kind)]
    given = channel.parameters
    if len(given) < min(counts) or (len(given) not in counts and len(given) < max(counts)):
        return f"sensor kind {SensorKind(kind).name} needs {' or '.join(map(str, counts))} parameters, not {len(given)}"
    if (kind in _LINEAR or kind == SensorKind.LOG_VOLTAGE) and given[0] == given[2]:
        return "the two points of the sensor's line have the same input"
    if kind == SensorKind.RATIOMETRIC and not (0 <= given[0] <= 1 and 0 <= given[2] <= 1):
        return "the two points of a ratiometric sensor must lie in 0 to 1, as shares of its supply"
    if kind == SensorKind.LOG_VOLTAGE and not (given[1] > 0 and given[3] > 0):
        return "the two readings of a logarithmic sensor must be above zero"
    if kind == SensorKind.NTC_BETA and not (given[0] > 0 and given[1] > 0 and given[2] != 0):
        return "beta thermistor: resistance and temperature must be above zero, beta not zero"
    if kind == SensorKind.RTD_IEC60751 and not given[0] > 0:
        return "resistance at 0 Cel must be above zero"
    if kind == SensorKind.THERMOCOUPLE and given[0] not in REFERENCE_FUNCTIONS:
        return f"thermocouple type {given[0]:g} is not known to this version"
    if kind in _TEMPERATURES and channel.unit not in _FROM_KELVIN:
        return f"a temperature sensor in {channel.unit!r}: K, Cel or [degF] expected"
    units = _UNITS.get(channel.quantity)
    if units is not None and channel.unit in _KNOWN_UNITS - units:
        return f"{channel.unit} is no unit of {Quantity(channel.quantity).name.lower().replace('_', ' ')}"
    return None


def cold_junction(channel: Describe) -> int | None:
    """Index of the channel that measures the terminals of this thermocouple; None where its input counts from 0 Cel,
    and for every other sensor."""
    if channel.sensor_kind != SensorKind.THERMOCOUPLE or len(channel.parameters) < 2:
        return None
    return int(channel.parameters[1])


def problem_among(channel: Describe, channels: Sequence[Describe]) -> str | None:
    """As `problem_with`, with what it needs of the device's other channels."""
    if (problem := problem_with(channel)) is not None:
        return problem
    index = cold_junction(channel)
    if index is None:
        return None
    cold = next((c for c in channels if c.index == index == channel.parameters[1]), None)
    if cold is None:
        return f"its cold junction is channel {channel.parameters[1]:g}, which does not exist"
    if cold.quantity != Quantity.TEMPERATURE or cold.sensor_kind == SensorKind.THERMOCOUPLE:
        return f"its cold junction is channel {index}, which measures no temperature by itself"
    return None


def to_celsius(channel: Describe, reading: float) -> float | None:
    """A reading of a temperature channel; None where its unit is no temperature's."""
    to_kelvin = _TO_KELVIN.get(channel.unit)
    return None if to_kelvin is None else to_kelvin(reading) - KELVIN_AT_0_CELSIUS


def range_problem(channel: Describe) -> str | None:
    """Why the stated range is none, or None."""
    low, high = channel.range_low, channel.range_high
    if low is None or high is None or low < high:
        return None
    return f"range {low:g} to {high:g}: its low end is not below its high end"


def scaled(channel: Describe, raw: int) -> float:
    """(raw + offset) * 10**exponent: the transmitted number in the unit its sensor kind fixes."""
    number = raw + channel.offset
    # dividing by an exact power of ten rounds once, multiplying by 10**-n would round twice
    power = _power_of_ten(channel)
    return float(number * power) if channel.exponent >= 0 else number / power


def _power_of_ten(channel: Describe) -> int:
    return int(10 ** abs(channel.exponent))


def converter(channel: Describe, cold_celsius: float | None = None) -> Callable[[int], float | None]:
    """Function from raw number to reading, checked once: for hosts that convert many samples of one channel.

    cold_celsius: of the terminals, for a thermocouple that names a cold junction; without it, such has no reading.

    Raises MessageError when `problem_with(channel)` names a problem.
    """
    if (problem := problem_with(channel)) is not None:
        raise MessageError(f"channel {channel.index}: {problem}")
    if channel.sensor_kind == SensorKind.DIRECT:
        return lambda raw: scaled(channel, raw)
    return lambda raw: _reading(channel, scaled(channel, raw), cold_celsius)


def measured(channel: Describe, raw: int, cold_celsius: float | None = None) -> float | None:
    """The reading in `channel.unit`; None where the sensor's formula has no value (no resistance, off the curve).

    cold_celsius: as of `converter`.

    Raises MessageError when `problem_with(channel)` names a problem.
    """
    return converter(channel, cold_celsius)(raw)


def from_input(channel: Describe, value: float, cold_celsius: float | None = None) -> float | None:
    """As `measured`, from the scaled input (V, A, Ohm, ratio)."""
    if (problem := problem_with(channel)) is not None:
        raise MessageError(f"channel {channel.index}: {problem}")
    return _reading(channel, value, cold_celsius)


def _reading(channel: Describe, value: float, cold_celsius: float | None) -> float | None:
    try:
        reading = _formula(channel, value, cold_celsius)
    except (OverflowError, ZeroDivisionError):  # coefficients far from any real sensor's
        return None
    return reading if reading is not None and math.isfinite(reading) else None


def _formula(channel: Describe, value: float, cold_celsius: float | None) -> float | None:
    kind, given = channel.sensor_kind, channel.parameters
    if kind == SensorKind.DIRECT:
        return value
    if kind in _LINEAR:
        x0, y0, x1, y1 = given[:4]
        return y0 + (value - x0) * (y1 - y0) / (x1 - x0)
    if kind == SensorKind.LOG_VOLTAGE:
        x0, y0, x1, y1 = given[:4]
        return y0 * math.pow(y1 / y0, (value - x0) / (x1 - x0))
    if kind == SensorKind.THERMOCOUPLE:
        if cold_junction(channel) is None:
            cold_celsius = 0.0
        if cold_celsius is None:
            return None
        function = REFERENCE_FUNCTIONS[int(given[0])]
        hot = function.celsius(value + function.volts(cold_celsius))
        return None if hot is None else _FROM_KELVIN[channel.unit](hot + KELVIN_AT_0_CELSIUS)
    if value <= 0:
        return None
    if kind == SensorKind.RTD_IEC60751:
        celsius = _rtd_celsius(value, given)
        return None if celsius is None else _FROM_KELVIN[channel.unit](celsius + KELVIN_AT_0_CELSIUS)
    inverse_kelvin = _inverse_kelvin(kind, math.log(value), given)
    return _FROM_KELVIN[channel.unit](1 / inverse_kelvin) if inverse_kelvin > 0 else None


def to_raw(channel: Describe, value: float, cold_celsius: float = 0.0) -> int:
    """The raw integer nearest to a reading of `value` in `channel.unit`; may lie outside the sample type.

    cold_celsius: of the terminals, for a thermocouple that names a cold junction.
    For devices and simulations. Raises MessageError as `measured` does, and for a value off the sensor's curve.
    """
    number = to_input(channel, value, cold_celsius)
    power = _power_of_ten(channel)
    return round(number / power if channel.exponent >= 0 else number * power) - channel.offset


def to_input(channel: Describe, value: float, cold_celsius: float = 0.0) -> float:
    """Scaled input (V, A, Ohm, ratio) at which the channel reads `value`. Raises MessageError."""
    if (problem := problem_with(channel)) is not None:
        raise MessageError(f"channel {channel.index}: {problem}")
    try:
        number = _inverse_formula(channel, value, cold_celsius)
    except (OverflowError, ZeroDivisionError):
        number = math.inf
    if not math.isfinite(number):
        raise MessageError(f"channel {channel.index}: no input gives {value} {channel.unit} with these parameters")
    return number


def _inverse_formula(channel: Describe, value: float, cold_celsius: float) -> float:
    kind, given = channel.sensor_kind, channel.parameters
    if kind == SensorKind.DIRECT:
        return value
    if kind in _LINEAR:
        x0, y0, x1, y1 = given[:4]
        return x0 + (value - y0) * (x1 - x0) / (y1 - y0)
    if kind == SensorKind.LOG_VOLTAGE:
        x0, y0, x1, y1 = given[:4]
        return x0 + math.log(value / y0) * (x1 - x0) / math.log(y1 / y0) if value > 0 else math.inf
    kelvin = _TO_KELVIN[channel.unit](value)
    if kelvin <= 0:
        raise MessageError(f"channel {channel.index}: {value} {channel.unit} is not above absolute zero")
    if kind == SensorKind.THERMOCOUPLE:
        function = REFERENCE_FUNCTIONS[int(given[0])]
        celsius = kelvin - KELVIN_AT_0_CELSIUS
        if not MIN_CELSIUS <= celsius <= function.highest_celsius:
            return math.inf
        return function.volts(celsius) - (0.0 if cold_junction(channel) is None else function.volts(cold_celsius))
    if kind == SensorKind.RTD_IEC60751:
        return _rtd_ohm(kelvin - KELVIN_AT_0_CELSIUS, given)
    if kind == SensorKind.NTC_BETA:
        ohm, at_kelvin, beta = given[:3]
        return ohm * math.exp(beta * (1 / kelvin - 1 / at_kelvin))
    return _steinhart_hart_ohm(1 / kelvin, given)


def _inverse_kelvin(kind: int, log_ohm: float, given: tuple[float, ...]) -> float:
    if kind == SensorKind.NTC_BETA:
        ohm, at_kelvin, beta = given[:3]
        return 1 / at_kelvin + (log_ohm - math.log(ohm)) / beta
    a, b, c = given[:3]
    return a + b * log_ohm + c * log_ohm**3


def _steinhart_hart_ohm(inverse_kelvin: float, given: tuple[float, ...]) -> float:
    """Real root of c x^3 + b x + a = 1/T in x = ln R, by Cardano's formula (b, c > 0: one real root)."""
    a, b, c = given[:3]
    if c == 0:
        return math.exp((inverse_kelvin - a) / b)
    half_q = (a - inverse_kelvin) / c / 2
    root = half_q**2 + (b / c / 3) ** 3
    if root < 0:
        return math.inf  # three resistances for one temperature: no thermistor's coefficients
    # the larger of the two cube roots, the other from their product: no cancellation
    larger = math.cbrt(-half_q - math.copysign(math.sqrt(root), half_q))
    return math.exp(larger - b / c / 3 / larger)


def _rtd_coefficients(given: tuple[float, ...]) -> tuple[float, float, float]:
    return (given[1], given[2], given[3]) if len(given) >= 4 else (RTD_A, RTD_B, RTD_C)


def _rtd_ohm(celsius: float, given: tuple[float, ...]) -> float:
    a, b, c = _rtd_coefficients(given)
    below = c * (celsius - 100) * celsius**3 if celsius < 0 else 0.0
    return given[0] * (1 + a * celsius + b * celsius**2 + below)


def _rtd_celsius(ohm: float, given: tuple[float, ...]) -> float | None:
    """Inverse of _rtd_ohm within the standard's -200 to 850 Cel; None outside."""
    rounding = 1e-12 * given[0]
    if not _rtd_ohm(_RTD_LOW_CELSIUS, given) - rounding <= ohm <= _rtd_ohm(_RTD_HIGH_CELSIUS, given) + rounding:
        return None
    a, b, _ = _rtd_coefficients(given)
    ratio = ohm / given[0] - 1
    root = a * a + 4 * b * ratio
    if root < 0:
        return None
    celsius = 2 * ratio / (a + math.sqrt(root))  # exact above 0, the start of Newton's steps below
    if celsius < 0:
        for _ in range(6):
            slope = (_rtd_ohm(celsius + 1e-3, given) - _rtd_ohm(celsius - 1e-3, given)) / 2e-3
            celsius -= (_rtd_ohm(celsius, given) - ohm) / slope
    return celsius
