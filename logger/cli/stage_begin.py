"""Options of `rimelog stage begin`, made of what each stage's settings are."""

from collections.abc import Mapping
from typing import Any

import click

from logger.model.points import Quantity
from logger.model.units import parse_quantity
from logger.stages import registry
from logger.stages.settings import Form, Setting, settings_of


def options() -> list[click.Parameter]:
    """One for each setting of any stage; its help names the stages that take it."""
    found: dict[str, tuple[Setting, list[str]]] = {}
    for stage in registry.STAGES:
        for one in settings_of(stage.settings):
            found.setdefault(one.name, (one, []))[1].append(stage.label)
    return [_option(one, labels) for one, labels in found.values()]


def _option(one: Setting, labels: list[str]) -> click.Option:
    text = f"{', '.join(labels)}: {one.text}."
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
            raise click.UsageError(f"{option} is not a setting of a {stage.label.lower()}")
        unit = own[name].kind
        settings[name] = parse_quantity(value, unit) if isinstance(unit, Quantity) else value
    return settings
