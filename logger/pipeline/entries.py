"""What is entered at first and when it is corrected, checked the same way: cylinders, a stage's settings."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from logger.cylinder.markings import unlikely
from logger.model.cylinder import Cylinder
from logger.model.plain import from_plain
from logger.model.text import clean
from logger.model.value import Argument, name_of, word
from logger.pipeline.engine import Engine
from logger.pipeline.errors import NotNow, not_now
from logger.refrigerant import Catalogue, RefrigerantError
from logger.stages import registry
from logger.stages.definition import StageDefinition
from logger.stages.settings import SettingError, check


def checked_cylinder(data: Any, catalogue: Catalogue) -> Cylinder:
    """A cylinder as its markings can state it. Raises NotNow: a wrong tare or capacity would be a wrong limit."""
    try:
        cylinder = from_plain(Cylinder, data)
        names = [cylinder.refrigerant, *cylinder.candidates]
        inside = [catalogue.find(name).name for name in names if name is not None]
    except (TypeError, ValueError, KeyError, AttributeError, RefrigerantError) as exc:
        raise not_now("cylinder.unreadable", name_of("reason", clean(str(exc)))) from exc
    numbers = (cylinder.tare_kg, cylinder.water_capacity_kg, cylinder.requalify_years)
    optional = (cylinder.service_pressure_pa, cylinder.test_pressure_pa, cylinder.contents_kg)
    for number in (*numbers, *(n for n in optional if n is not None)):
        if isinstance(number, bool) or not isinstance(number, int | float) or not 0 <= number < 1e9:
            raise not_now("cylinder.no_number", name_of("value", clean(repr(number), 40)))
    if not (isinstance(cylinder.name, str) and clean(cylinder.name) == cylinder.name and cylinder.name):
        raise not_now("cylinder.name")
    if not (cylinder.tare_kg > 0 and cylinder.water_capacity_kg > 0):
        raise not_now("cylinder.above_zero")
    if (slip := unlikely(cylinder)) is not None:
        raise NotNow(slip.why)
    own = inside[0] if cylinder.refrigerant is not None else None
    return replace(cylinder, refrigerant=own, candidates=tuple(inside[1:] if own else inside))


def checked_settings(engine: Engine, stage: StageDefinition[Any], given: Any, as_entered: bool) -> dict[str, Any]:
    """Settings of a stage as they are stored. Raises NotNow."""
    if not isinstance(given, dict):
        raise not_now("stage.settings")
    try:
        return check(stage.settings, given, [*engine.model.state.profiles, *stage.profiles], as_entered)
    except SettingError as exc:
        of = word("stage", stage.kind)
        raise NotNow(*(replace(one, inputs=(*one.inputs, of)) for one in exc.why)) from exc


def kinds() -> tuple[Argument, ...]:
    """Of all stages."""
    return there_are(one.kind for one in registry.STAGES)


def there_are(names: Iterable[str]) -> tuple[Argument, ...]:
    return tuple(name_of("there_is", one) for one in names)
