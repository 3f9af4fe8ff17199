"""One soak: the simulated rig and the daemon as processes of their own, watched from outside until the time is over."""

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from logger.api.client import Client, DaemonError, read_address

ROOT = Path(__file__).resolve().parent.parent.parent
JOB_ID = "invented-soak"
JOB_TOML = """\
# Invented: no such plant or person.
[job]
refrigerant = "R-407C"
full_charge = "16.5kg"
customer = "Invented plant (soak)"
volume = "45L"
appliance_class = "commercial"
units = "si"
invented = true

[[cylinder]]
name = "cylinder 1"
tare = "12.5kg"
water_capacity = "21.6kg"
service_pressure = "400psi"
"""
# Share of the run's time -> what the mechanic does at the plant, and what the daemon is told. Three nights: a recovery
# that ends by itself and is left standing, an evacuation, a decay test.
PROGRAMME: tuple[tuple[float, tuple[dict[str, Any], ...], tuple[tuple[str, dict[str, Any]], ...]], ...] = (
    (0.0, ({"do": "start_recovery"},), (("stage-begin", {"kind": "recovery"}), ("mark", {"act": "machine-started"}))),
    (1 / 3, ({"do": "stop_recovery"}, {"do": "close_ports"}, {"do": "start_pump"}),
     (("stage-begin", {"kind": "evacuation", "anyway": True}), ("mark", {"act": "pump-started"}))),
    (2 / 3, ({"do": "isolate"}, {"do": "stop_pump"}),
     (("stage-begin", {"kind": "decay-test", "anyway": True}), ("mark", {"act": "isolated"}))),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Plan:
    """record_s: seconds of the record. period_s: of every device; None as they do by themselves.

    relay: the scale's relay is held closed during the recovery (only in real time: its time-outs are short).
    """

    record_s: float
    speed: float
    period_s: float | None
    relay: bool


@dataclass(frozen=True, slots=True)
class Check:
    """at_s: seconds of the record since the start. answer_s: how long the daemon took to answer `status`."""

    at_s: float
    rss_bytes: int
    file_bytes: int
    answer_s: float
    unsaved_s: float
    lost_frames: int


@dataclass(slots=True)
class Watched:
    """What was seen from outside. answers: (at_s, s) of every question, more often than the looks."""

    checks: list[Check] = field(default_factory=list)
    answers: list[tuple[float, float]] = field(default_factory=list)
    cpu_s: float = 0.0
    took_s: float = 0.0
    troubles: list[str] = field(default_factory=list)


def soak(plan: Plan, place: Path, say: Callable[[str], None]) -> tuple[Watched, Path]:
    """Run it in the directory `place`; what was seen, and the job's file."""
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir(parents=True)
    os.environ["RIMELOG_DATA"] = str(place / "data")
    job = place / "data" / "jobs" / JOB_ID
    with _rig(place, plan) as control, _daemon(place, plan, job) as (client, process):
        watched = _watch(plan, control, client, process, job / "job.rimelog", say)
        client.act("stop")
        code = process.wait(60)
        if code:
            watched.troubles.append(f"the daemon ended with status {code}")
    return watched, job / "job.rimelog"


def _watch(
    plan: Plan, control: "Control", client: Client, process: subprocess.Popen[bytes], file: Path,
    say: Callable[[str], None],
) -> Watched:  # fmt: skip
    watched = Watched()
    programme = list(PROGRAMME)
    begun = time.monotonic()
    every_s = max(1.0, plan.record_s / plan.speed / 1000)
    next_look = next_word = begun
    while process.poll() is None:
        now = time.monotonic()
        at_s = (now - begun) * plan.speed
        if at_s >= plan.record_s:
            break
        if programme and at_s >= programme[0][0] * plan.record_s:
            _, at_plant, at_daemon = programme.pop(0)
            for request in at_plant:
                control.ask(request)
            for action, body in at_daemon:
                client.act(action, **body)
            if plan.relay and len(programme) == len(PROGRAMME) - 1:
                client.act("autostop-arm", operator="soak")
        asked = time.monotonic()
        try:
            state = client.status()
        except DaemonError as exc:
            watched.troubles.append(f"{at_s:.0f} s: {exc}")
            time.sleep(1.0)
            continue
        answer_s = time.monotonic() - asked
        watched.answers.append((at_s, answer_s))
        if now >= next_look:
            next_look = now + every_s
            store = state["store"]
            watched.checks.append(
                Check(at_s, rss_bytes(process.pid), size(file), answer_s, store["unsaved_s"], store["lost_frames"])
            )
        if now >= next_word:
            next_word = now + 60.0
            seen = watched.checks[-1]
            say(f"{at_s / 3600:6.2f} h  RSS {seen.rss_bytes / 1e6:.1f} MB  file {seen.file_bytes / 1e6:.2f} MB  "
                f"answer {answer_s * 1e3:.1f} ms")  # fmt: skip
        time.sleep(0.2)
    watched.took_s = time.monotonic() - begun
    if process.poll() is not None:
        watched.troubles.append(f"the daemon ended by itself with status {process.returncode}")
    else:
        watched.cpu_s = cpu_s(process.pid)
    return watched


def rss_bytes(pid: int) -> int:
    """Resident memory that is the process's own or shared, proc(5)."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def cpu_s(pid: int) -> float:
    """User and system time so far, proc(5)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def size(file: Path) -> int:
    """Of the job's file with what waits in its write-ahead log."""
    return sum(p.stat().st_size for p in (file, file.with_name(file.name + "-wal")) if p.exists())


class Control:
    """The simulated rig's control line: a JSON object a line."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=30)
        self._file = self._socket.makefile("rw", encoding="utf-8")

    def ask(self, request: dict[str, Any]) -> Any:
        self._file.write(json.dumps(request) + "\n")
        self._file.flush()
        answer = json.loads(self._file.readline())
        if "error" in answer:
            raise ValueError(answer["error"])
        return answer["ok"]

    def close(self) -> None:
        self._socket.close()


@contextlib.contextmanager
def _rig(place: Path, plan: Plan) -> Iterator[Control]:
    rig_file = place / "rig.toml"
    command = [
        sys.executable, "-m", "sim_device", "recovery", "--no-autopilot", "--speed", str(plan.speed), "--link", "pty",
        "--rig-toml", str(rig_file), "--control-port", "0",
    ]  # fmt: skip
    with _child(command, place / "sim_device.log", subprocess.PIPE) as child:
        assert child.stdout is not None
        for line in child.stdout:
            if line.startswith(b"control: "):
                control = Control(int(line.rsplit(b":", 1)[1]))
                text = rig_file.read_text("utf-8")
                if plan.period_s is not None:
                    text = text.replace("\nurl = ", f'\nperiod = "{plan.period_s:g}s"\nurl = ')
                if plan.relay:
                    point = '  point = "cylinder_mass"\n'
                    output = '\n  [[device.output]]\n  index = 0\n  hold = "recovery machine"\n'
                    text = text.replace(point, point + output)
                rig_file.write_text(text, encoding="utf-8")
                yield control
                control.close()
                return
    raise RuntimeError(f"the simulated rig did not start; see {place / 'sim_device.log'}")


@contextlib.contextmanager
def _daemon(place: Path, plan: Plan, job: Path) -> Iterator[tuple[Client, subprocess.Popen[bytes]]]:
    job_file = place / "job.toml"
    job_file.write_text(JOB_TOML, encoding="utf-8")
    command = [
        sys.executable, "-m", "logger", "run", str(place / "rig.toml"), "--job-file", str(job_file), "--job", JOB_ID,
        "--speed", str(plan.speed), "--no-sound", "--quiet",
    ]  # fmt: skip
    with _child(command, place / "daemon.log", subprocess.DEVNULL) as child:
        end = time.monotonic() + 60
        while time.monotonic() < end and child.poll() is None:
            with contextlib.suppress(DaemonError):
                client = Client(read_address(job / "daemon.json"), timeout_s=60)
                if all(device["ok"] for device in client.status()["devices"]):
                    yield client, child
                    return
            time.sleep(0.1)
        raise RuntimeError(f"the daemon did not start; see {place / 'daemon.log'}")


@contextlib.contextmanager
def _child(command: list[str], log: Path, stdout: int) -> Iterator[subprocess.Popen[bytes]]:
    with log.open("wb") as errors:
        child = subprocess.Popen(command, stdout=stdout, stderr=errors, cwd=ROOT)
        try:
            yield child
        finally:
            if child.poll() is None:
                child.send_signal(signal.SIGTERM)
            try:
                child.wait(20)
            except subprocess.TimeoutExpired:
                child.kill()
