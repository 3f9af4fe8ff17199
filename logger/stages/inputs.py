"""What a stage's analysis and live watch are given: a view of the job at one moment. Asking changes nothing."""

from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import date
from typing import Generic, Protocol, TypeVar

from logger.cylinder.limits import CylinderLimits
from logger.model.cylinder import Cylinder
from logger.model.job import Job, Mark, Note, Stage
from logger.model.points import POINTS
from logger.model.sample import Series
from logger.model.units import NS_PER_S
from logger.model.value import Value, unknown
from logger.physics.ambient import Ambient
from logger.physics.leak_flow import ServiceGas, service_gas
from logger.refrigerant import OutOfRange, Refrigerant
from logger.scale.state import ScaleState
from logger.stages.acceptance import Profile
from logger.stages.hidden_leak import MATTERS_A_YEAR, ClosedSystem
from logger.statistics.history import History

S = TypeVar("S")
LEAK_REFERENCE_K = 293.15  # where no temperature is measured


class SeriesSource(Protocol):
    """Readings of a point between two UTC times as a Series with time zero at since_ns; empty when never measured.

    Full or thinned is chosen where the inputs are made: an analysis that runs beside live alarms takes milliseconds.
    """

    def __call__(self, point: str, since_ns: int, until_ns: int | None, /) -> Series: ...


@dataclass(frozen=True, slots=True)
class EarlierStage:
    """An ended stage of this job, and what its analysis found, by name (StageResult.facts).

    concluded: False while that is still computed, and nothing is known of it.
    """

    stage: Stage
    facts: Mapping[str, Value]
    concluded: bool = True


@dataclass(frozen=True, slots=True)
class StageInputs(Generic[S]):
    """stage: the one that is looked at, up to until_ns. lead_ns: where its histories begin, some time before it.

    values: the newest reading by point; live: what is known of the cylinder on the scale now, by live quantity.
    gauges: points whose sensor measures against the air around it. cylinder: limits of the one on the scale, or an
    unknown mass that says why there are none; on_scale: its markings. history: all readings of a point
    in buckets. cylinders: all of the job, by name. came: (UTC
    ns, name) of each cylinder that was put on the scale, in order. marks, notes: of the whole job, in order.
    earlier: this job's ended stages before this one. carried: what the stage's `carry` made of earlier jobs.
    """

    stage: Stage
    settings: S
    until_ns: int
    lead_ns: int
    day: date
    job: Job
    refrigerant: Refrigerant | None
    profiles: Mapping[str, Profile]
    ambient: Ambient
    gauges: AbstractSet[str]
    values: Mapping[str, Value]
    live: Mapping[str, Value]
    source: SeriesSource
    history: Callable[[str], History | None]
    scale: ScaleState | None
    cylinder: CylinderLimits | Value
    on_scale: Cylinder | None
    cylinders: Mapping[str, Cylinder]
    came: Sequence[tuple[int, str]]
    marks: Sequence[Mark]
    notes: Sequence[Note]
    earlier: tuple[EarlierStage, ...]
    carried: object

    @property
    def elapsed_s(self) -> float:
        return self.seconds(self.until_ns)

    def seconds(self, t_ns: int) -> float:
        """Seconds into the stage."""
        return (t_ns - self.stage.begun_ns) / NS_PER_S

    def value(self, point: str) -> Value:
        """The newest reading; unknown when not measured, lost, stale or faulty, with the reason."""
        found = self.values.get(point)
        return unknown(POINTS[point].unit, "not measured") if found is None else found

    def series(self, point: str, since_ns: int | None = None) -> Series:
        """Readings from since_ns (the stage's beginning) to now; time zero there."""
        return self.source(point, self.stage.begun_ns if since_ns is None else since_ns, self.until_ns)

    def measured(self, point: str, since_ns: int | None = None) -> Series | None:
        """`series`, or None when there is nothing in it."""
        found = self.series(point, since_ns)
        return found if len(found) else None

    def service_gas(self) -> ServiceGas | None:
        """The refrigerant as it would leak: at its dew pressure where the system is."""
        if self.refrigerant is None:
            return None
        around = self.value("system_temperature")
        if around.number is None:
            around = self.value("ambient_temperature")
        try:
            pressure_pa = self.refrigerant.dew_pressure(LEAK_REFERENCE_K if around.number is None else around.number)
        except OutOfRange:
            return None
        return service_gas(self.refrigerant.name, self.refrigerant.molar_mass, pressure_pa)

    def tested(self, matters: float | None) -> ClosedSystem:
        """What a tightness test is about; matters: share of the charge a year."""
        return ClosedSystem(
            self.job.volume_m3, self.service_gas(), self.job.full_charge_kg, self.ambient.pressure_pa,
            MATTERS_A_YEAR if matters is None else matters,
        )  # fmt: skip

    def marked(self, act: str, since_ns: int | None = None) -> list[int]:
        """UTC ns of each time the act was marked since then (the stage's beginning)."""
        since = self.stage.begun_ns if since_ns is None else since_ns
        return [mark.t_ns for mark in self.marks if mark.act == act and mark.t_ns >= since]
