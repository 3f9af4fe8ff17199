"""From the events as recorded to what is true: one pure function folds the corrections into the events they correct.

The record keeps what was entered and when. `effective` gives the same events with corrected content, at the time they
are true for, those that were struck gone. Engine, story, job list and `correct` itself read this and nothing else; none
of them knows corrections. So a mistaken evening that was put right gives the same sequence as one without mistakes.

A thing entered has an identity, its ordinal among those of its type in the chain ("mark:5"), which is never given
again. A stage has a place besides, its order of beginning among those that stand: the number that people see.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from logger.model.cylinder import Cylinder
from logger.model.errors import EventError
from logger.model.events import (
    Corrected,
    CylinderOnScale,
    Event,
    FindingConcluded,
    JobOpened,
    Marked,
    NoteWritten,
    RigLoaded,
    SettingChanged,
    StageBegun,
    StageEnded,
    UnknownEvent,
)
from logger.model.job import Job
from logger.model.plain import from_plain, plain
from logger.model.rig import Calibration, Rig, RigChannel
from logger.pipeline.fact_table import fact_of

Recorded = Iterable[tuple[int, Event]]  # (place in the chain, event)
JOB_SETTINGS = ("units", "barometer_pa", "full_charge_kg", "volume_m3")  # of the job, that a setting event may change


@dataclass(frozen=True, slots=True, kw_only=True)
class JobFact(Event):
    """A fact of the job from a time on, as corrections give it. Never stored."""

    key: str
    value: Any


@dataclass(frozen=True, slots=True)
class Placed:
    """An effective event. place: of what it was made from in the chain; before: it comes before all others there.

    made: no such event stands at that place; a correction has made it.
    """

    place: int
    event: Event
    before: bool = False
    made: bool = False


@dataclass(frozen=True, slots=True)
class Correction:
    """n: its ordinal. standing: whether nothing has undone it."""

    n: int
    place: int
    event: Corrected
    standing: bool


@dataclass(slots=True)
class StageNow:
    """A stage by its identity. place: the number that people see, 0 when it is struck or joined to another."""

    ordinal: int
    begun: StageBegun
    begin_place: int  # of its StageBegun in the chain
    kind: str
    settings: dict[str, Any]
    begin_ns: int
    end_ns: int | None = None
    ended: StageEnded | None = None
    end_place: int = 0
    struck: bool = False
    joined: int | None = None  # to which other
    split_from: int | None = None
    place: int = 0

    @property
    def stands(self) -> bool:
        return not self.struck and self.joined is None


@dataclass(slots=True)
class EnteredAct:
    """A mark, note or swap as it is now. at: its place in the chain."""

    at: int
    now: Any
    struck: bool = False


@dataclass(slots=True)
class CylinderEntry:
    """entries: (place, as entered) each time. The newest counts from then on."""

    name: str
    entries: list[tuple[int, Cylinder]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Facts:
    """events: effective, in order of time. corrections, stages, marks, notes, swaps, cylinders: in order of entry.

    unknown: types and facts of a later version that change what others mean: nothing is to be concluded then.
    """

    events: tuple[Placed, ...]
    corrections: tuple[Correction, ...]
    stages: tuple[StageNow, ...]
    marks: tuple[EnteredAct, ...]
    notes: tuple[EnteredAct, ...]
    swaps: tuple[EnteredAct, ...]
    cylinders: tuple[CylinderEntry, ...]
    rigs: tuple[tuple[int, RigLoaded], ...]
    opened: JobOpened | None
    unknown: tuple[str, ...]
    _fold: "_Fold"

    @property
    def of_first_version(self) -> bool:
        """Recorded by version 0.1.0, for which an act entered late was done when it was entered: replayed likewise."""
        ends = [one.ended for one in self.stages if one.ended is not None]
        return not self.corrections and any(one.analysis is None for one in ends)

    @property
    def readings_corrected(self) -> bool:
        """Whether what sensors read was ever corrected, or what gauges refer to; also where it was undone."""
        return any(c.event.fact.startswith(("channel.", "job.altitude", "job.barometer")) for c in self.corrections)

    def stage_at(self, place: int) -> StageNow | None:
        """By the number that people see."""
        return next((one for one in self.stages if one.place == place > 0), None)

    def identity(self, place: int) -> int:
        """What the record calls the stage with that number; the number itself where there is none."""
        found = self.stage_at(place)
        return place if found is None else found.begun.number

    @property
    def next_stage(self) -> int:
        """The identity of a stage that is entered now."""
        return self._fold.next_stage

    def cylinder(self, ordinal: int) -> Cylinder:
        """As it is, corrected."""
        return self._fold.cylinder(self._fold.cylinders[ordinal - 1])

    def cylinder_as_entered(self, name: str) -> Cylinder | None:
        """The newest entry, uncorrected, of the cylinder that has this name now; None where none has."""
        for i, entry in enumerate(self.cylinders, 1):
            if self.cylinder(i).name == name:
                return entry.entries[-1][1]
        return None

    def job(self, t_ns: int | None = None) -> Job | None:
        """As it is; at a time, where that is given."""
        return self._fold.job(t_ns)

    def rig(self, t_ns: int | None = None) -> Rig | None:
        """The newest one, as it is at a time."""
        return self._fold.rig_at(t_ns)


def effective(recorded: Recorded) -> Facts:
    """Pure. Never raises for what any program could have stored: what cannot be applied changes nothing."""
    return _Fold(tuple(recorded)).facts()


def effective_of(events: Iterable[Event]) -> Facts:
    """The same for events in the order of the chain."""
    return effective(enumerate(events, 1))


class _Fold:
    def __init__(self, recorded: tuple[tuple[int, Event], ...]) -> None:
        self.recorded = recorded
        self.corrections = _standing(recorded)
        self.by_place = {one.place: one for one in self.corrections}
        self.stages: list[StageNow] = []
        self.marks: list[EnteredAct] = []
        self.notes: list[EnteredAct] = []
        self.swaps: list[EnteredAct] = []
        self.cylinders: list[CylinderEntry] = []
        self.rigs: list[tuple[int, RigLoaded]] = []
        self.opened: JobOpened | None = None
        self.unknown: list[str] = []
        self._of: dict[tuple[str, str], list[Correction]] = {}  # standing ones of job, cylinders, channels
        self._settings: list[tuple[int, SettingChanged]] = []
        self._of_stage: dict[int, int] = {}  # place of a StageEnded or FindingConcluded -> stage
        for place, event in recorded:
            self._take(place, event)
        self._number()

    # -- one pass over the chain: what each thing entered has become ------------------------------------------------

    def _take(self, place: int, event: Event) -> None:
        match event:
            case JobOpened():
                self.opened = self.opened or event
                for cylinder in event.cylinders:
                    self._add_cylinder(place, cylinder)
            case CylinderOnScale():
                self.swaps.append(EnteredAct(place, event))
                self._add_cylinder(place, event.cylinder)
            case Marked():
                self.marks.append(EnteredAct(place, event))
            case NoteWritten():
                self.notes.append(EnteredAct(place, event))
            case StageBegun():
                self.stages.append(
                    StageNow(len(self.stages) + 1, event, place, event.kind, dict(event.settings), event.t_ns)
                )
            case StageEnded():
                self._end(place, event)
            case FindingConcluded():
                found = self._stage_called(event.stage)
                if found is not None:
                    self._of_stage[place] = found.ordinal
            case RigLoaded():
                self.rigs.append((place, event))
            case SettingChanged() if event.key in JOB_SETTINGS:
                self._settings.append((place, event))
            case Corrected():
                self._correct(self.by_place[place])
            case UnknownEvent() if event.critical:
                self.unknown.append(event.type)

    def _add_cylinder(self, place: int, cylinder: Cylinder) -> None:
        entry = next((one for one in self.cylinders if one.name == cylinder.name), None)
        if entry is None:
            entry = CylinderEntry(cylinder.name)
            self.cylinders.append(entry)
        entry.entries.append((place, cylinder))

    def _stage_called(self, number: int) -> StageNow | None:
        """The newest with that number; a split that was undone is part of where it came from again."""
        found = [one for one in self.stages if one.begun.number == number]
        one = found[-1] if found else None
        while one is not None and one.split_from is not None and one.struck:
            one = self.stages[one.split_from - 1]
        return one

    def _end(self, place: int, event: StageEnded) -> None:
        found = self._stage_called(event.number) or (self.stages[-1] if self.stages else None)
        if found is not None:
            found.end_ns, found.ended, found.end_place = event.t_ns, event, place
            self._of_stage[place] = found.ordinal

    def _correct(self, one: Correction) -> None:
        event = one.event
        known = fact_of(event.fact)
        if known is None:
            self.unknown.append(event.fact)
            return
        type_, ordinal = target_of(event.of)
        if type_ != known.target:
            return
        try:
            if event.fact == "swap.cylinder":  # also one that was undone was entered
                self._add_cylinder(one.place, from_plain(Cylinder, event.new))
            if event.fact == "stage.split":
                self._split(one, ordinal)
            elif one.standing and type_ == "stage":
                self._correct_stage(one, ordinal)
            elif one.standing and type_ in ("mark", "note", "swap"):
                self._correct_thing(event, type_, ordinal)
            elif one.standing and type_ in ("job", "cylinder", "channel"):
                self._of.setdefault((event.fact, event.of), []).append(one)
        except (EventError, IndexError, KeyError, TypeError, ValueError, AttributeError):
            return  # of no target that there is, or with a value that no such thing has

    def _correct_thing(self, event: Corrected, type_: str, ordinal: int) -> None:
        thing = {"mark": self.marks, "note": self.notes, "swap": self.swaps}[type_][ordinal - 1]
        match event.fact.partition(".")[2]:
            case "struck":
                thing.struck = event.new is True
            case "at":
                thing.now = replace(thing.now, t_ns=_int(event.new))
            case "cylinder":
                thing.now = replace(thing.now, cylinder=from_plain(Cylinder, event.new))
            case name:
                thing.now = replace(thing.now, **{name: str(event.new)})

    def _correct_stage(self, one: Correction, ordinal: int) -> None:
        event, stage = one.event, self.stages[ordinal - 1]
        match event.fact.split(".")[1:]:
            case ["struck"]:
                stage.struck = event.new is True
            case ["begin"]:
                stage.begin_ns = _int(event.new)
            case ["end"]:
                stage.end_ns = None if event.new is None else _int(event.new)
                stage.ended = stage.ended or StageEnded(t_ns=one.event.t_ns, number=stage.begun.number)
                stage.end_place = stage.end_place or one.place
            case ["kind"]:
                stage.kind, stage.settings = str(event.new["kind"]), dict(event.new["settings"])
            case ["joined"]:
                other = self.stages[target_of(event.new)[1] - 1]
                if other is not stage:
                    other.joined = ordinal
            case ["settings", name]:
                if event.new is None:
                    stage.settings.pop(name, None)
                else:
                    stage.settings[name] = event.new

    def _split(self, one: Correction, ordinal: int) -> None:
        """Undone it keeps its identity, and nothing of it stands."""
        new, stage = one.event.new, self.stages[ordinal - 1]
        at_ns, kind, settings = _int(new["at"]), str(new["kind"]), dict(new["settings"])
        begun = replace(stage.begun, number=self.next_stage)
        made = StageNow(len(self.stages) + 1, begun, one.place, kind, settings, at_ns, split_from=ordinal)
        self.stages.append(made)
        if one.standing:
            made.end_ns, made.ended, made.end_place = stage.end_ns, stage.ended, stage.end_place
            stage.end_ns = at_ns
            stage.ended = stage.ended or StageEnded(t_ns=at_ns, number=stage.begun.number)
            stage.end_place = stage.end_place or one.place
        else:
            made.struck = True

    @property
    def next_stage(self) -> int:
        return max([len(self.stages), *(one.begun.number for one in self.stages)]) + 1

    def _number(self) -> None:
        for one in self.stages:
            into, seen = one, {one.ordinal}
            while into.joined is not None and into.joined not in seen:
                into = self.stages[into.joined - 1]
                seen.add(into.ordinal)
            if into is not one and not one.struck and (one.end_ns is None or one.end_ns > (into.end_ns or one.end_ns)):
                into.end_ns, into.ended = one.end_ns, one.ended or into.ended
                into.end_place = max(into.end_place, one.end_place)
        standing = [one for one in self.stages if one.stands]
        in_order = sorted(standing, key=lambda one: (one.begin_ns, one.ordinal))
        as_begun = in_order == self.stages
        for i, one in enumerate(in_order, 1):
            one.place = one.begun.number if as_begun else i

    # -- facts with a time ---------------------------------------------------------------------------------------

    def cylinder(self, entry: CylinderEntry, nth: int = -1) -> Cylinder:
        """What was entered then (last), with its corrections."""
        of, (place, cylinder) = f"cylinder:{self.cylinders.index(entry) + 1}", entry.entries[nth]
        changed: dict[str, Any] = {}
        for (fact, about), corrections in self._of.items():
            if about != of:
                continue
            name = fact.partition(".")[2]
            for one in corrections:
                before = [entered for at, entered in entry.entries if at < one.place]
                news = place > one.place and before and getattr(before[-1], name) != getattr(cylinder, name)
                if not news:
                    changed[name] = one.event.new
        if not changed:
            return cylinder
        try:
            return from_plain(Cylinder, plain(cylinder) | changed)
        except EventError:
            return cylinder

    def _setting_spans(self) -> dict[str, list[tuple[int, int, None, Any]]]:
        found: dict[str, list[tuple[int, int, None, Any]]] = {}
        for place, event in self._settings:
            found.setdefault(event.key, []).append((place, event.t_ns, None, event.value))
        return found

    def _job_spans(self) -> dict[str, list[tuple[int, int | None, int | None, Any]]]:
        """Of each corrected fact of the job: (place, since, until, value) of all entered about it after the job was
        opened, in order of entry."""
        settings = self._setting_spans()
        found: dict[str, list[tuple[int, int | None, int | None, Any]]] = {}
        for (fact, about), corrections in self._of.items():
            if about == "job":
                name = fact.partition(".")[2]
                spans = [(one.place, one.event.since_ns, one.event.until_ns, one.event.new) for one in corrections]
                found[name] = sorted([*settings.get(name, []), *spans], key=lambda span: span[0])
        return found

    def job(self, t_ns: int | None = None) -> Job | None:
        if self.opened is None:
            return None
        job = self.opened.job
        values = {name: _at(spans, t_ns) for name, spans in self._job_spans().items()}
        for name, spans in self._setting_spans().items():
            values.setdefault(name, _at(list(spans), t_ns))
        return _job_with(job, {name: found[1] for name, found in values.items() if found is not None})

    def rig_at(self, t_ns: int | None) -> Rig | None:
        before = [one for one in self.rigs if t_ns is None or one[1].t_ns <= t_ns] or self.rigs[:1]
        return self._rig(before[-1], t_ns) if before else None

    def _rig(self, loaded: tuple[int, RigLoaded], t_ns: int | None) -> Rig:
        place, event = loaded
        rig = event.rig
        for (fact, about), corrections in self._of.items():
            name = fact.partition(".")[2]
            for one in corrections if about.startswith("channel:") else ():
                if not _covers(one.event.since_ns, one.event.until_ns, t_ns):
                    continue
                before = [earlier.rig for at, earlier in self.rigs if at < one.place]
                if (
                    place > one.place
                    and before
                    and channel_fact(before[-1], about, name) != channel_fact(event.rig, about, name)
                ):
                    continue  # the rig's file says something new since
                rig = _with_channel(rig, about, name, one.event.new)
        return rig

    # -- out -----------------------------------------------------------------------------------------------------

    def facts(self) -> Facts:
        placed = sorted(self._placed(), key=lambda one: (one.event.t_ns, one.place, not one.before))
        return Facts(
            tuple(placed), self.corrections, tuple(self.stages), tuple(self.marks), tuple(self.notes),
            tuple(self.swaps), tuple(self.cylinders), tuple(self.rigs), self.opened, tuple(self.unknown), self,
        )  # fmt: skip

    def _placed(self) -> Iterator[Placed]:
        things = {thing.at: thing for listed in (self.marks, self.notes, self.swaps) for thing in listed}
        begins = {one.begin_place: one for one in self.stages if one.split_from is None}
        ends = {one.end_place: one for one in self.stages if one.end_place}
        spans = self._job_spans()
        for place, event in self.recorded:
            match event:
                case JobOpened():
                    yield Placed(place, self._opened(place, event, spans))
                case SettingChanged(key=key) if key in spans:
                    pass  # among those of _job_facts
                case CylinderOnScale() | Marked() | NoteWritten():
                    thing = things[place]
                    if not thing.struck:
                        yield Placed(place, self._swap(thing) if isinstance(event, CylinderOnScale) else thing.now)
                case StageBegun():
                    stage = begins[place]
                    if stage.stands:
                        yield from self._stage(stage)
                case StageEnded():
                    if self._of_stage.get(place) is None and place not in ends:
                        yield Placed(place, event)  # of no stage
                case FindingConcluded():
                    yield from self._finding(place, event)
                case Corrected(fact="stage.split"):
                    made = next((one for one in self.stages if one.begin_place == place and one.split_from), None)
                    if made is not None and made.stands:
                        yield from self._stage(made)
                case Corrected():
                    pass
                case RigLoaded():
                    yield from self._rig_events(place, event)
                case _:
                    yield Placed(place, event)
        yield from self._job_facts(spans)

    def _opened(self, place: int, event: JobOpened, spans: Mapping[str, list[Any]]) -> JobOpened:
        values = {name: _at(listed, event.t_ns, always=True) for name, listed in spans.items()}
        job = _job_with(event.job, {name: found[1] for name, found in values.items() if found is not None})
        cylinders = []
        for cylinder in event.cylinders:
            entry = next(one for one in self.cylinders if one.name == cylinder.name)
            nth = next(i for i, (at, _) in enumerate(entry.entries) if at == place)
            cylinders.append(self.cylinder(entry, nth))
        changed = replace(event, job=job, cylinders=tuple(cylinders))
        for one in self.corrections:
            if one.standing and one.event.blends:
                changed = replace(changed, blends=(*changed.blends, *one.event.blends))
            if one.standing and one.event.earlier is not None:
                try:
                    fields = {"job": plain(changed.job), "t_ns": event.t_ns} | dict(one.event.earlier)
                    found = from_plain(JobOpened, fields)
                except EventError:
                    continue
                changed = replace(
                    changed, earlier_additions=found.earlier_additions, earlier_complete=found.earlier_complete,
                    baseline=found.baseline,
                )  # fmt: skip
        if changed.baseline is not None and job.refrigerant != event.job.refrigerant:
            changed = replace(changed, baseline=None)  # of a start-up with another refrigerant
        return changed

    def _swap(self, thing: EnteredAct) -> CylinderOnScale:
        now: CylinderOnScale = thing.now
        entry = next(one for one in self.cylinders if one.name == now.cylinder.name)
        own = [i for i, (at, entered) in enumerate(entry.entries) if at == thing.at or entered == now.cylinder]
        return replace(now, cylinder=self.cylinder(entry, own[-1] if own else -1))

    def _stage(self, stage: StageNow) -> Iterator[Placed]:
        begun = replace(
            stage.begun, number=stage.place, kind=stage.kind, settings=stage.settings, t_ns=stage.begin_ns
        )  # fmt: skip
        yield Placed(stage.begin_place, begun)
        if stage.end_ns is None or stage.ended is None:
            return
        place, before = stage.end_place, False
        for other in self.stages:  # what ends at a moment ends before the next begins
            is_next = other.stands and other is not stage and other.begin_ns == stage.end_ns > stage.begin_ns
            if is_next and other.begin_place <= place:
                place, before = other.begin_place, True
        yield Placed(place, replace(stage.ended, number=stage.place, t_ns=stage.end_ns), before)

    def _finding(self, place: int, event: FindingConcluded) -> Iterator[Placed]:
        ordinal = self._of_stage.get(place)
        if ordinal is None:
            yield Placed(place, event)
            return
        stage = self.stages[ordinal - 1]
        if stage.stands and (event.after is not None or place > stage.end_place):  # else of an end that was none
            yield Placed(place, replace(event, stage=stage.place, t_ns=max(event.t_ns, stage.end_ns or 0)))

    def _rig_events(self, place: int, event: RigLoaded) -> Iterator[Placed]:
        listed = [c.event for (_, about), cs in self._of.items() if about.startswith("channel:") for c in cs]
        newer = [loaded.t_ns for at, loaded in self.rigs if at > place]
        until_ns = min(newer, default=None)
        bounds = {t for one in listed for t in (one.since_ns, one.until_ns) if t is not None and t > event.t_ns}
        rig = self._rig((place, event), event.t_ns)
        yield Placed(place, replace(event, rig=rig))
        for t_ns in sorted(t for t in bounds if until_ns is None or t < until_ns):
            then = self._rig((place, event), t_ns)
            if then != rig:
                yield Placed(place, replace(event, rig=then, t_ns=t_ns), True, made=True)
            rig = then

    def _job_facts(self, spans: Mapping[str, list[tuple[int, int | None, int | None, Any]]]) -> Iterator[Placed]:
        if self.opened is None:
            return
        for name, listed in spans.items():
            entered = plain(getattr(self.opened.job, name))
            found = _at(listed, self.opened.t_ns, always=True)
            value = entered if found is None else found[1]
            bounds = {t for _, since, until, _ in listed for t in (since, until) if t is not None}
            for t_ns in sorted(bounds):
                found = _at(listed, t_ns)
                then = entered if found is None else found[1]
                if then != value:
                    place = found[0] if found is not None else listed[-1][0]
                    yield Placed(place, JobFact(t_ns=t_ns, key=name, value=then), made=True)
                value = then


def _standing(recorded: Iterable[tuple[int, Event]]) -> tuple[Correction, ...]:
    """Each with whether it stands: the last first, since only a later one that stands can undo it."""
    listed = [(place, event) for place, event in recorded if isinstance(event, Corrected)]
    undone: set[int] = set()
    found: list[Correction] = []
    for n in range(len(listed), 0, -1):
        place, event = listed[n - 1]
        standing = n not in undone
        if standing and event.fact == "correction.undone":
            of = target_of(event.of)[1]
            if of < n:
                undone.add(of)
        found.append(Correction(n, place, event, standing))
    return tuple(reversed(found))


def target_of(of: Any) -> tuple[str, int]:
    """ "mark:5" as ("mark", 5); the ordinal is 0 where there is none."""
    type_, _, number = str(of).partition(":")
    return type_, int(number) if number.isascii() and number.isdecimal() and len(number) < 9 else 0


def _int(value: Any) -> int:
    if type(value) is not int or abs(value) >= 1 << 63:
        raise ValueError(f"{value!r:.40} is no time")
    return value


def _covers(since_ns: int | None, until_ns: int | None, t_ns: int | None) -> bool:
    """t_ns None: now, after all that was entered."""
    if t_ns is None:
        return until_ns is None
    return (since_ns is None or since_ns <= t_ns) and (until_ns is None or t_ns < until_ns)


def _at(
    spans: Sequence[tuple[int, int | None, int | None, Any]], t_ns: int | None, *, always: bool = False
) -> tuple[int, Any] | None:
    """(place, value) of the last entry that covers the time; None where none does. always: only those without a
    beginning count."""
    found = [
        (place, value)
        for place, since, until, value in spans
        if _covers(since, until, t_ns) and not (always and since is not None)
    ]
    return found[-1] if found else None


def _job_with(job: Job, values: Mapping[str, Any]) -> Job:
    for name, value in values.items():
        try:
            job = from_plain(Job, plain(job) | {name: value})  # checks the value's type
        except EventError:
            continue
    return job


def channel_name(device: str, index: int) -> str:
    """What a correction calls a channel: its device's name in the rig, and its number."""
    return f"channel:{device}/{index}"


def channel_fact(rig: Rig | None, about: str, name: str) -> Any:
    """Of the channel that a correction calls so: its point, or of its calibration; None where the rig has none."""
    device_name, _, index = about.removeprefix("channel:").rpartition("/")
    for device in rig.devices if rig is not None else ():
        for channel in device.channels if device.name == device_name else ():
            if str(channel.index) == index:
                return channel.point if name == "point" else getattr(channel.calibration, name)
    return None


def _with_channel(rig: Rig, about: str, name: str, new: Any) -> Rig:
    """point None: the channel measures nothing there, and is left out."""
    device_name, _, index = about.removeprefix("channel:").rpartition("/")

    def changed(channel: RigChannel) -> RigChannel | None:
        if str(channel.index) != index:
            return channel
        if name == "point":
            return None if new is None else replace(channel, point=str(new))
        try:
            calibration = from_plain(Calibration, plain(channel.calibration) | {name: new})
        except EventError:
            return channel  # no calibration has such a value
        return replace(channel, calibration=calibration)

    devices = tuple(
        replace(d, channels=tuple(c for c in map(changed, d.channels) if c is not None)) if d.name == device_name else d
        for d in rig.devices
    )
    return replace(rig, devices=devices)
