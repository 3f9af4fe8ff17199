"""The job as its records tell it, gathered in one pass: everything the report and the lists need besides readings."""

import base64
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise

from logger.clock import utc_text
from logger.evidence.chain import GENESIS, event_of
from logger.evidence.errors import BundleError, ChainError
from logger.export.event_words import clock_error, words
from logger.export.report.report_data import Act, AlarmEntry, CorrectionEntry, GapEntry
from logger.model.alarm import AlarmEvent, State
from logger.model.codec import type_of
from logger.model.events import (
    AlarmChanged,
    ClockNoted,
    CylinderOnScale,
    DeviceHello,
    DeviceLost,
    Event,
    GapNoted,
    JobAmended,
    JobOpened,
    Marked,
    NoteWritten,
    ProposalAnswered,
    Proposed,
    RigLoaded,
    RunBegun,
    SettingChanged,
    StageEnded,
)
from logger.model.finding import Finding
from logger.model.instrument import PROTOCOL
from logger.model.job import Job
from logger.model.points import POINTS
from logger.model.records import EVENT, Record
from logger.model.text import clean
from logger.model.value import Value, known, unknown
from logger.pipeline.correction_words import correction_text
from logger.pipeline.engine import CLOCK_FITS
from logger.pipeline.facts import Facts, effective
from logger.pipeline.job_state import JobState
from logger.wording.values import Shown

_DIARY: dict[type[Event], str] = {
    NoteWritten: "note",
    Marked: "mark",
    CylinderOnScale: "cylinder",
    SettingChanged: "setting",
    DeviceLost: "device",
    Proposed: "noticed",
    ProposalAnswered: "noticed",
}
_SILENCING = (AlarmEvent.SHELVE, AlarmEvent.UNSHELVE, AlarmEvent.TAKE_OUT, AlarmEvent.PUT_BACK, AlarmEvent.RESET)
_MARKS = {"machine-started": "recovery machine started", "machine-stopped": "recovery machine stopped"}
_AT_REST = (State.NORMAL, State.SUPPRESSED, State.SHELVED, State.OUT_OF_SERVICE)


def mark_label(act: str) -> str:
    return _MARKS.get(act, act.replace("-", " "))


@dataclass(slots=True)
class Story:
    """events: (record id, event) as recorded, in order. head, count, first_ns, last_ns: of all records."""

    events: list[tuple[int, Event]] = field(default_factory=list)
    count: int = 0
    head: bytes = GENESIS
    first_ns: int = 0
    last_ns: int = 0
    _facts: tuple[int, Facts, JobState] | None = None

    def passing(self, records: Iterable[Record]) -> Iterator[Record]:
        """The same records, noted on their way through. Raises BundleError for an event that cannot be read."""
        for record in records:
            self.count, self.head = self.count + 1, record.digest
            self.first_ns = record.t0_ns if self.count == 1 else min(self.first_ns, record.t0_ns)
            self.last_ns = max(self.last_ns, record.t0_ns)
            if record.kind == EVENT:
                try:
                    self.events.append((record.id, event_of(record)))
                except ChainError as exc:
                    raise BundleError(clean(str(exc), 160)) from exc
            yield record

    @property
    def facts(self) -> Facts:
        """What all events so far mean together. Raises BundleError for one that cannot be read."""
        return self._known()[1]

    @property
    def state(self) -> JobState:
        """The job by them. Raises BundleError."""
        return self._known()[2]

    def _known(self) -> tuple[int, Facts, JobState]:
        if self._facts is None or self._facts[0] != len(self.events):
            facts, state = effective(self.events), JobState()
            for placed in facts.events:
                try:
                    state.apply(placed.event)
                except (KeyError, TypeError, ValueError, AttributeError) as exc:
                    why = clean(str(exc), 80)
                    raise BundleError(f"record {placed.place}: the event cannot be read ({why})") from exc
            self._facts = len(self.events), facts, state
        return self._facts

    @property
    def points(self) -> tuple[str, ...]:
        """Measuring points of every rig the job was run with, in the order of POINTS."""
        rigs = (placed.event.rig for placed in self.facts.events if isinstance(placed.event, RigLoaded))
        measured = {c.point for rig in rigs for d in rig.devices for c in d.channels}
        return tuple(p for p in POINTS if p in measured)

    @property
    def job(self) -> Job:
        """Raises BundleError when no record opens the job."""
        if self.state.job is None:
            raise BundleError("no record opens the job: it has no name, customer or refrigerant")
        return self.state.job

    @property
    def logo(self) -> bytes:
        """The company's, as its file had it; b"" when there is none, or none that can be read."""
        opened = next((e for _, e in self.events if isinstance(e, JobOpened)), None)
        try:
            return base64.b64decode((opened.logo if opened else None) or "", validate=True)
        except ValueError:
            return b""

    @property
    def _newest_run(self) -> RunBegun:
        """As the last run began; one that says nothing when none did."""
        return next((e for _, e in reversed(self.events) if isinstance(e, RunBegun)), RunBegun(t_ns=0))

    @property
    def software(self) -> str:
        """Version of the program that recorded last, such as "0.1.0"."""
        return clean((self._newest_run.software or "version not stated").removeprefix("rimelog "), 40)

    @property
    def utc_offset_s(self) -> int:
        """Of the place of the job, 0 (UTC) when not recorded."""
        offset = self._newest_run.utc_offset_s
        return offset if abs(offset) < 86_400 else 0

    @property
    def speed(self) -> float:
        """How many times faster than real time a simulated job ran, 1 for a real one."""
        speed = float(self._newest_run.speed)
        return speed if 0 < speed < 1e6 else 1.0

    def rows(self, shown: Shown) -> Iterator[tuple[int, int, str, str, str, str]]:
        """Rows of events.csv, in order of time."""
        for record_id, event in sorted(self.events, key=lambda pair: (pair[1].t_ns, pair[0])):
            about, text, by = words(event, shown)
            yield event.t_ns, record_id, type_of(event), about, text, by

    def acts(self, shown: Shown) -> tuple[Act, ...]:
        found = []
        for event in (placed.event for placed in self.facts.events):
            kind = _DIARY.get(type(event))
            if isinstance(event, AlarmChanged) and event.event in _SILENCING:
                kind = "alarm"
            if kind is not None:
                about, text, by = words(event, shown)
                text = text if kind in ("note", "mark") or not about else f"{about}: {text}"
                if isinstance(event, Marked):
                    text = event.text or mark_label(event.act)
                found.append(Act(event.t_ns, kind, text if text != about else about, by))
        return tuple(sorted(found, key=lambda act: act.t_ns))

    def corrections(self, shown: Shown) -> tuple[CorrectionEntry, ...]:
        """Those that stand, and those that were undone, in order of entry."""
        found = []
        for one in self.facts.corrections:
            about, text = correction_text(one.event, shown, self.facts)
            text = text if one.standing else f"{text} (undone)"
            by = clean(one.event.by, 80)
            turned = tuple(self._turned(f"correction:{one.n}"))
            found.append(CorrectionEntry(one.n, one.event.t_ns, clean(about, 80), clean(text, 300), by, turned))
        return tuple(found)

    def _turned(self, after: str) -> Iterator[str]:
        """Verdicts of stages that were others before."""
        for number, before in self.state.earlier_findings.items():
            sets = [*before, (self.state.concluded_after(number), self.state.findings.get(number, []))]
            for (_, was), (by, now) in pairwise(sets):
                if by == after and was and now and was[0].verdict is not now[0].verdict:
                    yield f"stage {number}: {was[0].verdict.value} was shown, {now[0].verdict.value} by this"

    @property
    def supersedes(self) -> tuple[int, str] | None:
        """(records, head in hex) of the closed job that this one goes on from."""
        amended = [event for _, event in self.events if isinstance(event, JobAmended)]
        return (amended[-1].prior_count, clean(amended[-1].prior_head, 64)) if amended else None

    @property
    def amended(self) -> str:
        """For page one; "" for a job that was closed once at most."""
        if self.supersedes is None:
            return ""
        count, head = self.supersedes
        return f"Amended: supersedes the record of {count:,} entries, {head[:16]}…"

    def gaps(self) -> tuple[GapEntry, ...]:
        noted = (_gap(event) for _, event in self.events if isinstance(event, GapNoted))
        return tuple(sorted((*noted, *self._silences()), key=lambda one: one.begin_ns))

    def _silences(self) -> Iterator[GapEntry]:
        """Of instruments without frame numbers: what they did not send can be neither counted nor fetched later."""
        numbered = {device.name for device in self.state.rig.devices if device.kind == PROTOCOL}
        lost: dict[str, DeviceLost] = {}

        def entry(of: DeviceLost, until_ns: int) -> GapEntry:
            return GapEntry(of.t_ns, until_ns, of.reason or "device lost", of.name)

        for _, event in self.events:
            match event:
                case DeviceLost(name=name) if name and name not in numbered:
                    lost.setdefault(name, event)
                case DeviceHello(name=name) if name in lost:
                    yield entry(lost.pop(name), event.t_ns)
        yield from (entry(one, self.last_ns) for one in lost.values())

    def concluded(self, stage: int) -> tuple[Finding, ...]:
        """Findings recorded when the stage ended, by what had arrived by then."""
        return tuple(self.state.findings.get(stage, ()))

    def analysis_at_end(self, stage: int) -> int:
        """The version of the analysis that concluded a stage when it ended."""
        events = (placed.event for placed in self.facts.events)
        ends = (event for event in events if isinstance(event, StageEnded) and event.number == stage)
        return next((event.analysis for event in ends if event.analysis is not None), 1)

    def words_of(self, kind: type[Event], shown: Shown) -> tuple[str, ...]:
        """The words of every event of a type, each once."""
        return tuple(dict.fromkeys(words(e, shown)[1] for _, e in self.events if isinstance(e, kind)))

    def clocks(self, shown: Shown) -> tuple[str, ...]:
        """Troubles of the clocks, each once; then for each device the least certain fit of its clock."""
        troubles: dict[str, None] = {}
        fits: dict[str, tuple[int, str]] = {}  # device id: error, words
        for _, event in self.events:
            if not isinstance(event, ClockNoted):
                continue
            device, text, _ = words(event, shown)
            if event.fit is None:
                troubles[text] = None
            elif device:
                fits[device] = max(fits.get(device, (0, "")), (event.fit.error_ns, clock_error(event.fit)))
        names = {d.device_id: d.name for d in self.state.rig.devices}
        return (*troubles, *(f"{names.get(device) or device}: {text}" for device, (_, text) in fits.items()))

    def doubted_clocks(self) -> tuple[str, ...]:
        """Each stretch in which a device's ticks were not believed: its readings carry the time of their arrival."""
        begun: dict[str, ClockNoted] = {}
        found: list[str] = []
        names = {d.device_id: d.name for d in self.state.rig.devices}

        def stretch(of: ClockNoted, until: str) -> str:
            assert of.device is not None
            return f"{names.get(of.device) or of.device}: {of.cause}, {utc_text(of.t_ns)} to {until}"

        for _, event in self.events:
            if isinstance(event, ClockNoted) and event.device is not None and event.cause is not None:
                before = begun.pop(event.device, None)
                if before is not None:
                    found.append(stretch(before, utc_text(event.t_ns)))
                if event.cause != CLOCK_FITS:
                    begun[event.device] = event
        return (*found, *(stretch(one, "the end") for one in begun.values()))

    def alarms(self) -> tuple[AlarmEntry, ...]:
        """One entry for each time an alarm was raised, in order of time."""
        done: list[AlarmEntry] = []
        running: dict[str, AlarmEntry] = {}
        for change in (event for _, event in self.events if isinstance(event, AlarmChanged)):
            entry = running.pop(change.key, None)
            if change.event is AlarmEvent.RAISE:
                if entry is not None:
                    done.append(entry)
                entry = _raised(change)
            elif entry is not None and change.event is AlarmEvent.ACKNOWLEDGE:
                entry = replace(entry, acknowledged_ns=change.t_ns, acknowledged_by=change.operator)
            elif entry is not None and change.event is AlarmEvent.RETURN:
                entry = replace(entry, cleared_ns=change.t_ns)
            if entry is not None:
                if change.to_state in _AT_REST:
                    aside = "" if change.to_state is State.NORMAL else str(change.to_state)
                    done.append(replace(entry, put_aside=aside))
                else:
                    running[change.key] = entry
        return tuple(sorted([*done, *running.values()], key=lambda e: e.raised_ns))


def _gap(event: GapNoted) -> GapEntry:
    """Bounds that are not stated are the time of the event."""
    begin, end = (event.t_ns if t_ns is None else t_ns for t_ns in (event.from_ns, event.to_ns))
    cause = event.cause or "not stated"
    text = cause if event.frames is None else f"{cause} ({event.frames} frames)"
    return GapEntry(begin, max(begin, end), text, event.device or "")


def _raised(change: AlarmChanged) -> AlarmEntry:
    value: Value = (
        unknown(change.unit, change.problem or "not measured")
        if change.value is None
        else known(change.value, change.unit)
    )
    limit = unknown(change.unit, "none") if change.limit is None else known(change.limit, change.unit)
    return AlarmEntry(
        change.label or change.key,
        change.priority,
        change.t_ns,
        value,
        limit,
        change.quantity,
        first_out=change.first_out,
    )
