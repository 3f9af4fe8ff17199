"""An evacuation by its readings alone: from rest at or below the air's pressure it falls, as only a pump makes it."""

import math
from itertools import pairwise

from logger.model.points import Quantity
from logger.model.value import known, number
from logger.stages.noticing import Latch, Notice, Noticed, Signals, begin, noticed
from logger.statistics.by_second import SecondMeans

BELOW_AIR = 1.09
FALLS = 0.75  # of what it was at rest
REBOUNDED, FALLS_FROM_THERE = 0.93, 0.9  # of the air's; from below, a recovery machine may have been started again
MIN_REST_PA = 20e3
GAUGE_S = 40


class _PumpStarted:
    """By the system's pressure, from rest; else by a vacuum gauge that comes into its range and falls."""

    def __init__(self) -> None:
        self._by_system, self._by_gauge = Latch(6), Latch(10)
        self._rest: int | None = None
        self.pumping = False
        self._lowest = math.inf

    def second(self, now: Signals) -> Noticed | None:
        system, gauge = now.get("system_pressure"), now.get("vacuum")
        if self.pumping:
            self._watch_for_break(now, system, gauge)
            return None
        found = self._fell(now, system) if system is not None else None
        if found is None and gauge is not None and self._by_gauge.second(_falls(gauge)):
            found = self._rest if self._rest is not None and now.t - self._rest < 900 else now.t - GAUGE_S
        if found is None or now.pumped or now.flow.direction:
            return None
        self.pumping, self._lowest = True, math.inf
        newest = (gauge or system or SecondMeans()).mean(5)
        inputs = () if newest is None else (number("pressure", Quantity.VACUUM, known(newest.value, "Pa")),)
        return noticed("evacuation.pump_started", found, 10.0 if system is not None else 60.0, *inputs)

    def _fell(self, now: Signals, system: SecondMeans) -> int | None:
        newest = system.mean(4)
        if newest is None:
            return None
        if newest.value > BELOW_AIR * now.ambient_pa:
            self._rest = None
            self._by_system.release()
            return None
        if system.at_rest(30, 0.003 * newest.value) and not now.flow.direction:
            self._rest = now.t
        if self._rest is None or now.t - self._rest > 600:
            return None
        before = system.mean(now.t - self._rest + 30, now.t - self._rest)
        if before is None or before.value < MIN_REST_PA:
            return None
        falls = FALLS if before.value > REBOUNDED * now.ambient_pa else FALLS_FROM_THERE
        fell_pa = before.value - newest.value  # a gauge of the high side may well read below zero in a vacuum
        seen = fell_pa > max(falls * before.value, 6.0 * newest.u)
        return self._rest if self._by_system.second(seen) else None

    def _watch_for_break(self, now: Signals, system: SecondMeans | None, gauge: SecondMeans | None) -> None:
        """Gas was let in, or it was all brought up again: the next fall is another start."""
        newest = (gauge or system or SecondMeans()).mean(5)
        if newest is None:
            return
        self._lowest = min(self._lowest, newest.value)
        if newest.value > max(40e3, 3.0 * self._lowest) and (gauge is None or system is None or newest.value > 40e3):
            self.pumping, self._rest = False, None
            self._by_system.release()
            self._by_gauge.release()


def _falls(gauge: SecondMeans) -> bool:
    means = gauge.means(4, GAUGE_S // 4)
    if means is None or min(means) <= 0:
        return False
    steps = [math.log(a / b) for a, b in pairwise(means)]
    return min(steps) > 0.01 and means[0] - means[-1] > 6.0 * gauge.u(10) and sum(steps) > 0.1


NOTICES = (Notice(key="evacuation.pump_started", detector=_PumpStarted, proposes=begin("evacuation")),)
