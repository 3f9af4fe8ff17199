"""Another cylinder on the scale, seen by its weight alone or by what its gauge and shell say.

A cylinder that is changed leaves the scale: the reading goes to nothing, or stays away for longer than a knock or a
hand. When it has settled again, the weight tells: within what may have flowed meanwhile it is the same one put back,
beyond that it is another. A twin of the same weight has another pressure or temperature. Its hose must come off a
cylinder that is changed: one whose gauge went on as before was held up, whatever lay on the scale meanwhile. A hose
with a valve of its own keeps its pressure too, so there a weight that stays decides, later.
"""

from dataclasses import dataclass

from logger.statistics.by_second import JOINED_S, SecondMeans

FOLLOWS_KG = 0.6  # in a second; farther is a hand, a knock or a lift
EMPTY_KG, EMPTY_SHARE = 3.0, 0.25  # nothing stands on a scale that shows less
OTHER_KG = 2.0
TWIN_DIVISIONS = 4.0
TWIN_PA, TWIN_K = 25e3, 1.5
SETTLED_S = 10
PLAUSIBLE_KG_S = 0.2
AT_ONCE_S, UNLIFTED_TIMES = 20, 3.0  # while the flow goes on, its pressure moves by itself
LIES_S = 20
LIFTS_KG = 12.0  # no bag or hose weighs so much
UNLIFTED_S = 60  # where it never was seen empty
HELD_S = 60  # nobody holds a cylinder up for so long while something else lies on the scale
HOSED_S = 90  # where its gauge never left it
AIR_PA, NOT_AIR_PA = 101_325.0, 50e3
_ROOT_12 = 12**0.5


@dataclass(frozen=True, slots=True)
class CylinderChange:
    """at: when the one before left, s. before_kg, after_kg: what the scale showed. twin: only gauge or shell shows."""

    at: int
    before_kg: float
    after_kg: float
    twin: bool


class CylinderWatched:
    """Fed by the second. Of one change it says so once."""

    def __init__(self) -> None:
        self._level: tuple[int, float] | None = None  # when the newest reading that follows was, kg
        self._flow_kg_s = 0.0
        self._away: int | None = None
        self._lowest_kg = self._highest_kg = 0.0
        self._extra_kg = 0.0  # something that lies on the scale beside the cylinder
        self._before: tuple[float | None, float | None] = None, None  # pressure and shell of the one before
        self._hosed = False  # its pressure has gone on as before since it left

    def second(
        self, t: int, mass: SecondMeans, flow_kg_s: float, pressure: SecondMeans | None, shell: SecondMeans | None
    ) -> CylinderChange | None:
        """mass: of this second. flow_kg_s: what flows onto the scale. pressure, shell: of the cylinder, None where
        they are not measured. The change, in the second in which it is sure."""
        kg, division = mass.v[-1], mass.digits * _ROOT_12
        if self._level is None:
            if _settled(mass, division) and kg > EMPTY_KG:
                self._level, self._before = (t, kg), (_mean(pressure), _mean(shell))
            return None
        since, level_kg = self._level
        if self._away is None:
            if abs(kg - level_kg) <= FOLLOWS_KG * min(t - since, JOINED_S):
                self._level, self._flow_kg_s = (t, kg), flow_kg_s
                self._before = _mean(pressure), _mean(shell)
                return None
            self._away, self._lowest_kg, self._highest_kg = (t if t - since <= JOINED_S else since + 1), kg, 0.0
            self._hosed = self._before[0] is not None and abs(self._before[0] - AIR_PA) > NOT_AIR_PA
            return None
        newest = _mean(pressure, 1.0)
        self._hosed = self._hosed and newest is not None and not _apart(self._before[0], newest, TWIN_PA)
        if kg < EMPTY_KG:
            self._extra_kg = 0.0  # nothing lies there
        self._lowest_kg = min(self._lowest_kg, kg)
        only_extra = self._extra_kg > 0 and abs(kg - self._extra_kg) < 0.5
        if not _settled(mass, division) or kg <= EMPTY_KG or only_extra:
            return None
        self._highest_kg = max(self._highest_kg, kg)  # a foot on the platform is never still
        return self._judge(t, kg, division, pressure, shell)

    def _judge(
        self, t: int, kg: float, division: float, pressure: SecondMeans | None, shell: SecondMeans | None
    ) -> CylinderChange | None:
        assert self._level is not None and self._away is not None
        away, (since, level_kg) = self._away, self._level
        lifted = self._lowest_kg < max(EMPTY_KG, EMPTY_SHARE * level_kg)
        flowed = 1.5 * self._flow_kg_s * (t - since)  # into one that is held up too, if its hose is on
        off = kg - level_kg
        with_it, without = _beyond(off, flowed), _beyond(off + self._extra_kg, flowed)
        beyond = min(with_it, without)
        by = 1.0 if lifted else UNLIFTED_TIMES
        seen = _apart(self._before[0], _mean(pressure, 5), by * TWIN_PA) or _apart(
            self._before[1], _mean(shell, 5), by * TWIN_K
        )
        if lifted and self._hosed:
            if beyond > OTHER_KG and t - away < HOSED_S:
                return None
            is_other = beyond > LIFTS_KG
            if off > 0 and beyond > OTHER_KG and not is_other:  # laid there while it was held up
                self._extra_kg += off - flowed
        elif lifted:
            if kg < LIFTS_KG and kg < level_kg - OTHER_KG and t - away < HELD_S:
                return None
            is_other = beyond > OTHER_KG or (beyond > TWIN_DIVISIONS * division and seen)
        elif beyond <= OTHER_KG:
            is_other = False
        elif seen and t - away <= AT_ONCE_S:  # later, pressures have moved with the flow
            is_other = True
        elif off > 0:  # more than before: a hand, or something that lies on the scale
            if t - away < LIES_S:
                return None
            is_other, self._extra_kg = False, self._extra_kg + off - flowed
        else:
            if t - away < UNLIFTED_S:
                return None
            two_stood = self._highest_kg > level_kg + LIFTS_KG
            gap_s = away - since if away - since <= 1 else t - since
            is_other = -off > (OTHER_KG if two_stood else LIFTS_KG) + PLAUSIBLE_KG_S * gap_s
        if is_other or without < with_it:
            self._extra_kg = 0.0  # it was taken off again
        self._away, self._level = None, (t, kg)
        self._before = _mean(pressure), _mean(shell)
        return CylinderChange(away, level_kg, kg, beyond <= OTHER_KG) if is_other else None


def _beyond(off: float, flowed: float) -> float:
    """How far it is from anything between no flow and that."""
    return max(off - max(flowed, 0.0), min(flowed, 0.0) - off)


def _settled(mass: SecondMeans, division: float) -> bool:
    """At one level, or moving as slowly as flow does."""
    values = mass.window(SETTLED_S)
    if len(values) < SETTLED_S - 2:
        return False
    half = len(values) // 2
    first, last = sum(values[:half]) / half, sum(values[half:]) / (len(values) - half)
    slope = (last - first) / (len(values) / 2)
    middle, centre = (len(values) - 1) / 2, (first + last) / 2
    worst = max(abs(v - centre - slope * (i - middle)) for i, v in enumerate(values))
    return abs(slope) <= 0.5 and worst <= max(2.0 * division, 5.0 * mass.noise, 0.1)


def _mean(signal: SecondMeans | None, over_s: float = 10.0) -> float | None:
    found = signal.mean(over_s) if signal is not None else None
    return None if found is None else found.value


def _apart(one: float | None, other: float | None, by: float) -> bool:
    return one is not None and other is not None and abs(one - other) > by
