"""A tired evening over pseudo-terminals, all mistakes in it put right: every number as of one without mistakes."""

import contextlib
import hashlib
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pexpect
import pytest

from logger.api.client import Client, DaemonError, read_address
from logger.config.job_file import parse_service_pressure
from logger.evidence.bagit import Digest
from logger.export.bundle.derived import Derived
from logger.export.replayed import replay_job
from logger.export.report.report_view import view
from logger.export.story import Story
from logger.model.cylinder import Cylinder
from logger.model.events import CylinderOnScale, Event, JobClosed, JobOpened, Marked, StageBegun, StageEnded
from logger.model.units import NS_PER_S
from logger.model.version import ANALYSIS, SOFTWARE
from logger.store.lock import holder_of
from logger.store.place import lock_path
from logger.store.reader import StoreReader
from sim_device.scenarios.steps import MICRON_PA
from tests import pdf
from tests.end_to_end.clean_twin import clean_twin
from tests.end_to_end.running import Sim, Stored, environment, rimelog, simulated, until
from tests.end_to_end.small_job import CHARGE_KG, SMALL_JOB
from tests.end_to_end.wire import Wire
from tests.terminal import PTY

SPEED = max(10.0, 40.0 / max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1)))  # a busy computer plays it slower
FAST = ("--no-sound", "--speed", str(SPEED))
JOB, CLEAN = "evening", "clean"
DEVICES = ("recovery board", "scale", "vacuum board")
HOLD_S = 180.0
CORRECTIONS = 11
CUSTOMER = "Invented plant (test)"
CYLINDERS = tuple(
    Cylinder(
        name=one.name, tare_kg=one.tare_kg, water_capacity_kg=one.water_capacity_kg,
        service_pressure_pa=parse_service_pressure("400psi"),
    )
    for one in SMALL_JOB.cylinders
)  # fmt: skip
# Of the page: what differs since the records do, not what they mean.
OF_THE_RECORD = {"corrections", "corrected", "amended", "alarms", "acts", "check"}
OF_ITS_NAME = {"job_id", "place", "place_short"}
JOB_TOML = f"""\
# Invented: no such plant or person.
[job]
refrigerant = "R-410A"
full_charge = "{CHARGE_KG}kg"
volume = "12L"
units = "si"
invented = true

[profile.short]
kind = "vacuum decay"
label = "3 min below 500 micron"
source = "invented for this test"
hold = "3min"
limit = "500micron"
""" + "".join(
    f"""
[[cylinder]]
name = "{one.name}"
tare = "{one.tare_kg + (1.4 if one.name == "cylinder A" else 0.0)}kg"
water_capacity = "{one.water_capacity_kg}kg"
service_pressure = "400psi"
"""
    for one in SMALL_JOB.cylinders
)


class Evening:
    """What the mechanic does, and when: the right time of each thing, which he types later."""

    def __init__(self, place: Path, sim: Sim) -> None:
        self.place, self.sim = place, sim
        self.directory = place / "data" / "jobs" / JOB
        self.file = self.directory / "job.rimelog"
        self._client: Client | None = None

    def client(self) -> Client:
        address = read_address(self.directory / "daemon.json")
        if self._client is None or self._client.address.pid != address.pid:
            self._client = Client(address, timeout_s=60)
        return self._client

    def state(self) -> dict[str, Any]:
        return self.client().status()

    def when(self, holds: Callable[[dict[str, Any]], Any], what: str) -> None:
        def found() -> bool:
            with contextlib.suppress(DaemonError, ProcessLookupError):
                return bool(holds(self.state()))
            return False

        until(found, what)

    def ready(self) -> None:
        self.when(lambda state: all(d["ok"] for d in state["devices"]), "all devices are heard")

    def now_ns(self) -> int:
        """Of the record, a whole second: so it is typed."""
        return int(self.state()["t_ns"]) // NS_PER_S * NS_PER_S

    def act(self, action: str, **kw: Any) -> int:
        """Something physical; when."""
        t_ns = self.now_ns()
        self.sim.do(action, **kw)
        return t_ns

    def wait(self, seconds: float) -> None:
        """Of the plant's time."""
        end_s = self.sim.now_s + seconds
        until(lambda: self.sim.now_s >= end_s, f"{seconds} s")

    def plant(self, holds: Callable[[dict[str, Any]], bool], what: str) -> None:
        until(lambda: holds(self.sim.truth), what)

    def said(self, *words: str, status: int = 0) -> str:
        return rimelog(self.place, *words, status=status)

    def begins(self, *words: str) -> None:
        """A stage; what was just corrected may have to be worked in first."""
        until(lambda: "begun" in self._tried("stage", "begin", *words, "--anyway"), f"{words} is begun", 300.0)

    def looser(self, *words: str) -> None:
        """A correction that asks for the value once more and a reason."""
        if "--again" in (said := self._tried("correct", *words)):
            said = self.said("correct", *words, "--again", words[-1], "--why", "on the plate")
        assert "Correction" in said, said

    def _tried(self, *words: str) -> str:
        try:
            return self.said(*words)
        except AssertionError as exc:
            return str(exc)

    def stopped(self) -> None:
        until(lambda: holder_of(lock_path(self.file)) is None, "the logger has ended")


def reading(state: dict[str, Any], point: str) -> float | None:
    return next((p["value"] for p in state["points"] if p["point"] == point), None)


def kill(directory: Path) -> None:
    """A logger that a failed test has left behind."""
    with contextlib.suppress(DaemonError, ProcessLookupError):
        os.kill(read_address(directory / "daemon.json").pid, signal.SIGKILL)


def typed(t_ns: int) -> str:
    return time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(t_ns // NS_PER_S))


@contextlib.contextmanager
def window(place: Path, *words: str | Path) -> Iterator[pexpect.spawn]:
    """A command in a window of its own: leaving this closes the window."""
    child = pexpect.spawn(
        sys.executable, ["-m", "logger", *map(str, words)],
        env=environment(place) | {"TERM": "xterm"}, cwd=str(place), timeout=60, encoding="utf-8", dimensions=(24, 80),
    )  # fmt: skip
    try:
        yield child
    except BaseException:
        with contextlib.suppress(pexpect.ExceptionPexpect):
            child.expect(pexpect.EOF, timeout=1)
        print(f"{words}: {child.before}")
        raise
    finally:
        child.close(force=True)


def spend(place: Path, sim: Sim, rig: Path, scale: Wire) -> tuple[dict[str, int], dict[str, float]]:
    """The evening: the right time (UTC, ns) of what was entered wrongly, late or never; kg that moved in truth."""
    evening, right = Evening(place, sim), dict[str, int]()
    (place / "job.toml").write_text(JOB_TOML, encoding="utf-8")
    with window(place, "run", rig, "--job-file", "job.toml", "--job", JOB, *FAST) as first:
        first.expect(f"job {JOB}: logging")
        evening.ready()
        evening.wait(20)
        # The machine is started, and nobody says so; then another stage is begun than the one that runs.
        right["recovery"] = evening.act("start_recovery")
        evening.plant(lambda truth: truth["cylinders_kg"]["cylinder A"] > 0.6, "it flows")
        evening.begins("pressure-test")
    evening.stopped()  # with its window
    with window(place, "run", "--continue", JOB, *FAST) as second:
        second.expect(f"job {JOB}: logging")
        evening.ready()
        evening.said("correct", "stage", "1", "kind", "recovery")
        evening.said("correct", "stage", "1", "begin", typed(right["recovery"]))
        assert f"in use by job {JOB}" in evening.said("run", str(rig), "--refrigerant", "R-407C", status=2)
        scale.unplug()
        evening.when(lambda state: not all(d["ok"] for d in state["devices"]), "the scale is missed")
        scale.plug_in()
        evening.ready()
        evening.plant(lambda truth: truth["cylinders_kg"]["cylinder A"] > 2.0, "A has enough")
        # Another cylinder, and nobody says so.
        sim.do("stop_recovery")
        evening.wait(45)
        right["B"] = evening.act("swap_cylinder", to="cylinder B")
        evening.wait(30)
        sim.do("start_recovery")
        evening.looser("refrigerant", "R-407C")
        evening.plant(lambda truth: truth["circuit_pa"] < 4.6e4, "the system is empty")
        evening.said("cylinder-swap", "cylinder B")
        evening.said("correct", "swap", "2", "--at", typed(right["B"]))
        sim.do("stop_recovery")
        evening.wait(360)
        evening.begins("evacuation")
        sim.do("start_pump")
        evening.when(lambda state: (reading(state, "vacuum") or 1e5) < 250 * MICRON_PA, "the vacuum is deep")
        second.sendintr()
        second.expect("is running. Still logging")
        second.sendintr()
        second.expect("is stored in")
    evening.stopped()
    with window(place, "start", "--continue", JOB, *FAST) as third:
        third.expect("apart from this window")
    evening.ready()
    evening.wait(60)
    evening.begins("decay-test", "--profile", "short")
    evening.wait(5)
    right["isolated"] = evening.act("isolate")
    evening.wait(20)
    evening.said("mark", "valve-opened")
    sim.do("stop_pump")
    evening.looser("cylinder", "cylinder A", "tare", "12.5kg")
    evening.said("correct", "mark", "1", "act", "isolated")
    evening.said("correct", "mark", "1", "--at", typed(right["isolated"]))
    evening.wait(HOLD_S)
    right["held"] = evening.now_ns()
    evening.begins("start-up")  # by a slip
    evening.said("correct", "stage", "4", "--strike")
    evening.said("correct", "stage", "3", "end", typed(right["held"]))
    right["charging"] = evening.act("swap_cylinder", to="charging cylinder")
    evening.said("cylinder-swap", "charging cylinder")
    evening.said("correct", "swap", "3", "--at", typed(right["charging"]))
    evening.wait(60)
    evening.begins("charging", "--target", f"{CHARGE_KG}kg")
    evening.wait(45)
    sim.do("start_charging", mode="liquid")
    full_kg = sim.truth["cylinders_kg"]["charging cylinder"]
    evening.plant(
        lambda truth: truth["cylinders_kg"]["charging cylinder"] < full_kg - CHARGE_KG + 0.05, "it is charged"
    )
    sim.do("stop_charging")
    evening.wait(60)
    evening.said("finish", "--out", "first", "--no-open")
    evening.said("correct", "--job", JOB, "customer", CUSTOMER)
    held_kg = sim.truth["cylinders_kg"]
    emptied_kg = sum(one.contents_kg for one in SMALL_JOB.cylinders[:2])
    moved_kg = {
        "Recovered": held_kg["cylinder A"] + held_kg["cylinder B"] - emptied_kg,
        "Charged": full_kg - held_kg["charging cylinder"],
    }
    return right, moved_kg


def without_mistakes(stored: Stored, right: dict[str, int]) -> list[Event]:
    """What people would have entered. What was entered rightly is so at its own time."""
    begun = {one["kind"]: one["t_ns"] for one in stored.of_type("stage-begun")}
    stages: list[tuple[str, int, int, dict[str, Any]]] = [
        ("recovery", right["recovery"], begun["evacuation"], {}),
        ("evacuation", begun["evacuation"], begun["decay-test"], {}),
        ("decay-test", begun["decay-test"], right["held"], {"profile": "short"}),
        ("charging", begun["charging"], stored.of_type("stage-ended")[-1]["t_ns"], {"target": CHARGE_KG}),
    ]
    closed_ns = stored.of_type("job-closed")[0]["t_ns"]
    entered: list[Event] = [Marked(t_ns=right["isolated"], act="isolated"), JobClosed(t_ns=closed_ns)]
    for number, (kind, begin_ns, end_ns, settings) in enumerate(stages, 1):
        entered.append(StageBegun(t_ns=begin_ns, number=number, kind=kind, settings=settings))
        entered.append(StageEnded(t_ns=end_ns, number=number, analysis=ANALYSIS, software=SOFTWARE))
    swaps = [stored.of_type("cylinder-on-scale")[0]["t_ns"], right["B"], right["charging"]]
    for t_ns, cylinder in zip(swaps, CYLINDERS, strict=True):
        entered.append(CylinderOnScale(t_ns=t_ns, cylinder=cylinder, reading_kg=None))
    return entered


def rightly(opened: JobOpened) -> JobOpened:
    job = replace(opened.job, refrigerant="R-407C", customer=CUSTOMER, job_id=CLEAN)
    return replace(opened, job=job, cylinders=CYLINDERS)


def said_by(file: Path) -> tuple[bytes, bytes, dict[str, Any]]:
    """All readings, all findings with their numbers, and all pages of the report, as an export makes them."""
    with StoreReader(file) as reader:
        story = Story()
        for _ in story.passing(reader.records()):
            pass
        derived = Derived(story, reader.records, replay_job)
        sheet = b"".join(derived.readings())
        data = derived.report_data(Digest(len(sheet), hashlib.sha256(sheet).hexdigest()), None)
        return sheet, derived.small()["findings.json"], view(data, attached=True)


def compare(place: Path, right: dict[str, int], moved_kg: dict[str, float]) -> None:
    jobs = place / "data" / "jobs"
    mistaken, clean = jobs / JOB / "job.rimelog", jobs / CLEAN / "job.rimelog"
    clean_twin(mistaken, clean, without_mistakes(Stored(mistaken), right), rightly)
    readings, findings, told = said_by(mistaken)
    readings_without, findings_without, silent = said_by(clean)
    assert findings == findings_without
    assert readings == readings_without
    for page, name in ((told, JOB), (silent, CLEAN)):
        page["job"] = [row for row in page["job"] if name not in row]
    for key in silent.keys() - OF_THE_RECORD - OF_ITS_NAME:
        assert told[key] == silent[key], key
    assert len(told["corrections"]["rows"]) == CORRECTIONS and told["corrected"].startswith(
        f"{CORRECTIONS} corrections"
    )
    assert silent["corrections"]["rows"] == [] and silent["corrected"] == ""
    masses = {row[0]: float(row[1].split()[0]) for row in told["first"]["refrigerant"]}
    assert masses == pytest.approx(moved_kg, abs=0.1)  # and no two nothings are equal


@PTY
def test_it_ends_with_the_report_of_an_evening_without_mistakes(tmp_path: Path) -> None:
    with contextlib.ExitStack() as stack:
        sim = stack.enter_context(
            simulated(tmp_path, SMALL_JOB.name, speed=SPEED, only=DEVICES, program="tests.end_to_end.small_job")
        )
        ports = {name: tmp_path / f"tty{i}" for i, name in enumerate(DEVICES)}
        wires = {name: stack.enter_context(Wire(sim.urls[name], port)) for name, port in ports.items()}
        rig = sim.rig({name: str(port) for name, port in ports.items()}, tmp_path / "wired.toml")
        rig.write_text(rig.read_text("utf-8").replace("\nurl = ", '\nperiod = "2s"\nurl = '), "utf-8")
        try:
            done = spend(tmp_path, sim, rig, wires["scale"])
        finally:
            kill(tmp_path / "data" / "jobs" / JOB)
    compare(tmp_path, *done)


@PTY
def test_a_job_of_six_stages_is_ten_commands(tmp_path: Path) -> None:
    """Setting up the computer and its rig, and a cylinder kept from another day, are no part of a job."""
    commands = 0

    def typed_in(*words: str, shows: str) -> None:
        nonlocal commands
        commands += 1
        with window(tmp_path, *words) as shell:
            shell.expect(shows)
            shell.expect(pexpect.EOF)

    with simulated(tmp_path, "recovery", link="pty", only=("scale",)) as sim:
        rimelog(tmp_path, "setup", "--units", "si", "--operator", "A. Invented", "--rig", sim.rig_file)
        markings = ("--water-capacity", "21.6kg", "--service-pressure", "400psi", "--refrigerant", "R-407C")
        for name in "AB":
            rimelog(tmp_path, "cylinder", "add", name, "--tare", "12.5kg", *markings)
        try:
            typed_in("start", "--refrigerant", "R-407C", "--charge", "4kg", "--customer", CUSTOMER, "--appliance",
                     "chiller 2", "--cylinder", "A", shows="logging, apart from this window")  # fmt: skip
            (directory,) = (tmp_path / "data" / "jobs").iterdir()
            client = Client(read_address(directory / "daemon.json"), timeout_s=60)
            until(lambda: all(d["ok"] for d in client.status()["devices"]), "the scale is heard")
            typed_in("stage", "begin", "recovery", shows="Recovery begun")
            typed_in("stage", "begin", "press", "--anyway", shows="Pressure test begun")
            typed_in("stage", "begin", "evac", "--anyway", shows="Evacuation begun")
            typed_in("stage", "begin", "decay", "--anyway", shows="decay test begun")
            typed_in("mark", "isolated", shows="marked")
            typed_in("cylinder-swap", "B", shows="B is on the scale")
            typed_in("stage", "begin", "charging", "--anyway", shows="Charging begun")
            typed_in("stage", "begin", "start-up", "--anyway", shows="Start-up begun")
            typed_in("finish", "--no-open", shows="report ")
        finally:
            kill(directory)
    assert commands == 10
    (report,) = tmp_path.glob("*.pdf")
    page = pdf.pages(report)[0]
    for n, label in enumerate(("Recovery", "Pressure test", "Evacuation", "Vacuum decay test", "Charging", "Start-up")):
        assert f"{n + 1} {label}" in page
    assert CUSTOMER in page
