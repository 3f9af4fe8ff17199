"""A line in memory between a Session and a FakeDevice, in virtual time, with faults."""

import random
from collections.abc import Callable
from typing import TypeVar

from logger.link.link_events import SessionEvent
from logger.link.session.session import Session
from logger.model.units import NS_PER_S
from tests.link.fake_device import MS, FakeDevice
from tests.link.proxy import Faults

T = TypeVar("T")


class Line:
    """Steps both ends every `step_ms`; the bytes of one step arrive at its end, one way delayed by a step."""

    def __init__(
        self, session: Session, device: FakeDevice, *, step_ms: int = 10, seed: int = 1, now_ns: int = NS_PER_S
    ) -> None:
        self.session = session
        self.device = device
        self.step_ns = step_ms * MS
        self.now_ns = now_ns
        self.events: list[SessionEvent] = []
        self.to_host = Faults(random.Random(seed))
        self.to_device = Faults(random.Random(seed + 1))
        self.open = False

    def connect(self) -> None:
        self.open = True
        self.session.connected(self.now_ns)

    def disconnect(self) -> None:
        self.open = False
        self.events += self.session.disconnected(self.now_ns)

    def run(self, seconds: float, until: Callable[[], bool] = lambda: False) -> None:
        """Let time pass, at most `seconds`, until the condition holds."""
        end_ns = self.now_ns + int(seconds * NS_PER_S)
        while self.now_ns < end_ns and not until():
            self.now_ns += self.step_ns
            data = self.device.step(self.now_ns)
            if not self.open:
                continue
            if data := self.to_host.apply(data):
                self.events += self.session.bytes_received(data, self.now_ns)
            self.events += self.session.tick(self.now_ns)
            if data := self.to_device.apply(self.session.bytes_to_send()):
                self.device.feed(data, self.now_ns)

    def of(self, kind: type[T]) -> list[T]:
        """Events of one kind so far."""
        return [event for event in self.events if isinstance(event, kind)]
