"""One job's rows of the register, of the events in its file alone: no frame is decoded, so that many jobs are quick.

A job that cannot be read to its end has the rows of what is whole, and says why.
"""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from logger.decode.calibration_fit import zero_drift
from logger.evidence.chain import event_of
from logger.evidence.errors import ChainError
from logger.export.event_words import words
from logger.model.appliance import plain_name
from logger.model.codec import type_of
from logger.model.cylinder import Cylinder
from logger.model.events import Event, FindingConcluded, Marked, NoteWritten
from logger.model.finding import Finding, Verdict
from logger.model.job import Job, Stage
from logger.model.records import EVENT
from logger.model.text import clean
from logger.model.units import NS_PER_S
from logger.model.value import Argument, Code, Value
from logger.pipeline.facts import Facts, effective
from logger.pipeline.job_state import JobState
from logger.register.received import ReceivedJob, received
from logger.stages import registry
from logger.stages.definition import PastJob
from logger.stages.leak_law.leak_rate import KEY as LEAK_RATE
from logger.stages.leak_law.mass_moved import MOVES, carried_from
from logger.store.errors import StoreError
from logger.store.place import JobPlace
from logger.store.reader import StoreReader
from logger.wording.values import Shown

Row = tuple[Any, ...]
WORST_FIRST = (Verdict.FAIL, Verdict.CANNOT_TELL, Verdict.ATTENTION, Verdict.PASS)
_UNREADABLE = (StoreError, ChainError)
_ODD = (KeyError, TypeError, ValueError, AttributeError)  # an event that is well formed and makes no sense


@dataclass(slots=True)
class JobRows:
    """rows: by table, each as long as the table's columns."""

    job: str
    rows: dict[str, list[Row]] = field(default_factory=dict)

    def add(self, table: str, *row: Any) -> None:
        self.rows.setdefault(table, []).append(row)


def read_job(place: JobPlace, size_bytes: int) -> JobRows:
    """Never raises for a job that cannot be read."""
    out = JobRows(place.job_id)
    recorded: list[tuple[int, Event]] = []
    uid, last_id, sealed, problem = "", 0, False, None
    try:
        with StoreReader(place.file) as reader:
            sealed = reader.sealed_ns is not None
            for record in reader.records(kind=EVENT):
                uid, last_id = uid or (record.digest.hex() if record.id == 1 else ""), record.id
                recorded.append((record.id, event_of(record)))
            last_id = max(last_id, reader.last_id)
    except _UNREADABLE as exc:
        problem = clean(str(exc), 300)
    facts = effective(recorded)
    state = JobState()
    for placed in facts.events:
        try:
            state.apply(placed.event)
        except _ODD as exc:
            problem = problem or f"record {placed.place}: the event cannot be read ({clean(str(exc), 80)})"
    _JobReading(out, place, facts, state, received(place)).all(recorded, uid, last_id, sealed, problem, size_bytes)
    return out


class _JobReading:
    def __init__(self, out: JobRows, place: JobPlace, facts: Facts, state: JobState, came: ReceivedJob | None) -> None:
        self.out, self.place, self.facts, self.state, self.came = out, place, facts, state, came
        self.said = {id(p.event.finding): p.event.words for p in facts.events if isinstance(p.event, FindingConcluded)}
        self.job = state.job or Job(place.job_id, "")

    def all(
        self, recorded: Sequence[tuple[int, Event]], uid: str, last_id: int, sealed: bool, problem: str | None,
        size_bytes: int,
    ) -> None:  # fmt: skip
        job, state, name = self.job, self.state, self.out.job
        texts = [job.customer, job.site, job.appliance, job.technician, job.work_order, job.refrigerant]
        verdicts: list[str] = []
        for stage in state.stages:
            verdicts += filter(None, [self._stage(stage, texts)])
        worst = next((v.value for v in WORST_FIRST if v.value in verdicts), None)
        self._events(recorded, texts)
        self._cylinders()
        self._added()
        self._instruments()
        for kind, text, made in (
            ("recovery machine", job.recovery_machine, job.recovery_machine_made),
            ("vacuum pump", job.vacuum_pump, None),
            ("vacuum gauge", job.vacuum_gauge, None),
        ):
            if text or made:
                self.out.add("machines", name, kind, clean(text, 120), made and made.isoformat())
                texts.append(text)
        for one in self.facts.corrections:
            e = one.event
            old, new = (json.dumps(value, ensure_ascii=False, default=str) for value in (e.old, e.new))
            self.out.add("corrections", name, one.n, e.t_ns, e.fact, clean(str(e.of), 80), old, new, clean(e.by, 80),
                         clean(e.why), int(one.standing))  # fmt: skip
        self.out.add("texts", None, name, clean("\n".join(filter(None, texts)), 20_000))
        software = next((getattr(e, "software", "") for _, e in reversed(recorded) if type_of(e) == "run-begun"), "")
        self.out.add(
            "jobs", name, uid, last_id, "received" if self.came else "here", self.came.key if self.came else None,
            "/".join(self.place.directory.parts[-2:]), state.day(state.opened_ns).isoformat() if state.job else None,
            state.opened_ns or None, max((e.t_ns for _, e in recorded), default=None), state.utc_offset_s,
            clean(job.customer), clean(job.site), clean(job.appliance), None, clean(job.appliance_make),
            clean(job.appliance_model), clean(job.appliance_serial), job.leak_rate_method, clean(job.refrigerant, 60),
            job.full_charge_kg, job.volume_m3, job.appliance_class, clean(job.technician), clean(job.certification),
            clean(job.work_order), clean(job.recovered_to),
            job.recovery_machine_made.isoformat() if job.recovery_machine_made else None, int(job.invented),
            "damaged" if problem else "closed" if sealed else "open", problem, worst, clean(software, 60), size_bytes,
        )  # fmt: skip

    def _stage(self, stage: Stage, texts: list[str]) -> str | None:
        """Its verdict."""
        name, kind, state = self.out.job, clean(stage.kind, 40), self.state
        found = state.findings.get(stage.number, [])
        deciding = registry.deciding(stage.kind, found)
        for n, finding in enumerate(found, 1):
            said = self.said.get(id(finding), finding.said)
            headline = clean(said.headline if said else finding.key)
            row = (clean(finding.key, 80), finding.verdict.value, int(finding is deciding), headline)
            self.out.add("findings", name, stage.number, n, *row)
            texts.append(headline)
            for i, (measure, value) in enumerate(finding.numbers(), 1):
                why = value.problem and clean(str(value.problem))
                named = (clean(finding.key, 80), clean(measure, 80))
                self.out.add("measures", name, stage.number, n, i, *named, value.number, value.unit, value.u, why)
        verdict = deciding.verdict.value if deciding else None
        said = self.said.get(id(deciding), deciding.said) if deciding else None
        lasted = None if stage.ended_ns is None else (stage.ended_ns - stage.begun_ns) / NS_PER_S
        self.out.add(
            "stages", name, stage.number, kind, state.day(stage.begun_ns).isoformat(), stage.begun_ns, stage.ended_ns,
            lasted, verdict, clean(said.headline) if said else None,
            json.dumps(dict(stage.settings), ensure_ascii=False, sort_keys=True, default=str),
        )  # fmt: skip
        return verdict

    def _events(self, recorded: Sequence[tuple[int, Event]], texts: list[str]) -> None:
        shown = Shown(self.job.units if self.job.units in ("us", "si") else "us", utc_offset_s=self.state.utc_offset_s)
        for record, event in recorded:
            if isinstance(event, FindingConcluded):
                continue
            about, text, by = words(event, shown)
            self.out.add("events", self.out.job, record, event.t_ns, type_of(event), about, text, by)
        said = (p.event for p in self.facts.events if isinstance(p.event, NoteWritten | Marked))
        texts.extend(event.text or getattr(event, "act", "") for event in said)

    # -- cylinders ---------------------------------------------------------------------------------------------------

    def _cylinders(self) -> None:
        """A row for each stay that a finding weighed, and one for each cylinder that was only named."""
        n, weighed = 0, set[str]()
        for stage in self.state.stages:
            for own_name, into, last in _stays(stage, self.state.findings.get(stage.number, [])):
                n += 1
                weighed.add(own_name)
                t_ns = stage.ended_ns or stage.begun_ns
                self._use(n, stage.number, stage.kind, t_ns, own_name, into, last, self.job.refrigerant)
        for t_ns, own_name in self.state.swaps:
            if own_name not in weighed:
                n += 1
                weighed.add(own_name)
                self._use(n, None, "on-scale", t_ns, own_name, None, None, None)

    def _use(
        self, n: int, stage: int | None, kind: str, t_ns: int, name: str, into: Value | None, last: Value | None,
        moved: str | None,
    ) -> None:  # fmt: skip
        c = self.state.cylinders.get(name) or Cylinder(name, 0.0, 0.0)
        self.out.add(
            "cylinder_uses", self.out.job, n, stage, clean(kind, 40), self.state.day(t_ns).isoformat(), t_ns,
            clean(name, 60), group_key(name), clean(c.serial, 60), c.tare_kg or None, c.water_capacity_kg or None,
            c.tested.isoformat() if c.tested else None, c.requalify_years, c.refrigerant and clean(c.refrigerant, 60),
            ", ".join(map(clean, c.candidates)), c.contents_kg, moved and clean(moved, 60), into and into.number,
            into and into.u, last and last.number,
        )  # fmt: skip

    # -- the appliance -----------------------------------------------------------------------------------------------

    def _added(self) -> None:
        state, job = self.state, self.job
        past = PastJob(job, state.opened_ns, state.stages, state.findings, state.day)
        earlier = carried_from(past, job)
        if earlier is None:
            return
        charged, recovered = (_sum(state, into_cylinder) for into_cylinder in (False, True))
        rates = [f.value("leak_rate") for found in state.findings.values() for f in found if f.key == LEAK_RATE]
        then = next((rate.number for rate in reversed(rates) if rate is not None), None)
        verified = earlier.verified.isoformat() if earlier.verified else None
        self.out.add(
            "additions", self.out.job, None, earlier.day.isoformat(), charged, recovered,
            earlier.added_kg, int(earlier.first_charge), clean(earlier.purpose), verified, None, None, None, None, None,
            then,
        )  # fmt: skip

    def _instruments(self) -> None:
        day = self.state.day(self.state.opened_ns).isoformat()
        for device in self.state.rig.devices:
            key = clean(self.state.device_key(device.name), 60)
            for channel in {c.index: c for c in device.channels}.values():
                of = channel.calibration
                due = of.done and (of.done + timedelta(days=of.due_days)).isoformat()
                self.out.add(
                    "instruments", self.out.job, key, clean(device.name, 60), channel.index, clean(channel.point, 60),
                    day, of.done and of.done.isoformat(), due, of.zero, of.span, of.u, zero_drift(of),
                    clean(of.certificate, 120),
                )  # fmt: skip


def _sum(state: JobState, into_cylinder: bool) -> float | None:
    """kg that stages moved this way; 0 where there was none, None where one is not known."""
    total = 0.0
    for stage in state.stages:
        of = MOVES.get(stage.kind)
        if of is not None and of.into_cylinder is into_cylinder:
            found = [f.value(of.amount) for f in state.findings.get(stage.number, ()) if f.key == of.finding]
            last = found[-1] if found else None
            if last is None or last.number is None:
                return None
            total += last.number
    return total


def _stays(stage: Stage, findings: Sequence[Finding]) -> Iterator[tuple[str, Value, Value | None]]:
    """(cylinder, mass into it, its last weight) of each that the stage's mass finding names.

    A cylinder that was not named is "". Where the appliance stands on the scale no cylinder is weighed.
    """
    of = MOVES.get(stage.kind)
    finding = next((f for f in reversed(findings) if of is not None and f.key == of.finding), None)
    if of is None or finding is None:
        return
    groups = list(_by_cylinder(finding.inputs))
    moved, charged = sum(into.number or 0.0 for _, into, _ in groups), finding.value(of.amount)
    appliance_weighed = not of.into_cylinder and charged is not None and (charged.number or 0.0) * moved > 0
    if not appliance_weighed:
        yield from groups
    elif charged is not None and charged.number is not None:
        yield "", Value(-charged.number, "kg", charged.u), None


def _by_cylinder(inputs: Sequence[Argument]) -> Iterator[tuple[str, Value, Value | None]]:
    name, into, last = "", None, None
    for one in inputs:
        if one.name == "cylinder" and isinstance(one.value, str):
            if into is not None:
                yield name, into, last
            name, into, last = one.value if one.kind is Code.NAME else "", None, None
        elif one.name == "of_cylinder" and isinstance(one.value, Value):
            into = one.value
        elif one.name == "weighed" and isinstance(one.value, Value):
            last = one.value
    if into is not None:
        yield name, into, last


def group_key(name: str) -> str:
    """Of a cylinder, by its name in any case."""
    return plain_name(clean(name, 60))
