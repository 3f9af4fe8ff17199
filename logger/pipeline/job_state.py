"""The job by its effective events (facts.py): every change goes through `apply`, live and on replay alike."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

from logger.model.cylinder import Cylinder
from logger.model.events import (
    CylinderOnScale,
    DeviceHello,
    Event,
    FindingConcluded,
    JobAmended,
    JobClosed,
    JobOpened,
    Marked,
    NoteWritten,
    ProposalAnswered,
    Proposed,
    RigLoaded,
    RunBegun,
    SettingChanged,
    StageBegun,
    StageEnded,
)
from logger.model.finding import Finding
from logger.model.job import Job, Mark, Note, Stage
from logger.model.plain import from_plain, plain
from logger.model.rig import Rig, RigDevice
from logger.model.units import NS_PER_S
from logger.pipeline.facts import JOB_SETTINGS, Facts, JobFact
from logger.refrigerant import SHIPPED, Refrigerant
from logger.refrigerant.table import shipped
from logger.stages import registry
from logger.stages.acceptance import Profile, profile_from_mapping

Item = tuple[int, int, int, str, bytes | Event]  # t_ns, record id, index in it, device, frame or event
MAX_NOTES = 200


class JobState:
    """job is None until JOB_OPENED. stages: all, in order; the last may be running.

    catalogue: the refrigerants that this job knows. cylinders: by name. on_scale: the name of the one now filled or
    emptied; swaps: (t_ns, name) of each that came. profiles: the user's own acceptance profiles. marks: of all stages.
    findings: by stage number, as concluded last; earlier_findings: (after which correction, findings) before.
    proposals, answers: by number. opened_ns: when the job was.
    carried: what each stage's `carry` made of
    the appliance's earlier jobs, by kind.
    """

    def __init__(self) -> None:
        self.job: Job | None = None
        self.catalogue = SHIPPED
        self.rig = Rig("", ())
        self.bound: dict[str, str] = {}  # device id -> name of the rig's device it serves
        self.stages: list[Stage] = []
        self.cylinders: dict[str, Cylinder] = {}
        self.on_scale: str | None = None
        self.swaps: list[tuple[int, str]] = []
        self.profiles: dict[str, Profile] = {}
        self.notes: list[Note] = []
        self.marks: list[Mark] = []
        self.findings: dict[int, list[Finding]] = {}
        self.earlier_findings: dict[int, list[tuple[str | None, list[Finding]]]] = {}
        self._concluded: dict[int, tuple[str | None, int]] = {}  # of the newest: after what, when
        self.proposals: dict[int, Proposed] = {}
        self.answers: dict[int, ProposalAnswered] = {}
        self.opened_ns = 0
        self.closed = False
        self.utc_offset_s = 0
        self.speed = 1.0  # of the run: how many times faster than real time
        self.carried: dict[str, object] = {}

    @classmethod
    def by(cls, facts: Facts) -> "JobState":
        """As all of them together tell it."""
        state = cls()
        for placed in facts.events:
            state.apply(placed.event)
        return state

    def day(self, t_ns: int) -> date:
        """The day of a UTC time where the computer was when the last run began."""
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=t_ns // NS_PER_S + self.utc_offset_s)).date()

    @property
    def stage(self) -> Stage | None:
        """The running stage."""
        return self.stages[-1] if self.stages and self.stages[-1].ended_ns is None else None

    @property
    def cylinder(self) -> Cylinder | None:
        return self.cylinders.get(self.on_scale) if self.on_scale else None

    def rig_device(self, device_id: str) -> RigDevice | None:
        """The rig's entry for a device id: by id, or by what DEVICE_HELLO bound it to."""
        name = self.bound.get(device_id)
        for device in self.rig.devices:
            if device.device_id == device_id or (device.device_id is None and device.name == name):
                return device
        return None

    def device_key(self, rig_name: str) -> str:
        """A rig device's id where it is known, else its name: what its health goes by."""
        bound = {name: device_id for device_id, name in self.bound.items()}
        entry = next((d for d in self.rig.devices if d.name == rig_name), None)
        return (entry.device_id if entry else None) or bound.get(rig_name, rig_name)

    def apply(self, event: Event) -> None:
        """Events not named here, also those of later versions, change nothing."""
        match event:
            case JobOpened():
                self._job_opened(event)
            case JobFact():
                self._set(event.key, event.value)
            case JobClosed():
                self.closed = True
            case JobAmended():
                self.closed = False
            case RunBegun():
                self.utc_offset_s, self.speed = event.utc_offset_s, event.speed
            case RigLoaded():
                self.rig = event.rig
            case DeviceHello():
                self.bound[event.device] = event.name
            case StageBegun():
                kind, settings = event.kind, dict(event.settings)
                self.stages.append(Stage(event.number, kind, event.t_ns, None, settings))
            case StageEnded() if self.stages:
                numbers = [stage.number for stage in self.stages]
                i = len(numbers) - 1 - numbers[::-1].index(event.number) if event.number in numbers else -1
                self.stages[i] = replace(self.stages[i], ended_ns=event.t_ns)
            case Marked():
                self.marks.append(Mark(event.t_ns, event.act, event.text))
            case NoteWritten():
                self.notes.append(Note(event.t_ns, event.text, event.author))
                del self.notes[:-MAX_NOTES]
            case CylinderOnScale(cylinder=cylinder):
                self._learn_blends(event.blends or ())
                self.cylinders[cylinder.name] = cylinder
                self.on_scale = cylinder.name
                self.swaps.append((event.t_ns, cylinder.name))
            case Proposed():
                self.proposals[event.n] = event
            case ProposalAnswered():
                self.answers.setdefault(event.n, event)
            case FindingConcluded():
                self._concluded_anew(event)
                self.findings.setdefault(event.stage, []).append(self._readable(event))
            case SettingChanged() if event.key in JOB_SETTINGS:
                self._set(event.key, event.value)

    def _set(self, key: str, value: Any) -> None:
        if self.job is not None:
            self.job = from_plain(Job, plain(self.job) | {key: value})  # checks the value's type

    def concluded_after(self, number: int) -> str | None:
        """The correction after which a stage's findings were concluded, None at its end."""
        return self._concluded.get(number, (None, 0))[0]

    def _concluded_anew(self, event: FindingConcluded) -> None:
        """The first of another set of findings puts the one before aside."""
        is_newest = event.after, event.t_ns if event.after is not None else 0
        before = self._concluded.get(event.stage)
        if before is not None and before != is_newest:
            put_aside = before[0], self.findings.pop(event.stage, [])
            self.earlier_findings.setdefault(event.stage, []).append(put_aside)
        self._concluded[event.stage] = is_newest

    def _readable(self, event: FindingConcluded) -> Finding:
        """Of a stage that is not known here with the words that were shown then: none else can be made."""
        known = any(one.number == event.stage and registry.definition(one.kind) is not None for one in self.stages)
        return event.finding if known or event.said is None else replace(event.finding, said=event.said)

    def _learn_blends(self, records: Iterable[Mapping[str, Any]]) -> None:
        """The user's own: a stranger's program must compute with the same. One with a shipped name is left out."""
        blends = (Refrigerant.from_record(record) for record in records)
        self.catalogue = self.catalogue.with_blends(b for b in blends if shipped().get(b.name) is None)

    def _job_opened(self, event: JobOpened) -> None:
        self._learn_blends(event.blends)
        self.job, self.opened_ns = event.job, event.t_ns
        self.closed = False
        self.cylinders |= {cylinder.name: cylinder for cylinder in event.cylinders}
        self.profiles = {key: profile_from_mapping(key, table) for key, table in event.profiles.items()}
        self.carried = {one.kind: one.carry().read(event) for one in registry.STAGES if one.carry is not None}
