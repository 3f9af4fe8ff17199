"""The job as its records tell it, gathered in one pass: everything the report and the lists need besides readings."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from logger.alarms.errors import AlarmError
from logger.alarms.memory import AlarmChange
from logger.alarms.states import Event as AlarmEvent
from logger.alarms.states import State
from logger.evidence.chain import GENESIS, event_of
from logger.evidence.errors import BundleError, ChainError
from logger.export.event_words import words
from logger.export.report.report_data import Act, AlarmEntry, GapEntry
from logger.model import records as r
from logger.model.finding import Finding
from logger.model.job import Job
from logger.model.points import POINTS
from logger.model.records import EVENT, Record
from logger.model.text import clean
from logger.model.value import Value, known, unknown
from logger.pipeline.job_state import JobState
from logger.wording.values import Shown

_DIARY = {
    r.NOTE: "note",
    r.MARK: "act",
    r.CYLINDER_ON_SCALE: "cylinder",
    r.SETTING: "setting",
    r.DEVICE_LOST: "device",
}
_SILENCING = (AlarmEvent.SHELVE, AlarmEvent.UNSHELVE, AlarmEvent.TAKE_OUT, AlarmEvent.PUT_BACK, AlarmEvent.RESET)
_AT_REST = (State.NORMAL, State.SUPPRESSED, State.SHELVED, State.OUT_OF_SERVICE)


@dataclass(slots=True)
class Story:
    """events: (record id, event) in order. head, count, first_ns, last_ns: of all records."""

    state: JobState = field(default_factory=JobState)
    events: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    count: int = 0
    head: bytes = GENESIS
    first_ns: int = 0
    last_ns: int = 0
    _points: set[str] = field(default_factory=set)

    def passing(self, records: Iterable[Record]) -> Iterator[Record]:
        """The same records, noted on their way through. Raises BundleError for an event that cannot be read."""
        for record in records:
            self.count, self.head = self.count + 1, record.digest
            self.first_ns = record.t0_ns if self.count == 1 else min(self.first_ns, record.t0_ns)
            self.last_ns = max(self.last_ns, record.t0_ns)
            if record.kind == EVENT:
                try:
                    event = event_of(record)
                    self.state.apply(event)
                except (ChainError, KeyError, TypeError, ValueError, AttributeError) as exc:
                    raise BundleError(f"record {record.id}: the event cannot be read ({ascii(str(exc))[:80]})") from exc
                self.events.append((record.id, event))
                if event["type"] == r.RIG_LOADED:
                    self._points.update(c.point for d in self.state.rig.devices for c in d.channels)
            yield record

    @property
    def points(self) -> tuple[str, ...]:
        """Measuring points of every rig the job was run with, in the order of POINTS."""
        return tuple(p for p in POINTS if p in self._points)

    @property
    def job(self) -> Job:
        """Raises BundleError when no record opens the job."""
        if self.state.job is None:
            raise BundleError("no record opens the job: it has no name, customer or refrigerant")
        return self.state.job

    def _newest(self, key: str, *kinds: str) -> Any:
        """A field of the last event of these types that has it, None without."""
        return next((e[key] for _, e in reversed(self.events) if e["type"] in kinds and key in e), None)

    @property
    def software(self) -> str:
        """Version of the program that recorded last, such as "0.1.0"."""
        found = str(self._newest("software", r.RUN_BEGUN, r.JOB_OPENED) or "version not stated")
        return clean(found.removeprefix("rimelog "), 40)

    @property
    def utc_offset_s(self) -> int:
        """Of the place of the job, 0 (UTC) when not recorded."""
        offset = self._newest("utc_offset_s", r.RUN_BEGUN, r.JOB_OPENED)
        return offset if isinstance(offset, int) and abs(offset) < 86_400 else 0

    @property
    def speed(self) -> float:
        """How many times faster than real time a simulated job ran, 1 for a real one."""
        speed = self._newest("speed", r.RUN_BEGUN)
        return float(speed) if isinstance(speed, int | float) and 0 < speed < 1e6 else 1.0

    def rows(self, shown: Shown) -> Iterator[tuple[int, int, str, str, str, str]]:
        """Rows of events.csv, in order of time."""
        for record_id, event in sorted(self.events, key=lambda pair: (pair[1]["t_ns"], pair[0])):
            about, text, by = words(event, shown)
            yield event["t_ns"], record_id, event["type"], about, text, by

    def acts(self, shown: Shown) -> tuple[Act, ...]:
        found = []
        for _, event in self.events:
            kind = _DIARY.get(event["type"])
            if kind is None and event["type"] == r.ALARM and event.get("event") in [str(e) for e in _SILENCING]:
                kind = "alarm"
            if kind is not None:
                about, text, by = words(event, shown)
                told = text if kind in ("note", "act") or not about else f"{about}: {text}"
                found.append(Act(event["t_ns"], kind, told if told != about else about, by))
        return tuple(sorted(found, key=lambda act: act.t_ns))

    def gaps(self) -> tuple[GapEntry, ...]:
        return tuple(_gap(event) for _, event in self.events if event["type"] == r.GAP)

    def concluded(self, stage: int) -> tuple[Finding, ...]:
        """Findings recorded when the stage ended, by what had arrived by then."""
        return tuple(self.state.findings.get(stage, ()))

    def told(self, kind: str, shown: Shown) -> tuple[str, ...]:
        """The words of every event of a type, each once."""
        return tuple(dict.fromkeys(words(e, shown)[1] for _, e in self.events if e["type"] == kind))

    def clocks(self, shown: Shown) -> tuple[str, ...]:
        """Troubles of the clocks, each once; then for each device the least certain fit of its clock."""
        troubles: dict[str, None] = {}
        fits: dict[str, tuple[int, str]] = {}  # device id: error, words
        for _, event in self.events:
            if event["type"] != r.CLOCK:
                continue
            device, text, _ = words(event, shown)
            fit = event.get("fit")
            if fit is None:
                troubles[text] = None
            elif isinstance(fit, dict) and isinstance(error_ns := fit.get("error_ns"), int) and device:
                fits[device] = max(fits.get(device, (0, "")), (error_ns, text))
        names = {d.device_id: d.name for d in self.state.rig.devices}
        return (*troubles, *(f"{names.get(device) or device}: {text}" for device, (_, text) in fits.items()))

    def alarms(self) -> tuple[AlarmEntry, ...]:
        """One entry for each time an alarm was raised, in order of time."""
        done: list[AlarmEntry] = []
        running: dict[str, AlarmEntry] = {}
        for _, event in self.events:
            if event["type"] != r.ALARM:
                continue
            try:
                change = AlarmChange.from_dict(event)
            except (AlarmError, TypeError):
                continue  # of another version: it is in events.csv as it stands
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


def _gap(event: dict[str, Any]) -> GapEntry:
    """Bounds that are not stated are the time of the event."""
    begin, end = (t if isinstance(t := event.get(k), int) else event["t_ns"] for k in ("from_ns", "to_ns"))
    cause, frames = str(event.get("cause") or "not stated"), event.get("frames")
    told = f"{cause} ({frames} frames)" if isinstance(frames, int) else cause
    return GapEntry(begin, max(begin, end), told, str(event.get("device") or ""))


def _raised(change: AlarmChange) -> AlarmEntry:
    value: Value = (
        unknown(change.unit, change.problem or "not measured")
        if change.value is None
        else known(change.value, change.unit)
    )
    limit = unknown(change.unit, "none") if change.limit is None else known(change.limit, change.unit)
    return AlarmEntry(
        change.label, change.priority, change.t_ns, value, limit, change.quantity, first_out=change.first_out
    )
