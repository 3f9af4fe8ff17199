"""What is said over a connection: bytes and times in, events and bytes out, no port and no clock.

One conversation goes on over one connection after another. Session has the protocol's; text and Modbus instruments
have theirs, which know of the instrument only what it says.
"""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import Final, Protocol

from logger.decode.device_model import DeviceModel, Explained
from logger.link import link_events as events
from logger.link.errors import SILENT, LinkLost
from logger.link.link_events import LinkEvent
from logger.model.units import NS_PER_S

REOPEN_AFTER_S: Final = 15.0  # of silence: a half-open connection and a hung adapter are cured by opening again


class Conversation(Protocol):
    """All times are monotonic ns of the host. live: what is wanted of the device is coming now."""

    @property
    def live(self) -> bool: ...

    @property
    def ending(self) -> LinkLost | None:
        """Why this connection is of no more use, None while it is."""

    def connected(self, now_ns: int) -> None:
        """A stream was opened."""

    def bytes_to_send(self) -> bytes:
        """To be written at once."""

    def bytes_received(self, data: bytes, at_ns: int) -> Sequence[LinkEvent]:
        """Bytes as they came; at_ns is the time of their arrival."""

    def tick(self, now_ns: int) -> Sequence[LinkEvent]:
        """Time passes: called a few times a second."""

    def disconnected(self, now_ns: int) -> Sequence[LinkEvent]:
        """The stream is gone."""


class InstrumentConversation(ABC):
    """With an instrument that does not speak the protocol: nothing but what it says, and the rig expects of it, shows
    that it is there.

    model: explains its words; None while nothing is known of them. stale_s: without any for so long it is silent.
    """

    def __init__(self, model: DeviceModel | None, stale_s: float) -> None:
        self.live = False
        self.ending: LinkLost | None = None
        self._model = model
        self._stale_s = stale_s
        self._received_ns = 0  # something understood, or the opening
        self._silent = False
        self._events: list[LinkEvent] = []

    def connected(self, now_ns: int) -> None:
        self.ending, self._silent, self._received_ns = None, False, now_ns

    def bytes_to_send(self) -> bytes:
        return b""

    @abstractmethod
    def bytes_received(self, data: bytes, at_ns: int) -> Sequence[LinkEvent]: ...

    def tick(self, now_ns: int) -> Sequence[LinkEvent]:
        """Reports silence; when it lasts, the port is to be opened again."""
        silent_s = (now_ns - self._received_ns) / NS_PER_S
        if silent_s > self._stale_s and not self._silent:
            self._silent, self.live = True, False
            self._events.append(events.Silent(now_ns, self._received_ns))
        if silent_s > self._stale_s + REOPEN_AFTER_S:
            self.ending = LinkLost(SILENT, f"silent for {silent_s:.0f} s")
        return self._take_events()

    def disconnected(self, now_ns: int) -> Sequence[LinkEvent]:
        self.live = False
        return self._take_events()

    def _explained(self, raw: bytes) -> Explained:
        explained = self._model.take(raw) if self._model is not None else None
        return explained if explained is not None else Explained(None)

    def _said(self, at_ns: int, raw: bytes, understood: bool, explained: Explained) -> None:
        if understood:
            self.live, self._silent, self._received_ns = True, False, at_ns
        self._events.append(events.InstrumentMessage(at_ns, raw, understood, explained))

    def _take_events(self) -> list[LinkEvent]:
        taken, self._events = self._events, []
        return taken
