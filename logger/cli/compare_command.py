"""`rimelog compare`: two stages side by side."""

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from logger.export.comparison.figures import Compared
    from logger.export.comparison.sides import Side
    from logger.model.job import Stage
    from logger.statistics.ratio import Measure
    from logger.store.place import JobPlace
    from logger.wording.values import Shown


def _file(ctx: click.Context, param: click.Parameter, path: Path | None) -> Path | None:
    """A mistaken name must not cost a job's file, nor a missing folder the time of the comparison."""
    if path is not None and not path.absolute().parent.is_dir():
        raise click.BadParameter(f"there is no folder {path.parent}; make it first, or name another")
    if path is not None and path.suffix.lower() != f".{param.name}":
        raise click.BadParameter(f"{path.name} does not end in .{param.name}")
    return path


@click.command()
@click.argument("first", metavar="JOB/STAGE")
@click.argument("second", metavar="JOB/STAGE")
@click.option("--name-a", help="What the first is called in the answer, such as 'without subcooler'.")
@click.option("--name-b", help="What the second is called.")
@click.option("--svg", type=click.Path(dir_okay=False, path_type=Path), callback=_file, help="Write a picture.")
@click.option("--pdf", type=click.Path(dir_okay=False, path_type=Path), callback=_file, help="Write a page (PDF/A).")
@click.option("--paper", type=click.Choice(["us-letter", "a4"]), help="Of the page; by the units if not given.")
@click.option("--units", type=click.Choice(["us", "si"]), help="Units of the answer; the first job's if not given.")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable output, SI.")
def compare(
    first: str, second: str, name_a: str | None, name_b: str | None, svg: Path | None, pdf: Path | None,
    paper: str | None, units: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Compare two stages: did the change between them matter, and by more than the uncertainty?

    Two recoveries, evacuations, vacuum decay tests or start-ups, of one job or of two. JOB: a job id, the end of one,
    "latest", or a path. STAGE: its number, or its kind: recovery, or recovery-2 for the second recovery.

    Exit status 0 when something could be said, 1 when nothing could, 2 when the two cannot be compared.
    """
    from logger.export.comparison.compare_pdf import page, picture
    from logger.export.comparison.curves import drawing_of
    from logger.export.comparison.figures import compared
    from logger.export.comparison.sides import must_be_comparable
    from logger.wording.values import Shown

    asked = [_asked(first, name_a), _asked(second, name_b)]
    if asked[0].place.file == asked[1].place.file and asked[0].stage.number == asked[1].stage.number:
        raise click.UsageError(f"{first} and {second} are one and the same stage; name two")
    must_be_comparable(asked[0].stage, asked[0].name, asked[1].stage, asked[1].name)
    a, b = _read(*asked)
    found = compared(a, b)
    shown = Shown(units or a.job.units, a.ambient_pa, a.utc_offset_s)
    if svg is not None:
        _write(svg, picture(found, shown))
    if pdf is not None:
        _write(pdf, page(found, shown, "a4" if paper == "a4" else "us-letter" if paper else None))
    if as_json:
        click.echo(json.dumps(_data(found, shown), indent=1))
    else:
        from logger.cli.compare_print import say

        say(found, shown, drawing_of(found, shown))
        for path in (svg, pdf):
            if path is not None:
                click.echo(f"written  {path}")
    return 0 if found.result.decided else 1


@dataclass(frozen=True, slots=True)
class _Asked:
    place: "JobPlace"
    stage: "Stage"
    name: str


def _asked(text: str, name: str | None) -> _Asked:
    """Job and stage of "JOB/STAGE"; both are looked up before anything long begins."""
    from logger.export.comparison.sides import stages_of
    from logger.store.place import find_job
    from logger.store.reader import StoreReader

    job, slash, which = text.replace("\\", "/").rpartition("/")
    place = find_job(job if slash else text)
    with StoreReader(place.file) as reader:
        stages = stages_of(event for _, event in reader.events())
    if not slash:
        raise click.UsageError(f"{text} names no stage; {_there_are(place.job_id, stages)}")
    stage = _stage(which, stages)
    if stage is None:
        raise click.UsageError(f"{text}: no such stage; {_there_are(place.job_id, stages)}")
    called = name or f"{place.job_id}, {stage.number} {stage.kind}"
    return _Asked(place, stage, called)


def _stage(which: str, stages: list["Stage"]) -> "Stage | None":
    """A stage by its number, or by its kind with, from the second on, which of that kind: recovery-2."""
    from logger.stages import registry

    if which.isdigit():
        return next((s for s in stages if s.number == int(which)), None)
    match = re.fullmatch(r"([a-z-]+?)(?:-([0-9]{1,3}))?", which.lower())
    if match is None:
        return None
    kind = next((one.kind for one in registry.STAGES if match[1] in one.also_called), match[1])
    of_kind = [s for s in stages if s.kind == kind]
    nth = int(match[2] or 1)
    return of_kind[nth - 1] if 1 <= nth <= len(of_kind) else None


def _there_are(job_id: str, stages: list["Stage"]) -> str:
    if not stages:
        return f"job {job_id} has no stage at all"
    running = " (running)"
    listed = ", ".join(f"{s.number} {s.kind}{running if s.ended_ns is None else ''}" for s in stages)
    return f"job {job_id} has: {listed}. Such as {job_id}/{stages[0].number}"


def _read(one: _Asked, two: _Asked) -> tuple["Side", "Side"]:
    """Both sides; a job that has both is read once."""
    if one.place.file == two.place.file:
        both = _sides(one.place, {one.stage.number: one.name, two.stage.number: two.name})
        return both[one.stage.number], both[two.stage.number]
    a, b = (_sides(each.place, {each.stage.number: each.name})[each.stage.number] for each in (one, two))
    return a, b


def _sides(place: "JobPlace", names: dict[int, str]) -> dict[int, "Side"]:
    from logger.cli.progress import counted
    from logger.export.comparison.sides import sides
    from logger.pipeline.facts import effective
    from logger.store.reader import StoreReader

    with StoreReader(place.file) as reader:
        last_id = reader.last_id
        facts = effective((record_id, event) for record_id, event in reader.events() if record_id <= last_id)
        records = counted(reader.records(until_id=last_id), "Reading", last_id)
        return sides(place.job_id, records, names, facts)


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as exc:
        raise click.ClickException(f"cannot write {path}: {exc.strerror}; name another file") from exc


def _data(found: "Compared", shown: "Shown") -> dict[str, Any]:
    from logger.export.comparison.compare_pdf import CAUTION, invented
    from logger.export.comparison.compare_text import remarks, sentences
    from logger.model.plain import plain
    from logger.stages.comparison_words import NORMALISED
    from logger.stages.words import text_of

    result = found.result
    return {
        "kind": found.a.stage.kind,
        "decided": result.decided,
        "headline": found.headline,
        "sentences": sentences(found, shown),
        "remarks": remarks(found, shown),
        "normalised": NORMALISED[result.normalised],
        "invented": invented(found),
        "measures": [_measure(m, found, shown) for m in result.measures],
        "a": _side(found.a),
        "b": _side(found.b),
        "axes": {"x": result.x_label, "x_unit": result.x_unit, "y": result.y_label, "y_unit": result.y_unit},
        "curves": None if result.curves is None else [plain(c) for c in result.curves],
        "rule": text_of(result.finding, shown).rule,
        "caution": CAUTION,
    }


def _measure(measure: "Measure", found: "Compared", shown: "Shown") -> dict[str, Any]:
    from logger.model.plain import plain
    from logger.stages.comparison_words import name_of_measure, said_of_measure

    words = {"name": name_of_measure(measure, found.by, shown), "text": said_of_measure(measure, found.by, shown)}
    return {**words, **plain(measure)}


def _side(side: "Side") -> dict[str, Any]:
    return {
        "name": side.name,
        "job": side.job.job_id,
        "stage": side.stage.number,
        "begun_ns": side.stage.begun_ns,
        "end_ns": side.end_ns,
        "running": side.running,
        "invented": side.job.invented,
        "circumstances": [{"label": f.label, **_fact(f.value)} for f in side.facts],
        "notes": list(side.notes),
        "records": side.records,
        "head": side.head.hex(),
        "refrigerant": side.job.refrigerant,
    }


def _fact(value: Any) -> dict[str, Any]:
    from logger.model.plain import plain

    return {"text": value} if isinstance(value, str) else {"value": plain(value)}
