"""What the Tab key offers besides commands and options: jobs, stages, marks, cylinders. Failing, it offers nothing."""

from collections.abc import Callable, Iterable
from typing import Any

import click
from click.shell_completion import CompletionItem

Complete = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


def _offering(known: Callable[[], Iterable[str]]) -> Complete:
    def complete(ctx: click.Context, param: click.Parameter, begun: str) -> list[CompletionItem]:
        try:
            names = list(known())
        except Exception:  # a key press is no place for an error
            return []
        return [CompletionItem(name) for name in names if name.casefold().startswith(begun.casefold())]

    return complete


def _jobs() -> list[str]:
    from logger.store.place import LATEST, all_jobs

    return [LATEST, *(place.job_id for place in all_jobs())]


def _running() -> list[str]:
    from logger.store.place import running_jobs

    return [place.job_id for place in running_jobs()]


def _state() -> dict[str, Any]:
    from logger.cli.act_commands import client

    return client(None).status()


def _cylinders() -> list[str]:
    from logger.cli.quantities import cylinders_path
    from logger.config.cylinders import read_cylinders

    names = [c.name for c in read_cylinders(cylinders_path())]
    try:
        return [*dict.fromkeys([*_state()["cylinders"], *names])]
    except Exception:
        return names


def _marks() -> list[str]:
    from logger.cli.loosely import MARKS

    return [*MARKS]


def _stages() -> list[str]:
    from logger.stages import registry

    return [one.kind for one in registry.STAGES]


def _alarms() -> list[str]:
    return [alarm["key"] for alarm in _state()["alarms"]]


def _proposals() -> list[str]:
    return [str(one["n"]) for one in _state()["proposals"]]


job_ids = _offering(_jobs)
running_ids = _offering(_running)
stage_kinds = _offering(_stages)
cylinder_names = _offering(_cylinders)
mark_words = _offering(_marks)
alarm_keys = _offering(_alarms)
proposal_numbers = _offering(_proposals)
