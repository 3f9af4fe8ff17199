"""The scale in a stage: settled level, rate, what moved, and the mass that alarms may trust right now."""

from logger.compute.mass_ledger import MassLedger
from logger.compute.mass_rate import BIG_JUMP_KG, MassRate
from logger.model.value import Value, known, unknown

CONFIRM_S = 3.0  # a sudden jump counts as the new reading after this long
PLAUSIBLE_KG_S = 0.5  # faster than any recovery machine or charging hose
EXPECT_S = 900.0  # a swap told beforehand is waited for this long
NS = 1_000_000_000


class Weighing:
    """resolution_kg: the scale's division. u_accuracy_kg: standard uncertainty by its stated accuracy.

    A reading close to the line counts at once. One that jumps away (a knock, a tugged hose, a hand on the cylinder)
    must stay for CONFIRM_S first; until then the settled level stands.
    """

    def __init__(self, resolution_kg: float, u_accuracy_kg: float, start_ns: int) -> None:
        self.resolution_kg, self.u_accuracy_kg, self._start_ns = resolution_kg, u_accuracy_kg, start_ns
        self.rate = MassRate(resolution_kg=resolution_kg)
        self.ledger = MassLedger(resolution_kg, u_accuracy_kg)
        self._now: tuple[float, str | None] | None = None  # kg that may be trusted, and a note on it
        self._u = (resolution_kg**2 / 12 + u_accuracy_kg**2) ** 0.5
        self._trusted: tuple[float, float] | None = None  # (t_s, kg)
        self._away_since: float | None = None
        self._expected_until_s = -1.0  # another cylinder was told and is not on the scale yet
        self._unnamed = False  # something else stands on the scale than what was told
        self._begin_as: str | None = ""  # cylinder name for the first leg, waiting for a settled level
        self._seen = 0

    def seconds(self, t_ns: int) -> float:
        return (t_ns - self._start_ns) / NS

    def begin(self, cylinder: str) -> None:
        """A stage begins: what moves from here counts."""
        self.ledger = MassLedger(self.resolution_kg, self.u_accuracy_kg)
        self._begin_as = cylinder

    def swap(self, cylinder: str) -> None:
        """Told before or after it happens: what stands there (next) is that cylinder."""
        if self._unnamed:
            self._unnamed, self._trusted = False, None
        elif self._trusted is not None:
            self._expected_until_s = self._trusted[0] + EXPECT_S
        self.rate.expect_swap()
        self.ledger = self.ledger.swap(cylinder)

    def sample(self, t_ns: int, mass_kg: float) -> None:
        t_s = self.seconds(t_ns)
        if self._trusted is not None and t_s < self._trusted[0]:
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
        if self._trusted is None:
            self._trusted, self._now = (t_s, mass_kg), (mass_kg, None)
            return
        at, trusted = self._trusted
        near = max(4 * self.resolution_kg, 0.05) + PLAUSIBLE_KG_S * min(t_s - at, 60.0)
        away = abs(mass_kg - trusted)
        if away <= near:
            self._away_since, self._unnamed = None, False
        elif self._away_since is None:
            self._away_since = t_s
        if self._away_since is None:
            self._trusted, self._now = (t_s, mass_kg), (mass_kg, None)
        elif t_s - self._away_since < CONFIRM_S:
            self._now = trusted, "the scale was just knocked: last settled reading"
        elif away > BIG_JUMP_KG and t_s > self._expected_until_s:
            self._unnamed = True  # the old cylinder's tare would make a wrong fill of it
        else:
            self._expected_until_s, self._away_since = -1.0, None
            self._trusted, self._now = (t_s, mass_kg), (mass_kg, None)

    def moved_at(self, t_s: float) -> Value:
        """What moved in the stage, the level carried on to this moment by its rate (the newest bucket is open)."""
        if self.rate.disturbed or self._trusted is None:
            return self.ledger.moved
        return self.ledger.read(self.rate.level_at(min(t_s, self._trusted[0]))).moved

    @property
    def on_scale(self) -> Value:
        """Gross mass, kg. Unknown while the cylinder is off the scale, and when another came that nobody named."""
        if self.ledger.lifted:
            return unknown("kg", "the cylinder is off the scale")
        if self._unnamed:
            return unknown("kg", "another cylinder seems to be on the scale: `rimelog cylinder-swap NAME` says which")
        if self._now is None:
            return unknown("kg", "no reading of the scale yet")
        return known(self._now[0], "kg", self._u, self._now[1])
