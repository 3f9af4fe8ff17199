"""From a reading's bytes to the change of its alarm, in the real daemon, while a disk takes 100 ms a flush.

A board on a pseudo-terminal lets one pressure jump over its limit and back, at two of three scans or so. Timed from
just before the bytes are handed to the system until the engine has the change (timed_daemon.py); both processes
read the same monotonic clock.
"""

import contextlib
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from firmware_protocol.framing import Frame, FrameDecoder
from firmware_protocol.messages import Samples, decode_payload
from tests.benchmarks.daemon import running
from tests.benchmarks.rig16 import PtyBoard, sense

Row = tuple[str, str, str, bool]
POINTS = {"start-up": "discharge_pressure", "recovery": "recovery_outlet_pressure"}
ABOVE_PA = 2.0e6
RULE = """
[alarms.bench]
source = "POINT"
kind = "high"
limit = "15bar"
label = "Bench"
on_delay = "0s"
off_delay = "0s"
"""
SECONDS = 60.0
ENDS_EVERY_S = 5.0
SLOW_MS = 100
TARGET_MS = 5.0


class Jumping:
    """What the board's sensors are exposed to, and when each scan went out that must change the alarm."""

    def __init__(self, point: str) -> None:
        self._point = point
        self._chance = random.Random(3)
        self.above = self.sent_above = False
        self.sent_ns: list[int] = []
        self._decoder = FrameDecoder()

    def sense(self, point: str, t_s: float) -> float:
        if point != self._point:
            return sense(point, t_s)
        if self._chance.random() < 0.7:
            self.above = not self.above
        return ABOVE_PA if self.above else 6e5

    def sent(self, at_ns: int, data: bytes) -> None:
        scans = [f for f in self._decoder.feed(data) if isinstance(f, Frame)]
        if any(isinstance(decode_payload(frame.payload), Samples) for frame in scans) and self.above != self.sent_above:
            self.sent_above = self.above
            self.sent_ns.append(at_ns)


def run() -> list[Row]:
    """Rows of name, value, target, whether it was met."""
    with tempfile.TemporaryDirectory(prefix="rimelog-bench-") as directory:
        place = Path(directory)
        slow = {"LD_PRELOAD": str(_shim(place)), "SLOW_MS": str(SLOW_MS), "SLOW_COUNT": str(place / "flushes")}
        rows = [_row("a disk of 100 ms a flush", *_latencies(place / "slow", slow), flushes=place / "flushes")]
        rows.append(_row("this machine's own disk", *_latencies(place / "own", {})))
        rows.append(_row("in a recovery", *_latencies(place / "recovery", {}, "recovery")))
        ends = _latencies(place / "ends", {}, "recovery", ends=True)
        rows.append(_row(f"a recovery ended and begun every {ENDS_EVERY_S:.0f} s", *ends))
        with _busy(2):
            rows.append(_row("beside two busy loops", *_latencies(place / "busy", {}, "recovery"), target=False))
    return rows


def _row(disk: str, took_ms: Sequence[float], missed: int, flushes: Path | None = None, target: bool = True) -> Row:
    took = sorted(took_ms)
    p50, p99 = took[len(took) // 2], took[len(took) * 99 // 100]
    note = "" if flushes is None else f", {flushes.stat().st_size} flushes in that time"
    value = f"p50 {p50:.2f} ms, p99 {p99:.2f} ms, worst {took[-1]:.1f} ms of {len(took)}{note}"
    if missed:
        value += f"; {missed} changes not matched"
    if not target:  # the system's scheduler decides
        return f"bytes to alarm, {disk}", value, "none set", not missed
    return f"bytes to alarm, {disk}", value, f"p99 < {TARGET_MS:.0f} ms", p99 < TARGET_MS and not missed


@contextlib.contextmanager
def _busy(count: int) -> Iterator[None]:
    """So many other programs that never wait."""
    others = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(count)]
    try:
        yield
    finally:
        for other in others:
            other.kill()
            other.wait()


def _latencies(
    place: Path, env: dict[str, str], kind: str = "start-up", ends: bool = False
) -> tuple[list[float], int]:  # fmt: skip
    """(ms of each change, how many of the jumps found none). ends: the stage is ended and begun again all the time."""
    place.mkdir()
    jumping, times, rule = Jumping(POINTS[kind]), place / "times", RULE.replace("POINT", POINTS[kind])
    module = ("tests.benchmarks.timed_daemon", str(times))
    with PtyBoard(jumping.sense, jumping.sent) as served, running(place, served.url, rule, module, env) as (client, _):
        client.act("stage-begin", kind=kind)
        time.sleep(3.0)
        begun_ns = time.monotonic_ns()
        end_s = time.monotonic() + SECONDS
        while (left_s := end_s - time.monotonic()) > 0:
            time.sleep(min(left_s, ENDS_EVERY_S))
            if ends:
                client.act("stage-end")
                client.act("stage-begin", kind=kind)
        ended_ns = time.monotonic_ns()
        time.sleep(1.0)
        client.act("stop")
    changed = [int(line.split()[0]) for line in times.read_text().splitlines() if line.split()[1] == "bench"]
    took, missed = [], 0
    for sent_ns in jumping.sent_ns:
        if begun_ns <= sent_ns < ended_ns:
            after = [at for at in changed if sent_ns <= at < sent_ns + 90_000_000]  # before the next scan
            if after:
                took.append((after[0] - sent_ns) / 1e6)
            else:
                missed += 1
    return took, missed


def _shim(place: Path) -> Path:
    source, built = Path(__file__).with_name("slow_fsync.c"), place / "slow_fsync.so"
    subprocess.run(["cc", "-shared", "-fPIC", "-O2", "-o", str(built), str(source), "-ldl"], check=True)
    return built


if __name__ == "__main__":
    if sys.platform != "linux":
        sys.exit("measured on Linux only (LD_PRELOAD)")
    for row in run():
        print(*row, sep=" | ")
