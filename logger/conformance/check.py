"""One device put to the test: bytes and times in, bytes and faults out. No port, no clock.

`ConformanceCheck` asks a live device what script.py says and watches all that it sends.
`recorded` watches bytes that were stored.
"""

from collections.abc import Callable, Iterable

from firmware_protocol.framing import BadFrame, FrameDecoder
from logger.conformance.asking import Wait
from logger.conformance.observer import BrokenRule, Observer, Received
from logger.conformance.script import script
from logger.model.units import NS_PER_S

MAX_RECEIVED = 200_000


class ConformanceCheck:
    """Feed `received` and `passed`, send what `to_send` gives, until `done`.

    close_outputs: also closes the device's first contact; whatever it switches must be disconnected. slack_ms: what a
    reply may be later than SPEC.md says, for the line's own delay. trace: called with each frame, (from host, raw).
    """

    def __init__(
        self, *, close_outputs: bool = False, reopen_s: float = 0.5, slack_ms: float = 100.0,
        trace: Callable[[bool, bytes], None] | None = None,
    ) -> None:  # fmt: skip
        self.close_outputs, self.reopen_s, self.slack_ms = close_outputs, reopen_s, slack_ms
        self.observer = Observer()
        self.received: list[Received] = []
        self.step = "opening"
        self.done = False
        self.now_ns = 0
        self._trace = trace or (lambda from_host, raw: None)
        self._decoder = FrameDecoder()
        self._out = bytearray()
        self._request_id = 0
        self._steps = script(self)
        self._wait: Wait | None = None
        self._until_ns = 0

    @property
    def faults(self) -> list[BrokenRule]:
        return list(self.observer.faults.values())

    def to_send(self) -> bytes:
        out = bytes(self._out)
        self._out.clear()
        return out

    def passed(self, now_ns: int) -> None:
        """Time: call a few times a second. The first call begins."""
        self.now_ns = now_ns
        self.observer.overdue(now_ns)
        self._advance()

    def data(self, data: bytes, now_ns: int) -> None:
        """Bytes, at the time of their arrival."""
        self.now_ns = now_ns
        for block in self._decoder.feed(data):
            self._trace(False, block.raw)
            if isinstance(block, BadFrame):
                self.observer.bad_frame(block)
            elif len(self.received) < MAX_RECEIVED:
                self.received.append(self.observer.frame(block, now_ns))
        self._advance()

    # -- for the script ----------------------------------------------------------------------------------------------

    def send(self, data: bytes) -> None:
        """A delimiter goes ahead, as a host does before a request."""
        self._trace(True, data)
        self._out += b"\0" + data

    def next_id(self) -> int:
        self._request_id = self._request_id % 250 + 1
        return self._request_id

    def blame(self, rule: str, found: str, received: Received | None = None, at: int | None = None) -> None:
        self.observer.blame(rule, found, received, at)

    def _advance(self) -> None:
        while not self.done:
            if self._wait is not None:
                if not self._wait.holds() and self.now_ns < self._until_ns:
                    return
                self._wait = None
            try:
                self._wait = next(self._steps)
            except StopIteration:
                self.done = True
                return
            self._until_ns = self.now_ns + int(self._wait.seconds * NS_PER_S)


def recorded(data: Iterable[bytes], trace: Callable[[bytes], None] = lambda raw: None) -> Observer:
    """What stored bytes of a device show, without times and requests. trace: called with each frame."""
    observer, decoder = Observer(), FrameDecoder()
    for chunk in data:
        for block in decoder.feed(chunk):
            trace(block.raw)
            if isinstance(block, BadFrame):
                observer.bad_frame(block)
            else:
                observer.frame(block, None)
    return observer
