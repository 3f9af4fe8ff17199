"""Tells people of the alarms: given the present list, it rings until acknowledged, sends each alarm once and again
while nobody answers, and says "still fine" in between, so that silence means trouble.

Its loops run under one roof. One that fails is reported as a failure of its channel and started again: an
annunciator that died in silence would be the worst fault of all.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from functools import partial

from logger.alarms.defaults import PUSH
from logger.alarms.memory import AlarmRow
from logger.annunciate.errors import ChannelFailed
from logger.annunciate.message import Message, Notifier, Ringer
from logger.annunciate.news import News
from logger.annunciate.push import Push
from logger.annunciate.tone import LEVELS
from logger.model.alarm import Priority
from logger.wording.book import AlarmText

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Timing:
    """Seconds. ring_*: between bursts. rise: bursts before the next level. repeat: before an unseen urgent alarm is
    sent again. gather: alarms so close together go into one message. restart: before a failed loop starts again."""

    ring_urgent: float = 3.0
    ring_high: float = 12.0
    rise: int = 3
    repeat: float = 600.0
    gather: float = 2.0
    restart: float = 5.0


class Annunciator:
    """Drives ringers, notices and push. `update` and `run` belong to one event loop.

    words: of a row, in the user's units. status: one line on how the job stands, for "still fine".
    on_health: called with a channel and None or its problem, whenever that changes; the health inputs "sound" and
    "push" of the alarms are among the channels.
    """

    def __init__(
        self,
        words: Callable[[AlarmRow], AlarmText],
        status: Callable[[], str],
        on_health: Callable[[str, str | None], None],
        *,
        ringers: Sequence[Ringer] = (),
        notifiers: Sequence[Notifier] = (),
        push: Push | None = None,
        heartbeat_s: float | None = None,
        timing: Timing | None = None,
    ) -> None:
        self._status, self._on_health = status, on_health
        self._ringers, self._notifiers, self._push = ringers, notifiers, push
        self._heartbeat_s = heartbeat_s
        self._timing = timing or Timing()
        self._rows: Sequence[AlarmRow] = ()
        self._changed = asyncio.Event()
        self._ring_now = [asyncio.Event() for _ in ringers]
        self._audible: set[str] = set()
        self._news = News(words, self._timing.repeat)
        self._health: dict[str, str | None] = {}
        self._push_health: dict[str, str | None] = {}

    def update(self, rows: Sequence[AlarmRow]) -> None:
        """The present alarm list, after every step that changed it."""
        self._rows = rows
        self._changed.set()
        audible = {row.key for row in rows if row.audible}
        if audible - self._audible:
            for event in self._ring_now:
                event.set()
        self._audible = audible

    async def run(self) -> None:
        """Until cancelled."""
        try:
            async with asyncio.TaskGroup() as group:
                for ringer, now in zip(self._ringers, self._ring_now, strict=True):
                    group.create_task(self._keep(ringer.name, partial(self._ring_loop, ringer, now)))
                group.create_task(self._keep(PUSH, self._message_loop))
                if self._heartbeat_s is not None:
                    group.create_task(self._keep(PUSH, self._heartbeat_loop))
                if self._push is not None:
                    push = self._push
                    group.create_task(self._keep(PUSH, lambda: push.run(self._push_result)))
        finally:
            for ringer in self._ringers:
                ringer.close()

    async def _keep(self, channel: str, loop: Callable[[], Awaitable[None]]) -> None:
        """Run a loop for ever; its failure is reported, then it starts again."""
        while True:
            try:
                await loop()
            except Exception as exc:
                log.exception("announcing alarms failed (%s), starting again", channel)
                self._report_health(channel, f"internal failure: {exc!r}")
            await asyncio.sleep(self._timing.restart)

    async def _ring_loop(self, ringer: Ringer, now: asyncio.Event) -> None:
        self._report_health(ringer.name, _problem_of(ringer.check))
        while True:
            if not self._audible:
                await now.wait()
                now.clear()
            bursts = 0
            while self._audible:
                now.clear()
                urgent = any(row.audible and row.priority is Priority.URGENT for row in self._rows)
                await self._ring_one(ringer, urgent, min(bursts // self._timing.rise, LEVELS - 1))
                bursts += 1
                await _pause(now, self._timing.ring_urgent if urgent else self._timing.ring_high)

    async def _ring_one(self, ringer: Ringer, urgent: bool, level: int) -> None:
        try:
            await ringer.ring(urgent, level)
        except ChannelFailed as exc:
            self._report_health(ringer.name, str(exc))
        else:
            self._report_health(ringer.name, None)

    async def _message_loop(self) -> None:
        while True:
            if await _pause(self._changed, self._timing.repeat / 4):  # repeats fall due without a change
                await asyncio.sleep(self._timing.gather)
            self._changed.clear()
            news = self._news.of(self._rows, asyncio.get_running_loop().time())
            if self._push is not None:
                for message in news:
                    self._push.send(message)
            for message in news:
                await self._notify(message)

    def _status_line(self) -> str:
        try:
            return self._status()
        except Exception:
            log.exception("the status line cannot be made")
            return "The logger runs, but cannot read the state of the job."

    async def _heartbeat_loop(self) -> None:
        assert self._heartbeat_s is not None
        while True:
            standing = sum(row.standing or row.unseen for row in self._rows)
            title = f"Running, {standing} alarm{'s' * (standing > 1)}" if standing else "Still fine"
            every = f"{self._heartbeat_s / 60:g} min"
            body = f"{self._status_line()} If no message comes within {every}, go and look."
            if self._push is not None:
                self._push.send(Message(title, body, heartbeat=True))
            await asyncio.sleep(self._heartbeat_s)

    async def _notify(self, message: Message) -> None:
        for notifier in self._notifiers:
            try:
                await notifier.notify(message)
            except ChannelFailed as exc:
                self._report_health(notifier.name, str(exc))
            else:
                self._report_health(notifier.name, None)

    def _push_result(self, label: str, problem: str | None) -> None:
        self._push_health[label] = problem
        problems = [p for p in self._push_health.values() if p is not None]
        self._report_health(PUSH, "; ".join(problems) or None)

    def _report_health(self, channel: str, problem: str | None) -> None:
        if channel in self._health and self._health[channel] == problem:
            return
        self._health[channel] = problem
        if problem is not None:
            log.warning("%s: %s", channel, problem)
        try:
            self._on_health(channel, problem)
        except Exception:
            log.exception("the state of %s is unknown", channel)


async def _pause(unless: asyncio.Event, seconds: float) -> bool:
    """Wait, but no longer than until the event; whether it was the event."""
    try:
        async with asyncio.timeout(seconds):
            return await unless.wait()
    except TimeoutError:
        return False


def _problem_of(check: Callable[[], None]) -> str | None:
    try:
        check()
    except ChannelFailed as exc:
        return str(exc)
    return None
