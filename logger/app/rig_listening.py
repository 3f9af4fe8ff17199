"""Listening to devices while a person answers questions: a loop in a thread of its own, nothing is stored."""

import asyncio
import threading
import time
from collections import deque
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from firmware_protocol.codes import NoReading
from firmware_protocol.conversion import cold_junction, measured, to_celsius
from firmware_protocol.errors import ProtocolError
from firmware_protocol.messages import Describe, Hello
from logger.decode.channel import Raw
from logger.link import link_events as events
from logger.link.connection import Connection
from logger.link.link_events import LinkEvent
from logger.model.units import NS_PER_S

MAX_READINGS: Final = 400  # newest readings of a channel, newest lines of an instrument
STOP_S: Final = 3.0
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Reading:
    """at_s: monotonic. number: in the channel's own unit, None exactly when `problem` says why."""

    at_s: float
    number: float | None
    problem: str | None = None


class ObservedDevice:
    """One device, filled by the listening thread. problem: why nothing is heard, None while all is well.

    failed: its link could not be opened, or was lost.
    """

    def __init__(self) -> None:
        self.problem: str | None = "not heard yet"
        self.failed = False
        self.hello: Hello | None = None
        self._describes: tuple[Describe, ...] = ()
        self._readings: dict[int, deque[Reading]] = {}
        self._raws: deque[tuple[float, bytes]] = deque(maxlen=MAX_READINGS)
        self._lock = threading.Lock()

    @property
    def describes(self) -> tuple[Describe, ...]:
        """Its channels; () until it has described them."""
        return self._describes

    def readings(self, index: int, since_s: float = 0.0) -> list[Reading]:
        """Of a channel, oldest first, from that monotonic time on."""
        with self._lock:
            return [r for r in self._readings.get(index, ()) if r.at_s >= since_s]

    def newest(self, index: int) -> Reading | None:
        """Of a channel."""
        with self._lock:
            found = self._readings.get(index)
            return found[-1] if found else None

    def raws(self, since_s: float = 0.0) -> list[tuple[float, bytes]]:
        """Lines or exchanges of an instrument with their time, oldest first."""
        with self._lock:
            return [pair for pair in self._raws if pair[0] >= since_s]

    def take(self, event: LinkEvent) -> None:
        """In the listening thread."""
        with self._lock:
            match event:
                case events.HelloReceived(hello=hello):
                    self.hello = hello
                case events.Described(layout=layout):
                    self._describes = layout.channels
                case events.SamplesReceived(layout=layout, readings=readings) if layout is not None:
                    self.problem = None
                    channels = layout.channels
                    # A thermocouple is read by its cold junction, so that comes first.
                    for index, raw in sorted(readings or (), key=lambda r: cold_junction(channels[r[0]]) is not None):
                        cold = self._cold_celsius(channels, channels[index])
                        self._add(index, _reading(channels[index], raw, event.at_ns / NS_PER_S, cold))
                case events.InstrumentMessage(raw=raw):
                    self.problem = None
                    self._raws.append((event.at_ns / NS_PER_S, raw))
                case events.LinkDown(reason=reason) | events.DeviceRefused(reason=reason):
                    self.problem, self.failed = reason, True
                case events.Silent():
                    self.problem = "it is silent"

    def _cold_celsius(self, channels: tuple[Describe, ...], channel: Describe) -> float | None:
        """Of the terminals of a thermocouple, as last read."""
        index = cold_junction(channel)
        if index is None or index >= len(channels) or index not in self._readings:
            return None
        number = self._readings[index][-1].number
        return None if number is None else to_celsius(channels[index], number)

    def _add(self, index: int, reading: Reading) -> None:
        self._readings.setdefault(index, deque(maxlen=MAX_READINGS)).append(reading)


def _reading(channel: Describe, raw: Raw, at_s: float, cold_celsius: float | None) -> Reading:
    if not isinstance(raw, int):
        return Reading(at_s, None, raw.name.lower().replace("_", " ") if isinstance(raw, NoReading) else str(raw))
    try:
        number = measured(channel, raw, cold_celsius)
    except ProtocolError as exc:
        return Reading(at_s, None, str(exc))
    return Reading(at_s, number, None if number is not None else "no number at this input")


class Listener:
    """Use as a context. Its methods are called from the person's thread; Ctrl-C ends whatever they wait for."""

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="listening", daemon=True)
        self._running: dict[ObservedDevice, tuple[Connection[Any], asyncio.Task[None]]] = {}

    def __enter__(self) -> "Listener":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        for observed in list(self._running):
            self.stop(observed)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(STOP_S)
        if not self._thread.is_alive():
            self._loop.close()

    def ask(self, question: Coroutine[Any, Any, T]) -> T:
        """Run a coroutine in the listening loop and wait for its answer."""
        future = asyncio.run_coroutine_threadsafe(question, self._loop)
        try:
            return future.result()
        except BaseException:
            future.cancel()
            raise

    def observe(self, make: Callable[[Callable[[LinkEvent], None]], Connection[Any]]) -> ObservedDevice:
        """Listen to a device from now on. make: its connection, given where its events go."""
        observed = ObservedDevice()

        async def begin() -> None:
            connection = make(observed.take)
            self._running[observed] = connection, asyncio.create_task(connection.run())

        self.ask(begin())
        return observed

    def stop(self, observed: ObservedDevice) -> None:
        """Let the device go, so that its port is free."""
        found = self._running.pop(observed, None)
        if found is None:
            return
        connection, task = found

        async def end() -> None:
            try:
                async with asyncio.timeout(STOP_S):
                    await connection.stop()
            except TimeoutError:
                task.cancel()

        self.ask(end())

    def wait(self, for_s: float, until: Callable[[], bool] = lambda: False) -> bool:
        """Let time pass, at most so long, until the condition holds; whether it did."""
        end_s = time.monotonic() + for_s
        while not until():
            left_s = end_s - time.monotonic()
            if left_s <= 0:
                return False
            time.sleep(min(0.05, left_s))
        return True
