"""What `rimelog run` adds to the bare daemon: the signing key, kept cylinders, words at the start, helpers."""

import asyncio
import contextlib
import time
from collections.abc import Awaitable, Callable

import click

from logger.api.daemon_port import Refused
from logger.app.daemon import Daemon
from logger.app.reach import Reach, keep_awake
from logger.app.stdin_watch import exit_with_parent
from logger.cli.quantities import say
from logger.clock import local_clock, local_day
from logger.config.cylinders import FILE_NAME, read_cylinders
from logger.config.errors import ConfigError
from logger.decode.calibration_fit import Standing, standing
from logger.model.cylinder import Cylinder
from logger.model.rig import Rig
from logger.refrigerant import Catalogue
from logger.register.cylinders_now import with_contents
from logger.store.place import data_dir

POLL_S = 0.5
SAID_EVERY_S = 5.0  # of one device


def signer() -> Callable[[bytes], str]:
    """Signs checkpoints with the user's key, made on first use."""
    from logger.evidence.sshsig import CHECKPOINT_NAMESPACE, sign
    from logger.export.bundle.trusted_keys import signing_key

    key = signing_key(data_dir())
    return lambda message: sign(key, message, CHECKPOINT_NAMESPACE)


def listed_cylinder(name: str, catalogue: Catalogue) -> Cylinder | None:
    """Of the user's own list, by name in any case, with what is in it by earlier jobs.

    A faulty list is reported, not taken for an empty one.
    """
    try:
        listed = read_cylinders(data_dir() / FILE_NAME, catalogue)
    except ConfigError as exc:
        raise Refused(str(exc)) from exc
    return next(iter(with_contents(c for c in listed if c.name.casefold() == name.casefold())), None)


def say_start(daemon: Daemon) -> None:
    click.echo(f"job {daemon.job_id}: logging; Ctrl-C or `rimelog stop` ends it")
    for feed in daemon.feeds.values():
        click.echo(f"  {feed.rig_device.name}: {feed.rig_device.url or 'to be found by its id'}")
    say_calibrations(daemon.engine.model.state.rig)
    click.echo("  watch with `rimelog view` or `rimelog page`; `rimelog next` says what comes next")


def say_calibrations(rig: Rig) -> None:
    """Which measuring points have an overdue calibration, or none that is recorded."""
    found = [(c.point, c.calibration, standing(c.calibration, local_day())) for d in rig.devices for c in d.channels]
    overdue = [f"{point} ({one.done})" for point, one, how in found if how is Standing.OVERDUE]
    none = [point for point, _, how in found if how is Standing.NONE]
    if overdue:
        click.echo(f"  CALIBRATION OVERDUE: {', '.join(overdue)}. Check with `rimelog calibrate POINT RIG.toml`.")
    if none:
        which = "any point" if len(none) == len(found) else ", ".join(none)
        say(f"No calibration recorded for {which}: `rimelog calibrate` shows how far off a gauge is.", "  ")


async def say_devices(daemon: Daemon) -> None:
    """A line in the window when a device is lost, and when it is back; of a flapping one every few seconds at most."""
    said = dict.fromkeys(daemon.feeds, (True, 0.0))
    while True:
        await asyncio.sleep(POLL_S)
        for name, feed in daemon.feeds.items():
            was, at_s = said[name]
            if feed.connected == was or (was and not feed.frames) or time.monotonic() < at_s + SAID_EVERY_S:
                continue
            said[name] = feed.connected, time.monotonic()
            why = feed.state.removeprefix("device lost: ")
            what = "connected again" if feed.connected else f"LOST, {why}. Still logging; it reconnects automatically"
            with contextlib.suppress(OSError):  # the window is gone; the job is not
                click.echo(f"{local_clock(daemon.clock.now_ns())} {feed.rig_device.name}: {what}")


def helpers(
    *, sound: bool, demonstration: bool, tied: bool = False, quiet: bool = False
) -> tuple[Callable[[Daemon], Awaitable[None]], ...]:
    """Tasks beside the daemon: keep-awake, sound, notices, push. A demonstration disturbs nobody.

    tied: the daemon ends when its standard input does.
    """
    of_the_job: tuple[Callable[[Daemon], Awaitable[None]], ...] = (Reach(sound=sound), keep_awake)
    of_the_window = () if quiet else (say_devices,)
    return (*(() if demonstration else of_the_job), *of_the_window, *((exit_with_parent,) if tied else ()))
