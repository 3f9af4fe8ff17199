"""A short job from the first command to the bundle in a stranger's hands. By radio: tests/link/ble."""

import csv
import io
import json
import re
import subprocess
import zipfile
from pathlib import Path
from typing import Any

import pytest

from tests.end_to_end.running import daemon, rimelog, simulated, until
from tests.tools import needs

SPEED = 40.0


def test_recovery_from_first_byte_to_checked_evidence(tmp_path: Path) -> None:
    with (
        simulated(tmp_path, "recovery", speed=SPEED, link="pty") as sim,
        daemon(tmp_path, sim.rig_file, speed=SPEED) as logger,
    ):
        logger.ready()
        before_kg = sim.truth["cylinders_kg"]["cylinder 1"]
        until(lambda: sim.now_s > 60, "the scale has settled")
        assert "Recovery begun, stage 1" in rimelog(tmp_path, "stage", "begin", "recovery", "--operator", "tester")
        sim.do("start_recovery")
        rimelog(tmp_path, "mark", "machine-started")
        until(lambda: sim.truth["cylinders_kg"]["cylinder 1"] > before_kg + 3, "three kilograms are in the cylinder")
        sim.do("stop_recovery")
        rimelog(tmp_path, "mark", "machine-stopped")
        assert rimelog(tmp_path, "note", "hose", "warm", "to the touch") == "noted\n"
        stopped_s = sim.now_s
        until(lambda: sim.now_s > stopped_s + 60, "the scale has settled")
        # On a busy computer two seconds behind are 80 s here, and the scale counts as silent for that long.
        until(lambda: re.search(r"Recovered +\d+\.\d+ kg", rimelog(tmp_path, "status")), "the scale is heard")
        moved_kg = sim.truth["cylinders_kg"]["cylinder 1"] - before_kg
        state = until(lambda: _connected(json.loads(rimelog(tmp_path, "status", "--json"))), "in JSON too")
        assert state["live"]["recovered"]["value"] == pytest.approx(moved_kg, abs=0.05)
        ended = rimelog(tmp_path, "stage", "end")
        assert "Recovery ended" in ended
        assert float(re.search(r"(\d+\.\d+) kg", ended)[1]) == pytest.approx(moved_kg, abs=0.05)  # type: ignore[index]
        assert "job-1 is being closed" in rimelog(tmp_path, "stop")
        assert logger.process.wait(100) == 0
    said = rimelog(tmp_path, "export", "latest", "--out", tmp_path / "out")
    (bundle,) = (tmp_path / "out").glob("*.zip")
    fingerprint = re.search(r"SHA256:\S+(?=;)", said)
    assert fingerprint
    report = json.loads(rimelog(tmp_path, "verify", bundle, "--json"))
    late = {"key": "concluded", "outcome": "noted"}  # on a busy computer readings come after the end of their stage
    assert all(check["outcome"] == "holds" or late.items() <= check.items() for check in report["checks"]), report
    assert "Everything was checked, and holds." in rimelog(tmp_path, "verify", bundle)
    assert "holds" in rimelog(tmp_path, "verify", bundle, "--fingerprint", fingerprint[0])
    rimelog(tmp_path, "verify", bundle, "--fingerprint", "SHA256:" + "A" * 43, status=1)
    _one_changed_byte_is_found(tmp_path, bundle)
    _a_stranger_checks(tmp_path, bundle, fingerprint[0])
    with zipfile.ZipFile(bundle) as archive:
        names = archive.namelist()
        readings = archive.read(next(n for n in names if n.endswith("readings.csv"))).decode()
        events = archive.read(next(n for n in names if n.endswith("events.csv"))).decode()
    rows = list(csv.DictReader(io.StringIO(readings)))
    assert len(rows) > 5 * 60 * 2
    assert any("hose warm to the touch" in line for line in events.splitlines())


def _a_stranger_checks(place: Path, bundle: Path, fingerprint: str) -> None:
    """With stock tools alone, by the command lines that the bundle's own README gives."""
    for program in ("sha256sum", "ssh-keygen"):
        needs(program, "checks the bundle as a stranger does")
    with zipfile.ZipFile(bundle) as archive:
        archive.extractall(place / "stranger")
    (bag,) = (place / "stranger").iterdir()
    told = (bag / "README.txt").read_text("utf-8").replace("\\\n", " ")
    lines = map(str.strip, told.splitlines())
    commands = [line for line in lines if line.startswith(("sha256sum", "ssh-keygen", "python3"))]
    assert len(commands) == 3
    for command in commands:
        done = subprocess.run(["sh", "-c", command], cwd=bag, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
        if command.startswith("ssh-keygen"):
            assert "Good" in done.stdout
            assert fingerprint in done.stdout
        elif command.startswith("sha256sum"):
            assert "FAILED" not in done.stdout
            assert "data/readings.csv: OK" in done.stdout


def _one_changed_byte_is_found(place: Path, bundle: Path) -> None:
    changed = place / "changed.zip"
    with zipfile.ZipFile(bundle) as old, zipfile.ZipFile(changed, "w") as new:
        for item in old.infolist():
            data = old.read(item)
            if item.filename.endswith("readings.csv"):
                data = data.replace(b"1", b"2", 1)
            new.writestr(item, data)
    assert "does NOT hold" in rimelog(place, "verify", changed, status=1)


def _connected(state: dict[str, Any]) -> dict[str, Any] | None:
    return state if state["live"]["recovered"]["value"] is not None else None
