"""What the air around presses with, and how that is known.

Gauge pressure is absolute minus ambient; vacuum (in.Hg on a compound gauge) is ambient minus absolute. So each
reading rests on an ambient pressure: measured by a barometer, entered by the user, taken from the altitude by the
standard atmosphere, or, with none of these, assumed at sea level. Which one it was travels with every value.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from logger.model.errors import ComputeError
from logger.model.units import INHG_PA, STANDARD_ATMOSPHERE_PA
from logger.model.value import Value, known

# ISO 2533:1975 (the ICAO standard atmosphere, Doc 7488, is the same in its lowest layer).
ATMOSPHERE = "ISO 2533 standard atmosphere"
SEA_LEVEL_K = 288.15
LAPSE_K_PER_M = 0.0065
EARTH_RADIUS_M = 6356766.0
EXPONENT = 9.80665 / (287.05287 * LAPSE_K_PER_M)
MIN_ALTITUDE_M = -1000.0
MAX_ALTITUDE_M = 11000.0
MAX_BAROMETER_PA = 110000.0  # above any reading on record, below every number in a wrong unit

# Standard uncertainties (k=1). Weather moves the barometer at one place by about 1 kPa (common practice, no source);
# sea level taken for granted may be a few hundred metres wrong (rectangular, 6 kPa either way).
WEATHER_U_PA = 1000.0
ASSUMED_U_PA = 6000.0 / math.sqrt(3)
ENTERED_U_PA = 300.0  # a barometer read, or a weather report, rounded and some hours old (common practice)


def weather_u(lasted_s: float) -> float:
    """Standard uncertainty of what the barometer has moved over so long, Pa: WEATHER_U_PA in a day, by the root of the
    time, at most twice that (common practice, no source)."""
    return WEATHER_U_PA * min(math.sqrt(max(lasted_s, 0.0) / 86400.0), 2.0)


class AmbientSource(StrEnum):
    MEASURED = "measured"
    ENTERED = "entered"
    ALTITUDE = "altitude"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True)
class Ambient:
    """pressure_pa: absolute, around the instruments. u_pa: standard uncertainty. altitude_m: set when that gave it."""

    pressure_pa: float
    source: AmbientSource
    u_pa: float | None = None
    altitude_m: float | None = None

    @property
    def note(self) -> str:
        """The assumption in words, shown with every value that rests on it."""
        in_hg = self.pressure_pa / INHG_PA
        shown = f"{self.pressure_pa / 1e3:.1f} kPa ({in_hg:.2f} in. Hg abs)"
        if self.source is AmbientSource.ALTITUDE and self.altitude_m is not None:
            feet = self.altitude_m / 0.3048
            return f"barometer {shown} from {self.altitude_m:.0f} m ({feet:.0f} ft), {ATMOSPHERE}"
        if self.source is AmbientSource.ASSUMED:
            return f"barometer {shown} assumed: sea level, no altitude or barometer given"
        return f"barometer {shown} {self.source.value}"

    def as_value(self) -> Value:
        return known(self.pressure_pa, "Pa", self.u_pa, self.note)


SEA_LEVEL = Ambient(STANDARD_ATMOSPHERE_PA, AmbientSource.ASSUMED, ASSUMED_U_PA)


def altitude_pressure(altitude_m: float) -> float:
    """Absolute Pa of the ISO 2533 standard atmosphere at a geometric altitude in m. Raises ComputeError."""
    if not MIN_ALTITUDE_M <= altitude_m <= MAX_ALTITUDE_M:
        raise ComputeError(f"altitude {altitude_m:.0f} m is outside {MIN_ALTITUDE_M:.0f} to {MAX_ALTITUDE_M:.0f} m")
    geopotential_m = EARTH_RADIUS_M * altitude_m / (EARTH_RADIUS_M + altitude_m)
    return float(STANDARD_ATMOSPHERE_PA * (1 - LAPSE_K_PER_M * geopotential_m / SEA_LEVEL_K) ** EXPONENT)


def ambient(measured: Value | None = None, entered_pa: float | None = None, altitude_m: float | None = None) -> Ambient:
    """The best that is known: a trusted barometer reading, else the entered value, else the altitude, else sea level.

    A reading that no place on earth has is not trusted. Raises ComputeError for such an altitude or entered pressure.
    """
    low, high = altitude_pressure(MAX_ALTITUDE_M), MAX_BAROMETER_PA
    if measured is not None and measured.number is not None and low <= measured.number <= high:
        return Ambient(measured.number, AmbientSource.MEASURED, measured.u)
    if entered_pa is not None:
        if not low <= entered_pa <= high:
            raise ComputeError(
                f"a barometer of {entered_pa / 1e3:.1f} kPa is outside {low / 1e3:.0f} to {high / 1e3:.0f} kPa: "
                "enter the absolute station pressure"
            )
        return Ambient(entered_pa, AmbientSource.ENTERED, ENTERED_U_PA)
    if altitude_m is not None:
        return Ambient(altitude_pressure(altitude_m), AmbientSource.ALTITUDE, WEATHER_U_PA, altitude_m)
    return SEA_LEVEL
