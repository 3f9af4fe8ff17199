"""`rimelog finish` and `rimelog next`: the end of a job in one command, and what comes before it."""

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.cli.act_commands import JOB_OPTION, client, say_ended, step_line
from logger.cli.completing import job_ids

if TYPE_CHECKING:
    from logger.store.place import JobPlace

STOP_S = 60.0  # for the logger to store everything and let the file go


@click.command("next")
@JOB_OPTION
def next_step(job: str | None) -> None:
    """Say the next step of the running job, and the command for it."""
    click.echo(step_line(client(job).status()["next"]))


@click.command()
@click.argument("job", required=False, shell_complete=job_ids)
@click.option("--out", "out_dir", type=click.Path(file_okay=False, path_type=Path), default=".", show_default=True,
              help="Folder for bundle and report.")  # fmt: skip
@click.option("--paper", type=click.Choice(["us-letter", "a4"]), help="Of the report; by the job's units if not given.")
@click.option("--open/--no-open", "open_it", default=True, help="Open the report when it is made.")
@click.pass_context
def finish(ctx: click.Context, job: str | None, out_dir: Path, paper: str | None, open_it: bool) -> None:
    """End the stage, stop the logger, close the job, write and check its bundle and report, and open the report.

    JOB: by default the one that runs, else the last one. A closed job takes no more entries.
    """
    from logger.cli.evidence import export, verify
    from logger.cli.jobs import close_place
    from logger.store.place import LATEST, find_job

    place = find_job(job or LATEST)
    if place.running:
        _stop(place)
    with _step_of(place, "closed"):
        close_place(place, end_stage=True)
    before = set(out_dir.glob("*"))
    words = [str(place.directory), "--out", str(out_dir), *(["--paper", paper] if paper else [])]
    with _step_of(place, "exported"):
        export.main(words, standalone_mode=False)
    made = sorted(set(out_dir.glob(f"*{place.job_id}*")) - before) or sorted(out_dir.glob(f"*{place.job_id}*"))
    bundle = max((p for p in made if p.suffix == ".zip"), key=lambda p: p.stat().st_mtime)
    report = max((p for p in made if p.suffix == ".pdf"), key=lambda p: p.stat().st_mtime)
    status = verify.main([str(bundle)], standalone_mode=False)
    click.echo(f"report  {report.resolve()}")
    if open_it and _has_screen():
        click.launch(str(report.resolve()))
    ctx.exit(status or 0)


def _stop(place: "JobPlace") -> None:
    daemon = client(place.job_id)
    stage = daemon.status()["stage"]
    if stage is not None and stage["running"]:
        say_ended(daemon.act("stage-end"))
    daemon.act("stop")
    click.echo("the logger is stopped: everything is stored")
    end = time.monotonic() + STOP_S
    while place.running and time.monotonic() < end:
        time.sleep(0.1)


@contextlib.contextmanager
def _step_of(place: "JobPlace", done: str) -> Iterator[None]:
    """A failure says how far it got and how to go on."""
    try:
        yield
    except BaseException:
        click.echo(f"job {place.job_id} was not {done}. Then go on: rimelog finish {place.job_id}", err=True)
        raise


def _has_screen() -> bool:
    if not sys.stdout.isatty():
        return False
    return sys.platform in ("win32", "darwin") or any(os.environ.get(v) for v in ("DISPLAY", "WAYLAND_DISPLAY"))
