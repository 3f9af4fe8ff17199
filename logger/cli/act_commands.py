"""Commands that talk to the running daemon."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from logger.api.client import Client, DaemonError, read_address
from logger.cli.completing import alarm_keys, cylinder_names, mark_words, proposal_numbers, running_ids
from logger.model.finding import Text
from logger.model.points import Quantity
from logger.model.units import parse_quantity
from logger.pipeline.errors import ASKED_BACK

JOB_OPTION = click.option("--job", help="Job id, when more than one job is logging.", shell_complete=running_ids)
JSON_OPTION = click.option("--json", "as_json", is_flag=True, help="Machine-readable output.")


def _seconds(ctx: click.Context, param: click.Parameter, text: str | None) -> float:
    return 0.0 if text is None else parse_quantity(text, Quantity.TIME)


AGO_OPTION = click.option("--ago", "ago_s", callback=_seconds, help="It happened this long ago, such as 5min.")


def client(job: str | None) -> Client:
    """The daemon of `job`, or the only one running."""
    from logger.store.place import running_address_file

    path: Path = running_address_file(job)
    return Client(read_address(path))


@click.command()
@JOB_OPTION
@JSON_OPTION
def status(job: str | None, as_json: bool) -> None:
    """Print what the running job shows now."""
    state = client(job).status()
    if as_json:
        click.echo(json.dumps(state, indent=1))
        return
    from logger.screen.status_lines import status_lines

    for line in status_lines(state):
        click.echo(line)


@click.group()
def stage() -> None:
    """Begin or end a stage of the job."""


class _StageBegin(click.Command):
    """`stage begin`, its stages and options made of the registry when it is called."""

    def format_help_text(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        from logger.stages import registry

        super().format_help_text(ctx, formatter)
        formatter.write_paragraph()
        with formatter.indentation():
            formatter.write_text(f"STAGE: {', '.join(one.kind for one in registry.STAGES)}.")

    def get_params(self, ctx: click.Context) -> list[click.Parameter]:
        from logger.cli.stage_begin import parameters

        return [*parameters(), *super().get_params(ctx)]


@stage.command("begin", cls=_StageBegin)
@click.option("--operator", default="", help="Who begins it.")
@click.option("--as-entered", is_flag=True, help="An unusual number is right.")
@click.option("--anyway", is_flag=True, help="Although the stage before it is not done, or is of the same kind.")
@AGO_OPTION
@JOB_OPTION
def stage_begin(
    kind: str, operator: str, as_entered: bool, anyway: bool, job: str | None, ago_s: float, **typed: Any
) -> None:
    """Begin a stage; a running one is ended first.

    What was found in that one is printed.
    """
    from logger.cli.loosely import stage_kind
    from logger.cli.stage_begin import entered

    kind = stage_kind(kind)
    settings = entered(kind, typed)
    body = {"kind": kind, "settings": settings, "operator": operator, "ago_s": ago_s, "as_entered": as_entered}
    try:
        say_ended(client(job).act("stage-begin", **body, anyway=anyway))
    except DaemonError as exc:
        how = " If so, add --anyway." if exc.code in ASKED_BACK else ""
        raise DaemonError(f"{exc}{how}", exc.code) from exc


@stage.command("end")
@click.option("--operator", default="", help="Who ends it.")
@AGO_OPTION
@JOB_OPTION
def stage_end(operator: str, ago_s: float, job: str | None) -> None:
    """End the running stage and print what was found."""
    say_ended(client(job).act("stage-end", operator=operator, ago_s=ago_s))


def step_line(step: Mapping[str, str | None]) -> str:
    """The next step, and the command for it where there is one."""
    text, command = str(step["text"]), step["command"]
    return text + (f"{'' if text.endswith('?') else ':'}  {command}" if command else "")


def say_ended(answer: dict[str, Any]) -> None:
    """A stage that was ended, with what was found; then what was begun."""
    first, *rest = str(answer["text"]).split("\n")
    click.echo(first)
    for finding in answer.get("findings", []):
        click.echo(f"  {Text(finding['headline'], finding['text']).line}")
    for line in rest:
        click.echo(line)


@click.command()
@click.argument("act", shell_complete=mark_words)
@click.option("--text", default="", help="More words.")
@click.option("--own-word", is_flag=True, help="Take ACT as it is, although it is nearly a known one.")
@AGO_OPTION
@JOB_OPTION
def mark(act: str, text: str, own_word: bool, ago_s: float, job: str | None) -> None:
    """Log a moment of the stage, and say what comes next.

    ACT: machine-started, machine-stopped (the recovery machine), nitrogen-filled, vented, pump-started, pump-stopped,
    isolated, pump-oil-changed, nitrogen-break, valve-opened, valve-closed, charging-valve-opened,
    charging-valve-closed, charge-added, compressor-started, compressor-stopped, subcooler-on, subcooler-off, or any
    short word of your own.
    """
    from logger.cli.loosely import mark_word

    act = act if own_word else mark_word(act)
    daemon = client(job)
    click.echo(daemon.act("mark", act=act, text=text, ago_s=ago_s)["text"])
    click.echo(f"  Next: {step_line(daemon.status()['next'])}")


@click.command()
@click.argument("number", type=int, required=False, shell_complete=proposal_numbers)
@click.option(
    "--cylinder", "name", help="Which one it is, where the scale alone cannot tell.", shell_complete=cylinder_names
)
@click.option("--ago", "ago_s", callback=_seconds, help="It happened this long ago, if not when the readings say.")
@click.option("--operator", default="", help="Who says so.")
@JOB_OPTION
def yes(number: int | None, name: str | None, ago_s: float, operator: str, job: str | None) -> None:
    """Confirm what the readings show and nobody has entered: it is recorded as of when it happened.

    NUMBER: which one, where `rimelog status` lists several.
    """
    given = {"n": number, "name": name, "ago_s": ago_s or None, "operator": operator}
    say_ended(client(job).act("yes", **{key: value for key, value in given.items() if value is not None}))


@click.command()
@click.argument("number", type=int, required=False, shell_complete=proposal_numbers)
@click.option("--operator", default="", help="Who says so.")
@JOB_OPTION
def no(number: int | None, operator: str, job: str | None) -> None:
    """Say that what is proposed is not so; it is not asked again."""
    body = {"operator": operator} | ({} if number is None else {"n": number})
    click.echo(client(job).act("no", **body)["text"])


@click.command("cylinder-swap")
@click.argument("name", shell_complete=cylinder_names)
@AGO_OPTION
@JOB_OPTION
def cylinder_swap(name: str, ago_s: float, job: str | None) -> None:
    """Say that cylinder NAME is on the scale now."""
    from logger.cli.quantities import cylinders_path, user_catalogue
    from logger.config.cylinders import read_cylinders

    try:
        click.echo(client(job).act("cylinder", name=name, ago_s=ago_s)["text"])
    except DaemonError as exc:
        listed = [one.name for one in read_cylinders(cylinders_path(), user_catalogue())]
        if exc.code != "cylinder.unknown" or not listed:
            raise
        raise DaemonError(f"{exc}; kept: {', '.join(listed)}", exc.code) from exc


@click.command()
@click.argument("text", nargs=-1, required=True)
@click.option("--author", default="", help="Who writes it.")
@JOB_OPTION
def note(text: tuple[str, ...], author: str, job: str | None) -> None:
    """Write a note into the record."""
    click.echo(client(job).act("note", text=" ".join(text), author=author)["text"])


@click.command()
@click.argument("system", type=click.Choice(["us", "si"]))
@JOB_OPTION
def units(system: str, job: str | None) -> None:
    """Show the running job in US units (lb, psig, F, microns) or SI (kg, bar, C, Pa), on screens and in its report."""
    click.echo(client(job).act("setting", key="units", value=system)["text"])


@click.command()
@click.argument("alarm", required=False, shell_complete=alarm_keys)
@click.option("--operator", default="", help="Who acknowledges.")
@JOB_OPTION
def ack(alarm: str | None, operator: str, job: str | None) -> None:
    """Acknowledge one alarm by its key, or all."""
    click.echo(client(job).act("acknowledge", key=alarm or "", operator=operator)["text"])


@click.command()
@click.argument("alarm", shell_complete=alarm_keys)
@click.option("--minutes", type=click.FloatRange(1, 240), default=30.0, show_default=True, help="For so long.")
@click.option("--reason", required=True, help="Why, for the record.")
@click.option("--operator", default="", help="Who silences it.")
@JOB_OPTION
def shelve(alarm: str, minutes: float, reason: str, operator: str, job: str | None) -> None:
    """Silence one alarm, by its key, for a stated time. Overfill cannot be shelved."""
    body = {"key": alarm, "seconds": minutes * 60, "reason": reason, "operator": operator}
    click.echo(client(job).act("shelve", **body)["text"])


@click.group()
def autostop() -> None:
    """Let Rimelog stop the recovery machine: a device's relay in its control circuit.

    Only for a contact that the rig file names ([[device.output]]). An operating convenience, not a safety device: it
    replaces no pressure switch, relief valve, scale alarm or person.
    """


HOLD_OPTION = click.option("--hold", default="", help="What its contact holds, when the rig has several.")


@autostop.command("arm", short_help="Contact closed while all is well, open otherwise.")
@HOLD_OPTION
@click.option("--operator", default="", help="Who is at the recovery machine.")
@JOB_OPTION
def autostop_arm(hold: str, operator: str, job: str | None) -> None:
    """Hold the contact closed while a recovery runs and all it depends on reads and is within limits; else open it."""
    click.echo(client(job).act("autostop-arm", hold=hold, operator=operator)["text"])


@autostop.command("release")
@HOLD_OPTION
@click.option("--operator", default="", help="Who releases it.")
@JOB_OPTION
def autostop_release(hold: str, operator: str, job: str | None) -> None:
    """Cut the power now."""
    click.echo(client(job).act("autostop-release", hold=hold, operator=operator)["text"])


@click.command()
@JOB_OPTION
def stop(job: str | None) -> None:
    """Stop the logger; everything is stored."""
    click.echo(client(job).act("stop")["text"])
