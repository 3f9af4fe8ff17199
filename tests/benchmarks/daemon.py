"""The real daemon as a child: processor time and memory at 16 channels, ten scans a second; how fast commands start."""

import contextlib
import fcntl
import http.server
import os
import pty
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from logger.annunciate.push_file import PushSettings, save_push
from logger.api.client import Client, DaemonError, read_address
from tests.benchmarks.rig16 import PtyBoard, write_files

Row = tuple[str, str, str, bool]
ROOT = Path(__file__).resolve().parent.parent.parent
WARM_UP_S, WATCHED_S = 15.0, 60.0
STARTS = 7
JOB = "bench"
CONTACT = """
  [[device.output]]
  index = 0
  hold = "recovery machine"
  while = "recovery"
"""
ALARM = """
[alarms.bench]
source = "discharge_pressure"
kind = "high"
limit = "3bar"
label = "Bench"
"""


def run() -> list[Row]:
    """Rows of name, value, target, whether it was met."""
    return [*_bare(), *_all_on(), _help()]


def _bare() -> list[Row]:
    with (
        tempfile.TemporaryDirectory(prefix="rimelog-bench-") as directory,
        PtyBoard() as served,
        running(Path(directory), served.url) as (client, process),
    ):
        client.act("stage-begin", kind="recovery")
        return _watched("", client, process)


def _all_on() -> list[Row]:
    """With a contact held by permit, an alarm that sounds and is pushed, and the screen watching."""
    with tempfile.TemporaryDirectory(prefix="rimelog-bench-") as directory, PtyBoard() as served, pushed_to() as pushed:
        place = Path(directory)
        urls = (f"json://127.0.0.1:{pushed.server_address[1]}/",)
        save_push(place / ".config" / "rimelog" / "push.toml", PushSettings(urls, heartbeat_s=300.0))
        environment = {"XDG_CONFIG_HOME": str(place / ".config")}
        with running(place, served.url, CONTACT + ALARM, env=environment, options=()) as (client, process):
            client.act("stage-begin", kind="recovery")
            time.sleep(3.0)
            client.act("autostop-arm", operator="benchmark")
            with watching(place) as viewer:
                rows = _watched(", all of it on", client, process, viewer)
        assert pushed.bodies, "nothing was pushed"
    return rows


def _watched(how: str, client: Client, *processes: "subprocess.Popen[bytes]") -> list[Row]:
    """Rows of the daemon, the first of `processes`, and of the screen, the second; ends the daemon."""
    time.sleep(WARM_UP_S)
    frames, begun = client.status()["devices"][0]["frames"], time.monotonic()
    used_s, largest = [-cpu_s(p.pid) for p in processes], [0 for _ in processes]
    while time.monotonic() - begun < WATCHED_S:
        time.sleep(1.0)
        largest = [max(rss, rss_bytes(p.pid)) for rss, p in zip(largest, processes, strict=True)]
    took_s = time.monotonic() - begun
    used_s = [used + cpu_s(p.pid) for used, p in zip(used_s, processes, strict=True)]
    status = client.status()
    rate = (status["devices"][0]["frames"] - frames) / took_s
    contact = "".join(f", contact {relay['contact']}" for relay in status["relays"])
    client.act("stop")
    processes[0].wait(30)
    share = [100 * used / took_s for used in used_s]
    rows = [
        (f"logger, 16 channels x 10 Hz in a recovery, {took_s:.0f} s{how}: processor",
         f"{share[0]:.2f} % of a core ({rate:.1f} frames/s{contact})", "< 2 %", share[0] < 2.0 and rate > 9.9),
        (f"logger{how}: resident memory, the largest seen", f"{largest[0] / 1e6:.1f} MB", "< 80 MB",
         largest[0] < 80e6),
    ]  # fmt: skip
    if len(processes) > 1:
        value = f"{share[1]:.2f} % of a core, {largest[1] / 1e6:.1f} MB"
        rows.append(("rimelog view, 80x24: processor, resident memory", value, "none set", True))
    return rows


@contextlib.contextmanager
def watching(place: Path) -> Iterator["subprocess.Popen[bytes]"]:
    """`rimelog view` on a terminal of 80x24 whose other end takes everything."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    environment = {**os.environ, "RIMELOG_DATA": str(place / "data"), "HOME": str(place), "TERM": "xterm-256color"}
    process = subprocess.Popen(
        [sys.executable, "-m", "logger", "view"], cwd=ROOT, env=environment, stdin=theirs, stdout=theirs, stderr=theirs
    )
    os.close(theirs)

    def drain() -> None:
        with contextlib.suppress(OSError):  # how a terminal ends
            while os.read(ours, 65536):
                pass

    thread = threading.Thread(target=drain, name="terminal", daemon=True)
    thread.start()
    try:
        yield process
    finally:
        process.terminate()
        process.wait(10)
        thread.join(5)
        os.close(ours)


class Sink(http.server.ThreadingHTTPServer):
    """Where pushes go: bodies as received."""

    bodies: list[bytes]


@contextlib.contextmanager
def pushed_to() -> Iterator[Sink]:
    class Take(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            sink.bodies.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    sink = Sink(("127.0.0.1", 0), Take)
    sink.bodies = []
    thread = threading.Thread(target=sink.serve_forever, name="push sink", daemon=True)
    thread.start()
    yield sink
    sink.shutdown()
    sink.server_close()


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
    place: Path,
    url: str,
    extra: str = "",
    module: tuple[str, ...] = ("logger",),
    env: dict[str, str] | None = None,
    options: tuple[str, ...] = ("--no-sound",),
) -> Iterator[tuple[Client, "subprocess.Popen[bytes]"]]:
    """The daemon with the rig at `url`, once it hears it. module: what to run instead of `logger`, with arguments."""
    rig, job = write_files(place, url, extra)
    command = [
        sys.executable, "-m", *module, "run", str(rig), "--job-file", str(job), "--job", JOB, "--quiet", *options,
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
