"""What a person sees: `rimelog view` in a real terminal at two sizes, and what a device's hostile texts make of it."""

import csv
import io
import json
import re
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import pdf, programs
from tests.end_to_end.hostile_device import FORMULA
from tests.end_to_end.running import Daemon, environment, rimelog, simulated, until
from tests.end_to_end.running import daemon as running_daemon
from tests.page.served_page import Visitor
from tests.terminal import PTY, Terminal

HOSTILE_NOTE = "\x1b[31m=1+1\u202e+cmd"
SIZES = [(80, 24), (120, 40)]


@pytest.fixture
def recovery(tmp_path: Path) -> Iterator[Daemon]:
    """A recovery under way with devices that mean no good."""
    module = "tests.end_to_end.hostile_device"
    with simulated(tmp_path, "recovery", program=module) as sim, running_daemon(tmp_path, sim.rig_file) as logger:
        logger.ready()
        rimelog(tmp_path, "stage", "begin", "recovery")
        rimelog(tmp_path, "note", HOSTILE_NOTE)
        sim.do("start_recovery")
        sim.fault("wire", "recovery board", channel=1, state="open")
        logger.when(lambda state: _waiting(logger) != [], "an alarm has come")
        yield logger


def _waiting(logger: Daemon) -> list[str]:
    """Alarms that stand and nobody has acknowledged, the computer's own troubles apart."""
    return [
        a["key"]
        for a in logger.status()["alarms"]
        if a["active"] and not a["acknowledged"] and "recovery_outlet" in a["key"]
    ]


@PTY
def test_view_in_a_terminal(recovery: Daemon, tmp_path: Path) -> None:
    for columns, rows in SIZES:
        command = f"{sys.executable} -m logger view; echo left with $?; sleep 600"
        terminal = Terminal(["sh", "-c", command], tmp_path, columns, rows)
        try:
            shown = terminal.shows("Recovery", "R-407C", "Cylinder fill, of its limit", "%", "q leave")
            lines = terminal.lines()
            assert len(lines) <= rows
            assert all(len(line) <= columns for line in lines)
            assert "SAMPLE DATA" in lines[0]
            assert "NEW" in shown or columns != SIZES[0][0]  # the alarm, above all else
            assert sum("█" in line or "▀" in line or "▄" in line for line in lines) >= 5  # the large number
            assert "Traceback" not in shown
            if rows >= 40:  # alarms leave a small screen no room for it
                terminal.shows("Scale (gross)", "whole stage", "t last 10 min")
                terminal.press("t")
                terminal.shows("last 10 min", "t whole stage")
            terminal.press("?")
            terminal.shows("begin a stage", "leave the screen")
            terminal.press("Escape")
            terminal.press("m")
            terminal.shows("Mark which act?", "1: machine-started")
            terminal.press("2")
            terminal.shows("Mark now: machine-stopped?", "Enter yes")
            terminal.press("Enter")
            terminal.shows("marked: machine-stopped")
            if _waiting(recovery):
                terminal.press("l")
                terminal.shows("[")
                terminal.press("a")
                until(lambda: not _waiting(recovery), "`a` acknowledges")
                terminal.shows("acknowledged")
            assert "owned" not in terminal.title
            terminal.press("q")
            terminal.shows("left with 0")
        finally:
            terminal.close()
        before = recovery.status()["store"]["last_id"]
        recovery.when(lambda state: state["store"]["last_id"] > before + 2, "logging goes on")  # noqa: B023
    _page(recovery, tmp_path)
    changes = json.loads(rimelog(tmp_path, "status", "--json"))["alarms"]
    assert [a for a in changes if a["acknowledged"]]
    _harmless(recovery, tmp_path)


def _page(logger: Daemon, place: Path) -> None:
    """`rimelog page` on the same job: its address connects once, it shows what the view shows, and enters a mark."""
    with (place / "page.log").open("w", encoding="utf-8") as errors:
        process = programs.begin("logger", "page", "--no-open", env=environment(place), cwd=place, stderr=errors)
    try:
        assert process.stdout is not None
        address = next(line.strip() for line in process.stdout if "http://" in line)
        port, _, code = address.removeprefix("http://127.0.0.1:").partition("/#")
        visitor = Visitor(int(port))
        visitor.pair(code)
        with visitor.live() as frames:
            state = next(data for name, _, data in frames if name == "state")
            assert state["stage"]["title"] == "Recovery" and state["number"]["label"] == "Room left in cylinder 1"
            assert not re.search(r"[\x00-\x1f\x7f\u202e]", json.dumps(state, ensure_ascii=False))
            assert visitor.request("GET", "/series")[1]["unit"] == "kg"
            assert visitor.request("POST", "/do/mark", {"act": "valve-closed"})[1] == {"text": "marked: valve-closed."}
    finally:
        process.terminate()
        process.wait(20)


def _harmless(logger: Daemon, place: Path) -> None:
    """The hostile texts of devices and people in all that is printed, stored and exported."""
    texts = [rimelog(place, "status"), rimelog(place, "status", "--json")]
    logger.stop()
    texts += [logger.log.read_text(), rimelog(place, "export", "job-1", "--out", place / "out")]
    (bundle,) = (place / "out").glob("*.zip")
    (report,) = (place / "out").glob("*.pdf")
    with zipfile.ZipFile(bundle) as archive:
        assert all(re.fullmatch(r"[\w./-]+", name) and ".." not in name for name in archive.namelist())
        tables = {n: archive.read(n).decode() for n in archive.namelist() if n.endswith(".csv")}
    texts += tables.values()
    texts.append(pdf.text(report))
    for text in texts:
        assert not re.search("[\x00-\x08\x0b\x0e-\x1f\x7f\u202a-\u202e]", text)
    cells = [cell for text in tables.values() for row in csv.reader(io.StringIO(text)) for cell in row]
    assert any(FORMULA.lstrip("=") in cell for cell in cells)  # it is there
    assert not [c for c in cells if re.match(r"[=+@\t\r]|-(?![\d.])", c)]  # and no spreadsheet computes it
    assert not list(place.rglob("owned*"))
    assert not Path("/tmp/owned").exists()
