"""How an answer is printed: a table, CSV or JSON."""

import json
import shutil
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from logger.cli.quantities import UNITS_OPTION, say

if TYPE_CHECKING:
    from logger.register.answer_table import AnswerTable

SAMPLE_OPTION = click.option("--sample", is_flag=True, help="Sample data too.")
F = TypeVar("F", bound=Callable[..., Any])


def answer_options(command: F) -> F:
    """--csv, --json and --units."""
    command = UNITS_OPTION(command)
    command = click.option("--json", "as_json", is_flag=True, help="Machine-readable output: SI.")(command)
    return click.option("--csv", "as_csv", is_flag=True, help="Comma-separated, in your units.")(command)


def print_answer(
    found: "AnswerTable", *, as_csv: bool, as_json: bool, units: str, none: str = "nothing found"
) -> None:  # fmt: skip
    """none: said where there are no rows."""
    if as_json:
        click.echo(json.dumps(found.data(), indent=1, ensure_ascii=False))
        return
    if as_csv:
        click.echo(found.csv(units), nl=False)
        return
    for line in found.lines(units, min(shutil.get_terminal_size().columns, 160)) if found.rows else [none]:
        click.echo(line)
    for note in found.notes:
        say(note, "")
