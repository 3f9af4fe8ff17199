"""`rimelog compare` on job files made of the simulated (invented) plant's records."""

import json
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest

from logger.cli import rimelog
from logger.cli.errors import run_command_line
from logger.evidence.chain import new_event
from logger.model.events import Event, JobOpened, StageBegun, StageEnded
from logger.model.records import NewRecord, Record
from logger.model.units import NS_PER_S
from logger.store.writer import StoreWriter
from tests import pdf
from tests.export.simulated import JOB, T0_NS, simulated_job, with_job

BARE, COOLED = "2026-03-02-01", "2026-03-03-01"  # a recovery without, and with a subcooler at the outlet
FEW, BUMPED = "2026-03-09-01", "2026-03-10-01"
TIGHT, LEAK, SHORT, OTHER = "2026-03-04-01", "2026-03-05-01", "2026-03-06-01", "2026-03-07-01"
SVG = "{http://www.w3.org/2000/svg}"
RECOVERY_BOARDS = ("scale", "recovery board")


def put(data: Path, job_id: str, records: tuple[Record, ...] | list[NewRecord]) -> None:
    place = data / "jobs" / job_id
    place.mkdir(parents=True)
    writer = StoreWriter.open(place / "job.rimelog", job_id=job_id, now_ns=lambda: T0_NS)
    for one in records:
        writer.submit([NewRecord(one.kind, one.device, one.t0_ns, one.n, one.offsets, one.payload)], [])
    writer.close()


def as_job(records: tuple[Record, ...], job_id: str, **changes: object) -> tuple[Record, ...]:
    return with_job(records, job_id=job_id, **changes)


def pressure_test() -> list[NewRecord]:
    """A job of one stage that is not compared, and one that is without readings."""
    t_ns = [T0_NS + i * NS_PER_S for i in range(5)]
    events: tuple[Event, ...] = (
        JobOpened(t_ns=t_ns[0], job=replace(JOB, job_id=OTHER)),
        StageBegun(t_ns=t_ns[1], number=1, kind="pressure-test", operator="Nobody"),
        StageEnded(t_ns=t_ns[2], number=1),
        StageBegun(t_ns=t_ns[3], number=2, kind="recovery", operator="Nobody"),
        StageEnded(t_ns=t_ns[4], number=2),
    )
    return [new_event(event) for event in events]


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data directory with the jobs named above."""
    made = tmp_path_factory.mktemp("compare")
    recoveries = ((BARE, "recovery"), (COOLED, "recovery_subcooled"), (BUMPED, "bumped_scale"))
    for job_id, scenario in recoveries:
        records = simulated_job(scenario, 1600.0, RECOVERY_BOARDS, 5.0)
        put(made, job_id, as_job(records, job_id, full_charge_kg=16.5))
    tight = simulated_job("tight", 4300.0, ("vacuum board",), 4.0)
    put(made, TIGHT, as_job(tight, TIGHT))
    put(made, LEAK, as_job(simulated_job("leak", 4300.0, ("vacuum board",), 4.0), LEAK))
    put(made, SHORT, as_job(simulated_job("tight", 100.0, ("vacuum board",), 2.0), SHORT, invented=False))
    put(made, FEW, as_job(simulated_job("tight", 24.0, ("vacuum board",), 2.0), FEW))
    put(made, OTHER, pressure_test())
    return made


class Command:
    """The real command line, in this process."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self._patch, self._capture = monkeypatch, capsys

    def __call__(self, *arguments: str) -> tuple[int, str]:
        """Exit status, and what was said on either stream."""
        self._patch.setattr(sys, "argv", ["rimelog", "compare", *arguments])
        status = run_command_line(rimelog)
        out, err = self._capture.readouterr()
        return status, out + err


@pytest.fixture
def command(data: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    monkeypatch.setenv("RIMELOG_DATA", str(data))
    monkeypatch.setenv("COLUMNS", "80")
    return Command(monkeypatch, capsys)


def flat(text: str) -> str:
    return re.sub(r"[\s\u200b]+", " ", text)


def test_a_subcooler_at_the_outlet(command: Command, tmp_path: Path) -> None:
    """Terminal, picture and page say the same: colder at the outlet, and how little that speeds up this machine."""
    picture, page = tmp_path / "both.svg", tmp_path / "both.pdf"
    status, said = command(
        f"{BARE}/recovery", f"{COOLED}/1", "--name-a", "without <subcooler>", "--name-b", "with subcooler",
        "--svg", str(picture), "--pdf", str(page),
    )  # fmt: skip
    assert status == 0, said
    assert "THEY DIFFER BY MORE THAN THE UNCERTAINTY" in said
    assert "A without <subcooler>" in flat(said) and "SAMPLE DATA" in said
    cooler = re.search(r"B condensed ([\d.]+) °F cooler", flat(said))
    assert cooler is not None and float(cooler[1]) > 10.0
    assert "Compared as share of the charge" in said and "One run of each" in said
    assert max(map(len, said.partition("written")[0].splitlines())) <= 80
    assert re.search("[\u2801-\u28ff]{5}", said)
    assert "come first" in flat(said)  # the caution

    tree = Xml.parse(picture).getroot()
    assert tree.get("role") == "img"
    named = {tree.find(f"{SVG}title").get("id"), tree.find(f"{SVG}desc").get("id")}  # type: ignore[union-attr]
    assert named == set((tree.get("aria-labelledby") or "").split())
    assert "A, without <subcooler>: begins at 0.0 %" in (tree.findtext(f"{SVG}desc") or "")
    texts = [t.text for t in tree.iter(f"{SVG}text")]
    assert "Sample data: no real plant, customer or job" in texts
    assert "They differ by more than the uncertainty" in texts
    lines = list(tree.iter(f"{SVG}path"))
    assert {p.get("stroke-dasharray") is None for p in lines} == {True, False}  # told apart without colour
    assert texts.count("A") == texts.count("B") == 2  # in the key, and on the line itself

    for mark in (b"<pdfaid:part>3</pdfaid:part>", b"<pdfuaid:part>1"):  # the same standards as the report
        assert mark in page.read_bytes()
    text = flat(pdf.text(page))
    for part in ("Two recoveries side by side", "without <subcooler>", "They differ by more than the uncertainty",
                 "Condensing over ambient, °F", "Sample data", BARE, COOLED, "coverage factor 2", "Caution",
                 "Page 1 of"):  # fmt: skip
        assert part in text, part


def test_the_numbers_as_data(command: Command) -> None:
    status, said = command(f"{BARE}/recovery", f"{COOLED}/recovery", "--json")
    assert status == 0, said
    found = json.loads(said)
    assert found["kind"] == "recovery" and found["decided"] and found["invented"]
    measures = {m["name"]: m for m in found["measures"]}
    rate = measures["mean rate over the common part"]
    assert rate["low"] < rate["ratio"]["number"] < rate["high"]
    assert 1.0 < rate["ratio"]["number"] < 1.2 and rate["answer"] == "more"
    facts = {f["label"]: f["value"] for f in found["a"]["circumstances"]}
    assert facts["Recovered"]["number"] == pytest.approx(15.7, abs=0.4)  # of the scenario's 16 kg, nearly all
    # The curve is what the scale gained, as share of the charge.
    assert found["curves"][0]["y"][-1] == pytest.approx(facts["Recovered"]["number"] / 16.5, abs=0.01)


def test_a_knocked_scale_is_no_difference(command: Command) -> None:
    """The same recovery, the scale knocked, the hose tugged, the cylinder lifted while half the readings were due."""
    status, said = command(f"{BARE}/recovery", f"{BUMPED}/recovery")
    assert status == 0
    assert "NO DIFFERENCE BEYOND THE UNCERTAINTY" in said
    assert "step(s) of the scale" in flat(said) and "not counted" in said


def test_a_leak_against_a_tight_system(command: Command, tmp_path: Path) -> None:
    """1e-3 Pa m3/s into 50 L is 0.02 Pa/s, 540 micron an hour; the tight one gives off some 25 of its own."""
    status, said = command(f"{TIGHT}/decay-test", f"{LEAK}/decay-test", "--svg", str(tmp_path / "a.svg"))
    assert status == 0, said
    assert re.search(r"Steady rise: B is [\d.]+ times A", flat(said))
    steady = re.search(r"Steady rise, microns/hour +([\d.,]+) ± [\d.,]+ +([\d.,]+) ± ([\d.,]+)", said)
    assert steady is not None
    assert float(steady[2]) == pytest.approx(540.0, abs=40.0) and float(steady[1]) < 40.0
    assert "its volume cancels" in flat(said)
    status, said = command(f"{TIGHT}/decay-test", f"{LEAK}/2", "--units", "si", "--json")
    assert json.loads(said)["measures"][0]["b"]["number"] == pytest.approx(0.02, rel=0.1)


def test_two_alike_do_not_differ(command: Command) -> None:
    """The same pull-down twice (the leak is too small to matter to the pump)."""
    status, said = command(f"{TIGHT}/evacuation", f"{LEAK}/pull-down")
    assert status == 0
    assert "Pumping time, min" in said and "Vacuum, microns" in said
    assert "no difference beyond the uncertainty" in flat(said)


def test_circuits_of_two_appliances_are_compared_by_volume(data: Path, command: Command) -> None:
    job_id = "2026-03-08-01"
    records = simulated_job("tight", 4300.0, ("vacuum board",), 4.0)
    put(data, job_id, as_job(records, job_id, appliance="Another", volume_m3=0.1, volume_u_m3=0.002))
    status, said = command(f"{TIGHT}/evacuation", f"{job_id}/evacuation")
    assert status == 0
    assert "Pumping time per liter of circuit, s/L" in said
    assert "They also differ in: internal volume" in flat(said)
    status, said = command(f"{TIGHT}/decay", f"{job_id}/decay", "--json")
    inflow = json.loads(said)["measures"][0]
    assert inflow["a"]["unit"] == "Pa.m3/s"
    assert inflow["ratio"]["number"] == pytest.approx(2.0, rel=0.01)  # the same rise of twice the volume


def test_a_running_stage_and_too_little_data(command: Command) -> None:
    """What there is is compared, with a word that it is not all."""
    status, said = command(f"{TIGHT}/evacuation", f"{SHORT}/evacuation")
    assert status == 0, said
    assert "NO DIFFERENCE BEYOND THE UNCERTAINTY" in said and "Pressure after" in said
    assert "B: still running: compared as far as it has got" in flat(said)
    status, said = command(f"{SHORT}/1", f"{TIGHT}/evacuation", "--json")
    found = json.loads(said)
    assert found["a"]["running"] and not found["b"]["running"]
    assert found["invented"].startswith("B: sample")


@pytest.mark.parametrize(
    ("arguments", "parts"),
    [
        ((f"{BARE}/recovery", f"{TIGHT}/evacuation"), ("recovery", "evacuation", "only two of a kind")),
        ((f"{BARE}/recovery-2", f"{COOLED}/1"), ("no such stage", f"job {BARE} has: 1 recovery", f"{BARE}/1")),
        ((f"{TIGHT}/9", f"{COOLED}/1"), ("no such stage", "1 evacuation, 2 decay-test")),
        ((BARE, f"{COOLED}/1"), ("names no stage", "1 recovery")),
        ((f"{BARE}/1", f"{BARE}/recovery"), ("one and the same stage",)),
        ((f"{OTHER}/pressure-test", f"{OTHER}/2"), ("pressure test is not compared", "recovery, evacuation")),
        ((f"{FEW}/evacuation", f"{TIGHT}/1"), ("no readings of the vacuum",)),  # over the gauge's range so far
        ((f"{OTHER}/recovery", f"{BARE}/1"), ("no readings of the cylinder on the scale",)),
        (("2031-01-01-01/1", f"{BARE}/1"), ("no job '2031-01-01-01'",)),
        ((f"{BARE}/1", f"{COOLED}/1", "--svg", "job.rimelog"), ("does not end in .svg",)),
        ((f"{BARE}/1", f"{COOLED}/1", "--pdf", "no-such-folder/a.pdf"), ("there is no folder no-such-folder",)),
    ],
)
def test_refusals_say_what_there_is(command: Command, arguments: tuple[str, ...], parts: tuple[str, ...]) -> None:
    status, said = command(*arguments)
    assert status != 0
    assert "Traceback" not in said
    for part in parts:
        assert part in flat(said), said


def test_as_a_process_into_an_old_terminal(data: Path) -> None:
    """An output that cannot take braille gets both curves in letters, and no traceback."""
    place = data / "jobs" / LEAK / "job.rimelog"
    done = subprocess.run(
        [sys.executable, "-m", "logger", "compare", f"{TIGHT}/2", f"{place}/decay-test"],
        env={"RIMELOG_DATA": str(data), "PYTHONIOENCODING": "cp1252", "COLUMNS": "80"}, capture_output=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    said = done.stdout.decode("cp1252")
    assert "A and B; * where both are" in said
    assert re.search(r"\|.*BBB", said) and re.search(r"\|.*AAA", said)
