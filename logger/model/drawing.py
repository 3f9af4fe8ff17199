"""What is drawn and listed of a stage, as plain data in SI: made by the stages, set by the exports."""

from collections.abc import Sequence
from dataclasses import dataclass

from logger.model.value import Value


@dataclass(frozen=True, slots=True)
class Curve:
    """A computed line over the readings of `point`: a fit, an expected pressure. t_ns UTC, value SI, same length."""

    label: str
    point: str
    t_ns: Sequence[int]
    value: Sequence[float]


@dataclass(frozen=True, slots=True)
class LimitLine:
    """A level to draw across the plot of `point`: target vacuum, cylinder limit (as the scale would show it). SI."""

    label: str
    point: str
    value: float


@dataclass(frozen=True, slots=True)
class PlotSpec:
    """A plot of a stage. points: measuring points in it; those without readings are left out. log: over decades.

    hold: the time that was judged alone, on an axis of the readings: a change shows, a limit far off is only named.
    """

    title: str
    points: tuple[str, ...]
    log: bool = False
    hold: bool = False


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay of a cylinder on the scale. before, after: gross mass; moved: positive when it was filled. All kg."""

    cylinder: str
    before: Value
    after: Value
    moved: Value
