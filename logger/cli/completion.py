"""`rimelog completion`: the Tab key completes commands, options, jobs, stages, marks and cylinders."""

import os
import sys
from pathlib import Path

import click

POWERSHELL = "powershell"
SHELLS = ("bash", "zsh", "fish", POWERSHELL)
_BEGIN = "# Tab completion of rimelog"


@click.command()
@click.option("--shell", type=click.Choice(SHELLS), help="By default the one you use.")
@click.option("--show", is_flag=True, help="Only print the script.")
@click.option("--yes", is_flag=True, help="Do not ask.")
def completion(shell: str | None, show: bool, yes: bool) -> None:
    """Install completion by the Tab key for bash, zsh, fish or PowerShell.

    Says which files it writes and asks first. PowerShell reads its profile only where its execution policy lets local
    scripts run (Get-ExecutionPolicy: RemoteSigned or looser).
    """
    from click.shell_completion import get_completion_class

    from logger.cli import powershell, rimelog
    from logger.config.private_files import write_private

    powershell.register()
    name = shell or Path(os.environ.get("SHELL", POWERSHELL if sys.platform == "win32" else "")).name
    made = get_completion_class(name) if name in SHELLS else None
    if made is None:
        raise click.UsageError(f"which shell? --shell {', '.join(SHELLS)}")
    script = made(rimelog, {}, "rimelog", "_RIMELOG_COMPLETE").source()
    if show:
        click.echo(script)
        return
    home = Path.home()
    start_up: Path | None = home / f".{name}rc"
    path = home / ".config" / "rimelog" / f"complete.{'ps1' if name == POWERSHELL else name}"
    line = f'{_BEGIN}\n[ -f "{path}" ] && . "{path}"\n'
    if name == "fish":
        path, start_up = home / ".config" / "fish" / "completions" / "rimelog.fish", None
    elif name == POWERSHELL:
        start_up = powershell.profile()
        if start_up is None:
            raise click.ClickException(
                "no PowerShell was found here; print the script with --show and add it to the file that $PROFILE names"
            )
        quoted = str(path).replace("'", "''")
        line = f"{_BEGIN}\nif (Test-Path '{quoted}') {{ . '{quoted}' }}\n"
    click.echo(f"writes {path}")
    there = start_up is not None and start_up.is_file() and _BEGIN in start_up.read_text("utf-8", "replace")
    if start_up is not None and not there:
        click.echo(f"adds to {start_up}:\n  " + line.rstrip().replace("\n", "\n  "))
    if not yes and not click.confirm("Do it?", default=True):
        raise click.Abort
    write_private(path, script)
    if start_up is not None and not there:
        start_up.parent.mkdir(parents=True, exist_ok=True)
        with start_up.open("a", encoding="utf-8") as file:
            file.write(f"\n{line}")
    click.echo("installed; it works in new windows")
