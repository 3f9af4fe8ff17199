"""Frames gathered into records of one device and one second or so."""

from dataclasses import dataclass, field

from logger.evidence.chain import MAX_DEVICE, encode_offsets
from logger.evidence.errors import ChainError
from logger.model.records import FRAMES, NewRecord
from logger.model.units import NS_PER_S

MAX_FRAME = 65_536  # bytes; the protocol's own are 242, lines of text instruments may be longer
_MAX_SEGMENT = 65_536  # bytes
_MAX_FRAMES = 4096


@dataclass(slots=True)
class _Open:
    """A segment being filled. frames: (microseconds since t0_ns, length)."""

    t0_ns: int
    size: int = 0
    last_us: int = 0
    frames: list[tuple[int, int]] = field(default_factory=list)
    raw: list[bytes] = field(default_factory=list)

    def take(self, microseconds: int, raw: bytes) -> None:
        self.frames.append((microseconds, len(raw)))
        self.raw.append(raw)
        self.size += len(raw)
        self.last_us = microseconds


class SegmentBuilder:
    """Call `flush` as often as convenient: once a `period_ns` it gives everything received since the last time.

    A segment also ends early when time runs backwards (a set clock, frames resent by a device), when its frames
    lie more than two periods apart, or when it has grown too large; so it holds a bounded number of bytes.
    Times inside a segment are kept to the microsecond.
    """

    def __init__(self, period_ns: int = NS_PER_S) -> None:
        self._period_ns = period_ns
        self._open: dict[str, _Open] = {}
        self._done: list[NewRecord] = []
        self._flushed_ns: int | None = None

    def add(self, device: str, t_ns: int, raw: bytes) -> None:
        """A frame as received. Raises ChainError for one that no record can hold."""
        if len(raw) > MAX_FRAME:
            raise ChainError(f"a frame of {len(raw)} bytes; up to {MAX_FRAME} are allowed")
        segment = self._open.get(device)
        if segment is not None:
            microseconds = (t_ns - segment.t0_ns) // 1000
            if (
                segment.last_us <= microseconds <= 2 * self._period_ns // 1000
                and segment.size + len(raw) <= _MAX_SEGMENT
                and len(segment.frames) < _MAX_FRAMES
            ):
                segment.take(microseconds, raw)
                return
            self._close(device)
        elif len(device.encode("utf-8", "surrogateescape")) > MAX_DEVICE:
            raise ChainError(f"a device name of more than {MAX_DEVICE} bytes")
        self._open[device] = segment = _Open(t_ns)
        segment.take(0, raw)

    def flush(self, now_ns: int, *, force: bool = False) -> list[NewRecord]:
        """What is ready, in order of ending; [] before a period has passed since the last time.

        force: everything now, as before an event that must come after the frames received so far.
        """
        since = None if self._flushed_ns is None else now_ns - self._flushed_ns
        if since is None and not force:
            self._flushed_ns = now_ns
            return []
        if not force and since is not None and 0 <= since < self._period_ns:  # negative: the clock was set back
            return []
        self._flushed_ns = now_ns
        for device in list(self._open):
            self._close(device)
        done, self._done = self._done, []
        return done

    def _close(self, device: str) -> None:
        segment = self._open.pop(device)
        record = NewRecord(
            FRAMES, device, segment.t0_ns, len(segment.frames), encode_offsets(segment.frames), b"".join(segment.raw)
        )
        self._done.append(record)
