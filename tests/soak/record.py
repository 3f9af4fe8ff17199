"""What the finished job's file holds: is every frame in it, and every second, and is it as large as its rows say?"""

import sqlite3
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from firmware_protocol.framing import decode_frame
from firmware_protocol.messages import Hello, Samples, decode_payload
from logger.evidence.chain import event_data, frames_of
from logger.model.records import EVENT, GAP
from logger.store.reader import StoreReader

# Bytes of a row beside what it carries: of `record` its numbers, device and digest, of each frame its time and length,
# of `rollup` all of it; and how full SQLite keeps its pages. Measured with its dbstat table.
RECORD_BYTES, FRAME_BYTES, ROLLUP_BYTES, PAGE_FILL = 68, 3, 40, 0.93


@dataclass(frozen=True, slots=True)
class Found:
    """payload_bytes: frames and events as they came. readings: of all channels. missing_frames: by the devices' own
    numbering. missed_s: whole seconds of a device's own time between two samples that should
    have had one. gaps: the record's own events that tell of lost time or frames, by cause."""

    records: int
    frames: int
    payload_bytes: int
    rollups: int
    events: int
    readings: int
    missing_frames: int
    missed_s: int
    gaps: dict[str, int]
    chain_problem: str | None
    file_bytes: int

    @property
    def predicted_bytes(self) -> float:
        """Of the file if nothing in it were packed."""
        rows = self.records * RECORD_BYTES + self.frames * FRAME_BYTES + self.rollups * ROLLUP_BYTES
        return (self.payload_bytes + rows) / PAGE_FILL


class _Device:
    """Sequence numbers and ticks of one device, in whatever order its frames came."""

    def __init__(self, hello: Hello) -> None:
        self.boot_count, self._rate_hz = hello.boot_count, hello.tick_rate_hz
        self._bitmap_bytes = (hello.channels + 7) // 8
        self.sequences: set[int] = set()
        self.ticks: set[int] = set()
        self.readings = 0

    def take(self, samples: Samples) -> None:
        self.sequences.add(samples.sequence)
        self.ticks.add(samples.tick)
        self.readings += int.from_bytes(samples.data[: self._bitmap_bytes], "little").bit_count()

    @property
    def missing(self) -> int:
        numbers = self.sequences
        return max(numbers) - min(numbers) + 1 - len(numbers) if numbers else 0

    @property
    def missed_s(self) -> int:
        """A new period may put two samples up to 1.2 s apart; a second left out, at least 1.8 s."""
        return sum(max(0, round((b - a) / self._rate_hz) - 1) for a, b in pairwise(sorted(self.ticks)))


def read_through(file: Path) -> Found:
    """Read all of it. Raises ValueError when a device started anew: its numbers begin again, and a soak has no such."""
    devices: dict[str, _Device] = {}
    gaps: Counter[str] = Counter()
    records = frames = payload_bytes = events = 0
    with StoreReader(file) as reader:
        chain_problem = reader.verify().problem
        for record in reader.records():
            records += 1
            payload_bytes += len(record.payload)
            if record.kind == EVENT:
                events += 1
                event = event_data(record)
                if event["type"] == GAP:
                    gaps[str(event.get("cause"))] += 1
                continue
            for _, raw in frames_of(record):
                frames += 1
                payload = decode_frame(raw)
                message = decode_payload(payload) if payload else None
                if isinstance(message, Hello):
                    known = devices.setdefault(record.device, _Device(message))
                    if known.boot_count != message.boot_count:
                        raise ValueError(f"device {record.device} started anew in the soak")
                elif isinstance(message, Samples) and record.device in devices:
                    devices[record.device].take(message)
    with closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)) as connection:
        rollups = int(connection.execute("SELECT count(*) FROM rollup").fetchone()[0])
    of_all = devices.values()
    return Found(
        records, frames, payload_bytes, rollups, events, sum(d.readings for d in of_all),
        sum(d.missing for d in of_all), sum(d.missed_s for d in of_all), dict(gaps), chain_problem,
        file.stat().st_size,
    )  # fmt: skip
