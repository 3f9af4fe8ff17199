"""Keeps an instrument that does not speak the protocol connected: opens, listens, and begins again after every loss."""

import asyncio
import contextlib
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Final, Protocol

from logger.decode.device_model import Explained
from logger.link import events
from logger.link.events import LinkEvent
from logger.link.supervisor import FIRST_RETRY_S, MAX_RETRY_S
from logger.model.units import NS_PER_S

TOLD: Final = 32
REOPEN_AFTER_S: Final = 15.0  # of silence: a half-open connection and a hung adapter are cured by opening anew


class Supervisor(Protocol):
    """What every kind of device is run by. `run` in a task of its own until `stop`."""

    async def run(self) -> None:
        """Losses of the link are events, not exceptions."""

    async def stop(self) -> None:
        """End `run` and wait for it."""


class Retrying(ABC):
    """Subclasses say in `_attempt` what one connection is; `self._stopping` asks it to end, `self._wake` wakes it.

    stale_s: without anything understood for so long it is silent.
    """

    def __init__(
        self,
        url: str,
        stale_s: float,
        on_event: Callable[[LinkEvent], None],
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self.url = url
        self.connected = False
        self._stale_s = stale_s
        self._on_event = on_event
        self._now_ns = now_ns
        self._stopping = False
        self._wake = asyncio.Event()
        self._ended = asyncio.Event()
        self._ended.set()
        self._heard = False  # in this connection
        self._last_ns = 0  # of something understood, or of opening
        self._silent = False
        self._told: set[str] = set()  # of the link since the instrument was last heard

    async def run(self) -> None:
        """Until `stop`. What on_event raises ends it with that exception."""
        self._ended.clear()
        try:
            retry_s = FIRST_RETRY_S
            while not self._stopping:
                self._heard = False
                reason = await self._attempt()
                self.connected = False
                if self._stopping:
                    break
                if self._heard:
                    retry_s = FIRST_RETRY_S
                self._tell_once(f"down {reason}", events.LinkDown(self._now_ns(), self.url, reason, retry_s))
                await self._pause(retry_s)
                retry_s = min(2 * retry_s, MAX_RETRY_S)
        finally:
            self._ended.set()

    async def stop(self) -> None:
        self._stopping = True
        self._wake.set()
        await self._ended.wait()

    @abstractmethod
    async def _attempt(self) -> str:
        """One connection, from opening to its end; why it ended. Calls _opened and _said."""

    def _opened(self) -> None:
        self._last_ns, self._silent = self._now_ns(), False
        self._tell_once("up", events.LinkUp(self._now_ns(), self.url))

    def _said(self, at_ns: int, raw: bytes, understood: bool, explained: Explained) -> None:
        if understood:
            self._heard = self.connected = True
            self._last_ns, self._silent = at_ns, False
            self._told.clear()
        self._on_event(events.InstrumentSaid(at_ns, raw, understood, explained))

    def _silence(self) -> str | None:
        """Tells silence once; says why to open anew when it lasts."""
        now_ns = self._now_ns()
        silent_s = (now_ns - self._last_ns) / NS_PER_S
        if silent_s > self._stale_s and not self._silent:
            self._silent, self.connected = True, False
            self._tell_once("silent", events.Silent(now_ns, self._last_ns))
        if silent_s > self._stale_s + REOPEN_AFTER_S:
            return f"{self.url}: silent for {silent_s:.0f} s"
        return None

    def _tell_once(self, what: str, event: LinkEvent) -> None:
        """A port that opens and closes all night is told once, until the instrument is heard again."""
        if what in self._told:
            return
        if len(self._told) >= TOLD:
            self._told.clear()
        self._told.add(what)
        self._on_event(event)

    async def _pause(self, seconds: float) -> None:
        """So long, or until `stop`."""
        self._wake.clear()
        if not self._stopping:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await self._wake.wait()
