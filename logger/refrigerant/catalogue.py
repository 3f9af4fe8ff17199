"""The refrigerants that a job, or a user, knows: the shipped table and, over it, blends of one's own.

A catalogue never changes; `with_blends` makes another. So one job's blends are never seen by a second one, and what
was computed for a catalogue stays right for it. No blend takes a name of the shipped table.
"""

from collections.abc import Iterable
from typing import Any

from logger.refrigerant.errors import RefrigerantError, UnknownRefrigerant
from logger.refrigerant.names import key_of, nearest, refusal
from logger.refrigerant.table import Refrigerant, shipped


class Catalogue:
    """blends: the user's own. faults: (name, what is wrong) of blends that cannot be used; name "" for a blend without
    one, or for the file as a whole.
    """

    __slots__ = ("_blends", "faults")

    def __init__(self, blends: Iterable[Refrigerant] = (), faults: Iterable[tuple[str, str]] = ()) -> None:
        """Raises RefrigerantError when a blend has a name of the shipped table."""
        self._blends = {key_of(blend.name): blend for blend in blends}
        self.faults = tuple(faults)
        for blend in self._blends.values():
            taken = shipped().get(blend.name)
            if taken is not None:
                raise RefrigerantError(f"{blend.name}: the table already has {taken.name}; choose another name")

    @property
    def blends(self) -> tuple[Refrigerant, ...]:
        """The blends over the table, in the order in which they were added."""
        return tuple(self._blends.values())

    def blend(self, name: str) -> Refrigerant | None:
        """The blend over the table of that name, None for what is shipped or not known."""
        return self._blends.get(key_of(name))

    def find(self, name: str) -> Refrigerant:
        """By any usual form of the name. Raises UnknownRefrigerant with the nearest names."""
        found = shipped().get(name) or self.blend(name)
        if found is not None:
            return found
        why = refusal(name)
        if why is not None:
            raise UnknownRefrigerant(name, why=why)
        key = key_of(name)
        for of, text in self.faults:
            if key and key_of(of) == key:
                raise UnknownRefrigerant(name, why=f"cannot be used: {text}")
        near = nearest(name, self.names())
        for of, text in self.faults:
            if not key_of(of):
                why = f"is not in the table, and a blend of yours cannot be used: {text}"
                raise UnknownRefrigerant(name, near, why)
        raise UnknownRefrigerant(name, near)

    def names(self) -> list[str]:
        """All of them by number, then letter: R-11, R-12, ... R-1336mzz(Z)."""
        return sorted((r.name for r in (*shipped(), *self.blends)), key=_order)

    def labelled(self, name: str) -> str:
        """The label of a refrigerant known by that name; the name itself where none is."""
        try:
            return self.find(name).label
        except UnknownRefrigerant:
            return name

    def blend_records(self, names: Iterable[str]) -> list[dict[str, Any]]:
        """The blends of these names, each once and whole, as a job's record holds them."""
        found = {blend.name: blend for blend in map(self.blend, names) if blend is not None}
        return [blend.record() for blend in found.values()]

    def with_blends(self, blends: Iterable[Refrigerant]) -> "Catalogue":
        """With these as well. Raises RefrigerantError when a name is taken by another composition, or shipped."""
        added = tuple(blends)
        for blend in added:
            taken = self.blend(blend.name)
            if taken is not None and dict(taken.composition) != dict(blend.composition):
                raise RefrigerantError(f"{blend.name}: {taken.name} is already another blend; choose another name")
        return Catalogue((*self.blends, *added), self.faults) if added else self

    def with_more(self, other: "Catalogue") -> "Catalogue":
        """With what `other` knows besides; a name that both have stays as it is here."""
        more = (blend for blend in other.blends if self.blend(blend.name) is None)
        return Catalogue((*self.blends, *more), (*self.faults, *other.faults))

    def with_fault(self, name: str, text: str) -> "Catalogue":
        return Catalogue(self.blends, (*self.faults, (name, text)))


def _order(name: str) -> tuple[int, int, str]:
    digits = "".join(c for c in name[2:6] if c.isdigit())
    return (0 if name.startswith("R-") and digits else 1, int(digits or 0), name)


SHIPPED = Catalogue()  # the table alone


def find(name: str) -> Refrigerant:
    """A refrigerant of the shipped table, by any usual form of its name. Raises UnknownRefrigerant."""
    return SHIPPED.find(name)


def names() -> list[str]:
    """Every refrigerant of the shipped table, by number."""
    return SHIPPED.names()
