"""The public door to the analyses: anybody's readings in, findings out (`logger.analyse`, `rimelog analyze`).

The same functions as live and on replay. Stages that weigh (recovery, charging) need the scale's whole state and are
not offered here.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from datetime import UTC, date, datetime
from types import MappingProxyType

from logger.model.errors import ComputeError
from logger.model.job import Job, Mark, Stage
from logger.model.points import POINTS
from logger.model.sample import Gap, Series
from logger.model.units import NS_PER_S
from logger.model.value import known, unknown
from logger.physics.ambient import SEA_LEVEL, Ambient
from logger.refrigerant import SHIPPED, Catalogue
from logger.stages import registry
from logger.stages.definition import StageResult
from logger.stages.inputs import StageInputs
from logger.stages.settings import check, read

OFFERED = tuple(one.kind for one in registry.STAGES if "cylinder_mass" not in one.silence_matters)


def analyse(
    stage: str,
    series: Mapping[str, Series],
    settings: Mapping[str, object] = MappingProxyType({}),
    *,
    job: Job | None = None,
    marks: Mapping[str, float] = MappingProxyType({}),
    ambient: Ambient = SEA_LEVEL,
    day: date | None = None,
    catalogue: Catalogue = SHIPPED,
) -> StageResult:
    """Analyse one stage of any record.

    stage: "pressure-test", "evacuation", "decay-test" or "start-up". series: by measuring point (model/points.py), one
    time axis in seconds, SI: absolute Pa, K. The stage begins at the first reading of any and ends at the last.
    settings: of the stage, in SI, by their names (stages/<stage>/definition.py). job: refrigerant, full charge, volume.
    marks: act -> time on the same axis, such as {"isolated": 0.0}. ambient: of the place. day: for a law's date.
    Raises ComputeError for a stage, point or series that cannot be taken, SettingError for a setting,
    UnknownRefrigerant.
    """
    known_stage = registry.definition(stage)
    if known_stage is None or known_stage.kind not in OFFERED:
        raise ComputeError(f"stage {stage!r} is not one of {', '.join(OFFERED)}")
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

    checked = check(known_stage.settings, settings, tuple(known_stage.profiles))
    inputs: StageInputs[object] = StageInputs(
        stage=Stage(1, known_stage.kind, 0, ns(ended_s), checked),
        settings=read(known_stage.settings, checked),
        until_ns=ns(ended_s),
        lead_ns=0,
        day=day or datetime.fromtimestamp(0, UTC).date(),
        job=of_job,
        refrigerant=catalogue.find(of_job.refrigerant) if of_job.refrigerant else None,
        profiles=known_stage.profiles,
        ambient=ambient,
        gauges=frozenset(),
        values={name: known(one.value[-1], POINTS[name].unit, one.u_scale or None) for name, one in filled.items()},
        live={},
        source=source,
        history=lambda _: None,
        scale=None,
        cylinder=unknown("kg", "no cylinder"),
        on_scale=None,
        cylinders={},
        came=(),
        marks=tuple(Mark(ns(t_s), act) for act, t_s in sorted(marks.items(), key=lambda pair: pair[1])),
        notes=(),
        earlier=(),
        carried=None,
    )
    return known_stage.analyse(inputs)
