"""A decay test by its readings alone, as far as they go: the vacuum stops falling and rises.

A tight, dry system that is valved off at its pump's own limit shows nothing at all. So this is a question, asked where
a rise is seen, and once where a deep vacuum has stood still for ten minutes. Where water may still be boiling under a
running pump, its pressure follows its temperature: only a rise that is faster than it can warm is one.
"""

import math
from itertools import pairwise

from logger.model.events import ProposedAct
from logger.model.points import Quantity
from logger.model.units import MICRON_PA
from logger.model.value import known, number, word
from logger.stages.noticing import Acts, Entered, Notice, Noticed, Signals, marked, noticed
from logger.statistics.by_second import SecondMeans

DEEP_PA = 2000 * MICRON_PA
BROKEN_PA = 2000.0
FLAT_S, FLAT_PA, FLAT_SHARE = 600, 700 * MICRON_PA, 0.03
WARMS_PER_S = 0.02 / 60.0  # of its pressure: water or ice that warms by 0.2 K a minute; our own figure
FELL_FROM = 3.0  # times as high it has been: pumped, not stored
IN_A_ROW = 15
KEY = "decay.valved_off"


class _ValvedOff:
    def __init__(self) -> None:
        self._highest = 0.0
        self._lowest, self._lowest_at = math.inf, 0
        self._row = 0
        self._fired = self._asked = False

    def second(self, now: Signals) -> Noticed | None:
        gauge = now.get("vacuum")
        newest = gauge.mean(5) if gauge is not None else None
        if gauge is None or newest is None:
            return None
        self._highest = max(self._highest, newest.value)
        if newest.value > BROKEN_PA:
            self._lowest, self._row, self._fired, self._asked = math.inf, 0, False, False
            return None
        if newest.value < self._lowest:
            self._lowest, self._lowest_at = newest.value, now.t
            if self._fired and newest.value < 0.9 * self._lowest:
                self._fired = False
        if self._fired:
            if newest.value < 0.8 * self._level:  # it is pumped again
                self._fired = self._asked = False
                self._lowest, self._lowest_at, self._row = newest.value, now.t, 0
            return None
        if newest.value > DEEP_PA or self._highest < FELL_FROM * newest.value:
            return None
        over_s = self._rises_over(gauge, newest.value)
        self._row = self._row + 1 if over_s else max(0, self._row - 3)
        if self._row >= IN_A_ROW:
            self._fired, self._level = True, newest.value
            return self._seen("rises", self._turned(gauge, over_s, newest.value), 30.0, newest.value)
        if not self._asked and _flat(gauge, newest.value):
            self._asked = True
            return self._seen("steady", now.t - FLAT_S, 300.0, newest.value)
        return None

    _level = 0.0

    def _rises_over(self, gauge: SecondMeans, level: float) -> int:
        """By the newest 20 s, minute or four minutes; a quarter of that, 0 where it does not rise."""
        slowest_pa_s = WARMS_PER_S * level if level > FLAT_PA else 0.0
        for each_s, above in ((5, max(6.0 * gauge.u(5), 0.01 * self._lowest)), (15, 0.0), (60, 0.0)):
            means = gauge.means(4, each_s)
            if means is not None and _climbs(means, max(6.0 * gauge.u(each_s), slowest_pa_s * 3 * each_s)):
                high = level > (self._lowest + above if above else 1.01 * self._lowest + 3.0 * gauge.u(5))
                return each_s if high else 0
        return 0

    def _turned(self, gauge: SecondMeans, over_s: int, level: float) -> int:
        """The last second near the lowest; where water warmed before, near what it was before the rise."""
        before = gauge.mean(6 * over_s + IN_A_ROW, 4 * over_s + IN_A_ROW) if level > FLAT_PA else None
        rest = self._lowest if before is None else max(self._lowest, before.value)
        near = rest + max(3.0 * gauge.noise, 2.0 * gauge.digits)
        for t, value in zip(reversed(gauge.t), reversed(gauge.v), strict=True):
            if value <= near:
                return t
        return self._lowest_at

    @staticmethod
    def _seen(how: str, as_of: int, u_s: float, level: float) -> Noticed:
        return noticed(KEY, as_of, u_s, word("seen", how), number("vacuum", Quantity.VACUUM, known(level, "Pa")))


def _climbs(means: list[float], least: float) -> bool:
    return means[-1] - means[0] > least and all(b > a for a, b in pairwise(means))


def _flat(gauge: SecondMeans, level: float) -> bool:
    if level > FLAT_PA:
        return False
    means = gauge.means(6, FLAT_S // 6)
    return means is not None and max(means) - min(means) < max(FLAT_SHARE * level, 2.0 * gauge.digits)


def proposes(seen: Noticed, entered: Entered) -> Acts | None:
    """Mark it, in an evacuation after the test is begun; one that nobody has entered is no test."""
    stage = entered.stage_at(seen.as_of_ns) or (entered.stages[-1] if entered.stages else None)
    if stage is None or stage.ended_ns is not None or marked("isolated", seen, entered):
        return None
    if any(m.act == "isolated" and m.t_ns >= stage.begun_ns for m in entered.marks):
        return None
    isolated = ProposedAct("mark", {"act": "isolated"})
    if stage.kind == "decay-test":
        return (isolated,)
    if "isolated" in entered.acts(stage.kind):
        return (ProposedAct("stage-begin", {"kind": "decay-test"}), isolated)
    return None


NOTICES = (Notice(key=KEY, detector=_ValvedOff, proposes=proposes, each=True, lasts_s=3600),)
