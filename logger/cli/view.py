"""`rimelog view`."""

import click

from logger.cli.act_commands import JOB_OPTION, client


@click.command()
@JOB_OPTION
def view(job: str | None) -> None:
    """Watch the running job on this terminal. `a` acknowledges, `q` leaves; logging goes on.

    `r`, `f` and `d` show all readings, findings and devices; space or an arrow goes on where they need more room.
    """
    from logger.api.client import DaemonError
    from logger.screen.terminal import watch

    client(job).status()  # a missing daemon is told before the screen opens
    watch(lambda: client(job), DaemonError)
