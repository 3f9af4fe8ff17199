"""Cold junctions: what the terminals of a thermocouple add to its voltage."""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING, Any

from firmware_protocol.thermocouple import REFERENCE_FUNCTIONS
from logger.decode.sensor_curves import ICE_POINT_K
from logger.model.units import NS_PER_S

if TYPE_CHECKING:
    from logger.decode.channel import ChannelDecoder

UNKNOWN = "its cold junction is unknown: no reading of that channel within a minute"
MAX_AGE_NS = 60 * NS_PER_S  # SPEC.md section 7.4
MAX_READINGS = 16  # frames that are sent again lie between live ones


class ColdJunction:
    """The terminals of one thermocouple, measured by another channel of its device.

    volts: E of their temperature at the instant of the last `settle`, None while unknown.
    """

    __slots__ = ("_decoder", "_function", "_kelvin", "_raw", "_readings", "volts")

    def __init__(self, kind: int, decoder: ChannelDecoder) -> None:
        self._decoder = decoder
        self._function = REFERENCE_FUNCTIONS[kind]
        self._readings: deque[tuple[int, float, float]] = deque(maxlen=MAX_READINGS)  # (t_ns, kelvin, raw)
        self._kelvin = self._raw = 0.0
        self.volts: float | None = None

    @property
    def index(self) -> int:
        """Of the channel that measures it."""
        return self._decoder.channel.index

    def take(self, t_ns: int, raw: Any) -> None:
        """A reading of the terminals; one without a number says nothing."""
        kelvin = self._decoder.decode(t_ns, raw).value
        if kelvin is not None:
            self._readings.append((t_ns, kelvin, raw))

    def settle(self, t_ns: int) -> None:
        """Use the reading nearest to t_ns from now on."""
        self.volts = None
        if not self._readings:
            return
        taken_ns, kelvin, raw = min(self._readings, key=lambda reading: abs(reading[0] - t_ns))
        if abs(taken_ns - t_ns) <= MAX_AGE_NS:
            self._kelvin, self._raw = kelvin, raw
            self.volts = self._function.volts(kelvin - ICE_POINT_K)

    def standard_uncertainty(self) -> float | None:
        """Of `volts`, in V; None while unknown, or when nobody stated the accuracy of the terminals' channel."""
        if self.volts is None:
            return None
        u = self._decoder.uncertainty(self._raw)
        if u.accuracy is None:
            return None
        u_kelvin = math.hypot(u.resolution, u.accuracy)
        return u_kelvin * self._function.volts_per_kelvin(self._kelvin - ICE_POINT_K)
