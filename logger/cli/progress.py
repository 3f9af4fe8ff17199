"""How far long work is, on standard error: a bar with rate and time left on a terminal, a line now and then elsewhere.

NO_COLOR and TERM=dumb are honoured by rich.
"""

import contextlib
import time
from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

import click
from rich.console import Console
from rich.progress import (
    BarColumn,
    Progress,
    SpinnerColumn,
    TaskProgressColumn,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)

from logger.model.counted import Counted, uncounted

T = TypeVar("T")
EVERY_S = 0.2
LINE_S = 10.0  # where no bar can be drawn: work of seconds says nothing


def counted(
    items: Iterable[T], what: str, total: int, *, size: Callable[[T], int] = lambda _: 1, unit: str = "records"
) -> Iterator[T]:
    """See logger.model.counted.Counted."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield from _in_lines(items, what, total, size)
        return
    columns = (
        TextColumn("{task.description}"), BarColumn(bar_width=24), TaskProgressColumn(),
        TextColumn("{task.fields[rate]}"), TimeRemainingColumn() if total else TimeElapsedColumn(),
    )  # fmt: skip
    with Progress(*columns, console=console, transient=True) as shown:
        task = shown.add_task(what, total=total or None, rate="")
        done, next_s = 0, time.monotonic() + EVERY_S
        for item in items:
            yield item
            done += size(item)
            if (now := time.monotonic()) >= next_s:
                next_s = now + EVERY_S
                speed = shown.tasks[0].speed
                shown.update(task, completed=done, rate=f"{speed:,.0f} {unit}/s" if speed else "")


def _in_lines(items: Iterable[T], what: str, total: int, size: Callable[[T], int]) -> Iterator[T]:
    begun = said = time.monotonic()
    done = 0
    for item in items:
        yield item
        done += size(item)
        now = time.monotonic()
        if now - said >= LINE_S:
            said = now
            left = f", {(now - begun) * (total - done) / done:.0f} s left" if 0 < done <= total else ""
            share = f"{100 * done / total:.0f} %" if total else f"{now - begun:.0f} s"
            click.echo(f"{what}: {share}{left}", err=True)


def counting(quiet: bool) -> Counted:
    """quiet: another program reads."""
    return uncounted if quiet else counted


@contextlib.contextmanager
def working(what: str) -> Iterator[None]:
    """Work whose length nobody knows: what is done, and for how long."""
    console = Console(stderr=True)
    if not console.is_terminal:
        click.echo(f"{what} ...", err=True)
        yield
        return
    columns = (SpinnerColumn(), TextColumn("{task.description}"), TextColumn("{task.elapsed:.0f} s"))
    with Progress(*columns, console=console, transient=True) as shown:
        shown.add_task(what, total=None)
        yield
