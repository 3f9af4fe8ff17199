"""`rimelog start`: the logger apart from the terminal, in a session of its own."""

import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.cli.job_options import JobWords, go_on_options, job_options, rig_argument

if TYPE_CHECKING:
    from logger.refrigerant import Catalogue
    from logger.store.place import JobPlace

START_S = 60.0  # for the logger to answer, on a computer that is busy


@click.command()
@rig_argument
@go_on_options
@job_options
@click.option("--speed", type=float, default=1.0, hidden=True)
def start(
    rig_file: Path | None,
    continued: str | None,
    job_id: str | None,
    accept_lost_tail: bool,
    no_sound: bool,
    speed: float,
    **typed: Any,
) -> None:
    """Start logging apart from this window: closing it, or logging out where the system allows, ends nothing.

    Asks what is missing for a new job; every answer can be given as an option. `rimelog view` watches, `rimelog stop`
    ends it, `rimelog finish` ends it and makes the report.
    """
    from logger.app.connections import check_supported
    from logger.cli.helpers import say_calibrations
    from logger.cli.job_options import chosen_job, chosen_rig, chosen_rig_file, refuse_devices_in_use
    from logger.cli.quantities import user_catalogue
    from logger.store.lock import holder_of
    from logger.store.place import lock_path

    catalogue = user_catalogue()
    rig_file = chosen_rig_file(rig_file, continued)  # the logger runs in another folder
    rig = chosen_rig(rig_file, continued)
    check_supported(rig)
    say_calibrations(rig)
    words = JobWords(continued=continued, job_id=job_id, **typed)
    refuse_devices_in_use(rig, words.own_id)
    if continued is None and words.job_file is None:
        words = _asked(words, catalogue)
    place, _ = chosen_job(words, catalogue)
    if (holder := holder_of(lock_path(place.file))) is not None:
        from logger.store.errors import StoreBusy

        raise StoreBusy(f"job {place.job_id} is already being written by {holder}; watch it with `rimelog view`")
    own = {"--continue": place.job_id} if continued is not None else {"--job": place.job_id} | _options(words)
    command = [sys.executable, "-m", "logger", "run", *([str(rig_file.resolve())] if rig_file else []), "--apart"]
    command += [word for name, value in own.items() for word in (name, value)]
    command += [flag for flag, on in (("--accept-lost-tail", accept_lost_tail), ("--no-sound", no_sound)) if on]
    command += ["--speed", str(speed)] if speed != 1.0 else []
    pid = _started(command, place)
    click.echo(f"job {place.job_id}: logging, apart from this window (process {pid})")
    click.echo(f"  messages of the logger: {place.log_file}")
    click.echo("  watch with `rimelog view` or `rimelog page`; `rimelog finish` ends it and makes the report")


def _options(words: JobWords) -> dict[str, str]:
    names = ("refrigerant", "charge", "customer", "site", "appliance", "technician", "cylinder", "units")
    found = {f"--{name}": getattr(words, name) for name in names if getattr(words, name)}
    return found | ({"--job-file": str(words.job_file.resolve())} if words.job_file else {})


def _asked(words: JobWords, catalogue: "Catalogue") -> JobWords:
    """What a new job needs and was not given, asked on a terminal; elsewhere only what was given counts."""
    from dataclasses import replace

    from logger.cli.quantities import cylinders_path
    from logger.config.cylinders import read_cylinders
    from logger.model.points import Quantity
    from logger.model.units import UnitError, parse_quantity
    from logger.refrigerant import UnknownRefrigerant

    if not sys.stdin.isatty():
        return words

    def refrigerant(text: str) -> str:
        try:
            return catalogue.find(text).name
        except UnknownRefrigerant as exc:
            raise click.UsageError(str(exc)) from exc

    def mass(text: str) -> str:
        try:
            parse_quantity(text, Quantity.MASS)
        except UnitError as exc:
            raise click.UsageError(str(exc)) from exc
        return text

    if words.refrigerant is None:
        words = replace(words, refrigerant=click.prompt("Refrigerant in the system", value_proc=refrigerant))
    asked: list[tuple[str, str, Callable[[str], str]]] = [
        ("charge", "Full charge, such as 220lb (Enter: not known)", lambda text: mass(text) if text else ""),
        ("customer", "Customer (Enter: later)", str),
        ("appliance", "System, by the customer's name for it (Enter: later)", str),
    ]
    for name, question, check in asked:
        if getattr(words, name) is None:
            answer = click.prompt(question, default="", show_default=False, value_proc=check)
            given: dict[str, Any] = {name: answer}
            words = replace(words, **given)
    listed = read_cylinders(cylinders_path(), catalogue)
    if words.cylinder is None and listed:
        for i, cylinder in enumerate(listed, 1):
            inside = f", {cylinder.refrigerant}" if cylinder.refrigerant else ""
            click.echo(f"  {i}  {cylinder.name}{inside}")
        names = {str(i): one.name for i, one in enumerate(listed, 1)} | {
            one.name.casefold(): one.name for one in listed
        }

        def cylinder_of(text: str) -> str:
            if text and text.strip().casefold() not in names:
                raise click.UsageError(f"no cylinder {text!r}: its number or name in the list, or Enter")
            return names.get(text.strip().casefold(), "")

        named = click.prompt("Cylinder on the scale, number or name (Enter: none yet)", default="", show_default=False,
                             value_proc=cylinder_of)  # fmt: skip
        words = replace(words, cylinder=named or None)
    return words


def _started(command: list[str], place: "JobPlace") -> int:
    """Its process id, once it answers. Raises click.ClickException with what it said when it does not."""
    from logger.api.client import Client, DaemonError, read_address

    flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND
    begin = place.log_file.stat().st_size if place.log_file.exists() else 0
    apart: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        apart = {"creationflags": subprocess.DETACHED_PROCESS | subprocess.CREATE_NEW_PROCESS_GROUP}
    log = os.open(place.log_file, flags, 0o600)
    try:
        child = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd=place.directory.parent, **apart
        )
    finally:
        os.close(log)
    end = time.monotonic() + START_S
    while time.monotonic() < end and child.poll() is None:
        with contextlib.suppress(DaemonError):
            address = read_address(place.run_file)
            if address.pid == child.pid or sys.platform == "win32":  # there a launcher may stand between
                Client(address).status()
                return address.pid
        time.sleep(0.1)
    said = place.log_file.read_bytes()[begin:].decode("utf-8", "replace").strip()
    if child.poll() is None:
        child.terminate()
        said = said or f"it did not answer within {START_S:.0f} s"
    if not place.file.exists():  # it leaves no empty job behind
        with contextlib.suppress(OSError):
            place.log_file.unlink()
            place.directory.rmdir()
    raise click.ClickException(f"the logger did not start: {said[-2000:]}")
