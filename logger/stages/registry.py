"""The stages of a job, in the order of the work. To add one: its folder, and its line here."""

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from logger.model.finding import Finding
from logger.model.points import Quantity
from logger.stages.charging.definition import DEFINITION as CHARGING
from logger.stages.cylinder_notice import NOTICE as CYLINDER_NOTICE
from logger.stages.decay_test.definition import DEFINITION as DECAY_TEST
from logger.stages.definition import LiveQuantity, StageDefinition, View
from logger.stages.evacuation.definition import DEFINITION as EVACUATION
from logger.stages.noticing import Notice
from logger.stages.pressure_test.definition import DEFINITION as PRESSURE_TEST
from logger.stages.recovery.definition import DEFINITION as RECOVERY
from logger.stages.start_up.definition import DEFINITION as START_UP

STAGES: tuple[StageDefinition[Any], ...] = (RECOVERY, PRESSURE_TEST, EVACUATION, DECAY_TEST, CHARGING, START_UP)
NO_STAGE = View("", (), "cylinder_mass")
CYLINDER_LIVE = (
    LiveQuantity("cylinder_net_mass", "In the cylinder", Quantity.MASS),
    LiveQuantity("cylinder_of_limit", "Cylinder fill, of its limit", Quantity.RATIO),
    LiveQuantity("cylinder_fill_now", "Liquid fill now", Quantity.RATIO),
    LiveQuantity("cylinder_fill_25c", "Liquid fill at 25 °C (77 °F)", Quantity.RATIO),
    LiveQuantity("liquid_full_temperature", "Liquid-full at", Quantity.TEMPERATURE),
    LiveQuantity("mass_allowed", "Room left in cylinder", Quantity.MASS),
    LiveQuantity("flow_without_stage", "Moved, no stage begun", Quantity.MASS),
    LiveQuantity("cylinder_margin", "Margin to service pressure", Quantity.PRESSURE_DIFFERENCE),
)
"""What is known of the cylinder on the scale in every stage."""


def definition(kind: str) -> StageDefinition[Any] | None:
    """None for a stage that this version does not know."""
    return next((one for one in STAGES if one.kind == kind), None)


def label(kind: str) -> str:
    """What a person reads; of a stage that this version does not know its name as recorded."""
    found = definition(kind)
    return kind.replace("-", " ").capitalize() if found is None else found.label


def deciding(kind: str, findings: Sequence[Finding]) -> Finding | None:
    """The finding that a stage is judged by: the one that its kind names, else the first."""
    known = definition(kind)
    decides = known.decides if known is not None else ""
    return next((one for one in findings if one.key == decides), findings[0] if findings else None)


def usual_next(kind: str | None) -> StageDefinition[Any] | None:
    """What usually follows a stage of that kind in the order of the work, or begins it (None); None after the last."""
    kinds = [one.kind for one in STAGES]
    place = kinds.index(kind) + 1 if kind in kinds else 0
    return STAGES[place] if place < len(STAGES) else None


def is_later(kind: str, other: str) -> bool:
    """Whether it comes after the other one in the order of the work."""
    kinds = [one.kind for one in STAGES]
    return kind in kinds and other in kinds and kinds.index(kind) > kinds.index(other)


def view(kind: str | None) -> View:
    found = definition(kind) if kind is not None else None
    return NO_STAGE if found is None else found.view


def notices() -> dict[str, Notice]:
    """What may be noticed by the readings alone, by key: the cylinder's first, then each stage's in order."""
    found = (CYLINDER_NOTICE, *(one for stage in STAGES for one in stage.notices()))
    return {one.key: one for one in found}


def live_quantities() -> dict[str, LiveQuantity]:
    """All live quantities by key, the cylinder's first, then each stage's in order."""
    return _live_quantities(STAGES)


@lru_cache(maxsize=4)
def _live_quantities(stages: tuple[StageDefinition[Any], ...]) -> dict[str, LiveQuantity]:
    return {one.key: one for one in (*CYLINDER_LIVE, *(one for stage in stages for one in stage.live))}
