"""How far long work is: a bar with rate and time left on a terminal, on standard error; plain lines elsewhere.

NO_COLOR and TERM=dumb are honoured by rich.
"""

import contextlib
from collections.abc import Iterable, Iterator
from typing import TypeVar

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, SpinnerColumn, TaskProgressColumn, TextColumn, TimeRemainingColumn

T = TypeVar("T")
EVERY = 200


def counted(items: Iterable[T], what: str, total: int) -> Iterator[T]:
    """The items, counted as they pass."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield from items
        return
    columns = (
        TextColumn("{task.description}"), BarColumn(bar_width=24), TaskProgressColumn(),
        TextColumn("{task.fields[rate]}"), TimeRemainingColumn(),
    )  # fmt: skip
    with Progress(*columns, console=console, transient=True) as shown:
        task = shown.add_task(what, total=total, rate="")
        for i, item in enumerate(items, 1):
            yield item
            if i % EVERY == 0:
                speed = shown.tasks[0].speed
                shown.update(task, completed=i, rate=f"{speed:,.0f} records/s" if speed else "")


@contextlib.contextmanager
def working(what: str, quiet: bool = False) -> Iterator[None]:
    """Work whose length nobody knows: what is done, and for how long. quiet: another program reads."""
    console = Console(stderr=True)
    if quiet or not console.is_terminal:
        if not quiet:
            click.echo(f"{what} ...", err=True)
        yield
        return
    columns = (SpinnerColumn(), TextColumn("{task.description}"), TextColumn("{task.elapsed:.0f} s"))
    with Progress(*columns, console=console, transient=True) as shown:
        shown.add_task(what, total=None)
        yield
