"""The `rimelog` command. Heavy modules are imported inside the commands, so that --help answers at once."""

import importlib
import os
import sys
from typing import Any

import click

from logger import __version__

# command name -> (module, attribute, one line of help)
COMMANDS: dict[str, tuple[str, str, str]] = {
    "setup": ("logger.cli.setup", "setup", "Enter once what is the same in every job."),
    "start": ("logger.cli.start", "start", "Start logging, apart from this window."),
    "run": ("logger.cli.run", "run", "Log in this window until stopped."),
    "next": ("logger.cli.finish", "next_step", "Say the usual next step of the job."),
    "finish": ("logger.cli.finish", "finish", "End everything, make the report and open it."),
    "demo": ("logger.cli.demo", "demo", "Show the whole job on an invented plant, in about a minute."),
    "view": ("logger.cli.view", "view", "Watch the running job on this terminal."),
    "status": ("logger.cli.act_commands", "status", "Print what the running job shows now."),
    "stage": ("logger.cli.act_commands", "stage", "Begin or end a stage of the job."),
    "mark": ("logger.cli.act_commands", "mark", "Record an act: isolated, pump-oil-changed, nitrogen-break ..."),
    "cylinder-swap": ("logger.cli.act_commands", "cylinder_swap", "Say which cylinder is on the scale now."),
    "correct": ("logger.cli.correct", "correct", "Correct what was entered, or undo a correction."),
    "note": ("logger.cli.act_commands", "note", "Write a note into the record."),
    "units": ("logger.cli.act_commands", "units", "Change the units of screen and report."),
    "ack": ("logger.cli.act_commands", "ack", "Acknowledge alarms."),
    "shelve": ("logger.cli.act_commands", "shelve", "Silence one alarm for a stated time."),
    "autostop": ("logger.cli.act_commands", "autostop", "Let Rimelog cut power to the recovery machine by a relay."),
    "stop": ("logger.cli.act_commands", "stop", "Stop the logger; everything is stored."),
    "find": ("logger.cli.devices", "find", "List the ports that answer."),
    "rig": ("logger.cli.devices", "rig", "Write or check a rig file."),
    "calibrate": ("logger.cli.calibrate", "calibrate", "Calibrate a measuring point against a reference."),
    "device": ("logger.cli.device_check", "device", "Hold a device that you make to the protocol."),
    "jobs": ("logger.cli.jobs", "jobs", "List the jobs on this computer."),
    "export": ("logger.cli.evidence", "export", "Write a job's evidence bundle."),
    "verify": ("logger.cli.evidence", "verify", "Check an evidence bundle."),
    "doctor": ("logger.cli.jobs", "doctor", "Say what of a job's file is whole, and rescue the rest."),
    "copy": ("logger.cli.jobs", "copy", "Copy a job's file, also while it is being written."),
    "close": ("logger.cli.jobs", "close", "Close a job for good: check it, end it, pack it."),
    "compare": ("logger.cli.compare_command", "compare", "Lay two stages side by side."),
    "analyse": ("logger.cli.analyse_command", "analyse", "Analyze the readings of anybody's CSV file."),
    "sat": ("logger.cli.refrigerant", "sat", "Saturation of a refrigerant at a pressure or temperature."),
    "refrigerants": ("logger.cli.refrigerant", "refrigerants", "List the refrigerants known."),
    "cylinder": ("logger.cli.cylinder_commands", "cylinder", "Filling limits, and the cylinders you keep."),
    "service": ("logger.cli.reboot_service", "service", "Let a running job go on after a reboot."),
    "completion": ("logger.cli.completion", "completion", "Install completion by the Tab key."),
    "alarms": ("logger.cli.alarms", "alarms", "Show alarm settings; test sound and push."),
}


class _Lazy(click.Group):
    """Imports a command's module only when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        module, attribute, _ = COMMANDS[name]
        command = getattr(importlib.import_module(module), attribute)
        assert isinstance(command, click.Command)
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[Any]:
        """As click does, without importing every command."""
        from click.shell_completion import CompletionItem

        found = [CompletionItem(n, help=text) for n, (_, _, text) in COMMANDS.items() if n.startswith(incomplete)]
        return [*found, *click.Command.shell_complete(self, ctx, incomplete)]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, _, text) in COMMANDS.items()])


@click.group(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="rimelog")
def rimelog() -> None:
    """Logger and monitor for refrigeration service work.

    It records and warns. It replaces no relief valve, float switch, scale alarm or person: local codes, the
    cylinder's markings and licensed practice come first.
    """


def main() -> None:
    """Entry point: errors for the user are one clear message and exit status 2, never a traceback."""
    from logger.cli.errors import told

    os.umask(os.umask(0o022) | 0o022)  # nothing this program writes is for others to write in
    sys.exit(told(rimelog))
