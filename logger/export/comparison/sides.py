"""One side of a comparison: a stage out of its job's records, through the engine like everything else.

The replay ends with the later of the stages asked for; what a report would say of them is what is compared here.
"""

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from logger.evidence.chain import GENESIS, event_of
from logger.export.errors import CompareError
from logger.model.events import Corrected, Event, RunBegun, StageBegun, StageEnded
from logger.model.job import Job, Stage
from logger.model.records import EVENT, Record
from logger.pipeline.engine import Engine
from logger.pipeline.facts import Facts, effective_of
from logger.pipeline.job_model import JobModel
from logger.pipeline.job_state import JobState
from logger.pipeline.replay import MERGE_WINDOW_NS, facts_of, replay
from logger.pipeline.stage_inputs import StageInputsMaker
from logger.stages import registry
from logger.stages.comparison import Comparing, Fact, NothingToCompare, Run, circumstances
from logger.stages.definition import StageResult
from logger.wording.values import rough


@dataclass(frozen=True, slots=True)
class Side:
    """end_ns: of the stage, or how far a running one has got. run: what is compared.

    refrigerant: its label. facts: the circumstances. notes: what the reader must know of this side. records, head: how
    many records were read, digest of the last.
    """

    name: str
    job: Job
    refrigerant: str
    stage: Stage
    end_ns: int
    utc_offset_s: int
    ambient_pa: float
    run: Run
    facts: tuple[Fact, ...]
    notes: tuple[str, ...]
    records: int
    head: bytes

    @property
    def running(self) -> bool:
        return self.stage.ended_ns is None


def stages_of(events: Iterable[Event]) -> list[Stage]:
    """The stages of a job from its events alone."""
    return JobState.by(effective_of(e for e in events if isinstance(e, StageBegun | StageEnded | Corrected))).stages


def sides(job_id: str, records: Iterable[Record], names: dict[int, str], facts: Facts | None = None) -> dict[int, Side]:
    """The stages numbered in `names`, each called as that says. Raises CompareError when one cannot be used.

    facts: of all events of the job; None: of these records, which are then held in memory.
    """
    if facts is None:
        records = tuple(records)
        facts = facts_of(records)
    engine, reading = Engine(live=False), _Reading(records, None if facts.corrections else frozenset(names))
    chosen: dict[int, Side] = {}
    offset_s = 0

    def on_event(event: Event) -> None:
        nonlocal offset_s
        if isinstance(event, RunBegun):
            offset_s = event.utc_offset_s
        if isinstance(event, StageEnded) and event.number in names:
            stage = next(one for one in engine.model.state.stages if one.number == event.number)
            chosen[stage.number] = _keep(engine.model, stage, event.t_ns, engine.results[stage.number], names)

    replay(reading.passing(), engine, on_event=on_event, facts=facts)
    running = engine.model.state.stage
    if running is not None and running.number in names:
        now_ns = engine.model.now_ns
        report = engine.final_result(running, now_ns)
        chosen[running.number] = _keep(engine.model, running, now_ns, report, names)
    missing = [number for number in names if number not in chosen]
    if missing:
        raise CompareError(f"job {job_id}: stage {missing[0]} cannot be read; ask `rimelog doctor {job_id}`")
    about: dict[str, Any] = {"records": reading.count, "head": reading.head, "utc_offset_s": offset_s}
    return {number: replace(side, **about) for number, side in chosen.items()}


class _Reading:
    """Records up to the end of the last stage wanted, and the few seconds after in which its frames may still lie."""

    def __init__(self, records: Iterable[Record], wanted: Collection[int] | None) -> None:
        """wanted: None for all records, where a correction may come at the very end."""
        self._records, self._wanted = records, None if wanted is None else set(wanted)
        self.count, self.head = 0, GENESIS

    def passing(self) -> Iterator[Record]:
        until_ns: int | None = None
        for record in self._records:
            if until_ns is not None and record.t0_ns > until_ns:
                return
            self.count, self.head = self.count + 1, record.digest
            if record.kind == EVENT:
                event = event_of(record)
                if isinstance(event, StageEnded) and self._wanted is not None:
                    self._wanted.discard(event.number)
                    if not self._wanted and until_ns is None:
                        until_ns = event.t_ns + MERGE_WINDOW_NS
            yield record


def _keep(model: JobModel, stage: Stage, end_ns: int, report: StageResult, names: dict[int, str]) -> Side:
    job, name = model.state.job, names[stage.number]
    if job is None:
        raise CompareError(f"{name}: its record does not say which job it is; ask `rimelog doctor`")
    inputs = StageInputsMaker(model, stage).full(end_ns)
    try:
        run = comparing_of(stage, name).side(inputs, report.result, name)
    except NothingToCompare as exc:
        raise CompareError(f"{name}: {exc}") from exc
    notes = run.notes
    if stage.ended_ns is None:
        notes = (f"still running: compared as far as it has got, {rough(inputs.elapsed_s)}", *notes)
    return Side(
        name, job, model.state.catalogue.labelled(job.refrigerant), stage, end_ns, 0, model.ambient.pressure_pa, run,
        circumstances(inputs, run), notes, 0, GENESIS,
    )  # fmt: skip


def comparing_of(stage: Stage, name: str) -> Comparing:
    """How stages of its kind are compared. Raises CompareError when they are not."""
    known = registry.definition(stage.kind)
    if known is None or known.comparing is None:
        can = ", ".join(one.label.lower() for one in registry.STAGES if one.comparing is not None)
        raise CompareError(f"{name}: a {registry.label(stage.kind).lower()} is not compared; what is: {can}")
    return known.comparing()


def must_be_comparable(a: Stage, a_name: str, b: Stage, b_name: str) -> Comparing:
    """How the two are compared. Raises CompareError unless both are of one kind that can be laid side by side."""
    found = comparing_of(a, a_name)
    comparing_of(b, b_name)
    if a.kind != b.kind:
        one, two = (registry.label(s.kind).lower() for s in (a, b))
        raise CompareError(f"{a_name} is of the kind {one}, {b_name} of {two}: only two of a kind can be compared")
    return found
