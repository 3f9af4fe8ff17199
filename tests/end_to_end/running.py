"""The real command lines as child processes: the simulated rig, the daemon, commands beside it; and what was stored."""

import contextlib
import json
import os
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

from firmware_protocol.errors import ProtocolError
from firmware_protocol.framing import decode_frame
from firmware_protocol.messages import Hello, Message, Samples, decode_payload
from logger.api.client import Client, DaemonError, read_address
from logger.evidence.chain import event_data, frames_of
from logger.model.records import EVENT, FRAMES
from logger.store.reader import StoreReader
from tests import programs
from tests.programs import Process

ROOT = Path(__file__).resolve().parent.parent.parent
PATIENCE_S = 100.0  # for anything to come about, on a machine that has other things to do
T = TypeVar("T")

JOB_TOML = """\
# Invented: no such plant or person.
[job]
refrigerant = "R-407C"
full_charge = "16.5kg"
customer = "Invented plant (test)"
units = "si"
invented = true

[[cylinder]]
name = "cylinder 1"
tare = "12.5kg"
water_capacity = "21.6kg"
service_pressure = "400psi"
"""


class TookTooLong(AssertionError):
    """What was waited for did not come about."""


def until(found: Callable[[], T | None], what: str, patience_s: float = PATIENCE_S, why: Callable[[], str] = str) -> T:
    """Ask again and again until the answer is true; that answer. why: asked when it does not come about."""
    end = time.monotonic() + patience_s
    while time.monotonic() < end:
        answer = found()
        if answer:
            return answer
        time.sleep(0.05)
    raise TookTooLong(f"{what}: not within {patience_s:.0f} s. {why()}")


def environment(place: Path) -> dict[str, str]:
    """Of a user who has nothing but this directory."""
    return {
        **{k: v for k, v in os.environ.items() if not k.startswith(("XDG_", "RIMELOG_", "DBUS_", "COLUMNS"))},
        "HOME": str(place), "RIMELOG_DATA": str(place / "data"), "PYTHONPATH": str(ROOT),
    }  # fmt: skip


def rimelog(place: Path, *words: str | Path, status: int = 0, patience_s: float = PATIENCE_S) -> str:
    """Run a command to its end; what it printed. Its exit status must be `status`, and it prints no traceback."""
    done = programs.run("logger", *map(str, words), env=environment(place), cwd=place, patience_s=patience_s)
    said = done.stdout + done.stderr
    assert "Traceback" not in said, said
    assert done.returncode == status, f"status {done.returncode}\n{said}"
    return said


class Sim:
    """`python -m sim_device` with its control line."""

    def __init__(self, child: Process, rig_file: Path) -> None:
        self.rig_file, self.urls = rig_file, dict[str, str]()
        assert child.stdout is not None
        self._child = child
        port = 0
        for line in child.stdout:
            name, _, value = line.strip().partition(": ")
            if name == "control":
                port = int(value.rpartition(":")[2])
                break
            if value.startswith(("socket://", "/dev/")):
                self.urls[name] = value
        assert port, "the simulated rig did not start"
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)
        self._lines = self._socket.makefile("rw", encoding="utf-8")

    def ask(self, request: dict[str, Any] | None = None, **more: Any) -> Any:
        request = (request or {}) | more
        self._lines.write(json.dumps(request) + "\n")
        self._lines.flush()
        answer = json.loads(self._lines.readline())
        assert "ok" in answer, answer
        return answer["ok"]

    def do(self, action: str, **kw: Any) -> None:
        self.ask(do=action, kw=kw)

    def fault(self, name: str, device: str, **kw: Any) -> None:
        self.ask(fault=name, device=device, kw=kw)

    @property
    def now_s(self) -> float:
        return float(self.ask(now=True))

    @property
    def truth(self) -> dict[str, Any]:
        found = self.ask(truth=True)
        assert isinstance(found, dict)
        return found

    def rig(self, devices: dict[str, str], path: Path) -> Path:
        """A rig file with other urls (name -> url) than the simulated rig's own."""
        text = self.rig_file.read_text("utf-8")
        for name, url in devices.items():
            text = text.replace(f'url = "{self.urls[name]}"', f'url = "{url}"')
        path.write_text(text, encoding="utf-8")
        return path

    def close(self) -> None:
        self._socket.close()


@contextlib.contextmanager
def simulated(
    place: Path, scenario: str, *, speed: float = 1.0, link: str = "tcp", seed: int = 3,
    only: tuple[str, ...] = ("recovery board", "scale"), autopilot: bool = False, relay: bool = False,
    hold: bool = False, program: str = "sim_device", air_port: int = 0,
) -> Iterator[Sim]:  # fmt: skip
    """air_port: of an emulated air (tests.link.ble.air); then by Bluetooth, whatever the link."""
    rig_file = place / "rig.toml"
    command = [
        program, scenario, "--speed", str(speed), "--link", link, "--seed", str(seed),
        "--rig-toml", str(rig_file), "--control-port", "0",
    ]  # fmt: skip
    command += [word for name in only for word in ("--device", name)]
    command += [] if autopilot else ["--no-autopilot"]
    command += ["--relay"] if relay else []
    command += ["--hold"] if hold else []
    command += ["--ble", f"tcp-client:127.0.0.1:{air_port}"] * len(only) if air_port else []
    with child(command, place, place / "sim.log") as process:
        sim = Sim(process, rig_file)
        try:
            yield sim
        finally:
            sim.close()


class Daemon:
    """`rimelog run` as a child."""

    def __init__(self, process: Process, place: Path, job: str, log: Path) -> None:
        self.process, self.place, self.job, self.log = process, place, job, log
        self.directory = place / "data" / "jobs" / job
        self.file = self.directory / "job.rimelog"
        self._client: Client | None = None

    @property
    def client(self) -> Client:
        """Raises DaemonError while it does not answer."""
        if self._client is None or self._client.address.pid != self.process.pid:
            address = read_address(self.directory / "daemon.json")
            if address.pid != self.process.pid:
                raise DaemonError("not up yet")
            self._client = Client(address, timeout_s=PATIENCE_S)
        return self._client

    def status(self) -> dict[str, Any]:
        return self.client.status()

    def ready(self) -> "Daemon":
        """Wait until every device is heard."""
        return self.when(lambda state: all(d["ok"] for d in state["devices"]), "all devices are heard")

    def when(self, holds: Callable[[dict[str, Any]], bool], what: str, patience_s: float = PATIENCE_S) -> "Daemon":
        until(lambda: self.answers(holds), what, patience_s, self._how)
        return self

    def _how(self) -> str:
        said = self.log.read_text()[-2000:]
        try:
            return f"{self.status()['devices']}\n{said}"
        except DaemonError as exc:
            return f"{exc}\n{said}"

    def answers(self, holds: Callable[[dict[str, Any]], bool]) -> bool:
        assert self.process.poll() is None, f"the daemon ended: {self.log.read_text()}"
        try:
            return holds(self.status())
        except DaemonError:
            return False

    def device(self, name: str) -> dict[str, Any]:
        return next(d for d in self.status()["devices"] if d["name"] == name)

    def alarm(self, key: str) -> dict[str, Any] | None:
        return next((a for a in self.status()["alarms"] if a["key"] == key), None)

    def stop(self, number: signal.Signals = signal.SIGTERM) -> str:
        """End it by a signal; its exit status must be 0. What it printed, trouble included."""
        self.process.send_signal(number)
        assert self.process.wait(PATIENCE_S) == 0, self.log.read_text()
        said = self.log.read_text()
        assert "Traceback" not in said, said
        return said

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(PATIENCE_S)


@contextlib.contextmanager
def daemon(
    place: Path, rig: Path, *words: str, job: str = "job-1", speed: float = 1.0, job_toml: str = JOB_TOML,
    air_port: int = 0,
) -> Iterator[Daemon]:  # fmt: skip
    """words: instead of a new job from job_toml, such as --continue JOB. air_port: its Bluetooth is in that air."""
    if not words:
        job_file = place / "job.toml"
        job_file.write_text(job_toml, encoding="utf-8")
        words = ("--job-file", str(job_file), "--job", job)
    program = ["tests.link.ble.with_bumble", str(air_port), "rimelog"] if air_port else ["logger"]
    command = [*program, "run", str(rig), *words, "--speed", str(speed), "--no-sound"]
    log = place / "daemon.log"
    with child(command, place, log) as process:
        yield Daemon(process, place, job, log)


@contextlib.contextmanager
def child(command: list[str], place: Path, log: Path) -> Iterator[Process]:
    """command: a module and its words. Errors go to `log`. Ended with this context, however that ends."""
    with log.open("w", encoding="utf-8") as errors:
        quiet = errors if "--no-sound" in command else None  # a rig says where it is
        process = programs.begin(*command, env=environment(place), cwd=place, stdout=quiet, stderr=errors)
        try:
            yield process
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGCONT)
                process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            if process.stdout is not None:
                process.stdout.close()


# --- what was stored ----------------------------------------------------------------------------------------------


class Stored:
    """Frames of a job's file. samples: by (device, boot count), each frame as (UTC ns, samples, raw), as stored."""

    def __init__(self, file: Path) -> None:
        self.samples: dict[tuple[str, int], list[tuple[int, Samples, bytes]]] = {}
        boot: dict[str, int] = {}
        with StoreReader(file) as reader:
            self.last_id = reader.last_id
            self.chain = reader.verify()
            self.events = [event_data(record) for record in reader.records(kind=EVENT)]
            for record in reader.records(kind=FRAMES):
                for t_ns, raw in frames_of(record):
                    message = message_of(raw)
                    if isinstance(message, Hello):
                        boot[record.device] = message.boot_count
                    elif isinstance(message, Samples):
                        key = record.device, boot[record.device]
                        self.samples.setdefault(key, []).append((t_ns, message, raw))

    def sequences(self, device: str, boot: int = 1) -> list[int]:
        """In the order of storing."""
        return [samples.sequence for _, samples, _ in self.samples[device, boot]]

    def of_type(self, type_: str) -> list[dict[str, Any]]:
        return [event for event in self.events if event["type"] == type_]


def message_of(raw: bytes) -> Message | None:
    payload = decode_frame(raw)
    if payload is None:
        return None
    try:
        return decode_payload(payload)
    except ProtocolError:
        return None
