"""The real daemon as a child: processor time and memory at 16 channels, ten scans a second; how fast commands start."""

import contextlib
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from logger.api.client import Client, DaemonError, read_address
from tests.benchmarks.rig16 import PtyBoard, write_files

Row = tuple[str, str, str, bool]
ROOT = Path(__file__).resolve().parent.parent.parent
WARM_UP_S, WATCHED_S = 15.0, 60.0
STARTS = 7
JOB = "bench"


def run() -> list[Row]:
    """Rows of name, value, target, whether it was met."""
    return [*_figures(), _help()]


def _figures() -> list[Row]:
    with tempfile.TemporaryDirectory(prefix="rimelog-bench-") as directory, PtyBoard() as served:
        place = Path(directory)
        with running(place, served.url) as (client, process):
            client.act("stage-begin", kind="recovery")
            time.sleep(WARM_UP_S)
            frames = client.status()["devices"][0]["frames"]
            before_s, begun = cpu_s(process.pid), time.monotonic()
            largest = 0
            while time.monotonic() - begun < WATCHED_S:
                time.sleep(1.0)
                largest = max(largest, rss_bytes(process.pid))
            took_s, used_s = time.monotonic() - begun, cpu_s(process.pid) - before_s
            frames = client.status()["devices"][0]["frames"] - frames
            client.act("stop")
            process.wait(30)
    share = 100 * used_s / took_s
    rate = frames / took_s
    return [
        (f"daemon, 16 channels x 10 Hz in a recovery, {took_s:.0f} s: processor", f"{share:.2f} % of a core "
         f"({rate:.1f} frames/s)", "< 2 %", share < 2.0 and rate > 9.9),
        ("daemon: resident memory, the largest seen", f"{largest / 1e6:.1f} MB", "< 80 MB", largest < 80e6),
    ]  # fmt: skip


def _help() -> Row:
    command = [sys.executable, "-m", "logger", "--help"]
    took = []
    for _ in range(STARTS):
        begun = time.perf_counter()
        subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
        took.append(time.perf_counter() - begun)
    return "rimelog --help, best of seven", f"{min(took):.2f} s", "< 0.3 s", min(took) < 0.3


@contextlib.contextmanager
def running(
    place: Path, url: str, extra: str = "", module: tuple[str, ...] = ("logger",), env: dict[str, str] | None = None
) -> Iterator[tuple[Client, "subprocess.Popen[bytes]"]]:
    """The daemon with the rig at `url`, once it hears it. module: what to run instead of `logger`, with arguments."""
    rig, job = write_files(place, url, extra)
    command = [
        sys.executable, "-m", *module, "run", str(rig), "--job-file", str(job), "--job", JOB, "--no-sound", "--quiet",
    ]  # fmt: skip
    environment = {**os.environ, "RIMELOG_DATA": str(place / "data"), "HOME": str(place), **(env or {})}
    with (place / "daemon.log").open("wb") as errors:
        process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=errors)
        try:
            yield _client(process, place), process
        finally:
            if process.poll() is None:
                process.terminate()
            try:
                process.wait(30)
            except subprocess.TimeoutExpired:
                process.kill()


def _client(process: "subprocess.Popen[bytes]", place: Path) -> Client:
    end = time.monotonic() + 60
    while time.monotonic() < end and process.poll() is None:
        with contextlib.suppress(DaemonError):
            client = Client(read_address(place / "data" / "jobs" / JOB / "daemon.json"))
            if all(device["ok"] for device in client.status()["devices"]):
                return client
        time.sleep(0.1)
    raise RuntimeError(f"the daemon did not start: {(place / 'daemon.log').read_text()}")


def rss_bytes(pid: int) -> int:
    """Resident memory, shared pages included, proc(5)."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def cpu_s(pid: int) -> float:
    """User and system time of all its threads, proc(5)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    for row in run():
        print(*row, sep=" | ")
