"""What went through the scale in a stage: several cylinders add up, and a moved scale is not flow.

A leg is one undisturbed stay of one cylinder. A swap is an act of its own, entered by the mechanic before, while or
after it happens; a jump of the scale (mass_rate.Disturbance) ends a leg whether entered or not, so that the difference
between two cylinders, or a tugged hose, is never counted as refrigerant.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.value import Argument, Value, known, name_of, number, unknown, word
from logger.scale.rate import BIG_JUMP_KG, OFF_SCALE, Disturbance, MassRate
from logger.wording.numbers import mass

CLOSE = 0.03  # of the charge: too little to look for (common practice)
NOT_NAMED, UNNAMED = "not named", "unnamed"  # in a table; as a code of the stages' words files
CAUSES = {"short": ("left_in_system", "leaked_before", "charge_too_high"),
          "over": ("overcharged", "charge_too_low", "oil_or_air")}  # fmt: skip
_SAME_CYLINDER_KG = 2.0  # put back: may have gained this much more than when it was lifted


@dataclass(frozen=True, slots=True)
class Leg:
    """cylinder: its name, "" where none was entered. first_kg, last_kg: settled readings, with standard u."""

    cylinder: str
    first_kg: float
    last_kg: float
    begun_s: float
    u_first_kg: float = 0.0
    u_last_kg: float = 0.0

    @property
    def moved_kg(self) -> float:
        return self.last_kg - self.first_kg


@dataclass(frozen=True, slots=True)
class MassLedger:
    """Immutable; every act gives the next one. Positive mass: the scale gained.

    resolution_kg: the scale's division. u_accuracy_kg: standard uncertainty by the scale's stated accuracy (limits
    divided by the square root of 3); of a difference on one cylinder it counts once, as offsets cancel but
    linearity does not. steps: small steps that were not counted, each (size, u) in kg.
    """

    resolution_kg: float
    u_accuracy_kg: float = 0.0
    legs: tuple[Leg, ...] = ()
    lifted: bool = False
    awaiting: str | None = None  # name of the cylinder that was entered and is not on the scale yet
    steps: tuple[tuple[float, float], ...] = ()

    def begin(self, t_s: float, cylinder: str, reading_kg: float, u_kg: float = 0.0) -> "MassLedger":
        """A cylinder is on the scale and its reading is settled: at the beginning, or as a swap that is complete.

        u_kg: noise of the reading; the division's share is added here.
        """
        legs = (*self.legs, Leg(cylinder, reading_kg, reading_kg, t_s, u_kg, u_kg))
        return replace(self, legs=legs, lifted=False, awaiting=None)

    def read(self, level: Value) -> "MassLedger":
        """A settled level of the scale. Unknown levels, and those after an entered swap, change nothing."""
        if level.number is None or not self.legs or self.lifted or self.awaiting is not None:
            return self
        return self._last(level.number, level.u or 0.0)

    def ended(self, rate: MassRate) -> "MassLedger":
        """No more readings come; rate: what found the levels. Where it was still to find out, it does so now."""
        if not rate.disturbed and rate.value.number is not None:
            return self
        rate.finish()
        return self if rate.disturbed else self.read(rate.level)

    def swap(self, cylinder: str) -> "MassLedger":
        """Another cylinder was entered. Names the one already found on the scale, or waits for it to come."""
        if self.legs and self.legs[-1].cylinder == "" and not self.lifted:
            return replace(self, legs=(*self.legs[:-1], replace(self.legs[-1], cylinder=cylinder)))
        return replace(self, awaiting=cylinder)

    def jumped(self, jump: Disturbance) -> "MassLedger":
        """What a disturbance of the scale means for the legs."""
        if not jump.stayed or not self.legs:
            return self
        t_s = jump.t_s + jump.duration_s
        if self.lifted:
            return self._came_down(t_s, jump.after_kg)
        ledger = self._last(jump.before_kg)
        if abs(jump.size_kg) > BIG_JUMP_KG and jump.after_kg < OFF_SCALE * jump.before_kg:
            return replace(ledger, lifted=True)
        if self.awaiting is not None:
            return ledger.begin(t_s, self.awaiting, jump.after_kg)
        if abs(jump.size_kg) > BIG_JUMP_KG:
            return ledger.begin(t_s, "", jump.after_kg)
        steps = (*ledger.steps, (jump.size_kg, jump.u_kg))
        return replace(ledger.begin(t_s, self.legs[-1].cylinder, jump.after_kg), steps=steps)

    def _came_down(self, t_s: float, level_kg: float) -> "MassLedger":
        """A cylinder is back on the scale: the same one, the one that was entered, or another."""
        if self.awaiting is None and abs(level_kg - self.legs[-1].last_kg) <= _SAME_CYLINDER_KG:
            return replace(self, lifted=False)._last(level_kg)
        return self.begin(t_s, self.awaiting or "", level_kg)

    def _last(self, level_kg: float, u_kg: float | None = None) -> "MassLedger":
        old = self.legs[-1]  # at each scan: made by their constructors, `replace` takes three times as long
        u_last_kg = old.u_last_kg if u_kg is None else u_kg
        leg = Leg(old.cylinder, old.first_kg, level_kg, old.begun_s, old.u_first_kg, u_last_kg)
        legs = (*self.legs[:-1], leg)
        return MassLedger(self.resolution_kg, self.u_accuracy_kg, legs, self.lifted, self.awaiting, self.steps)

    @property
    def moved(self) -> Value:
        """All legs together, kg, with the uncertainty of their readings and of the steps left out."""
        if not self.legs:
            return unknown("kg", "no settled reading of the scale yet")
        notes = []
        if self.steps:
            total = sum(size for size, _ in self.steps)
            notes.append(f"{len(self.steps)} step(s) of the scale, {mass(total)} in all, not counted")
        if self._jumps:
            notes.append(f"{self._jumps} jump(s) of the scale to what nobody named, not counted")
        return known(sum(leg.moved_kg for leg in self.legs), "kg", self._u(self.legs), "; ".join(notes) or None)

    def by_cylinder(self) -> tuple[tuple[str, Value], ...]:
        """(name, mass moved) in order of first use; cylinders nobody named as NOT_NAMED."""
        names = list(dict.fromkeys(leg.cylinder for leg in self.legs))
        out = []
        for name in names:
            legs = tuple(leg for leg in self.legs if leg.cylinder == name)
            out.append((name or NOT_NAMED, known(sum(leg.moved_kg for leg in legs), "kg", self._u(legs))))
        return tuple(out)

    def inputs(self) -> tuple[Argument, ...]:
        """What a finding of the mass rests on: each cylinder, its mass and last weight, and what was not counted."""
        found: list[Argument] = []
        for name, moved in self.by_cylinder():
            found.append(word("cylinder", UNNAMED) if name == NOT_NAMED else name_of("cylinder", name))
            found.append(number("of_cylinder", Quantity.MASS, moved))
            if name != NOT_NAMED:
                last = [leg for leg in self.legs if leg.cylinder == name][-1]
                u_kg = math.hypot(last.u_last_kg, self.resolution_kg / math.sqrt(12), self.u_accuracy_kg)
                found.append(number("weighed", Quantity.MASS, known(last.last_kg, "kg", u_kg)))
        if self.steps:
            found.append(number("steps", Quantity.COUNT, known(float(len(self.steps)), "1")))
            found.append(number("steps_in_all", Quantity.MASS, known(sum(size for size, _ in self.steps), "kg")))
        if self._jumps:
            found.append(number("jumps", Quantity.COUNT, known(float(self._jumps), "1")))
        return tuple(found)

    @property
    def _jumps(self) -> int:
        """Of the scale, to what nobody named."""
        return sum(not leg.cylinder for leg in self.legs[1:])

    def _u(self, legs: tuple[Leg, ...]) -> float:
        """Two readings a leg, each at least 0.29 of a division (GUM F.2.2.1), and the flow during the steps."""
        division = self.resolution_kg**2 / 12
        readings = sum(max(leg.u_first_kg**2, division) + max(leg.u_last_kg**2, division) for leg in legs)
        accuracy = len(legs) * self.u_accuracy_kg**2
        return math.sqrt(readings + accuracy + sum(u * u for _, u in self.steps))


def summed(values: Sequence[Value], u_scale_kg: float = 0.0) -> Value:
    """Masses of several stages on one scale: their readings' uncertainties add in quadrature, the scale's accuracy
    (which each has in its own) counts once. Unknown where one is."""
    for one in values:
        if one.number is None:
            return unknown("kg", str(one.problem))
    own = (max(0.0, (one.u or 0.0) ** 2 - u_scale_kg**2) for one in values)
    u = math.sqrt(sum(own) + (u_scale_kg**2 if values else 0.0))
    return known(sum(one.number or 0.0 for one in values), "kg", u)


def balance(
    recovered: Value, charge_kg: float | None, u_charge_kg: float = 0.0, before: Value | None = None
) -> Finding:
    """Recovered mass against the appliance's charge: is the difference more than the weighing can explain?

    before: what earlier stages of the job took out, less what they put in; None without any.
    """
    key, moved = "recovery.balance", number("recovered", Quantity.MASS, recovered)
    if before is not None:
        moved = number("recovered", Quantity.MASS, summed((before, recovered)))
        recovered = summed((before, recovered))
    if recovered.number is None:
        return Finding(key, Verdict.CANNOT_TELL, (moved, word("judged", "unknown")))
    if charge_kg is None:
        return Finding(key, Verdict.INFO, (moved, word("judged", "no_charge")))
    difference = charge_kg - recovered.number
    u = math.hypot(recovered.u or 0.0, u_charge_kg)
    earlier = () if before is None else (number("in_earlier_stages", Quantity.MASS, before),)
    inputs = (
        moved,
        *earlier,
        number("charge", Quantity.MASS, known(charge_kg, "kg", u_charge_kg or None)),
        number("difference", Quantity.MASS, known(difference, "kg", u)),
        number("share", Quantity.RATIO, known(recovered.number / charge_kg, "1")),
    )
    side = "short" if difference > 0 else "over"
    if abs(difference) <= 2 * u:
        return Finding(key, Verdict.PASS, (*inputs, word("judged", "balances")))
    if abs(difference) <= CLOSE * charge_kg:
        return Finding(key, Verdict.INFO, (*inputs, word("judged", f"little_{side}")))
    causes = (word("cause", cause) for cause in CAUSES[side])
    return Finding(key, Verdict.ATTENTION, (*inputs, word("judged", side), *causes))
