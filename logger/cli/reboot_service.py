"""`rimelog service`: the logger comes back after a reboot, by the system's own means.

What it starts is `rimelog run --resume`: the job that was running when the computer went down goes on; one that a
person stopped does not.
"""

import getpass
import plistlib
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

import click

NAME = "rimelog"
LABEL = "org.rimelog.logger"


@dataclass(frozen=True, slots=True)
class Service:
    """path: the one file. enable, disable: commands of the system, in order; the last ones may fail harmlessly."""

    path: Path
    text: str
    enable: tuple[tuple[str, ...], ...]
    disable: tuple[tuple[str, ...], ...]


def service_of(system: str, program: list[str], data: Path, home: Path, user: str) -> Service:
    """system: as sys.platform has it. program: the command line that goes on with a job that was cut."""
    if system == "win32":
        path = home / "AppData" / "Local" / NAME / f"{NAME}-task.xml"
        return Service(
            path, _task(program, user),
            (("schtasks", "/Create", "/TN", NAME, "/XML", str(path), "/F"),),
            (("schtasks", "/Delete", "/TN", NAME, "/F"),),
        )  # fmt: skip
    if system == "darwin":
        path = home / "Library" / "LaunchAgents" / f"{LABEL}.plist"
        return Service(
            path, _agent(program, data),
            (("launchctl", "load", "-w", str(path)),), (("launchctl", "unload", "-w", str(path)),),
        )  # fmt: skip
    path = home / ".config" / "systemd" / "user" / f"{NAME}.service"
    return Service(
        path, _unit(program, data),
        (("systemctl", "--user", "daemon-reload"), ("systemctl", "--user", "enable", f"{NAME}.service"),
         ("loginctl", "enable-linger", user)),
        (("systemctl", "--user", "disable", f"{NAME}.service"), ("systemctl", "--user", "daemon-reload")),
    )  # fmt: skip


def _unit(program: list[str], data: Path) -> str:
    """systemd.service(5), systemd.exec(5): % is doubled, arguments are quoted."""
    quoted = " ".join('"' + word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$") + '"'
                      for word in program)  # fmt: skip
    place = str(data).replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    return f"""\
[Unit]
Description=Rimelog: continues the job that was running before a reboot

[Service]
ExecStart={quoted}
Environment="RIMELOG_DATA={place}"
Restart=on-failure
RestartSec=5

[Install]
WantedBy=default.target
"""


def _agent(program: list[str], data: Path) -> str:
    """launchd.plist(5)."""
    return plistlib.dumps({
        "Label": LABEL, "ProgramArguments": program, "EnvironmentVariables": {"RIMELOG_DATA": str(data)},
        "RunAtLoad": True, "KeepAlive": {"SuccessfulExit": False}, "ProcessType": "Interactive",
        "StandardErrorPath": str(data / "service.log"),
    }).decode()  # fmt: skip


def _task(program: list[str], user: str) -> str:
    """A task of the Windows Task Scheduler, schema 1.2: at logon, not stopped on battery, no time limit."""
    arguments = escape(subprocess.list2cmdline(program[1:]))
    return f"""\
<?xml version="1.0"?>
<Task version="1.2" xmlns="http://schemas.microsoft.com/windows/2004/02/mit/task">
  <Triggers><LogonTrigger><Enabled>true</Enabled><UserId>{escape(user)}</UserId></LogonTrigger></Triggers>
  <Settings>
    <DisallowStartIfOnBatteries>false</DisallowStartIfOnBatteries>
    <StopIfGoingOnBatteries>false</StopIfGoingOnBatteries>
    <ExecutionTimeLimit>PT0S</ExecutionTimeLimit>
    <RestartOnFailure><Interval>PT1M</Interval><Count>10</Count></RestartOnFailure>
  </Settings>
  <Actions><Exec><Command>{escape(program[0])}</Command><Arguments>{arguments}</Arguments></Exec></Actions>
</Task>
"""


@click.group()
def service() -> None:
    """Continue a running job after a reboot, by the system's own means."""


@service.command()
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.option("--files-only", is_flag=True, help="Write the file; leave switching it on to you.")
def install(yes: bool, files_only: bool) -> None:
    """Show the file and the commands, then write and run them.

    Linux: a systemd unit of your own, also while nobody is logged in. macOS: a launchd agent. Windows: a task at logon.
    """
    from logger.config.private_files import write_private

    found = _found()
    click.echo(f"{found.path}:\n")
    click.echo("".join(f"    {line}\n" for line in found.text.splitlines()))
    if not files_only:
        click.echo("then: " + "\n      ".join(" ".join(words) for words in found.enable))
    if not yes and not click.confirm("Write it?", default=True):
        raise click.Abort
    write_private(found.path, found.text)
    click.echo(f"written: {found.path}")
    if files_only or not _run(found.enable):
        return
    click.echo("After a reboot the job that was running continues. `rimelog service remove` takes this away.")


@service.command()
@click.option("--files-only", is_flag=True, help="Remove the file; leave switching it off to you.")
def remove(files_only: bool) -> None:
    """Switch it off and remove the file."""
    found = _found()
    if not found.path.exists():
        click.echo(f"there is none: {found.path}")
        return
    if not files_only:
        _run(found.disable)
    found.path.unlink()
    click.echo(f"removed: {found.path}")


def _found() -> Service:
    from logger.store.place import data_dir

    program = [sys.executable, "-m", "logger", "run", "--resume", "--quiet"]
    return service_of(sys.platform, program, data_dir().resolve(), Path.home(), getpass.getuser())


def _run(commands: tuple[tuple[str, ...], ...]) -> bool:
    """Each in turn; one that fails is reported, with what it said."""
    well = True
    for words in commands:
        if shutil.which(words[0]) is None:
            click.echo(f"there is no {words[0]} here; run this by hand where there is: {' '.join(words)}", err=True)
            well = False
            continue
        done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)
        if done.returncode:
            click.echo(f"{' '.join(words)} failed: {(done.stderr or done.stdout).strip()[:500]}", err=True)
            well = False
    return well
