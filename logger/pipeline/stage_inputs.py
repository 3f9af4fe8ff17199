"""From everything known of the job to what a stage's analysis and watch are given."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any, TypeVar, overload

from logger.model.job import Job, Stage
from logger.model.value import Value
from logger.pipeline.job_model import JobModel
from logger.stages import registry
from logger.stages.definition import Pending, StageDefinition, StageResult
from logger.stages.inputs import EarlierStage, SeriesSource, StageInputs
from logger.stages.settings import read

T = TypeVar("T")
_NO_JOB = Job("", "")


class NewestValues(Mapping[str, Value]):
    """The newest value of each measured point, computed when asked."""

    def __init__(self, model: JobModel) -> None:
        self._model = model

    def __getitem__(self, point: str) -> Value:
        if not self._model.is_measured(point):
            raise KeyError(point)
        return self._model.value(point)

    @overload
    def get(self, point: str, default: None = None, /) -> Value | None: ...
    @overload
    def get(self, point: str, default: T, /) -> Value | T: ...
    def get(self, point: str, default: T | None = None, /) -> Value | T | None:
        """As of any mapping, without the exception that its own `get` catches at every point that is not measured."""
        return self._model.value(point) if self._model.is_measured(point) else default

    def __iter__(self) -> Iterator[str]:
        return iter(self._model.points)

    def __len__(self) -> int:
        return len(self._model.points)


class StageInputsMaker:
    """Makes the inputs of one stage again and again: what does not change between two readings is made once."""

    def __init__(self, model: JobModel, stage: Stage) -> None:
        self.stage, self.known = stage, registry.definition(stage.kind)
        self._model = model
        self._settings = read(self.known.settings, stage.settings) if self.known is not None else None
        self._values = NewestValues(model)

    def full(self, until_ns: int, live: Mapping[str, Value] | None = None) -> StageInputs[Any]:
        """On all readings. live: what is known of the cylinder on the scale."""
        return self._made(until_ns, live or {}, self._model.series)

    def thinned(self, until_ns: int, live: Mapping[str, Value] | None = None) -> StageInputs[Any]:
        """On few readings: for an analysis beside live alarms."""
        return self._made(until_ns, live or {}, self._model.thinned_series)

    def _made(self, until_ns: int, live: Mapping[str, Value], source: SeriesSource) -> StageInputs[Any]:
        model, state, stage = self._model, self._model.state, self.stage
        return StageInputs(
            stage=stage,
            settings=self._settings,
            until_ns=until_ns,
            lead_ns=max(model.window_ns, 0),
            day=state.day(until_ns),
            job=state.job or _NO_JOB,
            refrigerant=model.refrigerant(),
            profiles=state.profiles,
            ambient=model.ambient,
            gauges=model.gauges,
            values=self._values,
            live=live,
            source=source,
            history=model.history,
            scale=model.weighing,
            cylinder=model.cylinder_limits(),
            on_scale=state.cylinder,
            cylinders=state.cylinders,
            came=state.swaps,
            marks=state.marks,
            notes=state.notes,
            earlier=tuple(
                EarlierStage(one, model.facts.get(one.number, {}), one.number in model.facts)
                for one in state.stages
                if one.number < stage.number and one.ended_ns is not None
            ),
            carried=state.carried.get(stage.kind),
        )


def conclude(model: JobModel, stage: Stage, until_ns: int) -> StageResult:
    """The whole analysis of a stage, the finding that decides first; the recorded findings of one not known here."""
    maker = StageInputsMaker(model, stage)
    if maker.known is None:
        return StageResult(tuple(model.state.findings.get(stage.number, ())))
    return _ordered(maker.known, maker.known.analyse(maker.full(until_ns)))


def interim(model: JobModel, stage: Stage, until_ns: int) -> StageResult:
    """The running stage so far, in milliseconds."""
    maker = StageInputsMaker(model, stage)
    if maker.known is None:
        return StageResult()
    analyse = maker.known.interim or maker.known.analyse
    return _ordered(maker.known, analyse(maker.thinned(until_ns)))


def waits_for(model: JobModel, stage: Stage, live: Mapping[str, Value]) -> Pending | None:
    """What the running stage waits for now. live: all its live quantities."""
    maker = StageInputsMaker(model, stage)
    return None if maker.known is None else maker.known.pending(maker.thinned(model.now_ns, live))


def _ordered(known: StageDefinition[Any], result: StageResult) -> StageResult:
    return replace(result, findings=tuple(sorted(result.findings, key=lambda f: f.key != known.decides)))
