"""How long work tells how far it is: it passes what it reads through a Counted, which whoever waits for it gives."""

from collections.abc import Callable, Iterable, Iterator
from typing import Protocol, TypeVar

T = TypeVar("T")


class Counted(Protocol):
    """Passes the items on, unchanged, while somebody counts them.

    what: the work in a word ("Checking"). total: of the sizes of all items, 0 when nobody knows it. size: of an item
    in units, by default each is one. unit: "records".
    """

    def __call__(
        self, items: Iterable[T], what: str, total: int, *, size: Callable[[T], int] = ..., unit: str = ...
    ) -> Iterator[T]: ...


def uncounted(
    items: Iterable[T], what: str, total: int, *, size: Callable[[T], int] | None = None, unit: str = "records"
) -> Iterator[T]:
    """Nobody waits."""
    del what, total, size, unit
    return iter(items)
