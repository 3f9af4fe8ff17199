"""Keeps one device of the rig connected: opens its port, lets it converse, and begins again after every loss."""

import asyncio
import contextlib
import time
from collections.abc import Awaitable, Callable, Coroutine, Iterable
from typing import Any, Final, Generic, TypeVar

from logger.link import link_events as events
from logger.link.conversation import Conversation
from logger.link.device_search import DeviceSearch
from logger.link.errors import CLOSED, LinkLost
from logger.link.link_events import LinkEvent, RadioStatus
from logger.link.opening import open_stream
from logger.link.ports.stream import StreamLink
from logger.link.rate_limit import Throttle

C = TypeVar("C", bound=Conversation)
T = TypeVar("T")

FIRST_RETRY_S: Final = 0.5
MAX_RETRY_S: Final = 15.0
TICK_S: Final = 0.1
MAX_REPORTED: Final = 32
MAX_BYTES_PER_S: Final = 250_000  # twice a line of 921 600 baud


class Connection(Generic[C]):
    """`run` in a task of its own, `stop` to end it; `on_event` is called in the event loop, in order.

    url: where the device is, None while that is not known. search: looks for it elsewhere; without one it stays at
    the url. What on_event raises ends `run` with that exception.
    """

    def __init__(
        self,
        url: str | None,
        conversation: C,
        on_event: Callable[[LinkEvent], None],
        *,
        search: DeviceSearch | None = None,
        open_stream: Callable[[str], Awaitable[StreamLink]] = open_stream,
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        if url is None and (search is None or not search.can_find):
            raise ValueError("without a url, a device id and somewhere to search are needed")
        self.url = url
        self.conversation = conversation
        self._on_event = on_event
        self._search = search
        self._open_stream = open_stream
        self._now_ns = now_ns
        self._stop = asyncio.Event()
        self._wake = asyncio.Event()
        self._ended = asyncio.Event()
        self._ended.set()
        self._was_live = False  # on this connection
        self._refusal: LinkLost | None = None
        self._reported: set[str] = set()  # of the link since the device was last heard

    async def run(self) -> None:
        """Until `stop`. Losses of the link are events, not exceptions."""
        self._ended.clear()
        try:
            retry_s, again = FIRST_RETRY_S, False
            while not self._stopping:
                lost = await self._attempt(again)
                if self._stopping:
                    break
                if self._was_live:
                    retry_s = FIRST_RETRY_S
                self._report(events.LinkDown(self._now_ns(), self.url or "", lost.code, str(lost), retry_s))
                await self._pause(retry_s)
                retry_s, again = min(2 * retry_s, MAX_RETRY_S), True
        finally:
            self._ended.set()

    async def stop(self) -> None:
        """End `run` and wait for it. A device is left streaming, so that its buffer bridges the time until next."""
        self._stop.set()
        self._wake.set()
        await self._ended.wait()

    def send_now(self) -> None:
        """Write what the conversation has to send without waiting for the next tick."""
        self._wake.set()

    @property
    def _stopping(self) -> bool:
        return self._stop.is_set()

    # -- one connection -----------------------------------------------------------------------------------

    async def _attempt(self, again: bool) -> LinkLost:
        """Open and converse once; why it ended."""
        self._was_live, self._refusal = False, None
        try:
            link = await self._unless_stopped(self._opened(again))
        except LinkLost as lost:
            return lost
        if link is None:
            return _STOPPED
        self.url = link.url
        self._report(events.LinkUp(self._now_ns(), self.url))
        self.conversation.connected(self._now_ns())
        try:
            return await self._converse(link)
        except LinkLost as lost:
            return lost
        finally:
            await link.close()
            if self._search is not None:
                self._search.release(self.url)
            self._hand_on(self.conversation.disconnected(self._now_ns()))

    async def _opened(self, again: bool) -> StreamLink | None:
        """A link to where the device is now. By radio this takes seconds; one that nobody waits for any more is closed.

        Raises LinkLost.
        """
        if self._search is not None:
            self.url = await self._search.place(self.url, again)
        assert self.url is not None, "without a url there is a search"
        link = await self._open_stream(self.url)
        if self._stopping:
            await link.close()
            return None
        return link

    async def _unless_stopped(self, doing: Coroutine[Any, Any, T]) -> T | None:
        """What `doing` gives; it is given up for None as soon as `stop` is called."""
        task = asyncio.ensure_future(doing)
        stop = asyncio.ensure_future(self._stop.wait())
        either: tuple[asyncio.Future[Any], ...] = (task, stop)
        try:
            await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
            return task.result() if task.done() else None
        finally:
            task.cancel()
            stop.cancel()
            await asyncio.gather(task, stop, return_exceptions=True)

    async def _converse(self, link: StreamLink) -> LinkLost:
        conversation, throttle = self.conversation, Throttle(MAX_BYTES_PER_S)
        radio: RadioStatus | None = None
        reading = asyncio.ensure_future(link.read())
        waking = asyncio.ensure_future(self._wake.wait())
        try:
            while not self._stopping:
                if data := conversation.bytes_to_send():
                    await link.write(data)
                await asyncio.wait({reading, waking}, timeout=TICK_S, return_when=asyncio.FIRST_COMPLETED)
                if waking.done():
                    self._wake.clear()
                    waking = asyncio.ensure_future(self._wake.wait())
                if reading.done():
                    data, at_ns = reading.result()
                    self._hand_on(conversation.bytes_received(data, at_ns))
                    await self._apply_backpressure(throttle, len(data))
                    reading = asyncio.ensure_future(link.read())
                self._hand_on(conversation.tick(self._now_ns()))
                self._was_live = self._was_live or conversation.live
                if link.radio is not None and link.radio != radio:
                    radio = link.radio
                    self._on_event(radio)
                if self._refusal is not None:
                    self._was_live = False
                    return self._refusal
                if conversation.ending is not None:
                    return conversation.ending
            return _STOPPED
        finally:
            for task in (reading, waking):
                task.cancel()
            await asyncio.gather(reading, waking, return_exceptions=True)

    async def _apply_backpressure(self, throttle: Throttle, size: int) -> None:
        """Leave a stream that never pauses unread for a while; the system's buffers then stop or drop it."""
        pause_s = throttle.pause_s(size, self._now_ns())
        if pause_s > 0:
            self._on_event(events.TooManyFrames(self._now_ns(), 0))
            await asyncio.sleep(min(pause_s + 1.0, 2.0))

    async def _pause(self, seconds: float) -> None:
        self._wake.clear()
        if not self._stopping:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await self._wake.wait()

    # -- events -------------------------------------------------------------------------------------------

    def _hand_on(self, what: Iterable[LinkEvent]) -> None:
        for event in what:
            if isinstance(event, events.Silent):
                self._report(event)
                continue
            self._on_event(event)
            match event:
                case events.InstrumentMessage(understood=True):
                    self._reported.clear()
                case events.HelloReceived():
                    self._reported.clear()
                case events.DeviceRefused(code=code, reason=reason):
                    self._refusal = LinkLost(code, reason)

    def _report(self, event: events.LinkUp | events.LinkDown | events.Silent) -> None:
        """A port that opens and closes all night is reported once, until the device is heard again."""
        match event:
            case events.LinkUp(url=url):
                what = f"up {url}"
            case events.LinkDown(reason=reason):
                what = f"down {reason}"
            case events.Silent():
                what = "silent"
        if what in self._reported:
            return
        if len(self._reported) >= MAX_REPORTED:
            self._reported.clear()
        self._reported.add(what)
        self._on_event(event)


_STOPPED: Final = LinkLost(CLOSED, "stopped")
