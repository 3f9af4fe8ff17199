"""One device put to the test: bytes and times in, bytes and faults out. No port, no clock.

`ConformanceCheck` asks a live device what script.py says and watches all that it sends.
`recorded` watches bytes that were stored.
"""

from collections.abc import Callable, Iterable

from firmware_protocol.framing import BadFrame, FrameDecoder
from logger.conformance.asking import Wait
from logger.conformance.observer import BrokenRule, Observer, Received
from logger.conformance.script import RESET, script
from logger.model.units import NS_PER_S

MAX_RECEIVED = 200_000
PAUSE_NS = NS_PER_S
STALL_NS = NS_PER_S // 4  # of `passed`, which is called many times a second


class ConformanceCheck:
    """Feed `received` and `passed`, send what `to_send` gives, until `done`.

    close_outputs: also closes the device's first contact; whatever it switches must be disconnected. ask_reset: called
    when a person is to reset the device; without it that is left out. slack_ms: what a reply may be later than SPEC.md
    says, for the line's own delay. trace: called with each frame, (from host, raw).
    """

    def __init__(
        self, *, close_outputs: bool = False, ask_reset: Callable[[], None] | None = None, slack_ms: float = 100.0,
        trace: Callable[[bool, bytes], None] | None = None,
    ) -> None:  # fmt: skip
        self.close_outputs, self.ask_reset, self.slack_ms = close_outputs, ask_reset, slack_ms
        self.lost_ns = 0  # in which this computer did not come to it
        self.waits_s = 0.0  # what the device's reopen delays add to the time of the check
        self.observer = Observer()
        self.received: list[Received] = []
        self.accepted: Received | None = None  # the newest reply to start
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
        self._passed_ns: int | None = None
        self._last_byte_ns: int | None = None
        self._last_lost_ns = 0
        self._was_lost = False

    @property
    def faults(self) -> list[BrokenRule]:
        return list(self.observer.faults.values())

    @property
    def being_reset(self) -> bool:
        """The device may be gone for a while: a person was asked to reset it."""
        return self.step == RESET

    @property
    def came_back(self) -> bool:
        """Its port went away with its supply, and it was heard since: what it said first may be lost."""
        return self._was_lost and self._last_byte_ns is not None

    def to_send(self) -> bytes:
        out = bytes(self._out)
        self._out.clear()
        return out

    def passed(self, now_ns: int) -> None:
        """Time: call many times a second, after all that came was given to `data`. The first call begins.

        What the computer itself lost does not count against the device: each wait is longer by it.
        """
        self._clock(now_ns)
        self.observer.overdue(now_ns)
        self._advance()

    def data(self, data: bytes, now_ns: int) -> None:
        """Bytes, at the time of their arrival."""
        self._clock(now_ns)
        before, self._last_byte_ns = self._last_byte_ns, now_ns
        lost_ns, self._last_lost_ns = self._last_lost_ns, self.lost_ns
        silent_ns = 0 if before is None or lost_ns != self.lost_ns else now_ns - before
        for block in self._decoder.feed(data):
            self._trace(False, block.raw)
            if isinstance(block, BadFrame):
                self.observer.bad_frame(block)
            elif len(self.received) < MAX_RECEIVED:
                self.received.append(self.observer.frame(block, now_ns))
                if silent_ns > PAUSE_NS + STALL_NS + self.slack_ms * 1e6 and data[0] != 0:
                    self.blame("frame.pause", f"none after {silent_ns / NS_PER_S:.1f} s", self.received[-1])
                    silent_ns = 0
        self._advance()

    def link_lost(self) -> None:
        """What was begun of a frame is forgotten."""
        self._decoder = FrameDecoder()
        self._last_byte_ns, self._was_lost = None, True

    # -- for the script ----------------------------------------------------------------------------------------------

    def send(self, *pieces: bytes) -> None:
        """A delimiter goes ahead of each, as a host does before a request."""
        for data in pieces:
            self._trace(True, data)
            self._out += b"\0" + data

    def next_id(self) -> int:
        self._request_id = self._request_id % 250 + 1
        return self._request_id

    def untested(self, what: str) -> None:
        """A step that this computer was too slow for; nothing is said of the device."""
        self.observer.notes[f"could not be tested, this computer was too slow: {what}"] += 1

    def blame(self, rule: str, found: str, received: Received | None = None, at: int | None = None) -> None:
        self.observer.blame(rule, found, received, at)

    def _clock(self, now_ns: int) -> None:
        if self._passed_ns is not None and (stall_ns := now_ns - self._passed_ns - STALL_NS) > 0:
            self.lost_ns += stall_ns
            self._until_ns += stall_ns
            self.observer.lost_ns = self.lost_ns
        self.now_ns = self._passed_ns = max(now_ns, self._passed_ns or now_ns)

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
    observer.nothing_good()
    return observer
