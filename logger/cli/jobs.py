"""Commands for the jobs kept here: list, examine and rescue, copy, close."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.cli.completing import job_ids
from logger.cli.quantities import say
from logger.model.points import Quantity

if TYPE_CHECKING:
    from logger.store.doctor import DoctorReport
    from logger.store.place import JobPlace
    from logger.store.rescue import RescueReport

JSON_OPTION = click.option("--json", "as_json", is_flag=True, help="Machine-readable output.")
_MAX_LINE = 1000  # paths are in it


@click.command()
@click.option("--last", type=click.IntRange(1), help="Only the last so many.")
@click.option("--customer", metavar="NAME", help="Of this customer or site; a part of the name.")
@click.option("--appliance", metavar="NAME", help="Of this appliance; a part of the name.")
@click.option("--refrigerant", metavar="NAME", help="Such as R-410A.")
@click.option("--since", type=click.DateTime(["%Y-%m-%d"]), metavar="DAY", help="From this day on, as 2026-03-02.")
@click.option("--until", type=click.DateTime(["%Y-%m-%d"]), metavar="DAY", help="Up to this day.")
@click.option("--verdict", type=click.Choice(["pass", "fail", "cannot-tell", "attention"]),
              help="With a stage that ended so.")  # fmt: skip
@click.option("--words", metavar="TEXT", help="With all these words, or beginnings of words, in names, notes, results.")
@click.option("--remove-empty", is_flag=True, help="Remove jobs in which no device was ever heard; asks first.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@JSON_OPTION
def jobs(last: int | None, remove_empty: bool, yes: bool, as_json: bool, **wanted: Any) -> None:
    """List the jobs on this computer, the newest last, with the verdict of each stage as it was drawn then.

    With several options, those that fit all of them; those received from other computers are listed too.
    """
    from logger.cli.job_list import lines, summary
    from logger.register.received import received
    from logger.store.place import all_jobs, jobs_dir

    if remove_empty:
        _remove_empty(yes)
        return

    asked_for = {name: _as_asked(value) for name, value in wanted.items() if value is not None}
    chosen = _found(asked_for) if asked_for else all_jobs()
    found = [summary(place) for place in chosen[-last if last else 0 :]]
    if as_json:
        click.echo(json.dumps([job.to_dict() for job in found], indent=1, ensure_ascii=False))
        return
    if not found and asked_for:
        click.echo("no job fits")
    elif not found:
        click.echo(f"There are no jobs in {jobs_dir()} yet; `rimelog run` begins one.")
    for place, job in zip(chosen[-len(found) :], found, strict=False):
        head, *rest = lines(job)
        click.echo(head[1])
        if (came := received(place)) is not None:
            click.echo(f"  received, {f'signed with {came.key}' if came.key else 'signed by nobody'}")
        for mark, text in rest:
            say(f"{mark:<10} {text.strip()}", "  ")


def _as_asked(value: Any) -> str:
    return value.date().isoformat() if hasattr(value, "date") else str(value).replace("cannot-tell", "cannot tell")


def _found(wanted: dict[str, str]) -> "list[JobPlace]":
    """By the register."""
    from logger.register.find import find_jobs
    from logger.register.register import asked
    from logger.store.place import JobPlace, data_dir

    rows = asked(lambda connection: find_jobs(connection, wanted))
    return [JobPlace(job_id, data_dir() / path) for job_id, path in rows]


def _remove_empty(yes: bool) -> None:
    """Those without a single frame: a slip of the keyboard, a rig that was not plugged in."""
    import shutil

    from logger.store.place import anchor_path, anchors_dir, begun_ns
    from logger.store.place import jobs as places

    empty = [place for place in places() if not place.running and begun_ns(place) is None]
    for place in empty:
        click.echo(f"{place.job_id}  {place.directory}")
    if not empty:
        click.echo("no job is empty")
    elif yes or click.confirm(f"Remove {len(empty)} with all entries in it?", default=False):
        for place in empty:
            shutil.rmtree(place.directory)
            anchor_path(anchors_dir(), place.job_id).unlink(missing_ok=True)
        click.echo(f"removed: {', '.join(place.job_id for place in empty)}")


@click.command()
@click.argument("job", shell_complete=job_ids)
@click.option("--rescue", "rescue_dir", metavar="OUT", type=click.Path(file_okay=False, path_type=Path),
              help="Write what can be saved into the new folder OUT; the damaged file stays as it is.")  # fmt: skip
@JSON_OPTION
@click.pass_context
def doctor(ctx: click.Context, job: str, rescue_dir: Path | None, as_json: bool) -> None:
    """Check JOB's file for damage: structure, hash chain, checkpoints and their signatures.

    JOB: a job id, the end of one, "latest", or a path. Reads only. Exit status 0 when all is whole, 1 when something
    is wrong.
    """
    from logger.cli.progress import counting
    from logger.store.doctor import examine
    from logger.store.errors import StoreBusy
    from logger.store.place import anchors_dir, find_job

    place = find_job(job)
    if rescue_dir is not None and place.running:
        raise StoreBusy(f"job {place.job_id} is being written; end that first with `rimelog stop`, then rescue")
    check = Signatures()
    report = examine(place.file, check, anchors_dir(), counting(quiet=as_json))
    rescued = _rescue(place, report, rescue_dir) if rescue_dir is not None and report.advice else None
    notes = check.notes()
    if as_json:
        click.echo(json.dumps(_doctor_data(place, report, notes, rescued), indent=1, ensure_ascii=False))
    else:
        head, *rest = report.lines()
        click.echo(_clean(head))
        for line in (*rest[: len(report.findings)], *notes, *rest[len(report.findings) :]):
            say(_clean(line))
        if rescued is not None:
            click.echo(f"rescued to {rescued.path.parent}: {_clean(rescued.text)}")
            click.echo(f"`rimelog export {rescued.path.parent}` makes a bundle of it; keep the damaged file too.")
        elif rescue_dir is not None:
            click.echo("nothing to rescue; `rimelog copy` makes a copy")
        elif report.advice and report.readable:
            click.echo(f"`rimelog doctor {job} --rescue OUT` writes what can be saved into the folder OUT")
    ctx.exit(0 if report.whole else 1)


def _rescue(place: "JobPlace", report: "DoctorReport", out: Path) -> "RescueReport":
    from logger.cli.helpers import signer
    from logger.clock import Clock
    from logger.pipeline.replay import readings
    from logger.store.place import anchors_dir
    from logger.store.rescue import rescue

    last_id = report.chain.last_id if report.chain is not None else 0
    return rescue(
        place.file, out / place.file.name, job_id=_job_id(place), now_ns=Clock().now_ns(), sign=signer(),
        last_id=last_id, readings=readings, anchors=anchors_dir(),
    )  # fmt: skip


def _job_id(place: "JobPlace") -> str:
    """The file's own id; by its checkpoints, at last by its folder, when it cannot be read."""
    from logger.store.errors import StoreError
    from logger.store.reader import StoreReader
    from logger.store.tail import read_checkpoints

    try:
        with StoreReader(place.file) as reader:
            if reader.job_id:
                return reader.job_id
    except StoreError:
        pass
    checkpoints = read_checkpoints(place.file).checkpoints
    return checkpoints[-1].job_id if checkpoints else place.job_id


def _doctor_data(
    place: "JobPlace", report: "DoctorReport", notes: list[str], rescued: "RescueReport | None"
) -> dict[str, Any]:
    return {
        "job": place.job_id, "path": str(report.path), "whole": report.whole, "readable": report.readable,
        "lost": report.lost, "last_whole_record": report.last_id,
        "findings": [*map(_clean, report.findings), *notes],
        "breaks": [{"first_id": b.first_id, "last_id": b.last_id, "what": b.what} for b in report.breaks],
        "advice": report.advice,
        "rescued": None if rescued is None else {
            "path": str(rescued.path), "saved": rescued.saved, "lost": rescued.lost, "text": _clean(rescued.text),
        },
    }  # fmt: skip


@click.command()
@click.argument("job", shell_complete=job_ids)
@click.argument("dest", type=click.Path(file_okay=False, path_type=Path))
@JSON_OPTION
@click.pass_context
def copy(ctx: click.Context, job: str, dest: Path, as_json: bool) -> None:
    """Copy JOB with its checkpoints into a folder of its own below DEST, and check the copy.

    Safe while the job is being written: the copy is the state of one moment, a job can continue from it. Exit status
    1 when the copy does not hold.
    """
    from logger.cli.job_list import size
    from logger.cli.progress import counting
    from logger.store.copy import copy_job
    from logger.store.place import anchors_dir, find_job

    place = find_job(job)
    check = Signatures()
    done = copy_job(place.file, dest / place.job_id, check, anchors_dir(), counting(quiet=as_json))
    held, count = done.chain.holds, done.path.stat().st_size
    if as_json:
        data = {"job": place.job_id, "path": str(done.path), "size_bytes": count, "records": done.chain.count,
                "holds": held, "problem": done.chain.problem, "running": place.running,
                "notes": check.notes()}  # fmt: skip
        click.echo(json.dumps(data, indent=1, ensure_ascii=False))
    else:
        click.echo(f"{done.path}  ({size(count)}, checkpoints beside it)")
        if held:
            click.echo(f"{done.chain.count} records, all hold" + ("; still logging" if place.running else ""))
        else:
            say(f"The copy does NOT hold: {_clean(done.chain.problem or '')}; ask `rimelog doctor {job}`", "")
        for note in check.notes():
            say(note)
    ctx.exit(0 if held else 1)


@click.command()
@click.argument("job", shell_complete=job_ids)
@click.option("--end-stage", is_flag=True, help="End a stage that still runs, where its readings end.")
@click.option("--without-checkpoints", is_flag=True,
              help="Close it although no checkpoint saw its records, and write that into the record.")  # fmt: skip
@JSON_OPTION
def close(job: str, end_stage: bool, without_checkpoints: bool, as_json: bool) -> None:
    """Close JOB for good: its record is checked, ended and written again in less room; nothing can be added any more.

    Refused while the job is being written, while a stage has not been ended, when its record does not hold, and when
    no checkpoint saw it: closing would sign what anyone may have written.
    """
    from logger.store.place import find_job

    close_place(find_job(job), end_stage=end_stage, without_checkpoints=without_checkpoints, as_json=as_json)
    if not as_json:
        click.echo(f"`rimelog export {job}` writes its bundle and report")


def close_place(
    place: "JobPlace", *, end_stage: bool, without_checkpoints: bool = False, as_json: bool = False
) -> None:
    """Close the job and say what was done. Raises as `job_close.close_job` does."""
    from logger.cli.job_close import close_job
    from logger.cli.job_list import size
    from logger.cli.progress import counting

    check = Signatures()
    done = close_job(
        place, end_stage=end_stage, without_checkpoints=without_checkpoints, check_signature=check,
        counted=counting(quiet=as_json),
    )  # fmt: skip
    if as_json:
        data = {"job": place.job_id, "path": str(place.file), **done.to_dict(), "notes": check.notes()}
        click.echo(json.dumps(data, indent=1))
        return
    for note in check.notes():
        say(note)
    for headline, text in done.findings:
        say(f"{headline}: {text}")
    _ask_of_cylinders(place.job_id)
    if done.already:
        click.echo(f"job {place.job_id} is closed already")
    else:
        click.echo(
            f"job {place.job_id} is closed: {done.records} records hold, {size(done.after_bytes)} "
            f"(before {size(done.before_bytes)})"
        )


def _ask_of_cylinders(job_id: str) -> None:
    """Where a cylinder's weight does not fit what was in it after the job before. The job is closed whatever fails."""
    from logger.register import RegisterError
    from logger.register.cylinders_now import differences
    from logger.register.register import asked
    from logger.wording.values import Shown

    try:
        found = asked(lambda connection: differences(connection, job_id))
    except RegisterError as exc:
        say(f"The register could not be asked: {exc}")
        return
    for row in found:
        less = row["from_kind"] == "cylinder"
        mass = Shown("us").number(row["mass_kg"], Quantity.MASS)
        name = row["from_name"] or row["to_name"]
        say(f"Cylinder {name}: {mass} {'less' if less else 'more'} in it than after the job before.")
        if less:
            say(f"Where did it go? `rimelog cylinder out {name} --to reclaimer --mass MASS --date DAY`", "    ")
        else:
            say("Which job filled it? `rimelog take` brings another computer's. Or is a tare wrong?", "    ")


class Signatures:
    """Checks signatures of checkpoints, and remembers whose they are."""

    def __init__(self) -> None:
        self._keys: set[Any] = set()

    def __call__(self, message: bytes, signature: str) -> str | None:
        from logger.evidence.errors import SignatureError
        from logger.evidence.sshsig import CHECKPOINT_NAMESPACE, verify

        try:
            self._keys.add(verify(signature, message, CHECKPOINT_NAMESPACE))
        except SignatureError as exc:
            return str(exc)
        return None

    def notes(self) -> list[str]:
        """What a reader must know of the keys: a signature alone says nothing about whose it is."""
        from logger.export.bundle.trusted_keys import own_public_key
        from logger.store.place import data_dir

        others = sorted(key.fingerprint for key in self._keys - {own_public_key(data_dir())})
        return [f"signed with {other}, which is not this computer's key: is it one you know?" for other in others]


def _clean(text: str) -> str:
    from logger.model.text import clean

    return clean(text, _MAX_LINE)
