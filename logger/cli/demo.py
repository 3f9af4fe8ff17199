"""`rimelog demo`: the whole job on an invented plant.

The simulated rig, the daemon and this command are three processes, joined by the same links, files and API as on a
real job; only the clock runs faster. Everything shown is invented.
"""

import contextlib
import functools
import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click

from logger.api.client import Client, DaemonError, read_address
from logger.model.finding import Text
from logger.model.units import NS_PER_S

JOB_ID = "invented-brewery"
JOB_TOML = """\
# Invented: no such brewery, chiller or person.
[job]
refrigerant = "R-407C"
full_charge = "98kg"
customer = "Invented brewery (demonstration)"
site = "Cold room, invented"
appliance = "Glycol chiller 1 (invented)"
technician = "Demonstration"
volume = "260L"
volume_u = "15L"
recovery_machine_made = 2021-05-01
appliance_class = "industrial"
units = "{units}"
invented = true

[[cylinder]]
name = "cylinder A"
tare = "29.4kg"
water_capacity = "59.9kg"
service_pressure = "400psi"
tested = 2024-02-01

[[cylinder]]
name = "cylinder B"
tare = "29.1kg"
water_capacity = "59.9kg"
service_pressure = "400psi"
tested = 2024-02-01

[[cylinder]]
name = "charging cylinder"
tare = "66kg"
water_capacity = "142kg"
service_pressure = "400psi"
tested = 2024-02-01
refrigerant = "R-407C"

[profile.demo-nitrogen]
kind = "standing pressure"
label = "35 min, no drop beyond what temperature explains"
source = "invented for this demonstration"
hold = "35min"
"""
# The simulated mechanic's acts, as this program's marks.
MARKS = {
    "isolate": "isolated",
    "start_pump": "pump-started",
    "stop_pump": "pump-stopped",
    "start_recovery": "machine-started",
    "stop_recovery": "machine-stopped",
    "fill_nitrogen": "nitrogen-filled",
    "vent": "vented",
    "start_charging": "charging-valve-opened",
    "stop_charging": "charging-valve-closed",
    "start_machine": "compressor-started",
    "stop_machine": "compressor-stopped",
}
MAX_SPEED = 400.0
FULL_SPEED_ROUNDS_S = 1000.0  # three quarters of what an idle computer of 2020 does; the demonstration needs half of it
MIN_PART = 0.15  # of the greatest speed: seven minutes in place of one
MAX_WAIT_S = 20.0
MAX_SETTLE_S = 150.0  # a slow computer needs so long to work out again what came late; the plant waits meanwhile
MAX_LATE_S = 3 * 3600.0  # plant time: an act is entered at most four hours late
BUSY_S = 10.0
START_S = 120.0  # for the daemon to hear every device, on a computer that is busy


class DemoError(click.ClickException):
    """A part of the demonstration did not come up; the message says which."""


@click.command()
@click.option("--speed", type=click.FloatRange(1, 1000), show_default="400, less where the computer is slow or busy",
              help="Times real time.")  # fmt: skip
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), default="rimelog-demo", show_default=True,
              help="Folder for job, bundle and report.")  # fmt: skip
@click.option("--no-view", is_flag=True, help="Plain lines instead of the screen.")
@click.option("--seed", type=int, default=7, show_default=True, help="Same seed, same plant.")
@click.option("--units", type=click.Choice(["us", "si"]), default="us", show_default=True)
def demo(speed: float | None, out: Path, no_view: bool, seed: int, units: str) -> None:
    """Show the whole job on an invented plant, in about a minute.

    Recovery of a full charge with one cylinder swap, nitrogen test, evacuation, decay test, charging and start-up;
    then the evidence bundle is written and verified.
    """
    from logger.cli.progress import working
    from logger.store.place import DATA_VARIABLE

    out.mkdir(parents=True, exist_ok=True)
    os.environ[DATA_VARIABLE] = str((out / "data").resolve())
    shown = not no_view and sys.stdout.isatty() and sys.stdin.isatty()
    click.echo("Sample data: a brewery's R-407C glycol chiller that does not exist.")
    if speed is None:
        speed = _speed_here()
        if speed < MAX_SPEED:
            click.echo(f"This computer is slow or busy just now: {speed:.0f} times real time, not {MAX_SPEED:.0f}.")
    with contextlib.ExitStack() as stack:
        with working("Starting the invented plant"):
            control = stack.enter_context(_simulated_rig(out, speed, seed))
        with working("Starting the logger: waiting for every device"):
            client = stack.enter_context(_daemon(out, speed, units))
        control.ask({"go_on": True})
        guide = DemoGuide(control, client, click.echo if not shown else lambda text: None, speed)
        if shown:
            from logger.screen.terminal import watch

            thread = threading.Thread(target=guide.run, name="demo", daemon=True)
            thread.start()
            watch(lambda: client, DaemonError, until=lambda: not thread.is_alive())
            guide.left = True  # `q` leaves the demonstration early; what there is, is exported
            thread.join(30)
        else:
            guide.run()
        if guide.problem:
            raise DemoError(guide.problem)
        _say_stages(guide, shown)
    _evidence(out)


def _speed_here() -> float:
    """How fast plant and daemon can go so that neither falls behind: by what this computer does in half a second."""
    begin, rounds = time.monotonic(), 0
    while (took_s := time.monotonic() - begin) < 0.5:
        sum(i * i % 7 for i in range(20_000))
        rounds += 1
    return MAX_SPEED * max(MIN_PART, min(1.0, rounds / took_s / FULL_SPEED_ROUNDS_S))


def _say_stages(guide: "DemoGuide", shown: bool) -> None:
    if shown:
        click.echo("\n".join(guide.said))


def _evidence(out: Path) -> None:
    from logger.cli.evidence import export, verify
    from logger.cli.jobs import close

    place = out / "data" / "jobs" / JOB_ID
    for old in out.glob("rimelog-*.zip"):
        old.unlink()
    close.main([str(place), "--end-stage"], standalone_mode=False)  # --end-stage: it may have been left early
    export.main([str(place), "--out", str(out)], standalone_mode=False)
    bundle = max(out.glob("*.zip"), key=lambda p: p.stat().st_mtime)
    status = verify.main([str(bundle)], standalone_mode=False)
    if status:
        raise DemoError("the bundle does not verify")


class DemoGuide:
    """Does with this program what the simulated mechanic does at the plant, and says what was found."""

    def __init__(self, control: "SimulatorControl", client: Client, say: Any, speed: float) -> None:
        self.control, self.client, self._say = control, client, say
        self._speed, self._longest_wait_s = speed, min(MAX_WAIT_S, MAX_LATE_S / speed)
        self._took_s, self._offset_ns = float("inf"), 0
        self.said: list[str] = []
        self.left = False
        self.problem = ""
        self._alarms: set[str] = set()

    def run(self) -> None:
        try:
            self._run()
        except (DaemonError, OSError, ValueError) as exc:
            self.problem = f"the demonstration stopped: {exc}"

    def say(self, text: str) -> None:
        self.said.append(text)
        self._say(text)

    def _run(self) -> None:
        seen, next_alarms = 0, 0.0
        while not self.left:
            for t_s, action, kw in self.control.ask({"done": seen}):
                seen += 1
                self._do(action, kw, self._when(t_s))
                if action == "stage":
                    self.control.ask({"go_on": True})  # the plant waits there, so that a slow computer can follow
                if action == "stop_machine":  # the last act of the scenario
                    return
            if time.monotonic() >= next_alarms:
                next_alarms = time.monotonic() + 0.5
                self._print_alarms()
            time.sleep(0.05)

    def _when(self, t_s: float) -> int:
        """UTC of the record for a time of the plant, once all readings up to then have come.

        Never so long ago that the job would have to be worked out again, which a slow computer cannot do at this speed.
        """
        end = time.monotonic() + self._longest_wait_s
        while True:
            before_s = self.control.ask({"now": True})
            state = self.client.status()
            took_s = self.control.ask({"now": True}) - before_s
            if took_s < self._took_s:  # both clocks run alike; the quickest answer tells best how they lie
                self._took_s = took_s
                self._offset_ns = state["t_ns"] - int((before_s + took_s / 2) * NS_PER_S)
            at_ns = self._offset_ns + int(t_s * NS_PER_S)
            newest = [state["t_ns"] - p["age_s"] * NS_PER_S for p in state["points"] if p["age_s"] is not None]
            if (newest and min(newest) > at_ns + 5e9) or self.left or time.monotonic() > end:
                return max(at_ns, int(state["t_ns"] - self._speed * NS_PER_S))
            time.sleep(0.1)

    def _do(self, action: str, kw: dict[str, Any], at_ns: int) -> None:
        act = functools.partial(self.client.act, at_ns=at_ns)
        if action == "stage" and "begin" in kw:
            self.client.act("acknowledge", key="", operator="demo")  # what stood before was seen and dealt with
            answer = self._patiently(
                act, "stage-begin", kind=kw["begin"], settings=kw.get("settings", {}), operator="demo", anyway=True
            )
            self._say_ended(answer)
        elif action == "stage":
            self._say_ended(self._patiently(act, "stage-end", operator="demo"))
        elif action == "swap_cylinder":
            self.say(act("cylinder", name=kw["to"])["text"])
        elif action == "note":
            act("note", text=kw["text"], author="demo")
        elif action in MARKS:
            act("mark", act=MARKS[action])

    def _say_ended(self, answer: dict[str, Any]) -> None:
        for line in answer["text"].splitlines():
            self.say(line)
        for finding in answer.get("findings", ()):
            self.say(f"  {Text(finding['headline'], finding['text']).line}")

    def _patiently(self, act: Callable[..., Any], name: str, **fields: Any) -> Any:
        """On a slow computer acts come late, and what is being worked out again for one holds the next up a while."""
        end = time.monotonic() + MAX_SETTLE_S
        while True:
            try:
                return act(name, **fields)
            except DaemonError:
                if self.left or time.monotonic() > end:
                    raise
            time.sleep(0.5)

    def _print_alarms(self) -> None:
        for alarm in self.client.status()["alarms"]:
            if alarm["key"] not in self._alarms and not alarm["acknowledged"]:
                self.say(f"  {alarm['priority'].upper()}: {alarm['label']}. {alarm['message']}")
            self._alarms.add(alarm["key"])


class SimulatorControl:
    """The simulated rig's control line: a JSON object a line."""

    def __init__(self, port: int) -> None:
        import socket

        self._socket = socket.create_connection(("127.0.0.1", port), timeout=60)
        self._file = self._socket.makefile("rw", encoding="utf-8")

    def ask(self, request: dict[str, Any]) -> Any:
        import json

        self._file.write(json.dumps(request) + "\n")
        self._file.flush()
        answer = json.loads(self._file.readline() or '{"error": "the simulated rig has ended"}')
        if "error" in answer:
            raise ValueError(answer["error"])
        return answer["ok"]

    def close(self) -> None:
        self._socket.close()


@contextlib.contextmanager
def _simulated_rig(out: Path, speed: float, seed: int) -> Iterator[SimulatorControl]:
    link = "pty" if os.name == "posix" else "tcp"
    command = [
        sys.executable, "-m", "sim_device", "brewery", "--speed", str(speed), "--seed", str(seed), "--link", link,
        "--rig-toml", str(out / "rig.toml"), "--control-port", "0", "--hold",
        "--exit-with-parent",
    ]  # fmt: skip
    with _child(command, out / "sim_device.log") as child:
        assert child.stdout is not None
        for line in child.stdout:
            if line.startswith("control: "):
                control = SimulatorControl(int(line.rsplit(":", 1)[1]))
                try:
                    yield control
                finally:
                    control.close()
                return
    raise DemoError(f"the simulated rig did not start; see {out / 'sim_device.log'}")


@contextlib.contextmanager
def _daemon(out: Path, speed: float, units: str) -> Iterator[Client]:
    import shutil

    job_file = out / "job.toml"
    job_file.write_text(JOB_TOML.format(units=units), encoding="utf-8")
    # Half a million seconds of readings in a minute would be too much for an old laptop: one in two seconds will do.
    rig = out / "rig.toml"
    text = rig.read_text("utf-8").replace("\nurl = ", '\nperiod = "2s"\nurl = ')
    # At such a speed a computer that is busy for a tenth of a second would look like a dead instrument.
    patience = f'on_delay = "{max(15.0, BUSY_S * speed):g}s"'
    silences = [f"[alarms.no-data-{point}]\n{patience}\n" for point in re.findall(r'^ *point = "(\w+)"', text, re.M)]
    rig.write_text("\n".join([text, *silences]), encoding="utf-8")
    from logger.store.place import anchor_path, anchors_dir

    place = out / "data" / "jobs" / JOB_ID
    shutil.rmtree(place, ignore_errors=True)
    anchor_path(anchors_dir(out / "data"), JOB_ID).unlink(missing_ok=True)
    command = [
        sys.executable, "-m", "logger", "run", str(out / "rig.toml"), "--job-file", str(job_file), "--job", JOB_ID,
        "--speed", str(speed), "--no-sound", "--quiet", "--exit-with-parent",
    ]  # fmt: skip
    with _child(command, out / "daemon.log") as child:
        client = _reached(place / "daemon.json", child, out)
        try:
            yield client
        finally:
            with contextlib.suppress(DaemonError):
                client.act("stop")
            with contextlib.suppress(subprocess.TimeoutExpired):
                child.wait(20)


def _reached(run_file: Path, child: subprocess.Popen[str], out: Path) -> Client:
    end = time.monotonic() + START_S
    while time.monotonic() < end and child.poll() is None:
        with contextlib.suppress(DaemonError):
            client = Client(read_address(run_file), timeout_s=MAX_SETTLE_S)
            state = client.status()
            if all(device["ok"] for device in state["devices"]):
                return client
        time.sleep(0.1)
    raise DemoError(f"the logger did not start; see {out / 'daemon.log'}")


@contextlib.contextmanager
def _child(command: list[str], log: Path) -> Iterator[subprocess.Popen[str]]:
    """It ends when its standard input does, so that nothing runs on behind a guide that was killed."""
    with log.open("w", encoding="utf-8") as errors:
        child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, text=True)
        try:
            yield child
        finally:
            if child.poll() is None:
                child.terminate()
            try:
                child.wait(10)
            except subprocess.TimeoutExpired:
                child.kill()
