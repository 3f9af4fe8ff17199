"""What happens in a job, one class an event type: what the chain holds besides frames. Their JSON: codec.py.

A field whose default is None is written only where it is set; every other field is always written.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from logger.model.alarm import AlarmEvent, Priority, State
from logger.model.cylinder import Cylinder
from logger.model.finding import Finding, Text
from logger.model.job import Job
from logger.model.points import Quantity
from logger.model.rig import Rig
from logger.model.value import Statement, Value


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """t_ns: when it happened, UTC. extra: keys of a later version, kept and written again."""

    t_ns: int
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnknownEvent(Event):
    """An event of a later version: of a type, or a version of its type, that is not known here. It changes nothing.

    extra: everything that it holds besides its type and time.
    """

    type: str

    @property
    def critical(self) -> bool:
        """Whether who does not know it must conclude nothing: it changes what others mean."""
        return self.extra.get("critical") is True


# -- the job and the program -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """How an appliance ran at its last start-up in an earlier job. date: of that job, as text. figures: means by name
    of the live quantity."""

    job: str
    date: str
    figures: Mapping[str, Value]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobOpened(Event):
    """profiles: the user's own acceptance profiles, as in their file. blends: the user's own, whole.

    earlier_additions: what earlier jobs of the appliance added (stages/charging/carry.py), None when they were
    not looked for. earlier_complete: all of them were read. logo: the company's, a PNG or JPEG picture in base64.
    """

    job: Job
    cylinders: tuple[Cylinder, ...] = ()
    profiles: Mapping[str, Any] = field(default_factory=dict)
    blends: tuple[Mapping[str, Any], ...] = ()
    earlier_additions: tuple[Mapping[str, Any], ...] | None = None
    earlier_complete: bool | None = None
    baseline: Baseline | None = None
    logo: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobClosed(Event):
    pass


@dataclass(frozen=True, slots=True, kw_only=True)
class JobAmended(Event):
    """A closed job goes on. prior_count, prior_head: how many records the closed one has, and the digest of its last,
    in hex. by, why: of the person."""

    prior_count: int
    prior_head: str
    by: str = ""
    why: str = ""
    critical: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class RunBegun(Event):
    """The program was started on this job. speed: how many times faster than real time, of a simulated one;
    fast_since_ns: since when, UTC of the computer.

    utc_offset_s: how far the computer's clock is ahead of UTC.
    """

    software: str = ""
    python: str = ""
    system: str = ""
    speed: float = 1.0
    fast_since_ns: int | None = None
    continued: bool = False
    utc_offset_s: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEnded(Event):
    pass


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingChanged(Event):
    """A setting of the job: units, or a number in SI."""

    key: str
    value: str | float


# -- devices ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class RigLoaded(Event):
    """The rig as its file says; calibrations are in it."""

    rig: Rig


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceHello(Event):
    """device: its id. name: of the rig's device that it serves. url: where it was found."""

    device: str
    name: str
    url: str = ""
    firmware: str = ""
    boot_count: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceLost(Event):
    device: str
    name: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PermitChanged(Event):
    """A device's contact. act: armed, closed, opened, stopped, released. hold: what the contact supplies.

    reason: why, operator: by whom; guard_kg: scale reading at which the device opens by itself.
    """

    device: str
    name: str
    output: int
    hold: str
    act: str
    reason: str | None = None
    operator: str | None = None
    cylinder: str | None = None
    guard_kg: float | None = None


# -- what people do --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class StageBegun(Event):
    """number: 1, 2, 3 ... settings: as given, SI."""

    number: int
    kind: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    operator: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StageEnded(Event):
    """analysis, software: the version of the analysis and the program that concluded it; None before 0.2."""

    number: int
    operator: str = ""
    analysis: int | None = None
    software: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Marked(Event):
    """An act inside a stage: isolated, pump-started, cylinder-swapped, nitrogen-break ..."""

    act: str
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteWritten(Event):
    text: str
    author: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CylinderOnScale(Event):
    """The cylinder that is filled or emptied from now on. reading_kg: of the scale, None when it is not known.

    blends: of the user's own that it holds and the job did not know yet, whole.
    """

    cylinder: Cylinder
    reading_kg: float | None
    blends: tuple[Mapping[str, Any], ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected(Event):
    """What was entered before was wrong, or is so no more (pipeline/facts.py: what follows from it).

    t_ns: when it was entered. n: 1, 2, 3 ... in the chain. fact: key of FACTS. of: what it is about, by type and
    ordinal of its first entry, such as "cylinder:2", "mark:5", "correction:4" (to undo that one), or "job". old,
    new: plain JSON, SI. since_ns, until_ns: when the new value is true, None without a bound. by, why: of the
    person. seen: how many corrections there were when it was made. confirmed: what was said and typed again for a
    looser limit.
    blends: of the user's own that the new value rests on, whole. earlier: fields of JobOpened, looked for again.
    """

    n: int
    fact: str
    of: str
    old: Any
    new: Any
    since_ns: int | None = None
    until_ns: int | None = None
    by: str = ""
    why: str = ""
    seen: int = 0
    confirmed: str | None = None
    blends: tuple[Mapping[str, Any], ...] | None = None
    earlier: Mapping[str, Any] | None = None
    critical: bool = True


# -- what the program concludes --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingConcluded(Event):
    """A conclusion on an ended stage. said: its words as shown then, which are evidence of what was said.

    after: the correction that had it concluded again, as "correction:3"; None at the stage's end.
    """

    stage: int
    finding: Finding
    said: Text | None = None
    after: str | None = None

    @property
    def words(self) -> Text:
        return self.said or self.finding.said or Text(self.finding.key, self.finding.verdict.value)


@dataclass(frozen=True, slots=True)
class ProposedAct:
    """An act of a person as the API takes it: action and body, without its time."""

    action: str
    body: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposed(Event):
    """What the readings say has happened, and nobody has said (stages/noticing.py). It changes nothing.

    t_ns: when it was noticed. n: 1, 2, 3 ... about: what was seen. as_of_ns: when it happened, within u_s (standard).
    acts: what a yes would do as of then. said: its words as shown then.
    """

    n: int
    about: Statement
    as_of_ns: int
    u_s: float
    acts: tuple[ProposedAct, ...]
    said: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposalAnswered(Event):
    """answer: "yes" (the acts stand before this in the chain), "no", or what ended it without a person: "entered" (by
    hand), "late" (nothing hangs on it any more). as_of_ns: the time that a person gave, None: the proposal's.
    """

    n: int
    answer: str
    operator: str = ""
    as_of_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmChanged(Event):
    """One change of one alarm.

    value, limit in `unit` (SI, UCUM); value None with `problem`. operator and reason: of the person, "" when nobody
    acted. first_out: it began the outbreak. about, why: what it is and why it changed; None in records of before.
    label, message (what to do), cause: their words as shown then, which are evidence of what was said.
    """

    key: str
    priority: Priority
    event: AlarmEvent
    from_state: State
    to_state: State
    value: float | None
    problem: str | None
    limit: float | None
    unit: str
    quantity: Quantity
    about: Statement | None = None
    why: Statement | None = None
    label: str = ""
    cause: str = ""
    operator: str = ""
    reason: str = ""
    message: str = ""
    first_out: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class GapNoted(Event):
    """No trusted data. from_ns, to_ns: between which times, where that is known; else the event's own time.

    device: whose, None for all. kind, seconds: of a sleep or stall of the computer. frames, first, last, boot_count:
    how many frames, and which by sequence number since which start of the device. records_lost, frames_lost: given up
    while storage failed. lost_from_id, lost_to_id: records that were damaged; lost_checkpoints: (last id, head in hex)
    of the checkpoints that had seen them.
    """

    cause: str = ""
    from_ns: int | None = None
    to_ns: int | None = None
    device: str | None = None
    kind: str | None = None
    seconds: float | None = None
    frames: int | None = None
    first: int | None = None
    last: int | None = None
    boot_count: int | None = None
    records_lost: int | None = None
    frames_lost: int | None = None
    lost_from_id: int | None = None
    lost_to_id: int | None = None
    lost_checkpoints: tuple[tuple[int, str], ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFit:
    """A device's clock against the record's (decode/tick_fit.py). drift: how much slower it runs than its stated rate.

    error_ns: how true the times of its readings are. extra: the rest of the fit.
    """

    drift: float
    error_ns: int
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockNoted(Event):
    """Trouble of the computer's clock with its cause, or the fit of a device's clock."""

    cause: str | None = None
    offset_ns: int | None = None
    kind: str | None = None
    seconds: float | None = None
    from_ns: int | None = None
    to_ns: int | None = None
    device: str | None = None
    fit: ClockFit | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepAwakeNoted(Event):
    """held: (what holds off sleep, by what). missing: (what does not, why). advice: what the user should do."""

    text: str
    held: tuple[tuple[str, str], ...] = ()
    missing: tuple[tuple[str, str], ...] = ()
    advice: tuple[str, ...] = ()
