"""Messages to a phone or mailbox by apprise, an optional extra. Each address has its own queue, its own retries and
its own failure to show. apprise and its plug-ins run in a process of their own for each sending (`push_child.py`):
they take a third as much memory as all the rest, and one that hangs or crashes harms nothing here."""

import asyncio
import importlib.util
import itertools
import json
import sys
from collections import deque
from collections.abc import Awaitable, Callable, Iterable, Sequence
from dataclasses import asdict, replace
from pathlib import Path

from logger.annunciate.background import run_program
from logger.annunciate.errors import ChannelFailed
from logger.annunciate.message import Message
from logger.annunciate.push_file import scheme, without_secrets
from logger.model.extras import how_to_add
from logger.model.text import clean

MISSING = f"push needs apprise: {how_to_add('apprise')}"
BACK_OFF_S = (5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 300.0)
TIMEOUT_S = 60.0
AT_ONCE = 4  # processes, of some 55 MB each
QUEUE = 50
_MAX_BODY = 2000
_CHILD = Path(__file__).with_name("push_child.py")

OnResult = Callable[[str, str | None], None]
Send = Callable[[str, Message | None], Awaitable[str | None]]


async def in_child(url: str, message: Message | None) -> str | None:
    """Send the message, or without one see whether the address is one: None or the problem, perhaps with secrets.

    Raises ChannelFailed: no answer. The address is in no argument and no environment, which others could read.
    """
    request = {"url": url, "message": None if message is None else asdict(message)}
    # -P: the folder of the file, or where the daemon was started, holds no modules for it.
    argv = [sys.executable, "-P", str(_CHILD)]
    said = await run_program(argv, TIMEOUT_S, name="sending", given=json.dumps(request).encode())
    try:
        problem = json.loads(said)
    except ValueError:
        raise ChannelFailed("sending: ended without an answer") from None
    return None if problem is None else str(problem)


class Target:
    """One address. label: "push 1 (ntfys)", the only name of it that is ever shown."""

    def __init__(self, url: str, label: str, send: Send, back_off_s: Sequence[float] = BACK_OFF_S) -> None:
        self.label = label
        self._url = url
        self._send = send
        self._back_off_s = back_off_s
        self._queue: deque[Message] = deque()
        self._dropped = 0
        self._wake = asyncio.Event()

    @property
    def waiting(self) -> int:
        return len(self._queue)

    def put(self, message: Message) -> None:
        """Queue it. A heartbeat replaces a waiting one; when the queue is full the oldest that is not urgent goes."""
        if message.heartbeat:
            self._queue = deque(m for m in self._queue if not m.heartbeat)
        if len(self._queue) >= QUEUE:
            goes = next((m for m in self._queue if not m.urgent), self._queue[0])
            self._queue.remove(goes)
            self._dropped += 1
        self._queue.append(message)
        self._wake.set()

    async def deliver(self, message: Message | None) -> None:
        """Send one message now, once; None: see whether the address is one. Raises ChannelFailed, without secrets."""
        if message is not None:
            message = replace(message, title=clean(message.title, 100), body=message.body[:_MAX_BODY])
        try:
            problem = await self._send(self._url, message)
        except ChannelFailed as exc:
            problem = str(exc)
        if problem is not None:
            raise ChannelFailed(f"{self.label}: {clean(without_secrets(problem, self._url))}")

    async def work(self, on_result: OnResult) -> None:
        """Deliver what is queued, for ever: again with back-off until it is out, waiting messages joined into one.

        While nothing is queued yet, see whether the address is one, so that a wrong one is reported before the night.
        """
        failures, seen = 0, False
        while True:
            while seen and not self._queue:
                self._wake.clear()
                await self._wake.wait()
            batch = list(self._queue)
            try:
                await self.deliver(_joined(batch, self._dropped) if batch else None)
            except ChannelFailed as exc:
                on_result(self.label, f"{exc}; {len(self._queue)} waiting" if self._queue else str(exc))
                await asyncio.sleep(self._back_off_s[min(failures, len(self._back_off_s) - 1)])
                failures += 1
                continue
            if batch or failures:
                on_result(self.label, None)
            seen, failures = True, 0
            if batch:
                self._dropped = 0
                sent = set(map(id, batch))
                self._queue = deque(m for m in self._queue if id(m) not in sent)


class Push:
    """All addresses. Messages go to `urls`; heartbeats to them and to `heartbeat_urls`. At most `AT_ONCE` are sent to
    at a time, so one that is dead holds no other up; more of them hold it up for `TIMEOUT_S` at most now and then."""

    name = "push"

    def __init__(
        self,
        urls: Sequence[str],
        heartbeat_urls: Sequence[str] = (),
        *,
        back_off_s: Sequence[float] = BACK_OFF_S,
        send: Send | None = None,
    ) -> None:
        """send: `in_child` when None. Raises ChannelFailed: apprise is missing."""
        if importlib.util.find_spec("apprise") is None:
            raise ChannelFailed(MISSING)
        self._send, self._turns = send or in_child, asyncio.Semaphore(AT_ONCE)

        def target(kind: str, number: int, url: str) -> Target:
            return Target(url, f"{kind} {number} ({scheme(url)})", self._in_turn, back_off_s)

        self._targets = [target("push", i, url) for i, url in _numbered(urls)]
        self._heartbeat_only = [target("heartbeat", i, url) for i, url in _numbered(heartbeat_urls)]

    def send(self, message: Message) -> None:
        """Queue for delivery; returns at once."""
        for target in self._targets:
            target.put(message)
        if message.heartbeat:
            for target in self._heartbeat_only:
                target.put(message)

    async def test(self, message: Message | None) -> dict[str, str | None]:
        """Send to every address now, or without a message see whether it is one; for each, None or why it failed."""
        targets = [*self._targets, *self._heartbeat_only]
        results = await asyncio.gather(*(t.deliver(message) for t in targets), return_exceptions=True)
        return {
            t.label: str(r) if isinstance(r, BaseException) else None for t, r in zip(targets, results, strict=True)
        }

    async def run(self, on_result: OnResult) -> None:
        """Deliver until cancelled. on_result(label, problem or None) after every attempt."""
        async with asyncio.TaskGroup() as group:
            for target in (*self._targets, *self._heartbeat_only):
                group.create_task(target.work(on_result))

    async def _in_turn(self, url: str, message: Message | None) -> str | None:
        async with self._turns:
            return await self._send(url, message)


def _numbered(urls: Iterable[str]) -> Iterable[tuple[int, str]]:
    return zip(itertools.count(1), urls, strict=False)


def _joined(batch: list[Message], dropped: int) -> Message:
    """One message out of those that waited, the newest last."""
    if len(batch) == 1 and not dropped:
        return batch[0]
    lines = [f"{m.title}: {m.body}" for m in batch]
    while len(lines) > 1 and sum(len(line) + 1 for line in lines) > _MAX_BODY - 60:
        lines.pop(0)
        dropped += 1
    if dropped:
        lines.insert(0, f"({dropped} earlier messages left out)")
    urgent = any(m.urgent for m in batch)
    return Message(f"{batch[-1].title} (+{len(batch) + dropped - 1})", "\n".join(lines), urgent)
