"""One number of the job: SI value, standard uncertainty, or the reason why there is none."""

import math
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Value:
    """A number with its unit, or None and the reason.

    number: in SI, `unit` names it as a UCUM code ("Pa", "K", "kg", "kg/s", "1", "s", "Pa/s", "kg/m3").
    u: standard uncertainty (k=1) in the same unit, None when nobody stated one.
    problem: why there is no number; set exactly when `number` is None.
    note: an assumption the number rests on ("barometer 101.3 kPa assumed").
    """

    number: float | None
    unit: str
    u: float | None = None
    problem: str | None = None
    note: str | None = None

    def __post_init__(self) -> None:
        if self.number is None:
            if not self.problem:
                raise ValueError("a Value without a number needs its reason")
        elif self.problem is not None:
            raise ValueError("a Value with a number has no problem")
        elif not math.isfinite(self.number):
            raise ValueError(f"a Value is finite, not {self.number}")

    def with_note(self, note: str | None) -> "Value":
        return replace(self, note=note)


def known(number: float, unit: str, u: float | None = None, note: str | None = None) -> Value:
    """A Value with a number; a number that is not finite becomes unknown, with that reason."""
    if not math.isfinite(number):
        return Value(None, unit, problem="the computation gave no finite number")
    return Value(number, unit, u, None, note)


def unknown(unit: str, problem: str) -> Value:
    return Value(None, unit, problem=problem)
