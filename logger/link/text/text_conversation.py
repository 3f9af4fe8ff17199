"""With a scale or gauge that sends plain lines, by itself or when asked: every line is an event."""

from collections.abc import Sequence
from typing import Final

from logger.decode.device_model import DeviceModel
from logger.link import link_events as events
from logger.link.conversation import InstrumentConversation
from logger.link.link_events import LinkEvent
from logger.link.rate_limit import RateLimit
from logger.link.text.line_cutter import BadLine, LineCutter
from logger.model.instrument import TextPort
from logger.model.units import NS_PER_S

MAX_BAD_LINES_PER_S: Final = 10.0


class TextConversation(InstrumentConversation):
    """model: understands its lines; None: every line is welcome."""

    def __init__(self, model: DeviceModel | None, port: TextPort) -> None:
        super().__init__(model, port.stale_s)
        self._poll, self._poll_ns = port.poll.encode("latin-1"), int(port.poll_s * NS_PER_S)
        self._end = port.end.encode("latin-1")
        self._bad_lines = RateLimit(MAX_BAD_LINES_PER_S)
        self._cutter = self._new_cutter()
        self._next_poll_ns = 0
        self._to_send = b""

    def connected(self, now_ns: int) -> None:
        super().connected(now_ns)
        self._cutter = self._new_cutter()
        self._to_send, self._next_poll_ns = self._poll, now_ns + self._poll_ns

    def bytes_to_send(self) -> bytes:
        data, self._to_send = self._to_send, b""
        return data

    def bytes_received(self, data: bytes, at_ns: int) -> Sequence[LinkEvent]:
        for line in self._cutter.feed(data, at_ns):
            if isinstance(line, BadLine):
                self._bad(at_ns, line.raw, line.reason)
                continue
            explained = self._explained(line.raw)
            understood = self._model is None or bool(explained.readings)
            if not understood:
                self._bad(at_ns, line.raw, "no pattern fits this line")
            self._said(at_ns, line.raw, understood, explained)
        if dropped := self._cutter.dropped(at_ns):
            self._events.append(events.TooManyFrames(at_ns, dropped))
        return self._take_events()

    def tick(self, now_ns: int) -> Sequence[LinkEvent]:
        if self._poll and now_ns >= self._next_poll_ns:
            self._next_poll_ns = max(self._next_poll_ns + self._poll_ns, now_ns)
            self._to_send = self._poll
        return super().tick(now_ns)

    def _new_cutter(self) -> LineCutter:
        # An instrument that is asked begins with a whole line; one that talks by itself was joined in the middle.
        return LineCutter(self._end, skip_first=not self._poll)

    def _bad(self, at_ns: int, raw: bytes, reason: str) -> None:
        if self._bad_lines.allows(at_ns):
            self._events.append(events.BadFrameSeen(at_ns, raw, reason, self._bad_lines.take_refused()))
