"""The scale: which cylinder is on it, the mass that alarms may trust right now, what flows and what moved.

Theory of operation
-------------------
A reading is worth nothing until it is clear whose mass it is: the tare belongs to the cylinder that the mechanic named
last. `Load` says how far that is clear. It changes in one way only: an event, looked up in `TRANSITIONS`. An entry that
is missing cannot happen.

A reading is made an event by its distance from the trusted level, which is the newest reading that counted as the
named cylinder's:

  FOLLOWS   as near as flow may have carried it, or back there after an absence
  JUMPED    too far, for less than CONFIRM_S: a knock, a hand, a tugged hose, or the beginning of a swap
  MOVING    away for longer, but not at one level for CONFIRM_S yet
  EMPTY     settled at less than OFF_SCALE of the trusted level: nothing is on the scale
  STEP      settled less than BIG_JUMP_KG away; or anything settled on a scale that was empty
  OTHER     settled further away: another cylinder

A person makes the other two: NAMING, another cylinder is named; NAMED_AGAIN, the one that was named is named once more
while the scale has not changed, which means that it is there already. A swap may be named before, while or after it
happens.

Only in NAMED does a reading count at once, and in BUMPED the last one that did holds. In every other state the mass is
unknown, with a reason, for as long as it takes: until the named cylinder is back, or somebody says which one is there.
The four SWAP states are those of a cylinder that was named and is not on the scale yet.

Flow and what moved do not depend on the load: MassRate tells jumps from flow by itself, MassLedger adds up what it
finds. A name given late changes whose it was, not how much.
"""

from enum import IntEnum, auto
from typing import Final

from logger.model.units import NS_PER_S
from logger.model.value import Value, known, unknown
from logger.scale.ledger import MassLedger
from logger.scale.rate import BIG_JUMP_KG, OFF_SCALE, MassRate

CONFIRM_S = 3.0  # a sudden jump counts as the new reading after this long
PLAUSIBLE_KG_S = 0.5  # faster than any recovery machine or charging hose
GAP_S = (
    10.0  # without readings the flow may have been anything for so long; then it went on, at most half as fast again
)
MIN_REACH_KG = 0.05  # so far from the trusted level is no jump, however fine the scale

NO_READING = "no reading of the scale yet"
LIFTED = "the cylinder is off the scale"
UNNAMED = "another cylinder seems to be on the scale: `rimelog cylinder-swap NAME` says which"
UNSETTLED = "the scale does not settle"
BUMPED = "the scale was just knocked: last settled reading"
SWAP_DUE = "{} was selected, but the weight did not change: select it again if it is on the scale"


class Load(IntEnum):
    """Whether the reading is the mass of the cylinder that was named."""

    UNREAD = auto()  # nothing read yet: the next reading is the named cylinder's
    NAMED = auto()
    BUMPED = auto()
    UNSETTLED = auto()
    LIFTED = auto()
    UNNAMED = auto()
    UNNAMED_LIFTED = auto()
    SWAP_DUE = auto()
    SWAP_BUMPED = auto()
    SWAP_UNSETTLED = auto()
    SWAP_LIFTED = auto()


class Cue(IntEnum):
    FOLLOWS = auto()
    JUMPED = auto()
    MOVING = auto()
    EMPTY = auto()
    STEP = auto()
    OTHER = auto()
    NAMING = auto()
    NAMED_AGAIN = auto()


# fmt: off
TRANSITIONS: Final[dict[Load, dict[Cue, Load]]] = {
    Load.UNREAD: {
        Cue.FOLLOWS: Load.NAMED, Cue.NAMING: Load.UNREAD,
    },
    Load.NAMED: {
        Cue.FOLLOWS: Load.NAMED, Cue.JUMPED: Load.BUMPED, Cue.NAMING: Load.SWAP_DUE,
    },
    Load.BUMPED: {
        Cue.FOLLOWS: Load.NAMED, Cue.JUMPED: Load.BUMPED, Cue.MOVING: Load.UNSETTLED, Cue.EMPTY: Load.LIFTED,
        Cue.STEP: Load.NAMED, Cue.OTHER: Load.UNNAMED, Cue.NAMING: Load.SWAP_BUMPED,
    },
    Load.UNSETTLED: {
        Cue.FOLLOWS: Load.NAMED, Cue.MOVING: Load.UNSETTLED, Cue.EMPTY: Load.LIFTED,
        Cue.STEP: Load.NAMED, Cue.OTHER: Load.UNNAMED, Cue.NAMING: Load.SWAP_UNSETTLED,
    },
    Load.LIFTED: {
        Cue.FOLLOWS: Load.NAMED, Cue.MOVING: Load.LIFTED, Cue.EMPTY: Load.LIFTED,
        Cue.STEP: Load.NAMED, Cue.OTHER: Load.UNNAMED, Cue.NAMING: Load.SWAP_LIFTED,
    },
    Load.UNNAMED: {
        Cue.FOLLOWS: Load.NAMED, Cue.MOVING: Load.UNNAMED, Cue.EMPTY: Load.UNNAMED_LIFTED,
        Cue.STEP: Load.UNNAMED, Cue.OTHER: Load.UNNAMED, Cue.NAMING: Load.UNREAD,
    },
    Load.UNNAMED_LIFTED: {
        Cue.FOLLOWS: Load.NAMED, Cue.MOVING: Load.UNNAMED_LIFTED, Cue.EMPTY: Load.UNNAMED_LIFTED,
        Cue.STEP: Load.UNNAMED, Cue.OTHER: Load.UNNAMED, Cue.NAMING: Load.SWAP_LIFTED,
    },
    Load.SWAP_DUE: {
        Cue.FOLLOWS: Load.SWAP_DUE, Cue.JUMPED: Load.SWAP_BUMPED,
        Cue.NAMING: Load.SWAP_DUE, Cue.NAMED_AGAIN: Load.NAMED,
    },
    Load.SWAP_BUMPED: {
        Cue.FOLLOWS: Load.SWAP_DUE, Cue.JUMPED: Load.SWAP_BUMPED, Cue.MOVING: Load.SWAP_UNSETTLED,
        Cue.EMPTY: Load.SWAP_LIFTED, Cue.STEP: Load.NAMED, Cue.OTHER: Load.NAMED,
        Cue.NAMING: Load.SWAP_BUMPED, Cue.NAMED_AGAIN: Load.BUMPED,
    },
    Load.SWAP_UNSETTLED: {
        Cue.MOVING: Load.SWAP_UNSETTLED, Cue.EMPTY: Load.SWAP_LIFTED, Cue.STEP: Load.NAMED,
        Cue.OTHER: Load.NAMED, Cue.NAMING: Load.SWAP_UNSETTLED, Cue.NAMED_AGAIN: Load.UNSETTLED,
    },
    Load.SWAP_LIFTED: {
        Cue.MOVING: Load.SWAP_LIFTED, Cue.EMPTY: Load.SWAP_LIFTED, Cue.STEP: Load.NAMED,
        Cue.OTHER: Load.NAMED, Cue.NAMING: Load.SWAP_LIFTED,
    },
}
# fmt: on

_FOLLOWING = frozenset({Load.NAMED, Load.SWAP_DUE})  # readings are near the trusted level, and become it
_IS_LIFTED = frozenset({Load.LIFTED, Load.UNNAMED_LIFTED, Load.SWAP_LIFTED})
_IS_SWAP = frozenset({Load.SWAP_DUE, Load.SWAP_BUMPED, Load.SWAP_UNSETTLED, Load.SWAP_LIFTED})
_IS_SURE = frozenset({Load.UNREAD, Load.NAMED, Load.BUMPED, Load.UNSETTLED})
_PROBLEM = {
    Load.UNREAD: NO_READING, Load.UNSETTLED: UNSETTLED, Load.UNNAMED: UNNAMED,
    **dict.fromkeys(_IS_LIFTED, LIFTED),
}  # fmt: skip


class ScaleState:
    """load: see the theory of operation. rate, ledger: what flows, what moved since `begin`.

    resolution_kg: the scale's division. u_accuracy_kg: standard uncertainty by its stated accuracy. start_ns: UTC, time
    zero of every t_s here.
    """

    def __init__(self, resolution_kg: float, u_accuracy_kg: float, start_ns: int) -> None:
        self.resolution_kg, self.u_accuracy_kg, self._start_ns = resolution_kg, u_accuracy_kg, start_ns
        self.load = Load.UNREAD
        self.rate = MassRate(resolution_kg=resolution_kg)
        self.ledger = MassLedger(resolution_kg, u_accuracy_kg)
        self._u_kg = (resolution_kg**2 / 12 + u_accuracy_kg**2) ** 0.5
        self._due = ""  # the cylinder that a SWAP state waits for
        self._trusted_s = self._trusted_kg = 0.0  # the newest reading that counted; of no meaning in UNREAD
        self._last_s = self._last_kg = 0.0  # the newest reading, trusted or not
        # Of the absence from the trusted level; of no meaning while readings follow it.
        self._away_s = self._level_s = 0.0  # when it began; since when the reading is at one level
        self._flow_kg_s = 0.0  # just before it
        self._first_as: str | None = ""  # cylinder of the ledger's first leg, until there is a settled level for it
        self._buckets = 0  # of the rate that the ledger has seen

    def seconds(self, t_ns: int) -> float:
        return (t_ns - self._start_ns) / NS_PER_S

    def begin(self, cylinder: str) -> None:
        """A stage begins: what moves from here counts."""
        self.ledger = MassLedger(self.resolution_kg, self.u_accuracy_kg)
        self._first_as = cylinder

    @property
    def sure(self) -> bool:
        """What is on the scale is the cylinder that was named last."""
        return self.load in _IS_SURE

    def name(self, cylinder: str, before: str | None) -> None:
        """Somebody names what is on the scale. before: what was named last; the first to be named is no swap."""
        if before is not None and (before != cylinder or not self.sure):
            self.swap(cylinder)

    def swap(self, cylinder: str) -> None:
        """What is on the scale now, or comes next, is that cylinder."""
        if cylinder == self._due and Cue.NAMED_AGAIN in TRANSITIONS[self.load]:
            self._change(Cue.NAMED_AGAIN)
            self.ledger = self.ledger.begin(self._trusted_s, cylinder, self._trusted_kg)
            return
        self._change(Cue.NAMING)
        self._due = cylinder
        self.rate.expect_swap()
        self.ledger = self.ledger.swap(cylinder)

    def sample(self, t_ns: int, mass_kg: float) -> None:
        """A reading of the scale. A late one changes nothing that was settled since: see `outage.Outage`."""
        t_s = self.seconds(t_ns)
        if self.load is not Load.UNREAD and t_s < self._last_s:
            return
        self._change(self._event(t_s, mass_kg))
        if self.load in _FOLLOWING:
            self._trusted_s, self._trusted_kg = t_s, mass_kg
        self._last_s, self._last_kg = t_s, mass_kg
        self._weigh(t_s, mass_kg)

    def _change(self, event: Cue) -> None:
        self.load = TRANSITIONS[self.load][event]

    def _event(self, t_s: float, mass_kg: float) -> Cue:
        """What this reading means; beginning and level of an absence are noted on the way."""
        if self.load is Load.UNREAD:
            return Cue.FOLLOWS
        off_kg, for_s = mass_kg - self._trusted_kg, t_s - self._trusted_s
        if self.load in _FOLLOWING:
            flow = self.rate.value.number or 0.0
            if _within(off_kg, self._reach_kg(for_s), flow * for_s):
                return Cue.FOLLOWS
            self._away_s, self._level_s, self._flow_kg_s = t_s, t_s, flow
            return Cue.JUMPED
        step = abs(mass_kg - self._last_kg) > self._reach_kg(t_s - self._last_s)
        if step:
            self._level_s = t_s
        if t_s - self._away_s < CONFIRM_S:
            return Cue.FOLLOWS if _within(off_kg, self._reach_kg(for_s), 0.0) else Cue.JUMPED
        if step and self.load not in _IS_SWAP and self._is_back(off_kg, for_s):
            return Cue.FOLLOWS
        if t_s - self._level_s < CONFIRM_S:
            return Cue.MOVING
        if abs(off_kg) > BIG_JUMP_KG and mass_kg < OFF_SCALE * self._trusted_kg:
            return Cue.EMPTY
        return Cue.STEP if abs(off_kg) <= BIG_JUMP_KG or abs(self._trusted_kg) <= BIG_JUMP_KG else Cue.OTHER

    def _reach_kg(self, for_s: float) -> float:
        """How far the mass can move in that time without a jump."""
        return max(4 * self.resolution_kg, MIN_REACH_KG) + PLAUSIBLE_KG_S * min(for_s, GAP_S)

    def _is_back(self, off_kg: float, for_s: float) -> bool:
        """Whether this is the trusted cylinder again; into one that was lifted nothing flowed."""
        return _within(off_kg, BIG_JUMP_KG, 0.0 if self.load in _IS_LIFTED else self._flow_kg_s * for_s)

    def _weigh(self, t_s: float, mass_kg: float) -> None:
        """The reading to the rate, and what that finds to the ledger."""
        self.rate.update(t_s, mass_kg)
        while self.rate.disturbances:
            self.ledger = self.ledger.jumped(self.rate.disturbances.popleft())
        if not self.rate.disturbed and (self.rate.buckets != self._buckets or self._first_as is not None):
            self._buckets = self.rate.buckets
            level = self.rate.level
            if self._first_as is not None and level.number is not None:
                self.ledger = self.ledger.begin(t_s, self._first_as, level.number)
                self._first_as = None
            self.ledger = self.ledger.read(level)

    def moved_at(self, t_s: float) -> Value:
        """What moved in the stage, kg, the level carried on to this moment by its rate (the newest bucket is open)."""
        if self.rate.disturbed or self.load is Load.UNREAD:
            return self.ledger.moved
        return self.ledger.read(self.rate.level_at(min(t_s, self._trusted_s))).moved

    @property
    def on_scale(self) -> Value:
        """Gross mass of the named cylinder, kg."""
        if self.load is Load.NAMED or self.load is Load.BUMPED:
            return known(self._trusted_kg, "kg", self._u_kg, BUMPED if self.load is Load.BUMPED else None)
        return unknown("kg", _PROBLEM.get(self.load) or SWAP_DUE.format(self._due))


def _within(off_kg: float, reach_kg: float, flowed_kg: float) -> bool:
    """Whether the flow so far, or half as much again, or none, explains the distance."""
    return min(0.0, 1.5 * flowed_kg) - reach_kg <= off_kg <= max(0.0, 1.5 * flowed_kg) + reach_kg
