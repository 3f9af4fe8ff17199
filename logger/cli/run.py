"""`rimelog run`: the logger in the foreground."""

import asyncio
import logging
import sys
import time
from collections.abc import Callable
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.cli.job_options import JobWords, go_on_options, job_options, rig_argument

if TYPE_CHECKING:
    from logger.app.daemon import Daemon
    from logger.store.place import JobPlace

LOG_BYTES = 1_000_000
ASKED_FOR_S = 15.0  # a second Ctrl-C within this time stops


@click.command()
@rig_argument
@go_on_options
@job_options
@click.option("--speed", type=float, default=1.0, hidden=True, help="Record seconds per second; demonstrations only.")
@click.option("--exit-with-parent", is_flag=True, hidden=True, help="End when standard input does; for demonstrations.")
@click.option("--apart", is_flag=True, hidden=True, help="Started by `rimelog start`: no terminal to talk to.")
@click.option("--resume", is_flag=True, hidden=True, help="Go on with the job that a reboot cut; for the service.")
@click.option("--quiet", is_flag=True, help="Print only problems.")
def run(
    rig_file: Path | None,
    continued: str | None,
    job_id: str | None,
    accept_lost_tail: bool,
    speed: float,
    exit_with_parent: bool,
    apart: bool,
    resume: bool,
    no_sound: bool,
    quiet: bool,
    **typed: Any,
) -> None:
    """Log the devices of RIG.toml in this window until stopped (Ctrl-C or `rimelog stop`).

    Everything is stored as it arrives. Other windows steer and watch: `rimelog stage begin recovery`, `rimelog view`.
    `rimelog start` does the same apart from any window.
    """
    from logger.app.connections import check_supported
    from logger.app.earlier_jobs import earlier_jobs
    from logger.app.service import RunSettings
    from logger.app.service import run as run_daemon
    from logger.cli.helpers import helpers, listed_cylinder, say_start, signer
    from logger.cli.job_options import chosen_job, chosen_rig, logo_of, refuse_devices_in_use, resumable
    from logger.cli.quantities import user_catalogue
    from logger.store.place import anchors_dir

    if resume:
        cut = resumable()
        if cut is None:
            click.echo("No job was cut off: nothing to go on with.")
            return
        continued = cut.job_id
    catalogue = user_catalogue()
    words = JobWords(continued=continued, job_id=job_id, **typed)
    rig = chosen_rig(rig_file, continued)
    check_supported(rig)
    refuse_devices_in_use(rig, words.own_id)
    place, setup = chosen_job(words, catalogue)
    _messages_to(place, apart)
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
        log=place.log_file,
        catalogue=catalogue,
        listed_cylinder=lambda name: listed_cylinder(name, catalogue),
        earlier=lambda job: earlier_jobs(job) | logo_of(job),
        on_start=_started(place, None if quiet else say_start),
        interrupted=_asking(place) if sys.stdin.isatty() else lambda daemon: True,
        helpers=helpers(sound=not no_sound, demonstration=speed > 1, tied=exit_with_parent, quiet=quiet),
    )
    by_person = asyncio.run(run_daemon(settings))
    if by_person:
        place.going_on_file.unlink(missing_ok=True)
    if not quiet:
        _said(f"job {place.job_id} is stored in {place.file}")


def _messages_to(place: "JobPlace", apart: bool) -> None:
    """The program's own messages: to this window and the job's log file; apart, standard error is that file."""
    handlers: list[logging.Handler] = [logging.StreamHandler()]
    if not apart:
        handlers.append(RotatingFileHandler(place.log_file, maxBytes=LOG_BYTES, backupCount=1))
    handlers[-1].setFormatter(
        logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s", "%Y-%m-%d %H:%M:%S %z")
    )
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s", handlers=handlers)


def _started(place: "JobPlace", say: "Callable[[Daemon], None] | None") -> "Callable[[Daemon], None]":  # words: a type
    def on_start(daemon: "Daemon") -> None:
        place.going_on_file.touch(mode=0o600)
        if say is not None:
            say(daemon)

    return on_start


def _asking(place: "JobPlace") -> "Callable[[Daemon], bool]":  # words: a type
    """Whether a Ctrl-C ends the logger: in mid-stage only the second one does."""
    asked_at: list[float] = []

    def interrupted(daemon: "Daemon") -> bool:
        stage = daemon.engine.model.state.stage
        if stage is None:
            return True
        if asked_at and time.monotonic() - asked_at[-1] < ASKED_FOR_S:
            _said(f"\nThe stage stays open. Go on with: rimelog start --continue {place.job_id}")
            return True
        from logger.stages import registry

        asked_at.append(time.monotonic())
        return not _said(
            f"\n{registry.label(stage.kind)} is running. Still logging.\n"
            f"  Stop all the same: Ctrl-C again within {ASKED_FOR_S:.0f} s. The stage stays open;\n"
            f"  `rimelog start --continue {place.job_id}` continues it.\n"
            "  End the stage first: `rimelog stage end`. All done: `rimelog finish`."
        )

    return interrupted


def _said(text: str) -> bool:
    """Whether the window is there still."""
    try:
        click.echo(text)
    except OSError:
        return False
    return True
