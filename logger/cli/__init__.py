"""The `rimelog` command. Heavy modules are imported inside the commands, so that --help answers at once."""

import difflib
import importlib
import os
import sys
from collections.abc import Iterable
from typing import Any

import click

from logger import __version__
from logger.cli.examples import epilog

# group -> command name -> (module, attribute, one line of help), in the order of a job
GROUPS: dict[str, dict[str, tuple[str, str, str]]] = {
    "Once, and when something changes": {
        "setup": ("logger.cli.setup", "setup", "Enter once what is the same in every job."),
        "find": ("logger.cli.devices", "find", "List the ports where a device answers."),
        "rig": ("logger.cli.devices", "rig", "Write or check a rig file."),
        "calibrate": ("logger.cli.calibrate", "calibrate", "Calibrate a measuring point against a reference."),
        "cylinder": ("logger.cli.cylinder_commands", "cylinder", "Filling limits, and the cylinders you keep."),
        "alarms": ("logger.cli.alarms", "alarms", "Show alarm settings; test sound and push."),
        "completion": ("logger.cli.completion", "completion", "Install completion by the Tab key."),
        "service": ("logger.cli.reboot_service", "service", "Continue a running job after a reboot."),
    },
    "A job, in its order": {
        "start": ("logger.cli.start", "start", "Start logging, apart from this window."),
        "run": ("logger.cli.run", "run", "Log in this window until stopped."),
        "view": ("logger.cli.view", "view", "Watch the running job on this terminal."),
        "page": ("logger.cli.page", "page", "Watch and steer the running job in the browser."),
        "status": ("logger.cli.act_commands", "status", "Print what the running job shows now."),
        "next": ("logger.cli.finish", "next_step", "Say the usual next step of the job."),
        "stage": ("logger.cli.act_commands", "stage", "Begin or end a stage of the job."),
        "yes": ("logger.cli.act_commands", "yes", "Confirm what the readings show and nobody has entered."),
        "no": ("logger.cli.act_commands", "no", "Say that it is not so."),
        "mark": ("logger.cli.act_commands", "mark", "Log a moment: isolated, pump-oil-changed, nitrogen-break ..."),
        "cylinder-swap": ("logger.cli.act_commands", "cylinder_swap", "Say which cylinder is on the scale now."),
        "note": ("logger.cli.act_commands", "note", "Write a note into the record."),
        "correct": ("logger.cli.correct", "correct", "Correct what was entered, or undo a correction."),
        "units": ("logger.cli.act_commands", "units", "Change the units of screen and report."),
        "ack": ("logger.cli.act_commands", "ack", "Acknowledge alarms."),
        "shelve": ("logger.cli.act_commands", "shelve", "Silence one alarm for a stated time."),
        "autostop": (
            "logger.cli.act_commands",
            "autostop",
            "Let Rimelog stop the recovery machine by a relay.",
        ),
        "stop": ("logger.cli.act_commands", "stop", "Stop the logger; everything is stored."),
        "finish": ("logger.cli.finish", "finish", "End everything, make the report and open it."),
    },
    "Afterwards": {
        "jobs": ("logger.cli.jobs", "jobs", "List the jobs on this computer."),
        "ask": ("logger.cli.register_commands", "ask", "Ask all jobs: leaks, tests, refrigerant, calibrations."),
        "appliance": (
            "logger.cli.appliance_commands",
            "appliance",
            "An appliance over all its jobs: leak rate, tests, start-ups.",
        ),
        "refrigerant-log": (
            "logger.cli.appliance_commands",
            "refrigerant_log",
            "A year's refrigerant: movements, balance, what is missing.",
        ),
        "take": ("logger.cli.register_commands", "take", "Take in another computer's jobs and bundles."),
        "register": ("logger.cli.register_commands", "register", "All jobs in one SQLite file."),
        "export": ("logger.cli.evidence", "export", "Write a job's evidence bundle."),
        "verify": ("logger.cli.evidence", "verify", "Check an evidence bundle."),
        "timestamp": ("logger.cli.timestamp_command", "timestamp", "Have an authority sign when a bundle existed."),
        "compare": (
            "logger.cli.compare_command",
            "compare",
            "Compare two recoveries, pull-downs, decay tests or start-ups.",
        ),
        "analyze": ("logger.cli.analyse_command", "analyse", "Analyze the readings in a CSV file."),
        "doctor": ("logger.cli.jobs", "doctor", "Check a job file for damage and recover what is readable."),
        "copy": ("logger.cli.jobs", "copy", "Copy a job's file, also while it is being written."),
        "close": ("logger.cli.jobs", "close", "Finish a job: no more entries."),
    },
    "Without instruments": {
        "demo": ("logger.cli.demo", "demo", "Show the whole job on an invented plant, in about a minute."),
        "sat": ("logger.cli.refrigerant", "sat", "Saturation of a refrigerant at a pressure or temperature."),
        "refrigerants": ("logger.cli.refrigerant", "refrigerants", "List the refrigerants known."),
    },
    "For makers of devices": {
        "device": ("logger.cli.device_check", "device", "Check a device that you make against the protocol."),
    },
}
ALSO = {"analyse": "analyze"}  # spelled otherwise
COMMANDS = {name: where for group in GROUPS.values() for name, where in group.items()}


class _Lazy(click.Group):
    """Imports a command's module only when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        name = ALSO.get(name, name)
        if name not in COMMANDS:
            return None
        module, attribute, _ = COMMANDS[name]
        command = getattr(importlib.import_module(module), attribute)
        assert isinstance(command, click.Command)
        _with_examples(command, name)
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[Any]:
        """As click does, without importing every command."""
        from click.shell_completion import CompletionItem

        found = [CompletionItem(n, help=text) for n, (_, _, text) in COMMANDS.items() if n.startswith(incomplete)]
        return [*found, *click.Command.shell_complete(self, ctx, incomplete)]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for title, group in GROUPS.items():
            with formatter.section(title):
                formatter.write_dl([(name, text) for name, (_, _, text) in group.items()], col_max=15)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does, with the nearest command where there is none of that name."""
        if args and args[0] not in (*COMMANDS, *ALSO) and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], COMMANDS, n=2)
            if not near and (kind := _stage_meant(args[0])) is not None:
                ctx.fail(f"no command {args[0]!r}; did you mean `rimelog stage begin {kind}`?")
            ctx.fail(
                f"no command {args[0]!r}"
                + (f"; did you mean {' or '.join(map(repr, near))}?" if near else "; `rimelog --help` lists them")
            )
        return super().resolve_command(ctx, args)


def _stage_meant(text: str) -> str | None:
    """The kind of a stage that is typed as a command."""
    from logger.cli.loosely import meant
    from logger.stages import registry

    return next(filter(None, meant(text, {one.kind: (one.label, *one.also_called) for one in registry.STAGES})), None)


def _with_examples(command: click.Command, path: str) -> None:
    if isinstance(command, click.Group):
        for name, below in command.commands.items():
            _with_examples(below, f"{path} {name}")
    command.epilog = epilog(path)


class _Help(click.HelpFormatter):
    """No line is broken inside a name: "pressure-test", "--no-view"."""

    NO_BREAK = "\u2011"  # a hyphen at which no line ends, while the text is laid out

    def write_dl(self, rows: Iterable[tuple[str, str]], col_max: int = 30, col_spacing: int = 2) -> None:
        super().write_dl([(self._unbroken(a), self._unbroken(b)) for a, b in rows], col_max, col_spacing)

    def write_text(self, text: str) -> None:
        super().write_text(self._unbroken(text))

    def write_usage(self, prog: str, args: str = "", prefix: str | None = None) -> None:
        super().write_usage(prog, self._unbroken(args), prefix)

    def getvalue(self) -> str:
        return super().getvalue().replace(self.NO_BREAK, "-")

    def _unbroken(self, text: str) -> str:
        return text.replace("-", self.NO_BREAK)


click.Context.formatter_class = _Help


@click.group(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="rimelog")
def rimelog() -> None:
    """Logger and monitor for refrigeration service work.

    It records and warns. It replaces no relief valve, float switch, scale alarm or person: local codes, the
    cylinder's markings and licensed practice come first.
    """


def main() -> None:
    """Entry point: errors for the user are one clear message and exit status 2, never a traceback."""
    from logger.cli.errors import run_command_line

    if os.environ.get("_RIMELOG_COMPLETE", "").startswith("powershell"):
        from logger.cli import powershell

        powershell.register()
    os.umask(os.umask(0o022) | 0o022)  # nothing this program writes is for others to write in
    sys.exit(run_command_line(rimelog))
