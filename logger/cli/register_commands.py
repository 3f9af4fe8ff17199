"""`rimelog register` and `rimelog ask`: all jobs of this computer as one file, and questions to it."""

import json
from pathlib import Path
from typing import Any

import click

from logger.cli.act_commands import JSON_OPTION
from logger.cli.answers import SAMPLE_OPTION, answer_options, print_answer
from logger.cli.quantities import say
from logger.model.text import clean


@click.group()
def register() -> None:
    """All jobs of this computer in one SQLite file, which any SQLite browser opens.

    It is made of the job files and brought up to date by each command that asks it.
    """


@register.command()
@JSON_OPTION
def rebuild(as_json: bool) -> None:
    """Make the register again from the job files."""
    from logger.cli.progress import counting
    from logger.register.register import rebuild as anew
    from logger.register.register import register_path

    done = anew(counted=counting(quiet=as_json))
    if as_json:
        click.echo(json.dumps({"path": str(register_path()), "jobs": done.jobs}, indent=1))
        return
    click.echo(f"{register_path()}  ({done.jobs} jobs)")


@click.command()
@click.argument("question", required=False)
@click.option("--over", metavar="SHARE", help="leaks: more than this share of the charge a year.  [default: 10%]")
@click.option("--appliance", metavar="NAME", help="tests: of this appliance, site or customer; a part of its name.")
@click.option("--year", type=click.IntRange(1970, 9999), help="recovered: in this year alone.")
@click.option("--sql", metavar="SELECT", help="A question of your own, over the tables of docs/register.md.")
@SAMPLE_OPTION
@answer_options
def ask(
    question: str | None, over: str | None, appliance: str | None, year: int | None, sql: str | None, sample: bool,
    as_csv: bool, as_json: bool, units: str,
) -> None:  # fmt: skip
    """Ask all jobs: leaks, tests, recovered, pull-downs, calibrations, undecided.

    Without a QUESTION, what each answers. --sql reads the register and can change nothing.
    """
    from logger.cli.progress import counting
    from logger.clock import local_day
    from logger.model.points import Quantity
    from logger.model.units import parse_quantity
    from logger.register.ready_questions import QUESTIONS, put
    from logger.register.register import asked
    from logger.register.sql import ask_sql

    if sql is not None and question is not None:
        raise click.UsageError("give a QUESTION or --sql, not both")
    counted = counting(quiet=as_json or as_csv)
    if sql is not None:
        found = asked(lambda connection: ask_sql(connection, sql), counted=counted)
        print_answer(found, as_csv=as_csv, as_json=as_json, units=units)
        return
    if question is None:
        for one in QUESTIONS.values():
            click.echo(f"  {one.name:<13} {one.purpose}")
        return
    if question not in QUESTIONS:
        raise click.UsageError(f"no question {question!r}; there are {', '.join(QUESTIONS)}, or --sql")
    chosen = QUESTIONS[question]
    given: dict[str, Any] = {
        "over": None if over is None else parse_quantity(over, Quantity.RATIO), "appliance": appliance,
        "year": None if year is None else str(year),
    }  # fmt: skip
    for name, value in given.items():
        if value is not None and name not in chosen.options:
            raise click.UsageError(f"--{name} is not of {question!r}")
    given["today"] = local_day().isoformat()
    options = {name: value for name, value in given.items() if name in chosen.options}
    found = asked(lambda connection: put(connection, chosen, sample=sample, **options), counted=counted)
    print_answer(found, as_csv=as_csv, as_json=as_json, units=units)


@click.command()
@click.argument("paths", nargs=-1, required=True, metavar="PATH...", type=click.Path(exists=True, path_type=Path))
@JSON_OPTION
@click.pass_context
def take(ctx: click.Context, paths: tuple[Path, ...], as_json: bool) -> None:
    """Take in another computer's jobs and bundles, so that one register has all.

    PATH: a bundle (.zip), a job's folder, or a folder with many. Each is verified first and kept as received, with the
    key that signed it; the same job twice is one. Exit status 1 when one was refused.
    """
    from logger.cli.progress import counting
    from logger.clock import Clock
    from logger.evidence.keys import PublicKey
    from logger.export.bundle.trusted_keys import own_public_key
    from logger.register import take as taking
    from logger.register.register import entered
    from logger.store.place import data_dir

    own = own_public_key(data_dir())

    def whose(key: PublicKey) -> str | None:
        return "this computer" if key == own else None

    done = [
        taking.take(path, data_dir(), Clock().now_ns(), whose, counting(quiet=as_json))
        for path in taking.found_in(paths)
    ]
    entered()
    if as_json:
        rows = [
            {"path": str(one.path), "job": one.job, "new": one.new, "said": one.said, "key": one.key} for one in done
        ]
        click.echo(json.dumps(rows, indent=1, ensure_ascii=False))
    for one in () if as_json else done:
        click.echo(f"{clean(str(one.path), 200)}")
        say(f"{one.job}: {one.said}" if one.new else f"NOT TAKEN: {one.said}" if not one.job else one.said)
        if one.key:
            say(f"signed with {one.key}, " + (f"the key of {one.known}" if one.known else "not known here: compare it "
                "with the fingerprint you were given in another way"))  # fmt: skip
        elif one.new:
            say("SIGNED BY NOBODY: anyone may have written it")
    if not done:
        click.echo("no bundle and no job there")
    ctx.exit(0 if done and all(one.job for one in done) else 1)
