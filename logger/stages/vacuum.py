"""What evacuation and vacuum decay test share: the live vacuum."""

from collections.abc import Mapping
from typing import Any

from logger.model.points import Quantity
from logger.model.units import NS_PER_S
from logger.model.value import Statement, Value, known, unknown
from logger.refrigerant import OutOfRange
from logger.refrigerant.water import saturation_temperature
from logger.stages.definition import LiveQuantity
from logger.stages.inputs import StageInputs
from logger.statistics.least_squares import line

RATE_WINDOW_S = 120.0
LIVE = (
    LiveQuantity("vacuum", "Vacuum", Quantity.VACUUM),
    LiveQuantity("vacuum_rate", "Vacuum, rate", Quantity.PRESSURE_RATE),
    LiveQuantity("water_saturation", "Water boils at", Quantity.TEMPERATURE),
)


class VacuumWatch:
    """Vacuum, its rate over the last minutes, and where water boils at it. Asked at each reading, it looks at the
    history once a second."""

    def __init__(self) -> None:
        self._rate: tuple[int, Value] = -1, unknown("Pa/s", "no vacuum reading yet")

    def update(self, now: StageInputs[Any]) -> Mapping[str, Value]:
        """The live quantities of a vacuum, by name, in SI."""
        vacuum = now.value("vacuum")
        second = now.until_ns // NS_PER_S
        if self._rate[0] != second:
            self._rate = second, _rate(now)
        rate = self._rate[1] if vacuum.number is not None else unknown("Pa/s", str(vacuum.problem))
        return {"vacuum": vacuum, "vacuum_rate": rate, "water_saturation": _water(vacuum)}

    def advice(self, now: StageInputs[Any]) -> tuple[Statement, ...]:
        return ()


def _rate(now: StageInputs[Any]) -> Value:
    history = now.history("vacuum")
    if history is None:
        return unknown("Pa/s", "no vacuum reading yet")
    window_s = max(RATE_WINDOW_S, 8 * history.width_s)
    buckets = history.buckets((now.until_ns - history.start_ns) / NS_PER_S - window_s)
    fit = line([b.start_s for b in buckets], [b.mean for b in buckets]) if len(buckets) >= 5 else None
    if fit is None:
        return unknown("Pa/s", "not enough readings yet")
    return known(fit.slope, "Pa/s", fit.u_slope)


def _water(vacuum: Value) -> Value:
    """Where water boils at this pressure: below the coldest place of the circuit it stays."""
    if vacuum.number is None:
        return unknown("K", str(vacuum.problem))
    try:
        return known(saturation_temperature(vacuum.number), "K")
    except OutOfRange as exc:
        return unknown("K", str(exc))
