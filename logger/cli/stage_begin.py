"""What `rimelog stage begin` takes, made of the stages and what their settings are."""

from collections.abc import Mapping
from typing import Any

import click

from logger.cli.completing import stage_kinds
from logger.stages import registry
from logger.stages.settings import Form, Setting, from_text, settings_of


def parameters() -> list[click.Parameter]:
    """The stage, and an option for each setting of any; its help names the stages that take it."""
    found: dict[str, tuple[Setting, list[str]]] = {}
    for stage in registry.STAGES:
        for one in settings_of(stage.settings):
            found.setdefault(one.name, (one, []))[1].append(stage.label)
    kind = click.Argument(["kind"], metavar="STAGE", shell_complete=stage_kinds)
    return [kind, *(_option(one, labels) for one, labels in found.values())]


def _option(one: Setting, labels: list[str]) -> click.Option:
    text = f"{', '.join(labels)}: {one.text}."
    if one.kind is Form.PROFILE:
        each = (f"{s.label}: {', '.join((s.profile, *(p for p in s.profiles if p != s.profile)))}"
                for s in registry.STAGES if s.profiles)  # fmt: skip
        text = f"pass/fail standard, or your own of the job file. {'; '.join(each)}. The first is the default."
    name = f"--{one.name.replace('_', '-')}"
    match one.kind:
        case Form.FLAG:
            return click.Option([name], is_flag=True, help=text)
        case Form.COUNT:
            return click.Option([name], type=click.IntRange(min=1), help=text)
        case tuple() as words:
            return click.Option([name], type=click.Choice(words), help=text)
    return click.Option([name], help=text)


def entered(kind: str, typed: Mapping[str, Any]) -> dict[str, Any]:
    """The settings as typed, in SI. Raises click.UsageError for a setting of another stage, UnitError for a number."""
    stage = registry.definition(kind)
    if stage is None:
        raise click.UsageError(f"no such stage: {kind}; known: {', '.join(one.kind for one in registry.STAGES)}")
    own = {one.name: one for one in settings_of(stage.settings)}
    settings: dict[str, Any] = {}
    for name, value in typed.items():
        if value is None or value is False:
            continue
        if name not in own:
            option = f"--{name.replace('_', '-')}"
            can = ", ".join(f"--{own_name.replace('_', '-')}" for own_name in own) or "none"
            raise click.UsageError(f"{stage.label}: {option} is not a setting of this stage; its settings: {can}")
        settings[name] = from_text(own[name], value) if isinstance(value, str) else value
    return settings
