"""`rimelog run`: the daemon in the foreground."""

import logging
from collections.abc import Callable
from pathlib import Path

import click

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


@click.command()
@click.argument("rig_file", metavar="RIG.toml", type=FILE)
@click.option("--job-file", type=FILE, help="Job file (TOML).")
@click.option("--continue", "continued", metavar="JOB", help="Go on with a job: its id, or `latest`.")
@click.option("--job", "job_id", metavar="ID", help="Id for the new job; by default today's date and a number.")
@click.option("--refrigerant", help="Without a job file: the refrigerant, such as R-407C.")
@click.option("--charge", help="Without a job file: the appliance's full charge, such as 220lb.")
@click.option("--customer", help="Without a job file: whose machine it is.")
@click.option("--units", type=click.Choice(["us", "si"]), default="us", show_default=True)
@click.option(
    "--accept-lost-tail",
    is_flag=True,
    help="Go on although records are known to be gone, or no checkpoint saw them.",
)
@click.option("--speed", type=float, default=1.0, hidden=True, help="Record seconds per second; demonstrations only.")
@click.option("--while-input", is_flag=True, hidden=True, help="End when standard input does; for demonstrations.")
@click.option("--no-sound", is_flag=True, help="Never play the alarm tone.")
@click.option("--quiet", is_flag=True, help="Print nothing but trouble.")
def run(
    rig_file: Path,
    job_file: Path | None,
    continued: str | None,
    job_id: str | None,
    refrigerant: str | None,
    charge: str | None,
    customer: str | None,
    units: str,
    accept_lost_tail: bool,
    speed: float,
    while_input: bool,
    no_sound: bool,
    quiet: bool,
) -> None:
    """Log the devices of RIG.toml until stopped (Ctrl-C or `rimelog stop`).

    Everything is stored as it arrives. Other terminals steer and watch: `rimelog stage begin recovery`,
    `rimelog view`.
    """
    import asyncio

    from logger.app.connections import check_supported
    from logger.app.earlier_jobs import earlier_jobs
    from logger.app.service import RunSettings
    from logger.app.service import run as run_daemon
    from logger.cli.helpers import helpers, kept_cylinder, say_start, signer
    from logger.cli.quantities import user_catalogue
    from logger.clock import local_day
    from logger.config.job_file import JobSetup, job_from_words, load_job
    from logger.config.rig_file import load_rig
    from logger.store.place import anchors_dir, find_job, job_place, new_job

    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    catalogue = user_catalogue()
    rig = load_rig(rig_file)
    check_supported(rig)
    setup: JobSetup | None = None
    if continued is not None:
        place = find_job(continued)
    else:
        read: Callable[[str], JobSetup]
        if job_file is not None:
            path = job_file
            read = lambda job: load_job(path, job, catalogue)  # noqa: E731
        elif refrigerant is not None:
            words = {"refrigerant": refrigerant, "full_charge": charge, "customer": customer, "units": units}
            read = lambda job: job_from_words({k: v for k, v in words.items() if v}, job, catalogue)  # noqa: E731
        else:
            raise click.UsageError("name a --job-file, a --refrigerant, or --continue a job")
        read("checked first, so that a wrong file leaves no empty job behind")
        place = job_place(job_id) if job_id else new_job(local_day())
        setup = read(place.job_id)
    settings = RunSettings(
        rig=rig,
        job=setup.job if setup else None,
        job_id=place.job_id,
        directory=place.directory,
        file=place.file,
        cylinders=setup.cylinders if setup else (),
        profiles=setup.profiles if setup else {},
        speed=speed,
        sign=signer(),
        anchors=anchors_dir(),
        accept_lost_tail=accept_lost_tail,
        catalogue=catalogue,
        kept_cylinder=lambda name: kept_cylinder(name, catalogue),
        earlier=earlier_jobs,
        on_start=lambda daemon: None if quiet else say_start(daemon),
        helpers=helpers(sound=not no_sound, demonstration=speed > 1, tied=while_input),
    )
    asyncio.run(run_daemon(settings))
    if not quiet:
        click.echo(f"job {place.job_id} is stored in {place.file}")
