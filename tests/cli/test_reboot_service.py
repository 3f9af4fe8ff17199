"""The files that bring the logger back after a reboot, read by the formats' own parsers."""

import configparser
import plistlib
import shlex
from pathlib import Path
from xml.etree import ElementTree

from logger.cli.reboot_service import service_of

PROGRAM = ["/opt/a b/python", "-m", "logger", "run", "--resume", "--quiet"]
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


def test_the_launchd_agent_holds_the_same() -> None:
    found = service_of("darwin", PROGRAM, DATA, HOME, "x")
    agent = plistlib.loads(found.text.encode())
    assert agent["ProgramArguments"] == PROGRAM
    assert agent["EnvironmentVariables"] == {"RIMELOG_DATA": str(DATA)}
    assert agent["RunAtLoad"]
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
