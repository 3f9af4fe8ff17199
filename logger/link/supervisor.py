"""Keeps one device of the rig connected: opens its port, runs the session, and begins again after every loss.

The device is known by its id, not by its port: where the rig allows it, a device that has vanished from its port is
looked for on the others, and by radio.
"""

import asyncio
import contextlib
import logging
import time
from collections.abc import Awaitable, Callable, Coroutine, Iterable
from typing import Any, Final, TypeVar

from firmware_protocol.requests import Permit
from logger.decode.device_model import ProtocolDevice
from logger.link import events
from logger.link.claims import Claims
from logger.link.discovery import probe
from logger.link.errors import LinkLost
from logger.link.events import LinkEvent, RadioHeard, SessionEvent
from logger.link.limits import Throttle
from logger.link.ports.stream import ANY_RADIO, StreamLink, by_radio, open_link
from logger.link.session.phases import Phase
from logger.link.session.session import Session, Settings

log = logging.getLogger(__name__)

T = TypeVar("T")

FIRST_RETRY_S: Final = 0.5
MAX_RETRY_S: Final = 15.0
TICK_S: Final = 0.1
SEARCH_S: Final = 3.0  # a device that has moved is running already and answers at once
TOLD: Final = 32
MAX_BYTES_PER_S: Final = 250_000  # twice a line of 921 600 baud


class DeviceSupervisor:
    """One device. `run` in a task of your own, `stop` to end it; `on_event` is called in the event loop, in order.

    url: None when only the id is known, ble:// when it is to be looked for by radio first. search_ports, search_radio:
    where to look for the device's id; with neither it stays at the url. What on_event raises ends `run` with that
    exception.
    """

    def __init__(
        self,
        url: str | None,
        expected_device_id: bytes | None,
        on_event: Callable[[LinkEvent], None],
        *,
        baudrate: int = 115_200,
        model: ProtocolDevice | None = None,
        settings: Settings | None = None,
        claims: Claims | None = None,
        search_ports: Callable[[], Iterable[str]] | None = None,
        search_radio: Callable[[bytes], Awaitable[Iterable[str]]] | None = None,
        open_stream: Callable[[str, int], Awaitable[StreamLink]] = open_link,
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        if url is None and (expected_device_id is None or (search_ports is None and search_radio is None)):
            raise ValueError("without a url, a device id and somewhere to search are needed")
        self.url = url
        self.session = Session(expected_device_id=expected_device_id, model=model, settings=settings)
        self._expected = expected_device_id
        self._configured_url = url
        self._on_event = on_event
        self._baudrate = baudrate
        self._claims = claims if claims is not None else Claims()
        self._search_ports = search_ports
        self._search_radio = search_radio
        self._open_stream = open_stream
        self._now_ns = now_ns
        self._stop = asyncio.Event()
        self._wake = asyncio.Event()
        self._ended = asyncio.Event()
        self._ended.set()
        self._refusal: str | None = None
        self._told: set[str] = set()  # of the link since the device was last heard

    @property
    def connected(self) -> bool:
        """The device streams."""
        return self.session.phase is Phase.STREAMING

    @property
    def _stopping(self) -> bool:
        return self._stop.is_set()

    async def run(self) -> None:
        """Until `stop`. Losses of the link are events, not exceptions."""
        self._ended.clear()
        try:
            retry_s = FIRST_RETRY_S
            attempts = 0
            while not self._stopping:
                reason, streamed = await self._attempt(search=attempts > 0)
                if self._stopping:
                    break
                if streamed:
                    retry_s, attempts = FIRST_RETRY_S, 0
                self._down(reason, retry_s)
                await self._pause(retry_s)
                retry_s = min(2 * retry_s, MAX_RETRY_S)
                attempts += 1
        finally:
            self._ended.set()

    async def stop(self) -> None:
        """End `run` and wait for it. The device is left streaming, so that its buffer bridges the time until next."""
        self._stop.set()
        self._wake.set()
        await self._ended.wait()

    def open_output(self, permit: Permit) -> None:
        """`Session.open_output`, written at once."""
        self.session.open_output(permit)
        self._wake.set()

    # -- one connection -----------------------------------------------------------------------------------

    async def _attempt(self, search: bool) -> tuple[str, bool]:
        """Open and converse once. Returns why it ended and whether the device ever streamed."""
        reason = ""
        by_id_only = self._by_id_only()
        if search or self.url is None or (by_id_only and self.url == self._configured_url):
            found, reason = await self._unless_stopped(self._look_for_device(), (None, ""))
            self.url = found if found is not None or by_id_only else self._configured_url
        if self.url is None:
            return reason, False
        try:
            link = await self._unless_stopped(self._opened(self.url), None)
        except LinkLost as exc:
            return str(exc), False
        if link is None:
            return "stopped", False
        self.url = link.url
        if self._is_news(f"up {self.url}"):
            self._on_event(events.LinkUp(self._now_ns(), self.url))
        try:
            return await self._converse(link)
        finally:
            await link.close()
            self._claims.release(self.url)
            self._tell(self.session.disconnected(self._now_ns()))

    async def _opened(self, url: str) -> StreamLink | None:
        """By radio this takes seconds; the link that nobody waits for any more is closed."""
        link = await self._open_stream(url, self._baudrate)
        if self._stopping:
            await link.close()
            return None
        return link

    async def _unless_stopped(self, doing: Coroutine[Any, Any, T], otherwise: T) -> T:
        """What `doing` gives; it is given up for `otherwise` as soon as `stop` is called."""
        task = asyncio.ensure_future(doing)
        stop = asyncio.ensure_future(self._stop.wait())
        either: tuple[asyncio.Future[Any], ...] = (task, stop)
        try:
            await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
            return task.result() if task.done() else otherwise
        finally:
            task.cancel()
            stop.cancel()
            await asyncio.gather(task, stop, return_exceptions=True)

    async def _converse(self, link: StreamLink) -> tuple[str, bool]:
        session = self.session
        throttle = Throttle(MAX_BYTES_PER_S)
        streamed = False
        radio: RadioHeard | None = None
        self._refusal = None
        session.connected(self._now_ns())
        reading = asyncio.ensure_future(link.read())
        waking = asyncio.ensure_future(self._wake.wait())
        try:
            while not self._stopping:
                if data := session.bytes_to_send():
                    await link.write(data)
                await asyncio.wait({reading, waking}, timeout=TICK_S, return_when=asyncio.FIRST_COMPLETED)
                if waking.done():
                    self._wake.clear()
                    waking = asyncio.ensure_future(self._wake.wait())
                if reading.done():
                    data, at_ns = reading.result()
                    self._tell(session.bytes_received(data, at_ns))
                    await self._breathe(throttle, len(data))
                    reading = asyncio.ensure_future(link.read())
                self._tell(session.tick(self._now_ns()))
                streamed = streamed or session.phase is Phase.STREAMING
                if link.radio is not None and link.radio != radio:
                    radio = link.radio
                    self._on_event(radio)
                if self._refusal is not None:
                    return self._refusal, False
                if session.over:
                    return "no answer", streamed
            return "stopped", streamed
        except LinkLost as exc:
            return str(exc), streamed
        finally:
            for task in (reading, waking):
                task.cancel()
            await asyncio.gather(reading, waking, return_exceptions=True)

    async def _breathe(self, throttle: Throttle, size: int) -> None:
        """Leave a stream that never pauses unread for a while; the system's buffers then stop or drop it."""
        pause_s = throttle.pause_s(size, self._now_ns())
        if pause_s > 0:
            self._on_event(events.TalksTooMuch(self._now_ns(), 0))
            await asyncio.sleep(min(pause_s + 1.0, 2.0))

    def _by_id_only(self) -> bool:
        """ble:// would be whichever device there is; one whose id is known has to be looked for instead."""
        anything = self._configured_url == ANY_RADIO
        return anything and self._search_radio is not None and self._device_id() is not None

    def _device_id(self) -> bytes | None:
        known = self.session.hello
        return known.device_id if known is not None else self._expected

    async def _look_for_device(self) -> tuple[str | None, str]:
        """Url at which the device answers now, or None and why. What is in use by the rig is left alone."""
        device_id = self._device_id()
        if device_id is None:
            return None, "the device's id is not known, so it cannot be looked for"
        reasons: list[str] = []
        places = [self._look_on_ports, self._look_by_radio]
        if self._configured_url is not None and by_radio(self._configured_url):
            places.reverse()
        for look in places:
            try:
                if (url := await look(device_id)) is not None:
                    return url, ""
            except LinkLost as exc:
                reasons.append(str(exc))
        return None, "; ".join(reasons) or "the device is on none of the ports searched, nor in radio range"

    async def _look_on_ports(self, device_id: bytes) -> str | None:
        if self._search_ports is None:
            return None
        ports = await asyncio.to_thread(self._search_ports)
        wired = [] if self._configured_url is None or by_radio(self._configured_url) else [self._configured_url]
        in_use = self._claims.urls()
        urls = [url for url in dict.fromkeys([*ports, *wired]) if url not in in_use]
        found = await asyncio.gather(*(probe(url, SEARCH_S, self._baudrate) for url in urls))
        answering = [each.url for each in found if each.hello is not None and each.hello.device_id == device_id]
        if len(answering) > 1:
            log.warning("device %s answers at %s; the first is used", device_id.hex(), ", ".join(answering))
        return answering[0] if answering else None

    async def _look_by_radio(self, device_id: bytes) -> str | None:
        if self._search_radio is None:
            return None
        urls = await self._search_radio(device_id)
        async with self._claims.asking:
            in_use = self._claims.urls()
            for url in urls:
                who = self._claims.who(url, self._now_ns())
                if url not in in_use and who is None:
                    found = await probe(url, SEARCH_S)
                    who = None if found.hello is None else found.hello.device_id
                    if who is not None:
                        self._claims.heard(url, who, self._now_ns())
                if url not in in_use and who == device_id:
                    return url
        return None

    async def _pause(self, seconds: float) -> None:
        self._wake.clear()
        if not self._stopping:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await self._wake.wait()

    # -- events -------------------------------------------------------------------------------------------

    def _tell(self, what: list[SessionEvent]) -> None:
        for event in what:
            self._on_event(event)
            match event:
                case events.Refused(reason=reason):
                    self._refusal = reason
                case events.HelloReceived(hello=hello) if self.url is not None:
                    self._told.clear()
                    self._claims.heard(self.url, hello.device_id, event.at_ns)
                    other = self._claims.claim(hello.device_id, self.url)
                    if other is not None:
                        self._refusal = f"device id {hello.device_id.hex()} is in use at {other}: two devices share it"
                        self._on_event(events.Refused(event.at_ns, event.raw, self._refusal))

    def _is_news(self, what: str) -> bool:
        """A port that opens and closes all night is told once, until the device is heard again."""
        if what in self._told:
            return False
        if len(self._told) >= TOLD:
            self._told.clear()
        self._told.add(what)
        return True

    def _down(self, reason: str, retry_s: float) -> None:
        if self._is_news(f"down {reason}"):
            self._on_event(events.LinkDown(self._now_ns(), self.url or "", reason, retry_s))
