"""One side of a comparison: a stage out of its job's records, through the engine like everything else.

The replay ends with the later of the stages asked for; what a report would say of them is what is compared here.
"""

import math
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from logger.evidence.chain import GENESIS, event_of
from logger.export.errors import CompareError
from logger.model.events import Event, RunBegun, StageBegun, StageEnded
from logger.model.finding import Finding, Text
from logger.model.job import Job, Stage
from logger.model.points import Quantity
from logger.model.records import EVENT, Record
from logger.model.sample import Series
from logger.model.units import NS_PER_S
from logger.model.value import Statement, Value, known, unknown
from logger.pipeline.engine import Engine
from logger.pipeline.job_model import LEAD_S, JobModel
from logger.pipeline.job_state import JobState
from logger.pipeline.replay import LOOK_AHEAD_NS, replay
from logger.stages import registry
from logger.stages.comparison import Run
from logger.stages.decay_test.analysis import DecayResult
from logger.stages.decay_test.definition import DECAY_TEST
from logger.stages.definition import StageResult
from logger.stages.evacuation.analysis import PullDown
from logger.stages.evacuation.definition import EVACUATION
from logger.stages.recovery.analysis import RecoveryResult, RecoveryStep
from logger.stages.recovery.definition import RECOVERY
from logger.stages.start_up.analysis import StartUpResult
from logger.stages.start_up.definition import START_UP
from logger.stages.words import statement_of, text_of
from logger.wording.values import Shown, rough

COMPARABLE = (RECOVERY, EVACUATION, DECAY_TEST, START_UP)
_Q = Quantity
_MIN_GAP_S = 60.0


@dataclass(frozen=True, slots=True)
class Fact:
    """A circumstance of one side, for the table beside the measures. quantity: None where `value` is text."""

    label: str
    value: Value | str
    quantity: Quantity | None


@dataclass(frozen=True, slots=True)
class Side:
    """end_ns: of the stage, or how far a running one has got. run: None for a start-up, whose `start_up` is set.

    refrigerant: its label. notes: what the reader must know of this side. records, head: how many records were read,
    digest of the last.
    """

    name: str
    job: Job
    refrigerant: str
    stage: Stage
    end_ns: int
    utc_offset_s: int
    ambient_pa: float
    run: Run | None
    start_up: StartUpResult | None
    facts: tuple[Fact, ...]
    notes: tuple[str, ...]
    records: int
    head: bytes

    @property
    def running(self) -> bool:
        return self.stage.ended_ns is None


def stages_of(events: Iterable[Event]) -> list[Stage]:
    """The stages of a job from its events alone."""
    state = JobState()
    for event in events:
        if isinstance(event, StageBegun | StageEnded):
            state.apply(event)
    return state.stages


def sides(job_id: str, records: Iterable[Record], names: dict[int, str]) -> dict[int, Side]:
    """The stages numbered in `names`, each called as that says. Raises CompareError when one cannot be used."""
    engine = Engine(live=False)
    reading = _Reading(records, frozenset(names))
    kept: dict[int, Side] = {}
    offset_s = 0

    def on_event(_: int, event: Event) -> None:
        nonlocal offset_s
        if isinstance(event, RunBegun):
            offset_s = event.utc_offset_s
        if isinstance(event, StageEnded) and event.number in names:
            stage = engine.model.state.stages[-1]
            kept[stage.number] = _keep(engine.model, stage, event.t_ns, engine.results[stage.number], names)

    replay(reading.passing(), engine, on_event=on_event)
    running = engine.model.state.stage
    if running is not None and running.number in names:
        now_ns = engine.model.now_ns
        report = engine.final_result(running, now_ns)
        kept[running.number] = _keep(engine.model, running, now_ns, report, names)
    missing = [number for number in names if number not in kept]
    if missing:
        raise CompareError(f"job {job_id}: stage {missing[0]} cannot be read; ask `rimelog doctor {job_id}`")
    told: dict[str, Any] = {"records": reading.count, "head": reading.head, "utc_offset_s": offset_s}
    return {number: replace(side, **told) for number, side in kept.items()}


class _Reading:
    """Records up to the end of the last stage wanted, and the few seconds after in which its frames may still lie."""

    def __init__(self, records: Iterable[Record], wanted: Collection[int]) -> None:
        self._records, self._wanted = records, set(wanted)
        self.count, self.head = 0, GENESIS

    def passing(self) -> Iterator[Record]:
        until_ns: int | None = None
        for record in self._records:
            if until_ns is not None and record.t0_ns > until_ns:
                return
            self.count, self.head = self.count + 1, record.digest
            if record.kind == EVENT:
                event = event_of(record)
                if isinstance(event, StageEnded):
                    self._wanted.discard(event.number)
                    if not self._wanted and until_ns is None:
                        until_ns = event.t_ns + LOOK_AHEAD_NS
            yield record


def _keep(model: JobModel, stage: Stage, end_ns: int, report: StageResult, names: dict[int, str]) -> Side:
    job, name = model.state.job, names[stage.number]
    if job is None:
        raise CompareError(f"{name}: its record does not say which job it is; ask `rimelog doctor`")
    found = _FINDERS[stage.kind](model, stage, end_ns, report, name)
    notes = list(found.notes)
    if stage.ended_ns is None:
        notes.insert(0, f"still running: compared as far as it has got, {rough((end_ns - stage.begun_ns) / NS_PER_S)}")
    facts = (*_job_facts(job), *found.facts, *_around(model, stage, end_ns))
    return Side(
        name, job, model.state.catalogue.labelled(job.refrigerant), stage, end_ns, 0, model.ambient.pressure_pa,
        found.run, found.start_up, facts, tuple(notes), 0, GENESIS,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Found:
    run: Run | None
    facts: tuple[Fact, ...] = ()
    notes: tuple[str, ...] = ()
    start_up: StartUpResult | None = None


def _recovery(model: JobModel, stage: Stage, end_ns: int, report: StageResult, name: str) -> _Found:
    """The mass that came, cylinders added up and bumps of the scale left out, from the machine's start on."""
    result, scale = report.result, model.series("cylinder_mass", stage.begun_ns, end_ns)
    if not isinstance(result, RecoveryResult) or not len(scale) or model.weighing is None:
        raise CompareError(f"{name}: it has no readings of the cylinder on the scale")
    steps = _settled(result.steps)
    # Readings, the scale's accuracy, and what may have come while the scale was knocked: as the mass balance counts.
    u = math.hypot(scale.u, result.recovered.u or model.weighing.resolution_kg)
    series = Series("cylinder_mass", [t for t, _ in steps], [m for _, m in steps], u, gaps=scale.gaps)
    starts = model.marks("machine-started", stage.begun_ns)
    begin_s = (starts[0] - stage.begun_ns) / NS_PER_S if starts else 0.0
    job = model.state.job
    assert job is not None
    facts = [
        Fact("Recovered", result.recovered, _Q.MASS),
        Fact("Rate while liquid came", _bare(result.liquid_rate), _Q.MASS_RATE),
        Fact("Rate while vapour came", _bare(result.vapour_rate), _Q.MASS_RATE),
        Fact("Condensing over ambient", result.condensing_over_ambient, _Q.TEMPERATURE_DIFFERENCE),
        *_first(model, stage, end_ns, "cylinder_pressure", "Cylinder pressure at the start", begin_s),
    ]
    notes = _gap_notes(scale, begin_s, math.inf)
    if result.recovered.note:
        notes.append(result.recovered.note)
    if len(result.ledger.by_cylinder()) > 1:
        notes.append(f"{len(result.ledger.by_cylinder())} cylinders, added up")
    notes += [f"stalled after {rough(s.start_s)} for {rough(s.end_s - s.start_s)}" for s in result.stalls]
    return _Found(Run(name, series, begin_s, charge_kg=job.full_charge_kg), tuple(facts), tuple(notes))


def _settled(steps: Iterable[RecoveryStep]) -> list[tuple[float, float]]:
    """(s, kg recovered), without the stretches in which a knocked or emptied scale kept the sum standing."""
    out: list[tuple[float, float]] = []
    for step in steps:
        stands = bool(out) and step.recovered_kg == out[-1][1] and step.rate_kg_s is None
        if step.recovered_kg is not None and not stands:
            out.append((step.t_s, step.recovered_kg))
    return out


def _bare(value: Value) -> Value:
    """Without its spread: overlapping windows of one rate are no independent readings."""
    return value if value.number is None else known(value.number, value.unit)


def _evacuation(model: JobModel, stage: Stage, end_ns: int, report: StageResult, name: str) -> _Found:
    """The vacuum while it was pumped on, from the pump's start on."""
    result, vacuum = report.result, model.series("vacuum", stage.begun_ns, end_ns)
    if not isinstance(result, PullDown) or not len(vacuum):
        raise CompareError(f"{name}: it has no readings of the vacuum")
    begin_s, end_s = 0.0, math.inf
    if result.stretches:
        last = result.stretches[-1]
        begin_s = result.stretches[0].start_s
        end_s = last.end_s if last.rises_from_s is None else last.rises_from_s
    starts = [s for s in (_since(t, stage) for t in model.marks("pump-started", stage.begun_ns)) if s < end_s]
    begin_s = max(begin_s, starts[0]) if starts else begin_s
    inside = [v for t, v in zip(vacuum.t_s, vacuum.value, strict=True) if begin_s <= t <= end_s]
    facts = [Fact("Lowest vacuum", known(min(inside), "Pa") if inside else unknown("Pa", "no readings"), _Q.VACUUM)]
    notes = _gap_notes(vacuum, begin_s, end_s)
    if len(result.evacuations) > 1:
        count = len(result.evacuations)
        notes.append(f"{count} evacuations with breaks: times count to the first passing of a pressure")
    notes += [
        f"the curve changed after {rough(g.t_s)}, marked {g.what}" for g in result.gains if begin_s <= g.t_s <= end_s
    ]
    return _Found(_on_volume(Run(name, vacuum, begin_s, end_s), model), tuple(facts), tuple(notes))


def _decay(model: JobModel, stage: Stage, end_ns: int, report: StageResult, name: str) -> _Found:
    """The rise since isolation; a decay's series begins with what led to it."""
    result = report.result
    if not isinstance(result, DecayResult):
        raise CompareError(f"{name}: it was not analysed")
    lead_ns = max(model.window_ns, 0)
    vacuum = model.series("vacuum", lead_ns, end_ns)
    if not len(vacuum):
        raise CompareError(f"{name}: it has no readings of the vacuum")
    begin_s = result.readings[0][0] if result.readings else LEAD_S
    end_s = result.readings[-1][0] if result.readings else math.inf
    held = [(t, v) for t, v in zip(vacuum.t_s, vacuum.value, strict=True) if begin_s <= t <= end_s]
    series = replace(vacuum, t_s=[t for t, _ in held], value=[v for _, v in held])
    facts = [
        Fact("Held for", known(end_s - begin_s, "s") if result.readings else unknown("s", "no hold"), _Q.TIME),
        Fact("Vacuum when isolated", known(held[0][1], "Pa") if held else unknown("Pa", "no readings"), _Q.VACUUM),
        Fact("Verdict of the test", _said(result.verdict).headline, None),
    ]
    notes = _gap_notes(vacuum, begin_s, end_s)
    notes += [statement_of(Statement(f"decay.{s.key}", s.inputs), Shown()) for s in result.suspicions]
    run = _on_volume(Run(name, series, begin_s, end_s, decay=result), model)
    return _Found(run, tuple(facts), tuple(notes))


def _start_up(model: JobModel, stage: Stage, end_ns: int, report: StageResult, name: str) -> _Found:
    result = report.result
    if not isinstance(result, StartUpResult):
        raise CompareError(f"{name}: its refrigerant is not known, so nothing was computed")
    if not result.metrics:
        raise CompareError(f"{name}: no pressure was measured together with its temperature")
    notes = [
        f"{_said(f).headline}: {_said(f).body}"
        for f in result.findings
        if f.key == "start_up.steady" and f.verdict != "pass"
    ]
    return _Found(None, notes=tuple(notes), start_up=result)


_FINDERS: dict[str, Callable[[JobModel, Stage, int, StageResult, str], _Found]] = {
    RECOVERY: _recovery,
    EVACUATION: _evacuation,
    DECAY_TEST: _decay,
    START_UP: _start_up,
}


def must_be_comparable(a: Stage, a_name: str, b: Stage, b_name: str) -> None:
    """Raises CompareError unless both are of one kind that can be laid side by side."""
    for stage, name in ((a, a_name), (b, b_name)):
        if stage.kind not in COMPARABLE:
            can = ", ".join(registry.label(k).lower() for k in COMPARABLE)
            raise CompareError(f"{name}: a {registry.label(stage.kind).lower()} is not compared; what is: {can}")
    if a.kind != b.kind:
        one, two = (registry.label(s.kind).lower() for s in (a, b))
        raise CompareError(f"{a_name} is of the kind {one}, {b_name} of {two}: only two of a kind can be compared")


def _on_volume(run: Run, model: JobModel) -> Run:
    job = model.state.job
    assert job is not None
    return replace(run, volume_m3=job.volume_m3, volume_u_m3=job.volume_u_m3)


def _since(t_ns: int, stage: Stage) -> float:
    return (t_ns - stage.begun_ns) / NS_PER_S


def _job_facts(job: Job) -> Iterator[Fact]:
    if job.full_charge_kg is not None:
        yield Fact("Full charge", known(job.full_charge_kg, "kg"), _Q.MASS)
    if job.volume_m3 is not None:
        yield Fact("Internal volume", known(job.volume_m3, "m3", job.volume_u_m3), _Q.VOLUME)


def _first(model: JobModel, stage: Stage, end_ns: int, point: str, label: str, begin_s: float = 0.0) -> Iterator[Fact]:
    series = model.measured(point, stage.begun_ns + int(begin_s * NS_PER_S), end_ns)
    if series is not None:
        yield Fact(label, known(series.value[0], "Pa", math.hypot(series.u, series.u_scale) or None), _Q.PRESSURE)


def _around(model: JobModel, stage: Stage, end_ns: int) -> Iterator[Fact]:
    """The weather, and the system's temperature: means over the stage."""
    for point, label in (("ambient_temperature", "Ambient, mean"), ("system_temperature", "System, mean")):
        series = model.measured(point, stage.begun_ns, end_ns)
        if series is not None:
            mean = known(sum(series.value) / len(series), "K", series.u_scale or None)
            yield Fact(label, mean, _Q.TEMPERATURE)


def _gap_notes(series: Series, begin_s: float, end_s: float) -> list[str]:
    lost = sum(max(0.0, min(g.end_s, end_s) - max(g.start_s, begin_s)) for g in series.gaps)
    return [f"{rough(lost)} of it without trusted readings"] if lost >= _MIN_GAP_S else []


def _said(finding: Finding) -> Text:
    return text_of(finding, Shown())
