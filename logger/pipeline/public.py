"""The public door to the analyses: anybody's readings in, findings out (`logger.analyse`, `rimelog analyze`).

The same functions as live and on replay.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from datetime import UTC, date, datetime
from itertools import pairwise
from types import MappingProxyType

from logger.cylinder.limits import CylinderLimits, limits
from logger.model.cylinder import Cylinder
from logger.model.errors import ComputeError
from logger.model.job import Job, Mark, Stage
from logger.model.points import POINTS
from logger.model.sample import Gap, Series
from logger.model.units import NS_PER_S
from logger.model.value import Value, known, unknown
from logger.physics.ambient import SEA_LEVEL, Ambient
from logger.physics.ambient import ambient as of_place
from logger.refrigerant import SHIPPED, Catalogue, UnknownRefrigerant
from logger.scale.state import ScaleState
from logger.stages import registry
from logger.stages.definition import StageResult
from logger.stages.inputs import StageInputs
from logger.stages.settings import check, read

SCALE = "cylinder_mass"


def analyse(
    stage: str,
    series: Mapping[str, Series],
    settings: Mapping[str, object] = MappingProxyType({}),
    *,
    job: Job | None = None,
    marks: Mapping[str, float] = MappingProxyType({}),
    ambient: Ambient | None = None,
    day: date | None = None,
    catalogue: Catalogue = SHIPPED,
    gauges: AbstractSet[str] = frozenset(),
    division_kg: float | None = None,
    cylinders: Sequence[Cylinder] = (),
    on_scale: Sequence[tuple[float, str]] = (),
) -> StageResult:
    """Analyse one stage of any record.

    stage: "recovery", "pressure-test", "evacuation", "decay-test", "charging" or "start-up". series: by measuring point
    (model/points.py), one time axis in seconds, SI: absolute Pa, K, kg. The stage begins at the first reading of any
    and ends at the last. settings: of the stage, in SI, by their names (stages/<stage>/definition.py). job:
    refrigerant, full charge, volume. marks: act -> time on the same axis, such as {"isolated": 0.0}. ambient: of the
    place; left out, the mean of series "barometer", else sea level assumed. day: for a law's date and a cylinder's.
    gauges: points whose sensor measures against the air around it.

    A stage that weighs (recovery, charging) reads the scale at "cylinder_mass". division_kg: of the scale; left out,
    the smallest step between two of its readings. cylinders: as marked. on_scale: (time, name) of each that was put on
    the scale, in order.

    Raises ComputeError for a stage, point or series that cannot be taken, SettingError for a setting,
    UnknownRefrigerant.
    """
    known_stage = registry.definition(stage)
    if known_stage is None:
        raise ComputeError(f"stage {stage!r} is not one of {', '.join(one.kind for one in registry.STAGES)}")
    for name, one in series.items():
        if name not in POINTS:
            raise ComputeError(f"{name!r} is no measuring point; known: {', '.join(POINTS)}")
        if len(one.t_s) != len(one.value) or any(b <= a for a, b in zip(one.t_s, one.t_s[1:], strict=False)):
            raise ComputeError(f"{name}: times must rise, one for each value")
    filled = {name: one for name, one in series.items() if len(one)}
    if not filled:
        raise ComputeError("no readings")
    begun_s = min(one.t_s[0] for one in filled.values())
    ended_s = max(one.t_s[-1] for one in filled.values())
    of_job = job or Job("imported", "")

    def ns(t_s: float) -> int:
        return round((t_s - begun_s) * NS_PER_S)

    def source(point: str, since_ns: int, until_ns: int | None) -> Series:
        if point not in filled:
            return Series(point, [], [])
        whole, since_s = filled[point], begun_s + since_ns / NS_PER_S
        until_s = ended_s if until_ns is None else begun_s + until_ns / NS_PER_S
        first, last = bisect_left(whole.t_s, since_s - 1e-9), bisect_right(whole.t_s, until_s + 1e-9)
        gaps = tuple(Gap(g.start_s - since_s, g.end_s - since_s, g.reason) for g in whole.gaps)
        return Series(
            point, [t - since_s for t in whole.t_s[first:last]], whole.value[first:last], whole.u, whole.u_scale,
            whole.low, whole.high, gaps, whole.gauge,
        )  # fmt: skip

    around = ambient or _around(filled)
    came = [(t_s, name) for t_s, name in on_scale if t_s <= ended_s]
    by_name = {one.name: one for one in cylinders}
    last = by_name.get(came[-1][1]) if came else None
    the_day = day or datetime.fromtimestamp(0, UTC).date()
    checked = check(known_stage.settings, settings, tuple(known_stage.profiles))
    inputs: StageInputs[object] = StageInputs(
        stage=Stage(1, known_stage.kind, 0, ns(ended_s), checked),
        settings=read(known_stage.settings, checked),
        until_ns=ns(ended_s),
        lead_ns=0,
        day=the_day,
        job=of_job,
        refrigerant=catalogue.find(of_job.refrigerant) if of_job.refrigerant else None,
        profiles=known_stage.profiles,
        ambient=around,
        gauges=gauges,
        values={name: _newest(one, around.u_pa if name in gauges else None) for name, one in filled.items()},
        live={},
        source=source,
        history=lambda _: None,
        scale=_weighed(filled[SCALE], division_kg, came, begun_s) if SCALE in filled else None,
        cylinder=_limits(last, of_job, catalogue),
        on_scale=last,
        cylinders=by_name,
        came=tuple((ns(t_s), name) for t_s, name in came),
        marks=tuple(Mark(ns(t_s), act) for act, t_s in sorted(marks.items(), key=lambda pair: pair[1])),
        notes=(),
        earlier=(),
        carried=None,
    )
    return known_stage.analyse(inputs)


def _around(series: Mapping[str, Series]) -> Ambient:
    barometer = series.get("barometer")
    if barometer is None:
        return SEA_LEVEL
    mean_pa = sum(barometer.value) / len(barometer)
    return of_place(known(mean_pa, "Pa", math.hypot(barometer.u, barometer.u_scale) or None))


def _newest(series: Series, u_around: float | None) -> Value:
    u = math.hypot(series.u, series.u_scale, u_around or 0.0)
    return known(series.value[-1], POINTS[series.point].unit, u or None)


def _weighed(
    series: Series, division_kg: float | None, came: Sequence[tuple[float, str]], begun_s: float
) -> ScaleState:
    """What the scale told, reading by reading, as it is followed live."""
    if division_kg is None:
        division_kg = min((abs(b - a) for a, b in pairwise(series.value) if abs(b - a) > 1e-9), default=0.0)
    if not division_kg > 0.0:
        raise ComputeError(f"{SCALE}: its readings never change: give the scale's division")
    scale, before = ScaleState(division_kg, series.u_scale, 0), [name for t_s, name in came if t_s <= begun_s]
    scale.begin(before[-1] if before else "")
    waiting = [(t_s, name) for t_s, name in came if t_s > begun_s]
    for t_s, kg in zip(series.t_s, series.value, strict=True):
        while waiting and waiting[0][0] <= t_s:
            scale.swap(waiting.pop(0)[1])
        scale.sample(round((t_s - begun_s) * NS_PER_S), kg)
    return scale


def _limits(cylinder: Cylinder | None, job: Job, catalogue: Catalogue) -> CylinderLimits | Value:
    if cylinder is None:
        return unknown("kg", "no cylinder")
    try:
        return limits(cylinder, job.jurisdiction, job.refrigerant, catalogue)
    except (ComputeError, UnknownRefrigerant) as exc:
        return unknown("kg", str(exc))
