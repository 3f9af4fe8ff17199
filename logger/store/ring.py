"""What waits to be written: bounded in bytes, oldest frames given up first, and what was given up is remembered.

While the disk takes everything the ring holds one second. When it does not (full, slow, gone), hours fit; after that
the oldest frames are dropped, events (alarms, notes, stages) last of all, and a gap event says so in the record.
"""

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from logger.evidence.chain import decode_offsets, new_event
from logger.model.events import GapNoted
from logger.model.records import EVENT, FRAMES, NewRecord
from logger.model.sample import Scan
from logger.store.rollup import Bins, fold, merge

_CHUNK_BYTES = 16 << 10
_RECORD_COST = 400  # bytes of memory of a record besides its content
_BIN_COST = 300
_MAX_SCANS = 500  # kept to be folded together


@dataclass(slots=True, eq=False)
class _Chunk:
    """Records and the bins of their readings: given up together, so that an overview shows what was stored."""

    since_s: float
    records: list[NewRecord] = field(default_factory=list)
    scans: list[Scan] = field(default_factory=list)  # not in `bins` yet; only the newest chunk has any
    bins: Bins = field(default_factory=dict)
    size: int = 0
    anew: bool = False  # its bins take the place of the whole overview before it

    def measure(self) -> int:
        """Bytes of memory, roughly."""
        held = sum(len(r.payload) + len(r.offsets) + _RECORD_COST for r in self.records)
        return held + _BIN_COST * len(self.bins)


@dataclass(frozen=True, slots=True)
class Loss:
    """Records given up: how many, of what time (UTC, first and last)."""

    records: int
    frames: int
    from_ns: int
    to_ns: int
    cause: str

    def __add__(self, other: "Loss") -> "Loss":
        return Loss(
            self.records + other.records,
            self.frames + other.frames,
            min(self.from_ns, other.from_ns),
            max(self.to_ns, other.to_ns),
            self.cause,
        )

    def event(self) -> NewRecord:
        """The loss as an event of the record."""
        gap = GapNoted(
            t_ns=self.to_ns, cause=self.cause, from_ns=self.from_ns, to_ns=self.to_ns, records_lost=self.records,
            frames_lost=self.frames,
        )  # fmt: skip
        return new_event(gap)


class Ring:
    """Not thread-safe: the writer's lock guards it. `take` what is to be written, then say `done` or `failed`."""

    def __init__(self, limit_bytes: int) -> None:
        self._limit = limit_bytes
        self._waiting: deque[_Chunk] = deque()
        self._taken: list[_Chunk] = []
        self._loss: Loss | None = None
        self._loss_taken: Loss | None = None
        self.size = 0
        self.records = 0
        self.lost_frames = 0  # in all
        self.cause = "storage too slow"  # why something would be given up now

    @property
    def since_s(self) -> float | None:
        """Monotonic time of the oldest submission not written, None when all is."""
        chunks = self._taken or self._waiting
        return chunks[0].since_s if chunks else None

    def add(self, records: Sequence[NewRecord], scans: Iterable[Scan], at_s: float) -> None:
        """scans: the readings decoded from `records`. at_s: monotonic seconds."""
        if not self._waiting or self._waiting[-1].size > _CHUNK_BYTES:
            if self._waiting:
                self._fold(self._waiting[-1])
            self._waiting.append(_Chunk(at_s))
        chunk = self._waiting[-1]
        chunk.records += records
        chunk.scans += scans
        added = sum(len(r.payload) + len(r.offsets) + _RECORD_COST for r in records)
        chunk.size += added
        self.size += added
        self.records += len(records)
        if len(chunk.scans) > _MAX_SCANS:
            self._fold(chunk)
        self._trim()

    def add_overview(self, bins: Bins, at_s: float) -> None:
        """The overview made again of all that was added so far: it takes the place of what was."""
        if self._waiting:
            self._fold(self._waiting[-1])
        chunk = _Chunk(at_s)
        chunk.bins, chunk.anew = bins, True
        chunk.size = chunk.measure()
        self.size += chunk.size
        self._waiting += (chunk, _Chunk(at_s))
        self._trim()

    def _fold(self, chunk: _Chunk) -> None:
        """Its scans into its bins: many at once cost a fraction of one by one."""
        before = len(chunk.bins)
        fold(chunk.bins, chunk.scans)
        chunk.scans.clear()
        grown = _BIN_COST * (len(chunk.bins) - before)
        chunk.size += grown
        self.size += grown

    def take(self, most_bytes: int) -> tuple[list[NewRecord], Bins, bool]:
        """The oldest records, at least one chunk and about `most_bytes`, after a gap event for what is missing; the
        bins to be added to the overview; whether these take the place of all of it.

        Never more than a quarter of the ring: what is taken cannot be given up, and newer frames would have to be.
        """
        most_bytes = min(most_bytes, self._limit // 4)
        records: list[NewRecord] = []
        bins: Bins = {}
        anew = False
        if self._loss is not None:
            self._loss_taken, self._loss = self._loss, None
            records.append(self._loss_taken.event())
        taken = 0
        while self._waiting and (taken == 0 or taken + self._waiting[0].size <= most_bytes):
            chunk = self._waiting.popleft()
            self._taken.append(chunk)
            self._fold(chunk)
            taken += chunk.size
            records += chunk.records
            if chunk.anew:
                anew, bins = True, {}
            for key, value in chunk.bins.items():
                merge(bins, key, value)
        return records, bins, anew

    def done(self) -> None:
        """What was taken is in the file."""
        self.size -= sum(chunk.size for chunk in self._taken)
        self.records -= sum(len(chunk.records) for chunk in self._taken)
        self._taken = []
        self._loss_taken = None

    def failed(self) -> None:
        """What was taken is not in the file: it waits again, before everything else."""
        self._waiting.extendleft(reversed(self._taken))
        self._taken = []
        if self._loss_taken is not None:
            self._loss = self._loss_taken if self._loss is None else self._loss_taken + self._loss
            self._loss_taken = None
        self._trim()

    def _trim(self) -> None:
        while self.size > self._limit and self._give_up():
            pass

    def _give_up(self) -> bool:
        """Drop the frames of the oldest chunk that has any, else the oldest chunk; False when there is only one."""
        for chunk in self._waiting:
            if any(record.kind == FRAMES for record in chunk.records):
                dropped = [r for r in chunk.records if r.kind == FRAMES]
                chunk.records = [r for r in chunk.records if r.kind == EVENT]
                break
        else:
            if len(self._waiting) < 2:
                return False
            chunk = self._waiting[0]
            dropped, chunk.records = chunk.records, []
        chunk.scans, chunk.bins = [], {}
        self.size += chunk.measure() - chunk.size
        chunk.size = chunk.measure()
        self.records -= len(dropped)
        frames = sum(record.n for record in dropped if record.kind == FRAMES)
        self.lost_frames += frames
        if dropped:
            begun, ended = min(record.t0_ns for record in dropped), max(_end_ns(record) for record in dropped)
            loss = Loss(len(dropped), frames, begun, ended, self.cause)
            self._loss = loss if self._loss is None else self._loss + loss
        if not chunk.records:
            self._waiting.remove(chunk)
        return True


def _end_ns(record: NewRecord) -> int:
    entries = decode_offsets(record.offsets)
    return record.t0_ns + (1000 * entries[-1][0] if entries else 0)
