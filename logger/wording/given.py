"""What a words function is given: a finding's or statement's inputs, shown in the reader's units.

    def mass(f: Given) -> Text:
        return Text(f("charged"), f"{f.spread('charged')} in {f('lasted')}, fastest {f('fastest')}.")

A words function compares no number with a limit: it chooses grammar, digits and units. What was judged is in the
finding's verdict and in its arguments of kind WORD.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from logger.model.points import Quantity
from logger.model.value import Argument, Code, Value, codes
from logger.wording.values import Shown, lasted, rough


class Given:
    """inputs: of the finding. terms: code -> text, for arguments of kind WORD."""

    def __init__(self, inputs: Sequence[Argument], shown: Shown, terms: Mapping[str, str]) -> None:
        self._inputs, self._shown, self._terms = inputs, shown, terms

    @property
    def system(self) -> str:
        """ "us" or "si"."""
        return self._shown.system

    def has(self, name: str) -> bool:
        return any(one.name == name for one in self._inputs)

    def __call__(self, name: str) -> str:
        """In the reader's unit, digits by its uncertainty; a code's text; a name as it is; a reason where unknown."""
        return self.text(self._first(name))

    def all(self, name: str) -> tuple[str, ...]:
        """Each of that name, in order."""
        return tuple(self.text(one) for one in self._inputs if one.name == name)

    def code(self, name: str) -> str:
        """A word's code, to choose a sentence by; "" where there is none."""
        return next(iter(self.codes(name)), "")

    def codes(self, name: str) -> tuple[str, ...]:
        """The codes of each word of that name, in order."""
        return codes(self._inputs, name)

    def value(self, name: str) -> Value:
        found = self._first(name).value
        if not isinstance(found, Value):
            raise KeyError(f"{name} is no number")
        return found

    def known(self, name: str) -> bool:
        """Whether there is a number of that name."""
        return any(one.name == name and isinstance(one.value, Value) and one.value.number is not None
                   for one in self._inputs)  # fmt: skip

    def whole(self, name: str) -> str:
        """Without decimals: "131 °F"."""
        one = self._first(name)
        if not isinstance(one.value, Value) or not isinstance(one.kind, Quantity):
            return self.text(one)
        return self._shown.whole(one.value, one.kind)

    def rough(self, name: str) -> str:
        """A time in whole minutes: "12 min"."""
        value = self.value(name)
        return str(value.problem) if value.number is None else rough(value.number)

    def so_far(self, name: str, whole: str) -> str:
        """How much of a time has run, rounded down: "3:20 of 5 min", "8 of 35 min", "2 h 05 min of 24 h"."""
        done, asked = (self.value(one).number or 0.0 for one in (name, whole))
        minutes = int(done // 60)
        if asked >= 7200:
            return f"{lasted(60.0 * minutes)} of {lasted(asked)}"
        return f"{f'{minutes}:{int(done % 60):02d}' if asked < 600 else minutes} of {asked / 60:g} min"

    def spread(self, name: str) -> str:
        """With its expanded uncertainty: "19.5 ± 0.4 lb"."""
        one = self._first(name)
        if not isinstance(one.value, Value) or not isinstance(one.kind, Quantity):
            return self.text(one)
        return self._shown.with_spread(one.value, one.kind)

    def bound(self, name: str) -> str:
        """With two figures: "51 %"."""
        one = self._first(name)
        if not isinstance(one.value, Value) or not isinstance(one.kind, Quantity):
            return self.text(one)
        return self._shown.bound(one.value, one.kind)

    def from_to(self, low: str, high: str) -> str:
        """ "0.45 to 16 lb a year", with one unit where both have it."""
        first, last = self(low), self(high)
        number, _, unit = first.partition(" ")
        return f"{number if last.endswith(unit) else first} to {last}"

    def beside(self, name: str, limit: str) -> str:
        """A number that is not its limit, with as many decimals as keep it from reading as the limit."""
        one, other = self._first(name), self._first(limit)
        if self.text(one) != self.text(other) or not isinstance(one.value, Value) or not isinstance(other.value, Value):
            return self.text(one)
        if one.value.number == other.value.number or not isinstance(one.kind, Quantity):
            return self.text(one)
        return self._shown.apart(one.value, other.value, one.kind)

    def spread_of_size(self, name: str) -> str:
        """`spread` of a negative number without its sign."""
        one = self._first(name)
        if not isinstance(one.value, Value) or not isinstance(one.kind, Quantity) or one.value.number is None:
            return self.text(one)
        return self._shown.with_spread(replace(one.value, number=abs(one.value.number)), one.kind)

    def size(self, name: str) -> str:
        """A negative number without its sign: "3.2 °F"."""
        one = self._first(name)
        if not isinstance(one.value, Value) or one.value.number is None:
            return self.text(one)
        return self.text(replace(one, value=replace(one.value, number=abs(one.value.number))))

    def signed(self, name: str) -> str:
        """With its sign, a plus too: "+3.2 °F"."""
        one = self._first(name)
        plus = isinstance(one.value, Value) and one.value.number is not None and one.value.number >= 0
        return ("+" if plus else "") + self.text(one)

    def _first(self, name: str) -> Argument:
        for one in self._inputs:
            if one.name == name:
                return one
        raise KeyError(f"no input {name}")

    def text(self, one: Argument) -> str:
        """One of the inputs, as it is shown."""
        if isinstance(one.value, str):
            if one.kind is Code.WORD:
                return self._terms.get(one.value, one.value)
            return self._shown.instant(one.value) if one.kind is Code.INSTANT else one.value
        if one.kind is None or isinstance(one.kind, Code):
            return self._shown.in_si(one.value)
        return self._shown.figure(one.value, one.kind)


def cylinder_named(name: str) -> str:
    """ "cylinder A"; what is called a cylinder already, by its name alone."""
    return name if "cylinder" in name.casefold() else f"cylinder {name}"


def listed(f: Given, name: str) -> str:
    """All of that name: "a, b", or "none"."""
    return ", ".join(f.all(name)) or "none"


def many(count: float, thing: str) -> str:
    """ "1 cylinder", "2 cylinders"."""
    return f"{count:,.0f} {thing}{'' if count == 1 else 's'}"


def sentence(text: str) -> str:
    """With a capital at its beginning, units as they are: "Condensing 9.4 °F over ambient"."""
    return text[:1].upper() + text[1:]
