"""`rimelog view`."""

import click

from logger.cli.act_commands import JOB_OPTION, client


@click.command()
@JOB_OPTION
def view(job: str | None) -> None:
    """Watch and steer the running job on this terminal; `?` shows the keys, `q` leaves and logging continues.

    b, e, s, m, n begin and end a stage, swap the cylinder, mark and note, each confirmed on one line; l, r, f, d show
    alarms, readings, findings and devices.
    """
    from logger.api.client import DaemonError
    from logger.cli.job_options import user_settings
    from logger.screen.terminal import watch
    from logger.stages import registry

    client(job).status()  # a missing daemon is reported before the screen opens
    stages = [(one.kind, one.label) for one in registry.STAGES]
    watch(
        lambda: client(job), DaemonError, stages=stages, cylinders=listed_cylinders, operator=user_settings().operator
    )


def listed_cylinders() -> list[str]:
    """Names of the cylinders that the user keeps."""
    from logger.cli.quantities import cylinders_path, user_catalogue
    from logger.config.cylinders import read_cylinders
    from logger.config.errors import ConfigError

    try:
        return [cylinder.name for cylinder in read_cylinders(cylinders_path(), user_catalogue())]
    except ConfigError:  # the command that swaps tells what is wrong with the file
        return []
