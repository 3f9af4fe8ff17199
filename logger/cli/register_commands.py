"""`rimelog register` and `rimelog ask`: all jobs of this computer as one file, and questions to it."""

from typing import Any

import click

from logger.cli.answers import answer_options, print_answer


@click.group()
def register() -> None:
    """All jobs of this computer in one SQLite file, which any SQLite browser opens.

    It is made of the job files and brought up to date by each command that asks it.
    """


@register.command()
@click.option("--json", "as_json", is_flag=True, help="Machine-readable output.")
def rebuild(as_json: bool) -> None:
    """Make the register again from the job files."""
    import json

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
@click.option("--sample", is_flag=True, help="Sample data too.")
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
