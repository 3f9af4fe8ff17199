"""The files that bring the logger back after a reboot, read by the formats' own parsers."""

import configparser
import os
import plistlib
import shlex
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

from logger.cli.reboot_service import service_of
from tests.tools import needs

PROGRAM = ["/opt/a b/python", "-m", "logger", "run", "--resume", "--quiet"]
LAUNCHD_KEYS = {"Label", "ProgramArguments", "EnvironmentVariables", "RunAtLoad", "KeepAlive", "ProcessType",
                "StandardErrorPath"}  # fmt: skip
"""Of launchd.plist(5), those that are used; one misspelled would be ignored without a word."""
SEQUENCES = {
    "LogonTrigger": ["Enabled", "StartBoundary", "EndBoundary", "Repetition", "ExecutionTimeLimit", "UserId", "Delay"],
}
ANY_ORDER = {
    "Task": {"RegistrationInfo", "Triggers", "Settings", "Data", "Principals", "Actions"},
    "Settings": {"DisallowStartIfOnBatteries", "StopIfGoingOnBatteries", "ExecutionTimeLimit", "RestartOnFailure"},
    "RestartOnFailure": {"Interval", "Count"}, "Exec": {"Command", "Arguments", "WorkingDirectory"},
    "Triggers": {"LogonTrigger"}, "Actions": {"Exec"},
}  # fmt: skip
"""The Task Scheduler schema ([MS-TSCH] 2.5): the trigger's elements are a sequence, the others' are not."""
DATA, HOME = Path("/home/x y/data 100%"), Path("/home/x y")


def test_the_systemd_unit_holds_the_command_and_the_folder_of_the_data() -> None:
    found = service_of("linux", PROGRAM, DATA, HOME, "x")
    assert found.path == HOME / ".config/systemd/user/rimelog.service"
    unit = configparser.RawConfigParser(strict=True)
    unit.optionxform = str  # type: ignore[assignment]
    unit.read_string(found.text)
    assert shlex.split(unit["Service"]["ExecStart"]) == PROGRAM
    assert shlex.split(unit["Service"]["Environment"].replace("%%", "%")) == [f"RIMELOG_DATA={DATA}"]
    assert unit["Service"]["Restart"] == "on-failure"
    assert unit["Install"]["WantedBy"] == "default.target"
    assert ("systemctl", "--user", "enable", "rimelog.service") in found.enable


def test_systemd_itself_finds_no_fault_in_the_unit(tmp_path: Path) -> None:
    """It warns of a word that it does not know and goes on without it: it must say nothing at all."""
    verify = needs("systemd-analyze", "reads a unit file as systemd does")
    unit = tmp_path / "rimelog.service"
    unit.write_text(service_of("linux", [sys.executable, *PROGRAM[1:], "100 % $HOME"], DATA, HOME, "x").text)
    apart = {**os.environ, "HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path)}
    done = subprocess.run(
        [verify, "--user", "--man=no", "verify", str(unit)], env=apart, capture_output=True, text=True, check=False,
        timeout=60,
    )  # fmt: skip
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


def test_the_launchd_agent_holds_the_same() -> None:
    found = service_of("darwin", PROGRAM, DATA, HOME, "x")
    agent = plistlib.loads(found.text.encode())
    assert agent["ProgramArguments"] == PROGRAM
    assert agent["EnvironmentVariables"] == {"RIMELOG_DATA": str(DATA)}
    assert agent["RunAtLoad"] is True
    assert agent["KeepAlive"] == {"SuccessfulExit": False}  # launchd.plist(5): again, unless it ended with 0
    assert agent["ProcessType"] in {"Background", "Standard", "Adaptive", "Interactive"}
    assert agent.keys() <= LAUNCHD_KEYS
    assert found.path.name == f"{agent['Label']}.plist"


def test_the_windows_task_is_not_ended_by_battery_or_time() -> None:
    found = service_of("win32", PROGRAM, DATA, HOME, "home & sons")
    task = ElementTree.fromstring(found.text)
    space = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"
    told = {one.tag.removeprefix(space): one.text for one in task.iter()}
    assert told["Command"] == PROGRAM[0]
    assert told["Arguments"] == "-m logger run --resume --quiet"
    assert told["UserId"] == "home & sons"
    assert told["StopIfGoingOnBatteries"] == "false"
    assert told["ExecutionTimeLimit"] == "PT0S"
    for parent in task.iter():
        tag, inside = parent.tag.removeprefix(space), [one.tag.removeprefix(space) for one in parent]
        order = SEQUENCES.get(tag)
        if order is None:
            assert set(inside) <= ANY_ORDER.get(tag, set()) and len(set(inside)) == len(inside)
        else:
            assert inside == [one for one in order if one in inside]
