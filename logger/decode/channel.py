"""Raw integers of a device to readings at measuring points.

    raw -> scaled sample -> sensor curve -> SI -> range -> calibration -> absolute pressure -> PointSample

Built once from the device's descriptions and the rig; the curve of each kind is in sensor_curves.py. What cannot be
trusted (open or short circuit, outside the sensor's range, gauge pressure without a barometer) has no value, and
says why.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

from firmware_protocol.codes import NoReading, SensorKind
from firmware_protocol.codes import Quantity as Measured
from firmware_protocol.conversion import cold_junction, problem_among, problem_with, range_problem
from firmware_protocol.messages import Describe
from logger.decode import cold_junction as terminals
from logger.decode import sensor_curves
from logger.decode.calibration_fit import zero_drift
from logger.decode.cold_junction import ColdJunction
from logger.decode.sensor_curves import SensorCurve, SensorError
from logger.decode.ucum import UcumError, UcumUnit, ucum
from logger.model.errors import ComputeError
from logger.model.points import POINTS, MeasuringPoint, Quantity
from logger.model.rig import Calibration, RigChannel
from logger.model.sample import PointSample
from logger.model.value import CodedProblem

Raw: TypeAlias = float | NoReading | str  # a device's integer, or the number an instrument states; or why there is none

UNDER_RANGE = CodedProblem("under-range", "under range")
OVER_RANGE = CodedProblem("over-range", "over range")
NO_BAROMETER = "gauge pressure without a barometer, an entered pressure or an altitude"

NO_READING_TEXT: dict[NoReading, str] = {
    NoReading.OPEN_CIRCUIT: sensor_curves.OPEN,
    NoReading.SHORT_CIRCUIT: sensor_curves.SHORT,
    NoReading.UNDER_RANGE: UNDER_RANGE,
    NoReading.OVER_RANGE: OVER_RANGE,
    NoReading.NOT_READY: "not ready",
    NoReading.OTHER: "no reading, reason not stated",
}

_FITS: dict[Quantity, tuple[Measured, ...]] = {
    Quantity.PRESSURE: (Measured.ABSOLUTE_PRESSURE, Measured.GAUGE_PRESSURE),
    Quantity.VACUUM: (Measured.ABSOLUTE_PRESSURE,),
    Quantity.BAROMETER: (Measured.ABSOLUTE_PRESSURE,),
    Quantity.TEMPERATURE: (Measured.TEMPERATURE,),
    Quantity.MASS: (Measured.MASS,),
    Quantity.RATIO: (Measured.RATIO,),
}
_STRAIGHT = frozenset(
    {SensorKind.DIRECT, SensorKind.RATIOMETRIC, SensorKind.VOLTAGE, SensorKind.CURRENT_LOOP, SensorKind.BRIDGE}
)
_MADE = tuple.__new__  # of a named tuple: its own way there is a function more for each of millions of readings
_ROOT_12 = math.sqrt(12)
_ROOT_3 = math.sqrt(3)


class DecodeError(ComputeError):
    """A channel whose description and measuring point do not fit. The reason says what and where."""

    def __init__(self, text: str, code: str = "") -> None:
        super().__init__(text)
        self.reason = CodedProblem(code, text)


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Standard uncertainties of one reading (k=1), in SI.

    resolution: half a step either way, rectangular: step / sqrt(12), which is 0.29 of the step (GUM 4.3.7).
    accuracy: stated limits of error +-a, rectangular: a / sqrt(3), or what the calibration states; common to all
    readings of the channel. With it the cold junction's, through what a volt is worth at the reading. None when nobody
    stated one.
    """

    resolution: float
    accuracy: float | None


class ChannelDecoder:
    """One channel of one device at one measuring point. Raises DecodeError when the two do not fit.

    division: the smallest step of its readings in the described unit, where that is not the step of the raw integers.
    """

    __slots__ = (
        "_calibration",
        "_curve",
        "_high",
        "_low",
        "_name",
        "_offset",
        "_over",
        "_read",
        "_scale",
        "_step",
        "_times",
        "_unit",
        "channel",
        "describe",
        "gauge",
        "junction",
        "point",
    )

    def __init__(self, describe: Describe, channel: RigChannel, division: float | None = None) -> None:
        self.describe, self.channel = describe, channel
        where = f"channel {describe.index}" + (f" ({describe.label})" if describe.label else "")
        if channel.point not in POINTS:
            raise DecodeError(f"{where}: {channel.point!r} is no measuring point")
        self.point: MeasuringPoint = POINTS[channel.point]
        self.gauge = describe.quantity == Measured.GAUGE_PRESSURE
        fitting = _FITS.get(self.point.quantity, ())
        if describe.quantity not in fitting:
            raise DecodeError(
                f"{where} measures {measured_name(describe.quantity)}; {self.point.name} "
                f"needs {' or '.join(measured_name(q) for q in fitting)}",
                "misfit",
            )
        if (problem := range_problem(describe)) is not None:
            raise DecodeError(f"{where}: {problem}")
        try:
            self._unit: UcumUnit = ucum(describe.unit)
            if self._unit.si != self.point.unit:
                raise DecodeError(f"{where}: unit {describe.unit} does not fit {self.point.quantity.value}")
            self._curve: SensorCurve = curve_of(describe, self._unit)
        except (UcumError, SensorError) as exc:
            raise DecodeError(f"{where}: {exc}") from exc
        self._calibration: Calibration = channel.calibration
        # Dividing by an exact power of ten rounds once, multiplying by 10**-n would round twice.
        self._times, self._over = 10.0 ** max(describe.exponent, 0), 10.0 ** max(-describe.exponent, 0)
        self._scale = self._times / self._over
        self._step = self._scale if division is None else division
        self._offset = describe.offset
        self._low, self._high = self._limits()
        self._name = self.point.name
        self.junction: ColdJunction | None = None  # of a thermocouple, where its device measures it
        self._read = self._reader()
        if cold_junction(describe) is not None:
            self._read = self._compensated(self._read)

    def decode(self, t_ns: int, raw: Raw, ambient_pa: float | None = None) -> PointSample:
        """The reading in SI, pressures absolute.

        ambient_pa: absolute, around a gauge sensor; None when unknown.
        """
        value, problem = self._read(raw, ambient_pa)
        return PointSample(t_ns, self._name, value, problem)

    def _reader(self) -> Callable[[Raw, float | None], tuple[float | None, str | None]]:
        """(raw, ambient) -> (value, problem), with all that never changes at hand: a night is millions of them."""
        curve, calibration, gauge = self._curve, self._calibration, self.gauge
        offset, times, over, low, high = self._offset, self._times, self._over, self._low, self._high
        value_at, fault_low, fault_high = curve.value_at, curve.fault_low, curve.fault_high
        zero, span = calibration.zero, calibration.span
        lowest = 0.0 if self.point.unit in ("Pa", "K") else -math.inf  # absolute, so below nothing

        def read(raw: Any, ambient_pa: float | None) -> tuple[float | None, str | None]:
            kind = type(raw)  # isinstance of an Enum costs three times as much
            if kind is not int and kind is not float:
                return None, raw if kind is str else NO_READING_TEXT[raw]
            x = (raw + offset) * times / over
            if not fault_low < x < fault_high:
                return None, curve.low_fault if x <= fault_low else curve.high_fault
            value = value_at(x)
            if value < low:
                return None, UNDER_RANGE
            if value > high:
                return None, OVER_RANGE
            value = (value - zero) * span
            if gauge:
                if ambient_pa is None:
                    return None, NO_BAROMETER
                value += ambient_pa
            return (None, UNDER_RANGE) if value < lowest else (value, None)

        return read

    def _compensated(
        self, inner: Callable[[Raw, float | None], tuple[float | None, str | None]]
    ) -> Callable[[Raw, float | None], tuple[float | None, str | None]]:
        """Of a thermocouple: with the voltage of its cold junction added."""
        scale = self._scale

        def read(raw: Any, ambient_pa: float | None) -> tuple[float | None, str | None]:
            if type(raw) is not int and type(raw) is not float:
                return inner(raw, ambient_pa)
            volts = self.junction.volts if self.junction is not None else None
            return (None, terminals.UNKNOWN) if volts is None else inner(raw + volts / scale, ambient_pa)

        return read

    def raw_at(self, value: float) -> float | None:
        """The raw number, not rounded, that reads `value` (SI, gauge pressures as gauge); None where the sensor's
        curve is no straight line."""
        if self.describe.sensor_kind not in _STRAIGHT:
            return None
        at_0, at_1 = self._curve.value_at(0.0), self._curve.value_at(1.0)
        x = (value / self._calibration.span + self._calibration.zero - at_0) / (at_1 - at_0)
        return x * self._over / self._times - self._offset

    def uncertainty(self, raw: float) -> Uncertainty:
        """Of a reading at `raw`, without the barometer's share."""
        step = self._step
        x = (raw + self._offset) * self._scale
        if self.junction is not None:
            x += self.junction.volts or 0.0
        slope = abs(self._curve.slope_at(x, step) * self._calibration.span)
        resolution = slope * step / _ROOT_12
        accuracy = self._calibration.u
        if accuracy is None:
            accuracy = self._stated_u(x)
        if accuracy is None or cold_junction(self.describe) is None:
            return Uncertainty(resolution, accuracy)
        cold_v = self.junction.standard_uncertainty() if self.junction is not None else None
        if cold_v is None:  # a calibration took the terminals in, as they were then
            return Uncertainty(resolution, self._calibration.u)
        return Uncertainty(resolution, math.hypot(accuracy, slope * cold_v))

    def _stated_u(self, x: float) -> float | None:
        """Standard uncertainty by the limits of error that the device states, SI."""
        describe = self.describe
        if describe.accuracy is None and describe.accuracy_of_reading is None:
            return None
        reading = (self._curve.value_at(x) - self._unit.offset) / self._unit.factor  # in the described unit
        limit = (describe.accuracy or 0.0) + (describe.accuracy_of_reading or 0.0) * abs(reading)
        return limit * self._unit.factor / _ROOT_3

    def stated_accuracy(self) -> float | None:
        """Limits of error at the zero of its range, SI; None where nobody stated them."""
        return None if self.describe.accuracy is None else self.describe.accuracy * self._unit.factor

    @property
    def drifted(self) -> bool:
        """Its zero moved, from the calibration before to the newest, by more than the stated accuracy."""
        drift, accuracy = zero_drift(self._calibration), self.stated_accuracy()
        return drift is not None and accuracy is not None and abs(drift) > accuracy

    def range_si(self, ambient_pa: float | None = None) -> tuple[float | None, float | None]:
        """Lowest and highest value the sensor is stated for, in SI (absolute); None where nobody stated it."""
        add = (ambient_pa if self.gauge else 0.0) if ambient_pa is not None or not self.gauge else None
        low, high = (
            None if edge is None or add is None else edge * self._unit.factor + self._unit.offset + add
            for edge in (self.describe.range_low, self.describe.range_high)
        )
        return low, high

    def _limits(self) -> tuple[float, float]:
        """Values beyond which a reading is out of range: the stated range and its accuracy, or the loop's own."""
        curve, describe, unit = self._curve, self.describe, self._unit
        if math.isfinite(curve.valid_low):
            ends = (curve.value_at(curve.valid_low), curve.value_at(curve.valid_high))
            return min(ends), max(ends)
        low, high = describe.range_low, describe.range_high
        extent = high - low if low is not None and high is not None else 0.0
        # Noise and zero drift at the end of a range are no fault: the stated accuracy is allowed, else 0.5 % of span.
        slack = 0.005 * extent if describe.accuracy is None else describe.accuracy
        of_reading = describe.accuracy_of_reading or 0.0
        return (
            -math.inf if low is None else (low - slack - of_reading * abs(low)) * unit.factor + unit.offset,
            math.inf if high is None else (high + slack + of_reading * abs(high)) * unit.factor + unit.offset,
        )


class DeviceDecoder:
    """All channels of one device that the rig puts to use."""

    __slots__ = ("_by_index", "_junctions", "channels", "problems")

    def __init__(self, describes: Iterable[Describe], channels: Sequence[RigChannel]) -> None:
        """A channel that the device does not have, or that does not measure what the point needs, is left out with its
        reason in `problems`, by point. Raises DecodeError, the first, where none is left."""
        known = {describe.index: describe for describe in describes}
        self.problems: dict[str, CodedProblem] = {}
        decoders: list[ChannelDecoder] = []
        first: DecodeError | None = None
        for channel in channels:
            try:
                decoders.append(self._of(channel, known))
            except DecodeError as exc:
                first = first or exc
                self.problems[channel.point] = exc.reason
        self.channels = tuple(decoders)
        self._junctions: list[ColdJunction] = []
        for decoder in decoders:
            if cold_junction(decoder.describe) is not None:
                try:
                    decoder.junction = self._junction(decoder.describe, known)
                except DecodeError as exc:
                    first = first or exc
                    self.problems[decoder.point.name] = exc.reason
                else:
                    self._junctions.append(decoder.junction)
        self.channels = tuple(one for one in decoders if one.point.name not in self.problems)
        if first is not None and not self.channels:
            raise first
        self._by_index = {decoder.channel.index: (decoder.point.name, decoder._read) for decoder in self.channels}

    @staticmethod
    def _of(channel: RigChannel, known: Mapping[int, Describe]) -> ChannelDecoder:
        if channel.index not in known:
            raise DecodeError(
                f"the device has no channel {channel.index} (for {channel.point}); it has "
                + (", ".join(str(index) for index in sorted(known)) or "none"),
                "no-channel",
            )
        return ChannelDecoder(known[channel.index], channel, channel.stated.division if channel.stated else None)

    def _junction(self, hot: Describe, known: dict[int, Describe]) -> ColdJunction:
        """Of this thermocouple: by the rig's channel for its terminals, with its calibration, if there is one."""
        index = cold_junction(hot)
        assert index is not None
        if (problem := problem_among(hot, tuple(known.values()))) is not None:
            raise DecodeError(f"channel {hot.index}: {problem}")
        decoder = next((d for d in self.channels if d.channel.index == index), None)
        decoder = decoder or ChannelDecoder(known[index], RigChannel(index, "ambient_temperature"))
        return ColdJunction(int(hot.parameters[0]), decoder)

    def decode(
        self, t_ns: int, readings: Iterable[tuple[int, Raw]], ambient_pa: float | None = None
    ) -> list[PointSample]:
        """Readings of one scan; channels the rig does not use are left out."""
        known = self._by_index.get
        if self._junctions:
            readings = list(readings)
            for junction in self._junctions:
                for index, raw in readings:
                    if index == junction.index:
                        junction.take(t_ns, raw)
                junction.settle(t_ns)
        return [
            _MADE(PointSample, (t_ns, found[0], *found[1](raw, ambient_pa)))
            for index, raw in readings
            if (found := known(index)) is not None
        ]


def curve_of(describe: Describe, unit: UcumUnit) -> SensorCurve:
    """The sensor curve of a description, giving SI. Raises SensorError."""

    def si(value: float) -> float:
        return value * unit.factor + unit.offset

    kind, parameters = describe.sensor_kind, describe.parameters
    try:
        match kind, parameters:
            case SensorKind.DIRECT, _:
                return sensor_curves.direct(unit.factor, unit.offset)
            case SensorKind.RATIOMETRIC, (x0, y0, x1, y1, *_):
                return sensor_curves.ratiometric(x0, x1, si(y0), si(y1))
            case SensorKind.VOLTAGE, (x0, y0, x1, y1, *_):
                return sensor_curves.linear(x0, x1, si(y0), si(y1), "V")
            case SensorKind.CURRENT_LOOP, (x0, y0, x1, y1, *_):
                return sensor_curves.current_loop(x0, x1, si(y0), si(y1))
            case SensorKind.BRIDGE, (x0, y0, x1, y1, *_):
                return sensor_curves.bridge(x0, x1, si(y0), si(y1))
            case SensorKind.LOG_VOLTAGE, (x0, y0, x1, y1, *_):
                return sensor_curves.logarithmic(x0, x1, si(y0), si(y1), "V")
            case SensorKind.THERMOCOUPLE, (pair, *_) if pair == int(pair):
                return sensor_curves.thermocouple(int(pair))
            case SensorKind.NTC_BETA, (r0, t0_k, beta_k, *_):
                return sensor_curves.ntc_beta(r0, t0_k, beta_k)
            case SensorKind.NTC_STEINHART_HART, (a, b, c, *_):
                return sensor_curves.steinhart_hart(a, b, c)
            case SensorKind.RTD_IEC60751, (r0, a, b, c, *_):
                return sensor_curves.rtd(r0, a, b, c)
            case SensorKind.RTD_IEC60751, (r0,):
                return sensor_curves.rtd(r0)
    except OverflowError as exc:
        raise SensorError(f"parameters {parameters} make no curve") from exc
    raise SensorError(problem_with(describe) or f"{SensorKind(kind).name} cannot have parameters {parameters}")


def measured_name(quantity: int) -> str:
    """The protocol's quantity in words."""
    try:
        return Measured(quantity).name.lower().replace("_", " ")
    except ValueError:
        return f"quantity {quantity} (not known to this version)"
