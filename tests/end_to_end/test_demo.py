"""`rimelog demo`, whole: what it says, what it finds, and what its bundle and report hold.

One test, so that the demonstration runs once however the tests are spread over processes.
"""

import csv
import io
import json
import re
import zipfile
from pathlib import Path

from tests import pdf
from tests.end_to_end.running import rimelog

PATIENCE_S = 380  # about a minute, four on a computer with much else to do
# Verdicts by key and masses, in the order of the stages; other numbers differ by when the plant was looked at.
FOUND: dict[str, dict[str, str]] = {
    "Recovery": {"recovery.level": "pass", "recovery.mass": "info", "recovery.rebound": "pass"},
    "Pressure test": {"standing-pressure.verdict": "pass"},
    "Evacuation": {"evacuation.progress": "pass", "evacuation.plateau": "info"},
    "Vacuum decay test": {"decay.verdict": "pass", "decay.cause": "cannot tell"},  # 36 min hide a leak that matters
    "Charging": {"charging.target": "pass", "charging.mass": "info", "charging.full_charge": "pass"},
    "Start-up": {
        "start_up.steady": "pass", "start_up.hunting": "pass", "start_up.suction_superheat": "pass",
        "start_up.high_side": "pass",
    },
}  # fmt: skip
# What the plant's own books say, within a scale's means.
MASSES_KG = {"recovered": 96.0, "charged": 98.0}


def test_the_demonstration(tmp_path: Path) -> None:
    out = tmp_path / "demo"
    # Its own choice would be slow beside other tests.
    said = rimelog(tmp_path, "demo", "--no-view", "--speed", "200", "--out", out, patience_s=PATIENCE_S)
    assert said.startswith("Sample data")
    assert "Everything was checked, and holds." in said.splitlines()
    assert [line.removesuffix(" ended") for line in said.splitlines() if line.endswith(" ended")] == list(FOUND)
    assert ": CYLINDER NEARLY FULL" in said
    assert "cylinder B is on the scale now" in said
    (bundle,) = out.glob("*.zip")
    (report,) = out.glob("*.pdf")
    _the_findings_are_right(bundle)
    _the_report_shows(report)
    _the_readings_are_whole(bundle)
    assert (out / "daemon.log").read_text() == ""
    assert (out / "sim_device.log").read_text() == ""


def _the_findings_are_right(bundle: Path) -> None:
    with zipfile.ZipFile(bundle) as archive:
        (name,) = (name for name in archive.namelist() if name.endswith("/findings.json"))
        stages = json.loads(archive.read(name))["stages"]
    for stage, wanted in zip(stages, FOUND.values(), strict=True):
        assert wanted.items() <= {one["key"]: one["verdict"] for one in stage["findings"]}.items()
    inputs = {one["name"]: one["value"] for stage in stages for found in stage["findings"] for one in found["inputs"]}
    for name, mass_kg in MASSES_KG.items():
        assert abs(inputs[name]["number"] - mass_kg) < 0.2, name


def _the_report_shows(report: Path) -> None:
    pages = pdf.pages(report)
    assert 6 <= len(pages) <= 40
    for number, text in enumerate(pages, 1):
        assert "SAMPLE DATA, NOT A REAL JOB" in text, number
        assert re.search(rf"\b{number}\s*(of|/)\s*{len(pages)}\b", text), number
    for stage in FOUND:
        assert stage in pages[0]
    assert 0.005 < pdf.ink(report, 0).mean() < 0.5  # something stands on it
    assert "readings.csv" in pdf.attached(report)


def _the_readings_are_whole(bundle: Path) -> None:
    with zipfile.ZipFile(bundle) as archive:
        files = {name.split("/", 1)[1]: archive.read(name) for name in archive.namelist()}
    assert b"Sample data" in files["bag-info.txt"]
    rows = list(csv.DictReader(io.StringIO(files["data/readings.csv"].decode())))
    times = [row["time"] for row in rows]
    assert times == sorted(times)
    for column, low, high in (
        ("cylinder_mass [kg]", 20.0, 180.0),
        ("ambient_temperature [K]", 285.0, 305.0),
        ("barometer [Pa]", 100_000.0, 103_000.0),
        ("suction_pressure [Pa]", 0.0, 2_500_000.0),
        ("vacuum [Pa]", 0.0, 3400.0),
    ):
        values = [float(row[column]) for row in rows if row[column]]
        assert len(values) > 1000, column
        assert all(low <= value <= high for value in values), (column, min(values), max(values))
