"""`rimelog completion`: the Tab key completes commands, options, jobs, stages, marks and cylinders."""

import os
from pathlib import Path

import click

SHELLS = ("bash", "zsh", "fish")
_BEGIN = "# Tab completion of rimelog"


@click.command()
@click.option("--shell", type=click.Choice(SHELLS), help="By default the one you use.")
@click.option("--show", is_flag=True, help="Only print the script.")
@click.option("--yes", is_flag=True, help="Do not ask.")
def completion(shell: str | None, show: bool, yes: bool) -> None:
    """Install completion by the Tab key for bash, zsh or fish.

    Says which files it writes and asks first. PowerShell is not supported.
    """
    from click.shell_completion import get_completion_class

    from logger.cli import rimelog
    from logger.config.private_files import write_private

    name = shell or Path(os.environ.get("SHELL", "")).name
    made = get_completion_class(name) if name in SHELLS else None
    if made is None:
        raise click.UsageError(f"which shell? --shell {', '.join(SHELLS)}")
    script = made(rimelog, {}, "rimelog", "_RIMELOG_COMPLETE").source()
    if show:
        click.echo(script)
        return
    home = Path.home()
    if name == "fish":
        path, start_up = home / ".config" / "fish" / "completions" / "rimelog.fish", None
    else:
        path, start_up = home / ".config" / "rimelog" / f"complete.{name}", home / f".{name}rc"
    line = f'{_BEGIN}\n[ -f "{path}" ] && . "{path}"\n'
    click.echo(f"writes {path}")
    there = start_up is not None and start_up.is_file() and _BEGIN in start_up.read_text("utf-8", "replace")
    if start_up is not None and not there:
        click.echo(f"adds to {start_up}:\n  " + line.rstrip().replace("\n", "\n  "))
    if not yes and not click.confirm("Do it?", default=True):
        raise click.Abort
    write_private(path, script)
    if start_up is not None and not there:
        with start_up.open("a", encoding="utf-8") as file:
            file.write(f"\n{line}")
    click.echo("installed; it works in new windows")
