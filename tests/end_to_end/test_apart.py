"""The night does not hang on a window: a logger started apart, Ctrl-C in mid-stage, devices in use, views left open."""

import contextlib
import os
import re
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import pexpect
import pypdfium2
import pytest

from logger.api.client import Client, read_address
from logger.store.lock import holder_of
from logger.store.place import lock_path
from tests import pdf
from tests.cli.test_setup import PNG
from tests.end_to_end.running import Sim, Stored, child, daemon, environment, rimelog, simulated, until
from tests.terminal import PTY

PATIENCE_S = 60
pytestmark = PTY


@contextlib.contextmanager
def terminal(place: Path, *words: str | Path) -> Iterator[pexpect.spawn]:
    """A command in a pty of its own; closing the pty is closing the window."""
    child = pexpect.spawn(
        sys.executable, ["-m", "logger", *map(str, words)], env=environment(place) | {"TERM": "xterm"},
        cwd=str(place), timeout=PATIENCE_S, encoding="utf-8", dimensions=(24, 80),
    )  # fmt: skip
    try:
        yield child
    finally:
        child.close(force=True)


@pytest.fixture
def scale(tmp_path: Path) -> Iterator[Sim]:
    with simulated(tmp_path, "recovery", only=("scale",)) as sim:
        yield sim


def job_of(place: Path) -> Path:
    (directory,) = (place / "data" / "jobs").iterdir()
    return directory


def test_start_asks_survives_its_window_and_is_stopped_and_gone_on_with(tmp_path: Path, scale: Sim) -> None:
    with terminal(tmp_path, "start", "--no-sound") as window:  # rig.toml of the folder it is typed in
        window.expect("Refrigerant in the system")
        window.sendline("R-999")
        window.expect("Refrigerant in the system")  # told and asked again
        window.sendline("r407c")
        window.expect("Full charge")
        window.sendline("98kg")
        window.expect("Customer")
        window.sendline("Invented plant")
        window.expect("System, by")
        window.sendline("")
        window.expect(r"job (\S+): logging, apart from this window \(process (\d+)\)")
        pid = int(window.match.group(2))
        window.expect("finish")
    try:
        job = job_of(tmp_path)
        client = Client(read_address(job / "daemon.json"))
        assert os.getsid(pid) == pid  # a session of its own: no terminal can end it
        state = client.status()
        assert state["job"]["refrigerant"] == "R-407C"
        assert state["job"]["full_charge_kg"] == 98.0
        assert state["log"] == str(job / "logger.log")
        assert str(job / "logger.log") in rimelog(tmp_path, "status")
        until(lambda: all(d["ok"] for d in client.status()["devices"]), "the scale is heard")
        said = rimelog(tmp_path, "start", scale.rig_file, "--refrigerant", "R-22", status=2)
        assert re.search(rf"scale .* in use by job {job.name}\b", said)
        assert len(list(job.parent.iterdir())) == 1  # and no empty job is left behind
        rimelog(tmp_path, "stop")
        until(lambda: not (job / "going-on").exists(), "it has stopped")
        rimelog(tmp_path, "start", "--continue", "latest", "--no-sound")  # the rig of its record
        assert Client(read_address(job / "daemon.json")).status()["job"]["customer"] == "Invented plant"
        rimelog(tmp_path, "stop")
        until(lambda: not (job / "going-on").exists(), "it has stopped")
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    stored = Stored(job / "job.rimelog")
    assert stored.chain.holds
    assert [e["continued"] for e in stored.of_type("run-begun")] == [False, True]


def test_ctrl_c_in_mid_stage_asks_once_and_an_open_view_ends_without_a_traceback(tmp_path: Path, scale: Sim) -> None:
    with terminal(tmp_path, "run", scale.rig_file, "--refrigerant", "R-407C", "--job", "j", "--no-sound") as window:
        window.expect("job j: logging")
        client = Client(read_address(tmp_path / "data" / "jobs" / "j" / "daemon.json"))
        rimelog(tmp_path, "stage", "begin", "recovery")
        with terminal(tmp_path, "view") as view:
            view.expect("Recovery")
            window.sendintr()
            window.expect("is running. Still logging")
            window.expect("--continue j")
            assert client.status()["stage"]["running"]
            window.sendintr()
            window.expect("is stored in")
            window.expect(pexpect.EOF)
            assert "Traceback" not in window.before
            view.expect("The logger has ended")
            view.send("q")
            view.expect(pexpect.EOF)
            assert "Traceback" not in view.before
        window.close()
        assert window.exitstatus == 0
    assert "Traceback" not in (tmp_path / "data" / "jobs" / "j" / "logger.log").read_text()
    stored = Stored(tmp_path / "data" / "jobs" / "j" / "job.rimelog")
    assert stored.events[-1]["type"] == "run-ended"
    assert not stored.of_type("stage-ended")


def test_a_closed_window_ends_a_foreground_run_cleanly_and_the_service_goes_on_with_it(
    tmp_path: Path, scale: Sim
) -> None:
    with terminal(tmp_path, "run", scale.rig_file, "--refrigerant", "R-407C", "--job", "j", "--no-sound") as window:
        window.expect("job j: logging")
        pid = window.pid
    job = tmp_path / "data" / "jobs" / "j"
    until(lambda: holder_of(lock_path(job / "job.rimelog")) is None, f"{pid} has ended")
    assert Stored(job / "job.rimelog").events[-1]["type"] == "run-ended"
    with daemon(tmp_path, Path("--resume"), "--quiet", job="j") as logger:
        logger.ready()
        assert logger.status()["job"]["job_id"] == "j"
        rimelog(tmp_path, "stop")
        assert logger.process.wait(PATIENCE_S) == 0
    assert "No job was cut off" in rimelog(tmp_path, "run", "--resume")


def test_options_that_would_change_nothing_are_refused(tmp_path: Path, scale: Sim) -> None:
    with daemon(tmp_path, scale.rig_file) as logger:
        logger.ready()
        logger.stop()
    said = rimelog(tmp_path, "run", scale.rig_file, "--continue", "job-1", "--refrigerant", "R-22", status=2)
    assert "--refrigerant" in said
    said = rimelog(tmp_path, "run", scale.rig_file, "--job", "job-1", "--refrigerant", "R-22", status=2)
    assert "--continue job-1" in said


def test_finish_ends_closes_exports_and_verifies_in_one_command(tmp_path: Path, scale: Sim) -> None:
    logo = tmp_path / "logo.png"
    logo.write_bytes(PNG)
    rimelog(tmp_path, "setup", "--units", "si", "--operator", "A. Invented", "--certification", "INV-1", "--company",
            "Invented Cooling", "--logo", logo, "--rig", scale.rig_file)  # fmt: skip
    rimelog(tmp_path, "start", "--refrigerant", "R-407C", "--job", "evening", "--no-sound")  # the rig of the settings
    client = Client(read_address(tmp_path / "data" / "jobs" / "evening" / "daemon.json"))
    until(lambda: all(d["ok"] for d in client.status()["devices"]), "the scale is heard")
    assert client.status()["job"]["units"] == "si"
    assert "cylinder-swap" in rimelog(tmp_path, "next")
    rimelog(tmp_path, "stage", "begin", "Recov")
    assert "rimelog mark machine-stopped" in rimelog(tmp_path, "next")
    rimelog(tmp_path, "mark", "machine-stopped")
    assert "of 5 min" in rimelog(tmp_path, "next")  # it settles
    said = rimelog(tmp_path, "finish", "--out", "out", "--no-open")
    assert "job evening is closed" in said and "rimelog export" not in said
    assert "Everything was checked, and holds." in said
    (report,) = (tmp_path / "out").glob("*.pdf")
    assert f"report  {report.resolve()}" in said
    text = pdf.text(report)
    for word in ("Invented Cooling", "A. Invented", "INV-1"):
        assert word in text
    assert "Interim" not in text
    with pypdfium2.PdfDocument(report) as document:
        kinds = [one.type for one in document[0].get_objects()]
    assert pypdfium2.raw.FPDF_PAGEOBJ_IMAGE in kinds  # the logo
    assert "closed already" in rimelog(tmp_path, "finish", "--out", "again", "--no-open")  # asked again: harmless


@pytest.mark.parametrize("page", ["README.md", "docs/mechanic.md"])
def test_the_two_commands_of_practice_work_as_the_page_shows_them(tmp_path: Path, page: str) -> None:
    shown = (Path(__file__).parents[2] / page).read_text(encoding="utf-8")
    found = re.search(r"```sh\n\S*python -m (sim_device .*)\n\S*rimelog (start .*)\n```", shown)
    assert found is not None
    with child(found[1].split(), tmp_path, tmp_path / "sim.log"):
        until(lambda: (tmp_path / "practice.toml").is_file(), "the rig file of the simulated instruments")
        rimelog(tmp_path, *found[2].split(), "--job", "practice-1", "--no-sound")
        client = Client(read_address(tmp_path / "data" / "jobs" / "practice-1" / "daemon.json"))
        until(lambda: all(d["ok"] for d in client.status()["devices"]), "the instruments are heard")
        assert client.status()["refrigerant"] == "R-407C"
        rimelog(tmp_path, "stop")


def test_latest_is_by_time_begun_and_empty_jobs_can_be_removed(tmp_path: Path, scale: Sim) -> None:
    rimelog(tmp_path, "start", scale.rig_file, "--refrigerant", "R-22", "--job", "z-first", "--no-sound")
    client = Client(read_address(tmp_path / "data" / "jobs" / "z-first" / "daemon.json"))
    until(lambda: client.status()["devices"][0]["frames"] > 5, "frames have come")
    rimelog(tmp_path, "stop")
    until(lambda: not (tmp_path / "data/jobs/z-first/going-on").exists(), "it has stopped")
    nobody = tmp_path / "nobody.toml"
    nobody.write_text('[[device]]\nname = "scale"\nurl = "/dev/ttyNOTHERE"\n', encoding="utf-8")
    rimelog(tmp_path, "start", nobody, "--refrigerant", "R-22", "--job", "a-empty", "--no-sound")
    assert "a-empty" in rimelog(tmp_path, "copy", "latest", "copies")  # one that runs comes first
    rimelog(tmp_path, "stop")
    until(lambda: not (tmp_path / "data/jobs/a-empty/going-on").exists(), "it has stopped")
    assert "z-first" in rimelog(tmp_path, "copy", "latest", "copies")  # the last one is empty
    assert "removed: a-empty" in rimelog(tmp_path, "jobs", "--remove-empty", "--yes")
    assert [p.name for p in (tmp_path / "data" / "jobs").iterdir()] == ["z-first"]
