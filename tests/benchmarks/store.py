"""Ingest against SQLite's own executemany, bytes a sample live and closed, time to verify and to close a night.

The rig: one device, 16 channels of 24 bits at ten scans a second, slow values with one or two counts of noise, a status
frame every five seconds; frames made by the protocol's own codec, arriving with 0.3 ms of jitter.
"""

import random
import sqlite3
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from firmware_protocol.codes import DeviceState
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Samples, Status, encode_message
from logger.evidence.segments import SegmentBuilder
from logger.model.points import POINTS
from logger.model.records import NewRecord
from logger.model.sample import Scan
from logger.model.units import NS_PER_S
from logger.store.reader import StoreReader
from logger.store.seal import seal
from logger.store.writer import StoreWriter

Row = tuple[str, str, str, bool]
Second = tuple[list[NewRecord], list[Scan]]

CHANNELS, SCANS = 16, 10
PER_SECOND = CHANNELS * SCANS
NAMES = tuple(POINTS)[:CHANNELS]
SECONDS = 3600
ROUNDS = 5
T0_NS = 1_764_000_000_000_000_000
JOB_ID = "benchmark"


def synthesise(seconds: int) -> list[Second]:
    """What arrives each second, as records, and the readings in it."""
    chance = random.Random(1)
    level = [float(chance.randrange(-20_000, 4_000_000)) for _ in NAMES]
    drift = [chance.gauss(0.0, 0.5) for _ in NAMES]
    builder, out = SegmentBuilder(), []
    for second in range(seconds):
        readings: list[Scan] = []
        for scan in range(SCANS):
            k = second * SCANS + scan
            t_ns = T0_NS + k * NS_PER_S // SCANS + int(chance.gauss(3e5, 1e5))
            for i in range(CHANNELS):
                if chance.random() < 0.001:
                    drift[i] = chance.gauss(0.0, 0.5)
                level[i] += drift[i]
            counts = [int(value + chance.gauss(0.0, 1.5)) for value in level]
            data = b"\xff\xff" + b"".join(n.to_bytes(3, "little", signed=True) for n in counts)
            samples = Samples(0x5EED1E55, k, k * 100_000 + chance.randrange(-3, 4) & 0xFFFFFFFF, data)
            builder.add("00a1b2c3d4e5f607", t_ns, encode_frame(encode_message(samples)))
            readings.append(Scan(t_ns, NAMES, tuple(n * 1e-3 for n in counts)))
        if second % 5 == 0:
            status = Status(0, second, 3, DeviceState.STREAMING, 0x5EED1E55, 0, second * SCANS, second * 1_000_000)
            builder.add("00a1b2c3d4e5f607", t_ns + 100_000, encode_frame(encode_message(status)))
        out.append((builder.flush(T0_NS + second * NS_PER_S, force=True), readings))
    return out


def open_writer(path: Path) -> StoreWriter:
    """As the daemon has it, but that commits are made by `flush` alone."""
    return StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS, commit_interval_s=3600.0, reserve_bytes=0)


def fresh(scans: Sequence[Scan]) -> list[Scan]:
    """Readings as a decoder has just made them: in the processor's cache, not spread over an hour's memory."""
    return [Scan(t_ns, points, tuple(value + 0.0 for value in values)) for t_ns, points, values in scans]


class Ours:
    """The writer; `add` takes what arrived, a second at a time as the daemon gives it, and commits."""

    def __init__(self, path: Path, *, overviews: bool) -> None:
        self._writer, self._overviews = open_writer(path), overviews

    def add(self, seconds: Sequence[Second]) -> float:
        """Seconds it took."""
        given = [(records, fresh(scans) if self._overviews else []) for records, scans in seconds]
        begun = time.perf_counter()
        for records, scans in given:
            self._writer.submit(records, scans)
        self._writer.flush()
        return time.perf_counter() - begun

    def close(self) -> None:
        self._writer.close()


class Narrow:
    """One row a sample and an index, by executemany, each `add` a transaction."""

    def __init__(self, path: Path) -> None:
        self._connection = sqlite3.connect(path, isolation_level=None)
        self._connection.executescript(
            "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;"
            "CREATE TABLE sample (id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, point TEXT NOT NULL, value REAL);"
            "CREATE INDEX sample_by_point ON sample (point, t_ns)"
        )

    def add(self, seconds: Sequence[Second]) -> float:
        """Seconds it took."""
        return self.insert(
            [
                (scan.t_ns, point, value)
                for _, scans in seconds
                for scan in fresh(scans)
                for point, value in zip(scan.points, scan.values, strict=True)
            ]
        )

    def insert(self, rows: Sequence[tuple[int, str, float]]) -> float:
        begun = time.perf_counter()
        self._connection.execute("BEGIN")
        self._connection.executemany("INSERT INTO sample (t_ns, point, value) VALUES (?, ?, ?)", rows)
        self._connection.execute("COMMIT")
        return time.perf_counter() - begun

    def close(self) -> None:
        self._connection.close()


def run() -> list[Row]:
    """Rows of name, value, target, whether it was met."""
    seconds = synthesise(SECONDS)
    with tempfile.TemporaryDirectory() as directory:
        here = Path(directory)
        return [*_speed(here, seconds), *_size(here, seconds), *_night(here, seconds), *_latency(here, seconds)]


def _place(here: Path, name: str) -> Path:
    (here / name).mkdir()
    return here / name / "job.rimelog"


def _speed(here: Path, seconds: Sequence[Second]) -> list[Row]:
    """All get the same samples and commit alike, in turns. Of each commit the best of the rounds: whatever else runs
    here only ever adds."""
    rows: list[Row] = []
    for label, batch, part in (("five minutes", 300, seconds), ("minute", 60, seconds), ("second", 1, seconds[:600])):
        rounds = [_round(_place(here, f"speed-{batch}-{k}").parent, part, batch) for k in range(ROUNDS)]
        narrow, records, both, bare = (
            sum(map(min, zip(*of_side, strict=True))) for of_side in zip(*rounds, strict=True)
        )
        samples = len(part) * PER_SECOND / 1e6
        for name, took, target in (("records", records, 10.0 if batch > 1 else 0.0), ("with overviews", both, 0.0)):
            times = narrow / took
            value = f"{samples / took:.2f} M samples/s, {times:.1f} x executemany ({samples / narrow:.2f} M)"
            if batch == 1:
                value += f"; needed: {PER_SECOND} samples/s; a commit of one row alone takes {bare / took:.0%} of it"
            rows.append((f"ingest, {name}, a commit every {label}", value, _at_least(target), times >= target))
    return rows


def _round(here: Path, seconds: Sequence[Second], batch: int) -> list[list[float]]:
    """Seconds of each commit: the narrow table, the records, records and overviews, one row alone."""
    for name in ("records", "both"):
        (here / name).mkdir()
    parts = [seconds[at : at + batch] for at in range(0, len(seconds), batch)]
    took: list[list[float]] = []
    for side in (
        Narrow(here / "narrow.db"),
        Ours(here / "records" / "job.rimelog", overviews=False),
        Ours(here / "both" / "job.rimelog", overviews=True),
    ):
        took.append([side.add(part) for part in parts])
        side.close()
    bare = Narrow(here / "bare.db")
    took.append([bare.insert([(0, "", 0.0)]) for _ in parts])
    bare.close()
    return took


def _at_least(times: float) -> str:
    return f">= {times:.0f} x" if times else "none set"


def _size(here: Path, seconds: Sequence[Second]) -> list[Row]:
    path = _place(here, "size")
    writer = Ours(path, overviews=True)
    for second in seconds:
        writer.add([second])
    writer.close()
    samples = len(seconds) * PER_SECOND
    live = path.stat().st_size / samples
    closed = seal(path, now_ns=T0_NS).after_bytes / samples
    return [
        ("bytes a sample, live (records, index, overviews)", f"{live:.2f}", "<= 5.5", live <= 5.5),
        ("bytes a sample, closed", f"{closed:.2f}", "<= 2.2", closed <= 2.2),
    ]


def _night(here: Path, seconds: Sequence[Second]) -> list[Row]:
    """Twelve hours: the hour, twelve times."""
    path = _place(here, "night")
    ours = Ours(path, overviews=True)
    for hour in range(12):
        shift = hour * SECONDS * NS_PER_S
        for minute in range(0, SECONDS, 60):
            ours.add(
                [
                    (
                        [replace(r, t0_ns=r.t0_ns + shift) for r in records],
                        [s._replace(t_ns=s.t_ns + shift) for s in scans],
                    )
                    for records, scans in seconds[minute : minute + 60]
                ]
            )
    ours.close()
    begun = time.perf_counter()
    with StoreReader(path) as reader:
        report = reader.verify()
        verify_s = time.perf_counter() - begun
        begun = time.perf_counter()
        buckets = reader.overview(NAMES[3], T0_NS, T0_NS + 12 * SECONDS * NS_PER_S, 600)
        overview_ms = (time.perf_counter() - begun) * 1e3
    begun = time.perf_counter()
    writer = open_writer(path)
    open_ms = (time.perf_counter() - begun) * 1e3
    writer.close()
    begun = time.perf_counter()
    sealed = seal(path, now_ns=T0_NS)
    seal_s = time.perf_counter() - begun
    begun = time.perf_counter()
    with StoreReader(path) as reader:
        again = reader.verify()
    closed_s = time.perf_counter() - begun
    size = f"{sealed.before_bytes / 1e6:.1f} MB, closed {sealed.after_bytes / 1e6:.1f} MB"
    whole = report.holds and again.holds and report.count == again.count == 12 * SECONDS
    return [
        (f"verify 12 h ({size})", f"{verify_s:.2f} s, closed {closed_s:.2f} s", "< 5 s", whole and closed_s < 5.0),
        ("close 12 h: verify, pack, verify again", f"{seal_s:.1f} s", "< 30 s", seal_s < 30.0),
        ("go on with a 12 h job: open, check its end", f"{open_ms:.0f} ms", "< 500 ms", open_ms < 500.0),
        (f"overview of 12 h, {len(buckets)} buckets", f"{overview_ms:.1f} ms", "< 100 ms", overview_ms < 100.0),
    ]


def _latency(here: Path, seconds: Sequence[Second]) -> list[Row]:
    """How long `submit` keeps the event loop, with a disk that takes 100 ms a commit."""
    path = _place(here, "slow")
    writer = StoreWriter.open(path, job_id=JOB_ID, now_ns=lambda: T0_NS, commit_interval_s=0.01, reserve_bytes=0)
    write = writer._file.write

    def slow(*taken: object) -> object:
        time.sleep(0.1)
        return write(*taken)  # type: ignore[arg-type]

    writer._file.write = slow  # type: ignore[assignment,method-assign]
    took: list[float] = []
    for records, found in seconds[:400]:
        begun = time.perf_counter()
        writer.submit(records, found)
        took.append((time.perf_counter() - begun) * 1e3)
        time.sleep(0.005)
    writer.close()
    took.sort()
    p50, p99 = took[len(took) // 2], took[len(took) * 99 // 100]
    value = f"p50 {p50:.2f} ms, p99 {p99:.2f} ms"
    return [("submit a second while commits take 100 ms", value, "p99 < 1 ms", p99 < 1.0)]


if __name__ == "__main__":
    for row in run():
        print(*row, sep=" | ")
