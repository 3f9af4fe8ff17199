"""Messages to a phone or mailbox by apprise, an optional extra. Each address has its own queue, its own retries and
its own failure to show; none waits for another, and nothing here waits in the event loop."""

import asyncio
import importlib
import itertools
import logging
import threading
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from logger.annunciate.background import in_thread
from logger.annunciate.errors import ChannelFailed
from logger.annunciate.message import Message
from logger.annunciate.push_file import scheme, without_secrets
from logger.model.text import clean

MISSING = "push needs an extra package; install it with: pip install 'rimelog[push]'"
BACK_OFF_S = (5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 300.0)
TIMEOUT_S = 60.0
QUEUE = 50
_LONGEST_BODY = 2000

OnResult = Callable[[str, str | None], None]


class Target:
    """One address. label: "push 1 (ntfys)", the only name of it that is ever shown."""

    def __init__(self, url: str, label: str, *, back_off_s: Sequence[float] = BACK_OFF_S) -> None:
        """Raises ChannelFailed: apprise is not installed, or knows no such address."""
        self.label = label
        self._url = url
        self._back_off_s = back_off_s
        self._queue: deque[Message] = deque()
        self._dropped = 0
        self._wake = asyncio.Event()
        self._service = _service(url, label)

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

    async def deliver(self, message: Message) -> None:
        """Send one message now, once. Raises ChannelFailed; the reason holds no part of the address."""
        title, body = clean(message.title, 100), message.body[:_LONGEST_BODY]
        said: list[str] = []
        try:
            sent = await in_thread(lambda: _notify(self._service, title, body, message.urgent, said), TIMEOUT_S)
        except TimeoutError as exc:
            raise ChannelFailed(f"{self.label}: no answer within {TIMEOUT_S:g} s") from exc
        except Exception as exc:  # a plug-in's own failure
            raise ChannelFailed(f"{self.label}: {without_secrets(repr(exc), self._url)}") from None
        if not sent:
            reason = clean(without_secrets(said[-1], self._url)) if said else "not accepted, no reason given"
            raise ChannelFailed(f"{self.label}: {reason}")

    async def work(self, on_result: OnResult) -> None:
        """Deliver what is queued, for ever: again with back-off until it is out, waiting messages joined into one."""
        failures = 0
        while True:
            while not self._queue:
                self._wake.clear()
                await self._wake.wait()
            batch = list(self._queue)
            try:
                await self.deliver(_joined(batch, self._dropped))
            except ChannelFailed as exc:
                on_result(self.label, f"{exc}; {len(self._queue)} waiting")
                await asyncio.sleep(self._back_off_s[min(failures, len(self._back_off_s) - 1)])
                failures += 1
                continue
            failures, self._dropped = 0, 0
            sent = set(map(id, batch))
            self._queue = deque(m for m in self._queue if id(m) not in sent)
            on_result(self.label, None)


class Push:
    """All addresses. Messages go to `urls`; heartbeats to them and to `heartbeat_urls`."""

    name = "push"

    def __init__(
        self,
        urls: Sequence[str],
        heartbeat_urls: Sequence[str] = (),
        *,
        back_off_s: Sequence[float] = BACK_OFF_S,
    ) -> None:
        """Raises ChannelFailed: apprise is missing, or an address is not one; names it by its place and scheme."""
        self._targets = [Target(url, f"push {i} ({scheme(url)})", back_off_s=back_off_s) for i, url in _numbered(urls)]
        self._heartbeat_only = [
            Target(url, f"heartbeat {i} ({scheme(url)})", back_off_s=back_off_s) for i, url in _numbered(heartbeat_urls)
        ]

    def send(self, message: Message) -> None:
        """Queue for delivery; returns at once."""
        for target in self._targets:
            target.put(message)
        if message.heartbeat:
            for target in self._heartbeat_only:
                target.put(message)

    async def test(self, message: Message) -> dict[str, str | None]:
        """Send to every address now; for each, None or why it failed."""
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


def _numbered(urls: Iterable[str]) -> Iterable[tuple[int, str]]:
    return zip(itertools.count(1), urls, strict=False)


def _joined(batch: list[Message], dropped: int) -> Message:
    """One message out of those that waited, the newest last."""
    if len(batch) == 1 and not dropped:
        return batch[0]
    lines = [f"{m.title}: {m.body}" for m in batch]
    while len(lines) > 1 and sum(len(line) + 1 for line in lines) > _LONGEST_BODY - 60:
        lines.pop(0)
        dropped += 1
    if dropped:
        lines.insert(0, f"({dropped} earlier messages left out)")
    urgent = any(m.urgent for m in batch)
    return Message(f"{batch[-1].title} (+{len(batch) + dropped - 1})", "\n".join(lines), urgent)


def _apprise() -> Any:
    try:
        apprise = importlib.import_module("apprise")
    except ImportError as exc:
        raise ChannelFailed(MISSING) from exc
    for name in ("apprise", "urllib3"):  # their lines can hold addresses; what may be told is made in `_notify`
        quiet = logging.getLogger(name)
        quiet.propagate = False
        if not quiet.handlers:
            quiet.addHandler(logging.NullHandler())
    return apprise


def _service(url: str, label: str) -> Any:
    apprise = _apprise()
    asset = apprise.AppriseAsset(async_mode=False)  # sent in our thread: what it logs there is listened to
    service = apprise.Apprise.instantiate(url, asset=asset, suppress_exceptions=True)
    if service is None:
        raise ChannelFailed(f"{label}: apprise knows no such address; check its scheme and parts")
    return service


def _notify(service: Any, title: str, body: str, urgent: bool, said: list[str]) -> bool:
    """Blocking. What apprise logs in this thread meanwhile goes into `said`."""
    apprise = _apprise()
    thread = threading.get_ident()

    class Listen(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.thread == thread:
                said.append(record.getMessage())

    apprise_log, listener = logging.getLogger("apprise"), Listen(logging.WARNING)
    apprise_log.addHandler(listener)
    try:
        kind = apprise.NotifyType.FAILURE if urgent else apprise.NotifyType.INFO
        sender = apprise.Apprise(asset=service.asset)
        sender.add(service)
        # Said to be text, so that a service of HTML or Markdown shows it as it is and no device's name formats it.
        return bool(sender.notify(body, title, notify_type=kind, body_format=apprise.NotifyFormat.TEXT))
    finally:
        apprise_log.removeHandler(listener)
