"""`rimelog demo`, whole: what it says, what it finds, and what its bundle and report hold.

One test, so that the demonstration runs once however the tests are spread over processes.
"""

import csv
import io
import re
import subprocess
import zipfile
from pathlib import Path

from logger.model.units import POUND_KG
from tests.end_to_end.running import rimelog

PATIENCE_S = 290  # about a minute, four on a computer with much else to do
# Verdicts that are words, in the order in which they are told; numbers differ by when the plant was looked at.
FOUND = {
    "Recovery": ["level held", "no rebound"],
    "Pressure test": ["pressure held"],
    "Evacuation": ["target reached", "moisture: water boiled off"],
    "Vacuum decay test": ["vacuum held", "no leak found"],
    "Charging": ["full charge", "target met"],
    "Start-up": ["steady", "superheat stable", "superheat on target", r"high side [\d.]+ psi below its limit"],
}
MASSES_KG = {"Recovery": 96.0, "Charging": 98.0}  # what the plant's own books say, within a scale's means


def test_the_demonstration(tmp_path: Path) -> None:
    out = tmp_path / "demo"
    said = rimelog(tmp_path, "demo", "--no-view", "--out", out, patience_s=PATIENCE_S)
    assert said.startswith("Invented demonstration")
    assert said.rstrip().endswith("Everything was checked, and holds.")
    found = _findings(said)
    for name, wanted in FOUND.items():
        missing = [one for one in wanted if not any(re.match(one, told.casefold()) for told in found[name])]
        assert not missing, (name, missing, found[name])
    assert found.keys() == FOUND.keys()
    for name, mass_kg in MASSES_KG.items():
        shown = next(float(m[1]) for told in found[name] if (m := re.match(r"([\d.]+) lb (?:recovered|charged)", told)))
        assert abs(shown * POUND_KG - mass_kg) < 0.2, (name, shown)
    assert "ALARM Cylinder nearly full" in said
    assert "cylinder B is on the scale now" in said
    (bundle,) = out.glob("*.zip")
    (report,) = out.glob("*.pdf")
    _the_report_shows(report, found)
    _the_readings_are_whole(bundle)
    assert (out / "daemon.log").read_text() == ""
    assert (out / "sim_device.log").read_text() == ""


def _findings(said: str) -> dict[str, list[str]]:
    """By stage: what was found, in the order of the telling."""
    found: dict[str, list[str]] = {}
    stage = ""
    for line in said.splitlines():
        if line.endswith(" ended"):
            stage = line.removesuffix(" ended")
            found[stage] = []
        elif " begun, stage" in line or not line.startswith("  "):
            stage = ""
        elif stage and "ALARM" not in line:
            found[stage].append(line.strip())
    return found


def _the_report_shows(report: Path, found: dict[str, list[str]]) -> None:
    about = subprocess.run(["pdfinfo", report], capture_output=True, text=True, check=True).stdout
    pages = int(re.search(r"Pages: +(\d+)", about)[1])  # type: ignore[index]
    assert 6 <= pages <= 40
    for page in range(1, pages + 1):
        text = _text(report, page)
        assert "Invented data: no real plant, customer or job" in text, page
        assert re.search(rf"\b{page}\s*(of|/)\s*{pages}\b", text), page
    first = _text(report, 1)
    for stage in found:
        assert stage in first
    picture = report.with_suffix(".ppm")
    command = ["pdftoppm", "-r", "40", "-f", "1", "-l", "1", "-singlefile", str(report), str(picture.with_suffix(""))]
    subprocess.run(command, check=True)
    pixels = picture.read_bytes()[-40 * 40 * 3 * 90 :]
    assert 0.005 < sum(value < 128 for value in pixels) / len(pixels) < 0.5  # something stands on it
    attached = subprocess.run(["pdfdetach", "-list", report], capture_output=True, text=True, check=True).stdout
    assert "readings.csv" in attached


def _text(report: Path, page: int) -> str:
    command = ["pdftotext", "-layout", "-f", str(page), "-l", str(page), str(report), "-"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def _the_readings_are_whole(bundle: Path) -> None:
    with zipfile.ZipFile(bundle) as archive:
        files = {name.split("/", 1)[1]: archive.read(name) for name in archive.namelist()}
    assert b"Invented data" in files["bag-info.txt"]
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
