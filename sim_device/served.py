"""What a server can put on a link."""

from typing import Protocol


class Served(Protocol):
    """A `Device`, or `Rig.station(name)` with its plant and line."""

    def step(self, data: bytes, now_s: float, linked: bool = True) -> bytes: ...
    def connected(self) -> bytes: ...
