# For one commit: what ScaleState is compared with.
"""The scale in a stage: settled level, rate, what moved, and the mass that alarms may trust right now."""

from logger.model.units import NS_PER_S
from logger.model.value import Value, known, unknown
from logger.scale.ledger import MassLedger
from logger.scale.rate import BIG_JUMP_KG, OFF_SCALE, MassRate

CONFIRM_S = 3.0  # a sudden jump counts as the new reading after this long
PLAUSIBLE_KG_S = 0.5  # faster than any recovery machine or charging hose
GAP_S = 10.0  # without readings: so long the flow may have been anything, from then on like the one before, and a half


class Weighing:
    """resolution_kg: the scale's division. u_accuracy_kg: standard uncertainty by its stated accuracy.

    A reading close to the line counts at once. One that jumps away (a knock, a tugged hose, a hand on the cylinder)
    must stay for CONFIRM_S first; until then the settled level stands. A big step that stays is another cylinder, or
    none: its mass is unknown until somebody says which it is, however long it stands, or the one before is back.
    """

    def __init__(self, resolution_kg: float, u_accuracy_kg: float, start_ns: int) -> None:
        self.resolution_kg, self.u_accuracy_kg, self._start_ns = resolution_kg, u_accuracy_kg, start_ns
        self.rate = MassRate(resolution_kg=resolution_kg)
        self.ledger = MassLedger(resolution_kg, u_accuracy_kg)
        self._now: tuple[float, str | None] | None = None  # kg that may be trusted, and a note on it
        self._u = (resolution_kg**2 / 12 + u_accuracy_kg**2) ** 0.5
        self._trusted: tuple[float, float] | None = None  # (t_s, kg) of the cylinder that was told
        self._last = (0.0, 0.0)  # the newest reading, trusted or not
        self._flow_kg_s = 0.0  # before it jumped away
        self._away_since: float | None = None
        self._level_since = 0.0  # when what is read now, away from the trusted level, began
        self._lifted = False
        self._awaited: str | None = None  # another cylinder was told, and the scale has not changed since
        self._unnamed = False  # something else stands on the scale than what was told
        self._begin_as: str | None = ""  # cylinder name for the first leg, waiting for a settled level
        self._seen = 0

    def seconds(self, t_ns: int) -> float:
        return (t_ns - self._start_ns) / NS_PER_S

    def begin(self, cylinder: str) -> None:
        """A stage begins: what moves from here counts."""
        self.ledger = MassLedger(self.resolution_kg, self.u_accuracy_kg)
        self._begin_as = cylinder

    @property
    def sure(self) -> bool:
        """What stands on the scale is the cylinder that was told last."""
        return self._awaited is None and not (self._unnamed or self._lifted)

    def swap(self, cylinder: str) -> None:
        """Told before or after it happens: what stands there (next) is that cylinder. Told once more while the scale
        has not changed: it stands there already."""
        if self._unnamed and not self._lifted:
            self._unnamed, self._trusted, self._away_since = False, None, None
        elif self._awaited == cylinder and self._trusted is not None and not self._lifted:
            self._awaited = None
            self.ledger = self.ledger.begin(self._trusted[0], cylinder, self._trusted[1])
            return
        elif self._trusted is not None:
            self._awaited = cylinder
        self.rate.expect_swap()
        self.ledger = self.ledger.swap(cylinder)

    def told(self, cylinder: str, before: str | None) -> None:
        """Somebody names what stands there. before: what was named last; the first that is named is no swap."""
        if before is not None and (before != cylinder or not self.sure):
            self.swap(cylinder)

    def sample(self, t_ns: int, mass_kg: float) -> None:
        t_s = self.seconds(t_ns)
        if self._trusted is not None and t_s < self._last[0]:
            return  # a late reading changes nothing that was settled since
        self._judge(t_s, mass_kg)
        told = self.rate.disturbances
        before = told[-1] if told else None
        self.rate.update(t_s, mass_kg)
        if told and told[-1] is not before:
            new = list(told)
            for jump in new[new.index(before) + 1 if before in new else 0 :]:
                self.ledger = self.ledger.jumped(jump)
        if not self.rate.disturbed and (self.rate.buckets != self._seen or self._begin_as is not None):
            self._seen = self.rate.buckets
            level = self.rate.level
            if self._begin_as is not None and level.number is not None:
                self.ledger = self.ledger.begin(t_s, self._begin_as, level.number)
                self._begin_as = None
            self.ledger = self.ledger.read(level)

    def _judge(self, t_s: float, mass_kg: float) -> None:
        (last_s, last_kg), self._last = self._last, (t_s, mass_kg)
        if self._trusted is None:
            self._trust(t_s, mass_kg)
            return
        at, trusted = self._trusted
        off_kg = mass_kg - trusted
        if self._away_since is None:
            flow = self.rate.value.number or 0.0
            if _within(off_kg, self._reach(t_s - at), flow * (t_s - at)):
                self._trust(t_s, mass_kg)
                return
            self._flow_kg_s, self._away_since, self._level_since = flow, t_s, t_s
        step = abs(mass_kg - last_kg) > self._reach(t_s - last_s)
        if step:
            self._level_since = t_s
        brief = t_s - self._away_since < CONFIRM_S
        if brief and _within(off_kg, self._reach(t_s - at), 0.0):
            self._trust(t_s, mass_kg)
        elif brief:
            self._now = trusted, "the scale was just knocked: last settled reading"
        elif step and self._back(off_kg, t_s - at):
            self._trust(t_s, mass_kg)
        elif t_s - self._level_since < CONFIRM_S:
            self._now = None
        else:
            self._settled_elsewhere(t_s, mass_kg, off_kg)

    def _settled_elsewhere(self, t_s: float, mass_kg: float, off_kg: float) -> None:
        """It stays away from the trusted level: lifted, another cylinder, or only a small step."""
        assert self._trusted is not None
        small, trusted = abs(off_kg) <= BIG_JUMP_KG, self._trusted[1]
        if not small and mass_kg < OFF_SCALE * trusted:
            self._lifted, self._now = True, None
        elif self._awaited is not None or (small and not self._unnamed) or abs(trusted) <= BIG_JUMP_KG:
            self._awaited = None  # the one that was told, or the first to stand on an empty scale
            self._trust(t_s, mass_kg)
        else:
            self._unnamed, self._lifted, self._now = True, False, None  # the old tare would make a wrong fill of it

    def _trust(self, t_s: float, mass_kg: float) -> None:
        self._trusted, self._now = (t_s, mass_kg), (mass_kg, None)
        self._away_since, self._unnamed, self._lifted = None, False, False

    def _reach(self, for_s: float) -> float:
        """How far the mass can move in that time without a jump, kg."""
        return max(4 * self.resolution_kg, 0.05) + PLAUSIBLE_KG_S * min(for_s, GAP_S)

    def _back(self, off_kg: float, for_s: float) -> bool:
        """Whether this is the trusted cylinder again; into one that was lifted nothing flowed."""
        return self._awaited is None and _within(off_kg, BIG_JUMP_KG, 0.0 if self._lifted else self._flow_kg_s * for_s)

    def moved_at(self, t_s: float) -> Value:
        """What moved in the stage, the level carried on to this moment by its rate (the newest bucket is open)."""
        if self.rate.disturbed or self._trusted is None:
            return self.ledger.moved
        return self.ledger.read(self.rate.level_at(min(t_s, self._trusted[0]))).moved

    @property
    def on_scale(self) -> Value:
        """Gross mass, kg. Unknown while the cylinder is off the scale, and when another came that nobody named."""
        if self._lifted:
            return unknown("kg", "the cylinder is off the scale")
        if self._unnamed:
            return unknown("kg", "another cylinder seems to be on the scale: `rimelog cylinder-swap NAME` says which")
        if self._awaited is not None:
            return unknown(
                "kg", f"{self._awaited} was told, but the scale has not changed: tell it once more if it stands there"
            )
        if self._now is None:
            return unknown(
                "kg", "no reading of the scale yet" if self._trusted is None else "the scale does not settle"
            )
        return known(self._now[0], "kg", self._u, self._now[1])


def _within(off_kg: float, reach_kg: float, flowed_kg: float) -> bool:
    """Whether the flow so far, or half as much again, or none, explains the distance."""
    return min(0.0, 1.5 * flowed_kg) - reach_kg <= off_kg <= max(0.0, 1.5 * flowed_kg) + reach_kg
