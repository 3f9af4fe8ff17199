"""A scale or gauge that sends plain lines: keeps its port open and tells every line.

Nothing but the lines themselves says that the instrument is there, so it is heard when a line comes that the rig's
patterns understand, silent when none has come for `stale_s`, and its port is opened anew when the silence lasts.
"""

import asyncio
import time
from collections.abc import Awaitable, Callable
from typing import Final

from logger.decode.device_model import DeviceModel, Explained
from logger.link import events
from logger.link.errors import LinkLost
from logger.link.events import LinkEvent
from logger.link.limits import RateLimit, Throttle
from logger.link.ports.serial_stream import SerialLink
from logger.link.ports.stream import StreamLink, open_link
from logger.link.retrying import Retrying
from logger.link.supervisor import MAX_BYTES_PER_S, TICK_S
from logger.link.text.line_cutter import BadLine, LineCutter
from logger.model.instrument import TextPort
from logger.model.units import NS_PER_S

MAX_BAD_LINES_PER_S: Final = 10.0


async def open_text(url: str, port: TextPort) -> StreamLink:
    """socket://host:port, or a serial port with the speed and mode of `port`. Raises LinkLost."""
    if url.startswith("socket://"):
        return await open_link(url)
    return await SerialLink.open(url, port.baud, port.mode)


class TextSupervisor(Retrying):
    """model: understands its lines; None: every line is welcome. `run` in a task of its own, `stop` to end it."""

    def __init__(
        self,
        url: str,
        port: TextPort,
        model: DeviceModel | None,
        on_event: Callable[[LinkEvent], None],
        *,
        open_stream: Callable[[str, TextPort], Awaitable[StreamLink]] = open_text,
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        super().__init__(url, port.stale_s, on_event, now_ns)
        self._port = port
        self._model = model
        self._open_stream = open_stream
        self._bad_lines = RateLimit(MAX_BAD_LINES_PER_S)

    async def _attempt(self) -> str:
        try:
            link = await self._open_stream(self.url, self._port)
        except LinkLost as exc:
            return str(exc)
        self._opened()
        try:
            return await self._listen(link)
        finally:
            await link.close()

    async def _listen(self, link: StreamLink) -> str:
        port = self._port
        poll = port.poll.encode("latin-1")
        # An instrument that is asked begins with a whole line; one that talks by itself was joined in the middle.
        cutter = LineCutter(port.end.encode("latin-1"), skip_first=not poll)
        throttle = Throttle(MAX_BYTES_PER_S)
        next_poll_ns = self._now_ns()
        reading = asyncio.ensure_future(link.read())
        waking = asyncio.ensure_future(self._wake.wait())
        try:
            while not self._stopping:
                now_ns = self._now_ns()
                if poll and now_ns >= next_poll_ns:
                    next_poll_ns = max(next_poll_ns + int(port.poll_s * NS_PER_S), now_ns)
                    await link.write(poll)
                await asyncio.wait({reading, waking}, timeout=TICK_S, return_when=asyncio.FIRST_COMPLETED)
                if reading.done():
                    data, at_ns = reading.result()
                    self._take(cutter, data, at_ns)
                    if (pause_s := throttle.pause_s(len(data), self._now_ns())) > 0:
                        await asyncio.sleep(min(pause_s, 2.0))
                    reading = asyncio.ensure_future(link.read())
                if (reason := self._silence()) is not None:
                    return reason
            return "stopped"
        except LinkLost as exc:
            return str(exc)
        finally:
            for task in (reading, waking):
                task.cancel()
            await asyncio.gather(reading, waking, return_exceptions=True)

    def _take(self, cutter: LineCutter, data: bytes, at_ns: int) -> None:
        for line in cutter.feed(data, at_ns):
            if isinstance(line, BadLine):
                self._bad(at_ns, line.raw, line.reason)
                continue
            explained = (self._model.take(line.raw) if self._model is not None else None) or Explained(None)
            understood = self._model is None or bool(explained.readings)
            if not understood:
                self._bad(at_ns, line.raw, "no pattern fits this line")
            self._said(at_ns, line.raw, understood, explained)
        if dropped := cutter.dropped(at_ns):
            self._on_event(events.TalksTooMuch(at_ns, dropped))

    def _bad(self, at_ns: int, raw: bytes, reason: str) -> None:
        if self._bad_lines.allows(at_ns):
            self._on_event(events.BadFrameSeen(at_ns, raw, reason, self._bad_lines.take_refused()))
