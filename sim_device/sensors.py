"""Sensors: from what the plant exposes them to, to the raw integer a device sends.

Each channel adds its own error (offset, noise), is cut off at its range with a reason, converts to the electrical
quantity its description names, and rounds to what it transmits. Wiring can be broken: see `wire`.
"""

import math
import random
from collections.abc import Callable
from dataclasses import dataclass

from firmware_protocol.codes import NoReading, Quantity, SampleType, SensorKind
from firmware_protocol.conversion import to_raw
from firmware_protocol.layout import Reading, highest_reading, lowest_reading
from firmware_protocol.messages import Describe
from sim_device.errors import BadSetting

Sense = Callable[[str, float], float]  # (measuring point, seconds) -> what is there, SI

# SI = unit * factor + offset. Factors: NIST SP 811 appendix B; um[Hg] conventional.
_UNITS = {
    "Pa": (1.0, 0.0), "kPa": (1e3, 0.0), "mbar": (100.0, 0.0), "bar": (1e5, 0.0), "[psi]": (6894.757293168, 0.0),
    "um[Hg]": (0.133322387415, 0.0), "K": (1.0, 0.0), "Cel": (1.0, 273.15), "[degF]": (5 / 9, 459.67 * 5 / 9),
    "kg": (1.0, 0.0), "g": (1e-3, 0.0), "[lb_av]": (0.45359237, 0.0), "1": (1.0, 0.0), "%": (0.01, 0.0),
}  # fmt: skip
WIRES = ("", "open", "short", "stuck")


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """One channel: its measuring point, what it says of itself, and how it errs.

    All numbers from `range_low` on are in `unit`. offset_error and noise (standard deviation) are added;
    noise_of_reading is a fraction of the reading. vented: a gauge sensor, read against the barometer.
    """

    point: str
    label: str
    quantity: Quantity
    unit: str
    sample_type: SampleType = SampleType.I24
    exponent: int = -6
    kind: SensorKind = SensorKind.DIRECT
    parameters: tuple[float, ...] = ()
    period_ms: int = 200
    range_low: float | None = None
    range_high: float | None = None
    accuracy: float | None = None
    accuracy_of_reading: float | None = None
    offset_error: float = 0.0
    noise: float = 0.0
    noise_of_reading: float = 0.0

    @property
    def vented(self) -> bool:
        return self.quantity is Quantity.GAUGE_PRESSURE

    def describe(self, index: int, period_ms: int | None = None, request_id: int = 0) -> Describe:
        return Describe(
            request_id=request_id, index=index, quantity=self.quantity, unit=self.unit, sample_type=self.sample_type,
            exponent=self.exponent, period_ms=period_ms or self.period_ms, sensor_kind=self.kind,
            parameters=self.parameters, range_low=self.range_low, range_high=self.range_high, accuracy=self.accuracy,
            accuracy_of_reading=self.accuracy_of_reading, label=self.label,
        )  # fmt: skip


class Sensor:
    """A channel in use. `wire`: "" whole, "open", "short", or "stuck" at its last reading."""

    def __init__(self, spec: ChannelSpec, index: int, sense: Sense, rng: random.Random) -> None:
        if spec.unit not in _UNITS:
            raise BadSetting(f"channel {spec.label!r}: no sensor in {spec.unit!r}; known: {', '.join(_UNITS)}")
        self.spec = spec
        self.extra_error = 0.0  # in the channel's unit, on top of the specification's
        self._wire = ""
        self._sense = sense
        self._gauss = rng.gauss
        self._factor, self._shift = _UNITS[spec.unit]
        self._describe = spec.describe(index)
        self._lowest, self._highest = lowest_reading(spec.sample_type), highest_reading(spec.sample_type)
        self._low = -math.inf if spec.range_low is None else spec.range_low
        self._high = math.inf if spec.range_high is None else spec.range_high
        self._last: Reading = NoReading.NOT_READY

    @property
    def wire(self) -> str:
        return self._wire

    @wire.setter
    def wire(self, state: str) -> None:
        if state not in WIRES:
            raise BadSetting(f"wire {state!r} is not known; known: {', '.join(w or 'whole' for w in WIRES)}")
        self._wire = state

    def reading(self, t_s: float) -> Reading:
        """Raw integer, or why there is none. Noise moves on with every call."""
        spec = self.spec
        si = self._sense(spec.point, t_s)
        if spec.vented:
            si -= self._sense("barometer", t_s)
        value = (si - self._shift) / self._factor
        spread = spec.noise + spec.noise_of_reading * abs(value)
        value += self._gauss(0.0, spread) + spec.offset_error + self.extra_error
        if self._wire == "stuck":
            return self._last
        self._last = self._wired(value)
        return self._last

    def _wired(self, value: float) -> Reading:
        if self._wire == "open":
            return NoReading.OPEN_CIRCUIT
        if self._wire == "short":
            return NoReading.SHORT_CIRCUIT
        if value < self._low:
            return NoReading.UNDER_RANGE
        if value > self._high:
            return NoReading.OVER_RANGE
        raw = to_raw(self._describe, value)
        if raw < self._lowest:
            return NoReading.UNDER_RANGE
        return NoReading.OVER_RANGE if raw > self._highest else raw
