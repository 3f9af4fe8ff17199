"""Which measuring point a channel is likely to be, by what it measures and what it is called; and its zero."""

import math
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from firmware_protocol.codes import Quantity as Measured
from firmware_protocol.messages import Describe
from logger.decode.channel import ChannelDecoder, DecodeError
from logger.model.points import POINTS, MeasuringPoint, Quantity
from logger.model.rig import RigChannel
from logger.model.units import UNITS, Unit

# What else people call things, by the word of the point's name.
_ALSO: dict[str, frozenset[str]] = {
    "suction": frozenset({"low", "lp", "evaporator", "evap"}),
    "discharge": frozenset({"high", "hp", "condenser", "cond", "head"}),
    "cylinder": frozenset({"tank", "bottle", "drum", "shell"}),
    "mass": frozenset({"scale", "weight", "load"}),
    "barometer": frozenset({"baro", "barometric", "atmospheric"}),
    "ambient": frozenset({"air", "outdoor", "room"}),
    "vacuum": frozenset({"vac", "micron"}),
    "valve": frozenset({"eev", "exv", "txv", "opening"}),
    "entering": frozenset({"inlet", "return", "in"}),
    "leaving": frozenset({"outlet", "supply", "out"}),
    "fluid": frozenset({"water", "glycol", "brine"}),
}
_QUANTITY_WORDS = frozenset({"pressure", "temperature", "line", "position"})
_VACUUM_UNITS = ("um[Hg]", "mm[Hg]", "m[Hg]")

STEADY_SHARE = 0.01  # of the range: more scatter than that within the look is no steady reading
ZERO_SHARE = 0.03  # of the range: a zero further off is a pressure or a load, not a drift
SCALE_ZERO_KG, PRESSURE_ZERO_PA = 5.0, 35_000.0  # the same where no range is stated


def fitting(describe: Describe) -> list[MeasuringPoint]:
    """Points whose quantity the channel measures, in the order of POINTS."""
    return [point for point in POINTS.values() if _fits(describe, point)]


def _fits(describe: Describe, point: MeasuringPoint) -> bool:
    try:
        ChannelDecoder(describe, RigChannel(describe.index, point.name))
    except DecodeError:
        return False
    return True


def suggest(describe: Describe, label: str, taken: Collection[str]) -> MeasuringPoint | None:
    """The likely point, None when nothing speaks for one of those that are left."""
    left = [point for point in fitting(describe) if point.name not in taken]
    if describe.unit in _VACUUM_UNITS:
        return next((point for point in left if point.quantity is Quantity.VACUUM), None)
    words = set(re.findall(r"[a-z]+", label.lower()))
    marks = [(_likeness(words, point), -i, point) for i, point in enumerate(left)]
    if marks and max(marks)[0] > 0:
        return max(marks, key=lambda mark: mark[:2])[2]
    alone = describe.quantity == Measured.MASS and len(left) == 1
    return left[0] if alone else None


def _likeness(words: set[str], point: MeasuringPoint) -> float:
    own = set(point.name.split("_")) | set(re.findall(r"[a-z]+", point.label.lower()))
    found = 0.0
    for word in own:
        weight = 0.25 if word in _QUANTITY_WORDS else 1.0
        if word in words or words & _ALSO.get(word, frozenset()):
            found += weight
    # "Cylinder" is the cylinder rather than something with a longer name that has the word in it, too.
    return found - 0.01 * len(own) if found >= 1.0 else 0.0


@dataclass(frozen=True, slots=True)
class Zero:
    """number: what the channel shows at nothing, in its unit; None exactly when `problem` says why not."""

    number: float | None
    problem: str | None = None


def can_be_zeroed(describe: Describe) -> bool:
    return describe.quantity in (Measured.GAUGE_PRESSURE, Measured.MASS)


def zero_of(describe: Describe, numbers: Sequence[float]) -> Zero:
    """From the readings of some seconds during which there was nothing to measure."""
    extent = _extent(describe)
    if extent is None:
        return Zero(None, f"the unit {describe.unit} is not known here")
    if len(numbers) < 3:
        return Zero(None, "too few readings")
    if max(numbers) - min(numbers) > STEADY_SHARE * extent:
        return Zero(None, f"the reading is not steady: {min(numbers):.4g} to {max(numbers):.4g}")
    mean = math.fsum(numbers) / len(numbers)
    return Zero(mean) if near_zero(describe, mean) else Zero(None, not_zero(describe, mean))


def near_zero(describe: Describe, number: float) -> bool:
    """No further from nothing than a zero may drift."""
    extent = _extent(describe)
    return extent is not None and abs(number) <= ZERO_SHARE * extent


def not_zero(describe: Describe, number: float) -> str:
    """Why a reading is no zero."""
    what = "something is on it" if describe.quantity == Measured.MASS else "it is not open to air"
    return f"{number:.4g} is more than a zero drifts: {what}, or it needs repair"


def _extent(describe: Describe) -> float | None:
    """The channel's range, or one in whose place a usual zero is judged; in its unit."""
    low, high = describe.range_low, describe.range_high
    if low is not None and high is not None and high > low:
        return high - low
    unit = unit_of(describe.unit)
    usual_si = SCALE_ZERO_KG if describe.quantity == Measured.MASS else PRESSURE_ZERO_PA
    return None if unit is None else usual_si / unit.factor / ZERO_SHARE


def unit_of(code: str) -> Unit | None:
    """The unit of a UCUM code in which a zero, a step or an accuracy can be written."""
    best = [u for u in UNITS.values() if u.ucum == code and u.reference == "absolute" and u.quantity in _WRITTEN]
    return best[0] if best else None


_WRITTEN = (
    Quantity.PRESSURE, Quantity.VACUUM, Quantity.PRESSURE_DIFFERENCE, Quantity.TEMPERATURE, Quantity.MASS,
    Quantity.RATIO,
)  # fmt: skip


def written(number: float, code: str) -> str | None:
    """ "0.41psi": a zero or an accuracy as the rig file takes it; None for a unit that cannot be written."""
    unit = unit_of(code)
    return None if unit is None else f"{number:.4g}{'psi' if unit.ucum == '[psi]' else unit.name}"
