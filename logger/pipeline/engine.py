"""Frames, events and ticks in; readings, live values, alarms and new events out.

    frame   -> decode -> newest reading of each point -> histories, scale -> (where it matters) alarms
    event   -> job state (stage, cylinder, notes ...), live and on replay alike
    tick    -> ambient pressure, stale points, live quantities, alarms; every ten seconds the stage's analysis

Given the same frames and events it gives the same state. Alarm changes are part of the record: on replay
(`live=False`) they are restored from it, not judged again.
"""

import logging
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from logger.alarms.defaults import FLOW_WITHOUT_STAGE, PROGRAM, VERDICT, device_input, trouble_input
from logger.alarms.memory import AlarmState
from logger.alarms.restore import Restored
from logger.decode.device_model import Explained
from logger.model.events import (
    AlarmChanged,
    ClockNoted,
    Corrected,
    CylinderOnScale,
    DeviceHello,
    Event,
    FindingConcluded,
    GapNoted,
    JobOpened,
    Marked,
    NoteWritten,
    RigLoaded,
    SettingChanged,
    StageBegun,
    StageEnded,
)
from logger.model.finding import Finding, Verdict
from logger.model.job import Stage
from logger.model.sample import PointSample
from logger.model.text import clean
from logger.model.units import NS_PER_S
from logger.model.value import DEVICE_LOST, CodedProblem, Value, known, name_of, unknown
from logger.pipeline.confirmations import Confirmations
from logger.pipeline.fact_table import Effect, fact_of
from logger.pipeline.facts import Facts, effective_of, target_of
from logger.pipeline.job_model import LATE_QUIET_NS, JobModel
from logger.pipeline.job_state import Item, JobState
from logger.pipeline.judge import Judge
from logger.pipeline.live_values import (
    CYLINDER_READINGS,
    OF_CYLINDER,
    LiveQuantities,
    cylinder_values,
    unknown_cylinder,
)
from logger.pipeline.noticer import Noticer
from logger.pipeline.proposals import in_words, open_proposals, over, proposed
from logger.pipeline.silent_alarms import SilentAlarms, silent_words
from logger.pipeline.snapshot import PendingNow, PointNow, Snapshot
from logger.pipeline.stage_inputs import conclude, interim, waits_for
from logger.refrigerant import SHIPPED
from logger.stages import registry
from logger.stages.definition import StageResult
from logger.stages.noticing import Noticed
from logger.stages.words import said, statement_of, text_of
from logger.wording.values import Shown

T = TypeVar("T")
log = logging.getLogger(__name__)

CLOCK_FITS = "its clock fits again: its ticks say when readings were taken"
ANALYSE_EVERY_NS = 10 * NS_PER_S
ENTERED_LATE_NS = 10 * NS_PER_S  # an act entered so long after it was done may have changed what was computed meanwhile
ACTS = (StageBegun, StageEnded, Marked, CylinderOnScale)
FOLDED = (JobOpened, StageBegun, StageEnded, FindingConcluded, CylinderOnScale, RigLoaded, SettingChanged)
# Their readings are judged at once, not at the next tick: where a second matters.
ALARM_POINTS = frozenset(
    {"cylinder_mass", "cylinder_pressure", "cylinder_temperature", "recovery_outlet_pressure", "system_pressure",
     "discharge_pressure", "liquid_pressure", "vacuum"}
)  # fmt: skip


class Engine:
    """model: everything known of the job. judge: of its alarms, used live. result: the running stage's analysis so
    far, or the last one's. results: of ended stages, by number. user_catalogue: with the user's own blends, which a
    cylinder that joins the job may bring along.

    recorded: every event but alarms as it was recorded, in the order of the chain; what they mean together: `facts`.

    A restart, and what was corrected or entered late, has two (app/restart.py): resumed_stage, of the one that
    reads the whole record, is the number of the stage whose live watch is fed on replay too; catching_up_reason, of the
    live one, says why what was before is not known yet, and deferred is what it took in meanwhile, None when nothing is
    to be kept. notices_from_ns: on replay, readings from then on are given to the detectors, so that a restart forgets
    nothing; what they noticed is in noticed. settle_after: the event after which all is to be worked out again, None
    while nothing is.

    beside: the whole analysis of an ended stage waits in `concluding` for whoever runs this engine, who computes it
    where it holds nothing up and hands it to `concluded`. Without it, and on replay, it is computed at once.
    """

    def __init__(self, live: bool = True) -> None:
        self.live = live
        self.model = JobModel()
        self.user_catalogue = SHIPPED
        self.values: dict[str, Value] = {}
        self.live_values = LiveQuantities()
        self.result = StageResult()
        self.results: dict[int, StageResult] = {}
        self.judge = Judge()
        self._restored = Restored()
        self.noticer = Noticer(self.model.digits)
        self.notices_from_ns: int | None = None
        self.noticed: list[Noticed] = []
        self.analyse_every_ns = ANALYSE_EVERY_NS
        self.resumed_stage = 0
        self.silent: SilentAlarms | None = None
        self.catching_up_reason: str | None = None
        self.deferred: deque[Item] | None = None
        self.recorded: list[Event] = []
        self.settle_after: Event | None = None
        self._facts: tuple[int, Facts] = 0, effective_of(())
        self.beside = False
        self.concluding: list[Conclusion] = []
        self.confirmations = Confirmations()
        self._newest_act_ns = 0
        self._folded = False  # what was recorded is not always what is true
        self._next_analysis_ns = 0
        self._fault = ""  # of this program, logged last
        self._out: list[Event] = []

    # -- in ------------------------------------------------------------------------------------------------------

    def apply(self, event: Event) -> None:
        """An event as recorded, new or of the record, in the order of the chain."""
        if isinstance(event, AlarmChanged):
            self.take(event)
            return
        self.recorded.append(event)
        late = isinstance(event, ACTS) and event.t_ns < self._newest_act_ns
        if isinstance(event, ACTS):
            self._newest_act_ns = max(self._newest_act_ns, event.t_ns)
        if isinstance(event, Corrected) or (self.live and late) or self._is_entered_late(event):
            self._fold_anew(event)
        elif self._folded and isinstance(event, FOLDED):
            found = [placed.event for placed in self.facts.events if placed.place == len(self.recorded)]
            if isinstance(event, StageBegun | StageEnded) and not any(isinstance(one, type(event)) for one in found):
                self._fold_anew(event)  # it belongs before another one
                return
            for one in found:
                self.take(one)
        else:
            self.take(event)

    def apply_all(self, events: Iterable[Event]) -> None:
        """All events of a record at once, before any frame."""
        self._folded = True
        alarms: list[Event] = []
        for event in events:
            (alarms if isinstance(event, AlarmChanged) else self.recorded).append(event)
            if isinstance(event, ACTS):
                self._newest_act_ns = max(self._newest_act_ns, event.t_ns)
        for placed in self.facts.events:
            self.take(placed.event)
        for alarm in alarms:
            self.take(alarm)

    def remember(self, events: Iterable[Event]) -> None:
        """All events of a record, that this engine has been through by what they mean."""
        self.recorded = [event for event in events if not isinstance(event, AlarmChanged)]
        self._folded = True

    @property
    def facts(self) -> Facts:
        """What all that was recorded means together."""
        if self._facts[0] != len(self.recorded):
            self._facts = len(self.recorded), effective_of(self.recorded)
        return self._facts[1]

    def take(self, event: Event) -> None:
        """An effective event, live and on replay alike."""
        model = self.model
        model.now_ns = max(model.now_ns, event.t_ns)
        if self.deferred is not None:
            self.deferred.append((event.t_ns, 0, 0, "", event))
        on_scale, running = model.state.on_scale, model.state.stage
        model.state.apply(event)
        if isinstance(event, StageEnded) and running is not None and self.catching_up_reason is None:
            self._conclude()
        if isinstance(event, RigLoaded):
            model.rig_loaded()
        match event:
            case StageBegun():
                self._begin(model.state.stages[-1])
            case CylinderOnScale() if model.weighing is not None:
                model.weighing.name(event.cylinder.name, on_scale)
            case FindingConcluded():
                self._as_recorded(event.stage)
            case AlarmChanged() if not self.live:
                self._restored.take(event)
            case GapNoted(device=str(device), boot_count=int(boot_count), first=int(first), last=int(last)):
                if device in model.devices:
                    model.devices[device].given_up(boot_count, first, last)
            case RigLoaded() | StageEnded() | DeviceHello():
                self.judge.rules_due = True

    def frame(self, device_id: str, t_ns: int, raw: bytes, explained: Explained | None = None) -> list[PointSample]:
        """One good frame of a device; the readings in it. Events it causes wait in `take_events`.

        explained: what its link has made of it; on replay the device's model does.

        Where this program fails at it there are none, live and on replay alike: the record and its devices go on.
        """
        model = self.model
        model.now_ns = max(model.now_ns, t_ns)
        if self.deferred is not None:
            self.deferred.append((t_ns, 0, 0, device_id, raw))
        samples = self._computed(lambda: self._read(device_id, t_ns, raw, explained)) or []
        if self.live or (self.notices_from_ns is not None and t_ns >= self.notices_from_ns):
            self.noticer.take(samples)
        if self.live and (read := ALARM_POINTS.intersection([sample.point for sample in samples])):
            self._computed(lambda: self._judge(read))
        elif self.resumed_stage:
            self._watch(samples)
        return samples

    def greeting(self, device_id: str, t_ns: int, raw: bytes) -> None:
        """A frame of before a restart, for what its device said of itself; its readings are taken elsewhere."""
        self._computed(lambda: self.model.device(device_id).frame(t_ns, raw))

    def tick(self, now_ns: int) -> None:
        """Once a second: what time alone changes."""
        model = self.model
        model.now_ns = max(model.now_ns, now_ns)
        self._computed(model.second)
        if model.late_ns is not None and now_ns - model.late_ns > LATE_QUIET_NS:
            self._computed(self.count_late)
        seen = self._computed(self._take_notice) or []
        if not self.live:
            self.noticed += seen
            self._watch()
            if (silent := self.silent) is not None:
                self._computed(lambda: silent.judge(model))
            return
        self._computed(lambda: self._propose(seen))
        model.keep_up()
        self._judge()
        self.judge.health |= dict.fromkeys((PROGRAM, VERDICT), known(1.0, "1"))
        stage = model.state.stage
        if stage is not None and self.catching_up_reason is None and now_ns >= self._next_analysis_ns:
            self._next_analysis_ns = now_ns + self.analyse_every_ns
            self.result = self._computed(lambda: interim(model, stage, now_ns)) or StageResult()

    def count_late(self) -> None:
        """Readings of the ended stage arrived after its end: its verdict rests on them too. A changed one is noted."""
        if self.model.late_ns is None:
            return
        if any(stage.ended_ns is not None for stage in self.model.state.stages):
            self._conclude(late=True)
        else:  # the stage that had ended goes on, or never was, by a correction
            self.model.late_ns = None

    def concluded(self, one: "Conclusion", outcome: Callable[[], StageResult]) -> None:
        """What an analysis that waited in `concluding` has given; outcome: gives it, or raises what it failed by."""
        if one not in self.concluding:  # overtaken by a correction
            return
        self.concluding.remove(one)
        result = self._computed(outcome)
        self._keep_result(one.stage, _not_analysed(self._fault) if result is None else result, one.late)
        if not one.late:
            self.record_findings(one.stage.number)

    def conclude_now(self) -> None:
        """All that waits in `concluding`, at once."""
        for one in tuple(self.concluding):
            self.concluded(one, one.compute)

    def record_findings(self, number: int) -> None:
        """The findings of an ended stage become part of the record."""
        identity, t_ns = self.facts.identity(number), self.model.now_ns
        for finding in self.results[number].findings:
            said = text_of(finding, self.shown)
            self.emit(FindingConcluded(t_ns=t_ns, stage=identity, finding=finding, said=said))

    def device_lost(self, device_id: str, why: str) -> None:
        """Its points are unknown from now on, and the alarm's delay begins."""
        self.model.lost[device_id] = CodedProblem(DEVICE_LOST, why)
        self.judge.health[device_input(device_id)] = unknown("1", why)

    def device_connected(self, device_id: str) -> None:
        self.model.lost.pop(device_id, None)
        self.judge.health[device_input(device_id)] = known(1.0, "1")

    def device_troubled(self, device_id: str, why: str | None) -> None:
        """What is wrong with a device that is heard; None: nothing."""
        self.judge.health[trouble_input(device_id)] = known(1.0, "1") if why is None else unknown("1", why)

    def go_live(self) -> None:
        """Replay is over: what comes now is judged."""
        self.live, self.judge, self._restored = True, Judge(self._restored.state), Restored()

    def adopt(self, whole: "Engine") -> None:
        """Take over what another engine knows, that took in all that this one did and what was before."""
        ours, theirs = self.model, whole.model
        theirs.lost, theirs.slack_s, theirs.now_ns = ours.lost, ours.slack_s, max(ours.now_ns, theirs.now_ns)
        for device_id in ours.devices.keys() & theirs.devices.keys():
            theirs.devices[device_id].model = ours.devices[device_id].model  # its link goes on with that one
        before = {number: list(found) for number, found in ours.state.findings.items()}
        self.model, self.live_values, self.result, self.results = theirs, whole.live_values, whole.result, whole.results
        made = [one.event for one in self.facts.corrections]
        if whole.noticer.begun_s is not None:
            self.noticer = whole.noticer
            self._propose(whole.noticed)
        self.noticer.digits_of(theirs.digits)
        after, self.settle_after = self.settle_after or (made[-1] if made else None), None
        self.catching_up_reason, self.deferred = None, None
        self.judge.rules_due, self._next_analysis_ns = True, 0
        self.concluding.clear()
        if after is not None:
            self._note_changes(after, before)
            if whole.silent is not None:
                self._note_silent(whole.silent)
            return
        for stage in theirs.state.stages:  # ended by a run that was killed before it had recorded what it found
            if stage.ended_ns is not None and stage.number in self.results and not before.get(stage.number):
                self.record_findings(stage.number)

    def _note_changes(self, after: Event, before: Mapping[int, Sequence[Finding]]) -> None:
        """Findings of ended stages that are otherwise now, each stage's as a whole."""
        of = f"correction:{after.n}" if isinstance(after, Corrected) else "entered late"
        for event in concluded_anew(self, before, of):
            self.emit(event)
        for number, found in before.items():
            self._watch_verdict(number, found, self.results.get(number, StageResult()).findings)

    def _note_silent(self, silent: SilentAlarms) -> None:
        """Alarms that did not ring, as something was entered wrongly; each is noted once."""
        written = {event.text for event in self.recorded if isinstance(event, NoteWritten)}
        for one in silent.found():
            text = f"By the facts as corrected an alarm would have rung, and none did: {silent_words(one, self.shown)}."
            if text not in written:
                self.emit(NoteWritten(t_ns=self.model.now_ns, text=text, author="rimelog"))

    def _watch_verdict(self, number: int, before: Sequence[Finding], now: Sequence[Finding]) -> None:
        """Somebody may have left because of a result that is none any more: it is alarmed, not only noted."""
        if self.live and before and now and _is_worse(before[0].verdict, now[0].verdict):
            headline = text_of(now[0], self.shown).headline
            self.judge.health[VERDICT] = unknown("1", f"stage {number}: {headline}")

    # -- out -----------------------------------------------------------------------------------------------------

    def take_events(self) -> list[Event]:
        """Events concluded since the last call, to be stored."""
        out, self._out = self._out, []
        return out

    def final_result(self, stage: Stage, until_ns: int) -> StageResult:
        """The whole analysis of a stage, or that this program failed at it, which no verdict may hide."""
        report = self._computed(lambda: conclude(self.model, stage, until_ns))
        return report if report is not None else _not_analysed(self._fault)

    def snapshot(self) -> Snapshot:
        """The present state. A job must be open."""
        model = self.model
        job, state = model.state.job, model.state
        assert job is not None, "a job is opened before anything is shown"
        stage = state.stage or (state.stages[-1] if state.stages else None)
        points = {name: PointNow(name, model.value(name), model.age_s(name)) for name in model.points}
        points |= {name: PointNow(name, value, None) for name, value in model.undescribed().items()}
        findings, shown = self.result.findings, self.shown
        advice = tuple(statement_of(one, shown) for one in self.live_values.advice(model, state.stage))
        if self.catching_up_reason is not None:
            findings = tuple(state.findings.get(stage.number, ())) if stage else ()
            advice = (f"What was before is not shown yet: {self.catching_up_reason}.",)
        return Snapshot(
            model.now_ns, job, state.catalogue.labelled(job.refrigerant), stage, state.cylinder,
            model.ambient.as_value(), points, dict(self.values), findings, tuple(state.notes[-10:]),
            earlier=tuple((s, state.findings[s.number][0]) for s in state.stages if state.findings.get(s.number)),
            advice=advice, cylinders=tuple(state.cylinders),
            proposals=tuple(in_words(one, shown) for one in open_proposals(state)),
            pending=self.pending(), limits=self.result.limits,
            marks=tuple(one for one in state.marks if _within(stage, one.t_ns)),
            swaps=tuple(one for one in state.swaps if _within(stage, one[0])),
        )  # fmt: skip

    def pending(self) -> PendingNow | None:
        """What comes before the next stage; a failed finding of the running stage or the last one is it too."""
        stages = self.model.state.stages
        if not stages or self.catching_up_reason is not None:
            return None
        stage = self.model.state.stage or stages[-1]
        known, running = registry.definition(stage.kind), stage.ended_ns is None
        found = None
        if running:
            found = self._computed(lambda: waits_for(self.model, stage, self.values))
        if known is not None and (found is None or not found.missed):
            counts = [one for one in self.result.findings if running or one.key == known.decides]
            failed = next((one for one in counts if one.verdict is Verdict.FAIL), None)
            if failed is not None:
                text = f"FAIL, {text_of(failed, self.shown).headline}"
                return PendingNow(text, missed=True, again="" if running else known.again or stage.kind)
        return None if found is None else PendingNow(statement_of(found.said, self.shown), found.mark, found.missed)

    def step_alarms(self, stepped: tuple[AlarmState, list[AlarmChanged]]) -> None:
        """Take what the alarm engine made of an act of a person."""
        self._out += [said(change, self.shown) for change in self.judge.take(stepped)]

    def judge_now(self) -> None:
        """All alarms at once, by what was just entered."""
        if self.live:
            self._judge()

    def emit(self, event: Event) -> None:
        """An event concluded here or by a person's act: applied now, stored by the app."""
        self.apply(event)
        self._out.append(event)

    @property
    def shown(self) -> Shown:
        """How this job's numbers and times are shown."""
        state = self.model.state
        return Shown(state.job.units if state.job else "us", self.model.ambient.pressure_pa, state.utc_offset_s)

    # -- inside --------------------------------------------------------------------------------------------------

    def _read(self, device_id: str, t_ns: int, raw: bytes, explained: Explained | None) -> list[PointSample]:
        model = self.model
        device = model.device(device_id)
        decoders = device.decoders
        clock_problem = device.clock_problem
        samples = device.frame(t_ns, raw, explained, model.ambient.pressure_pa)
        if device.decoders is not decoders:
            model.described(device)
            self.judge.rules_due = True
        if self.live and device.clock_problem != clock_problem:
            cause = device.clock_problem or CLOCK_FITS
            self.emit(ClockNoted(t_ns=model.now_ns, device=device_id, cause=cause))
        model.take(samples)
        return samples

    def _take_notice(self) -> list[Noticed]:
        model = self.model
        return self.noticer.take_notice(model.now_ns, model.refrigerant(), model.ambient.pressure_pa, model.slack_s)

    def _propose(self, seen: Sequence[Noticed]) -> None:
        """What was noticed and nobody has said becomes a proposal; what was said meanwhile ends one."""
        state, now_ns = self.model.state, self.model.now_ns
        if state.job is None:
            return
        for event in list(over(state, now_ns)):
            self.emit(event)
        for one in seen:
            made = proposed(one, self.model.state, now_ns, self.shown)
            if made is not None:
                self.emit(made)

    def _judge(self, read: frozenset[str] | None = None) -> None:
        """All alarms, or at once only those that readings of these points can push over a limit."""
        model = self.model
        if model.state.job is None:
            return
        known = registry.definition(model.state.stage.kind) if model.state.stage is not None else None
        changed = read
        if read is None or (known is not None and known.fed_by & read):
            self.values = self._computed(self._all_values) or {}
            changed = None if read is None else read.union(self.values)
        elif read & CYLINDER_READINGS:
            found = self._computed(lambda: cylinder_values(model))
            self.values |= unknown_cylinder(self._fault) if found is None else found
            changed = read | OF_CYLINDER
        self._out += [said(change, self.shown) for change in self.judge.step(model, self.values, changed)]

    def _all_values(self) -> dict[str, Value]:
        model, stage = self.model, self.model.state.stage
        in_stage = stage is not None or any(
            one.ended_ns is not None and one.ended_ns >= self.noticer.closed_ns for one in model.state.stages
        )
        slow = {**self.result.live, FLOW_WITHOUT_STAGE: self.noticer.flow_without_stage(in_stage)}
        found = self.live_values.values(model, stage, slow)
        if (why := self.catching_up_reason) is not None:
            live = registry.live_quantities()
            found |= {k: unknown(v.unit, why) for k, v in found.items() if live[k].whole_stage}
        return found

    def _watch(self, samples: Sequence[PointSample] = ()) -> None:
        """On replay: feed the live watch of the stage that a restart goes on with, as it was fed then: once a second,
        and by each of the samples that counts there."""
        stage = self.model.state.stage
        if stage is None or stage.number != self.resumed_stage:
            return
        known = registry.definition(stage.kind)
        if samples and (known is None or not any(sample.point in known.fed_by for sample in samples)):
            return
        self.values = self._computed(lambda: self.live_values.values(self.model, stage, {})) or {}

    def _computed(self, compute: Callable[[], T]) -> T | None:
        """None when it fails: an error of this program must end neither record nor alarms, and is an alarm itself."""
        try:
            return compute()
        except Exception as exc:
            fault = f"{type(exc).__name__}: {clean(str(exc), 120)}"
            if self._fault != fault:
                log.exception("a computation failed; logging and alarms go on")
            self._fault = fault
            self.judge.health[PROGRAM] = unknown("1", fault)
            return None

    def _is_entered_late(self, event: Event) -> bool:
        late_ns = ENTERED_LATE_NS + int(self.model.slack_s * NS_PER_S)
        return self.live and isinstance(event, ACTS) and event.t_ns < self.model.now_ns - late_ns

    def _fold_anew(self, event: Event) -> None:
        """Something entered before is otherwise: the job at once, what is remembered of readings by a second engine."""
        self.conclude_now()
        model, running = self.model, self.model.state.stage
        model.now_ns = max(model.now_ns, event.t_ns)
        before, model.state = model.state, JobState.by(self.facts)
        self._folded = self.judge.rules_due = True
        if model.state.rig != before.rig:
            model.rig_loaded()
        stage = model.state.stage
        if isinstance(event, StageEnded) and running is not None and stage is None and self.catching_up_reason is None:
            self._conclude()
        elif stage is not None and running is not None and _same_stage(stage, running):
            self.live_values.refer(model, stage)
        elif stage is not None:
            self._begin(stage)
        if not self.live:
            return
        effect = Effect.LIMITS if isinstance(event, Marked | StageEnded) else Effect.READINGS
        if isinstance(event, Corrected):
            effect, safety = self.bearing(event)
            if safety:
                model.held.append(before)
        if effect is Effect.WORDS and self.settle_after is None:
            return
        self.settle_after, self.deferred = event, deque()
        if effect is Effect.READINGS:
            what = f"correction {event.n}" if isinstance(event, Corrected) else "what was entered late"
            self.catching_up_reason = f"being worked out again after {what}"

    def bearing(self, event: Corrected) -> tuple[Effect, bool]:
        """What rests on a corrected fact, and whether a limit that protects people does; undone: of what it undoes."""
        while event.fact == "correction.undone":
            event = self.facts.corrections[target_of(event.of)[1] - 1].event
        fact = fact_of(event.fact)
        return (Effect.READINGS, True) if fact is None else (fact.effect, fact.safety)

    def _begin(self, stage: Stage) -> None:
        model = self.model
        model.begin_window(stage.begun_ns)
        if model.weighing is not None:
            model.weighing.begin(model.state.on_scale or "")
        self.live_values.begin(model, stage)
        self.result, self.judge.rules_due, self._next_analysis_ns = StageResult(), True, 0

    def _conclude(self, late: bool = False) -> None:
        """The final analysis of the stage that ended last, from the same record on replay as live; once more when
        readings of it have come late."""
        model, stage = self.model, max(self.model.state.stages, key=lambda one: one.ended_ns or 0)
        assert stage.ended_ns is not None
        model.late_ns, model.concluded_ns = None, stage.ended_ns
        model.facts.pop(stage.number, None)
        if not (self.live and self.beside):
            self._keep_result(stage, self.final_result(stage, stage.ended_ns), late)
            return
        if not late:
            self.results.pop(stage.number, None)
        self.concluding.append(Conclusion(stage, model.frozen(), late))

    def _keep_result(self, stage: Stage, result: StageResult, late: bool) -> None:
        before = self.results.get(stage.number)
        self.results[stage.number], self.model.facts[stage.number] = result, result.facts
        if self.model.state.stage is None:
            self.result = result
        if not (late and self.live and before and before.findings and result.findings):
            return
        if before.findings[0].verdict is not result.findings[0].verdict:
            was, now = (text_of(one.findings[0], self.shown).headline for one in (before, result))
            text = (
                f"With the readings that came after its end, stage {stage.number} "
                f"({registry.label(stage.kind).lower()}) "
                f"is judged again: {now}; it was: {was}."
            )
            self.emit(NoteWritten(t_ns=self.model.now_ns, text=text, author="rimelog"))
        self._watch_verdict(stage.number, before.findings, result.findings)

    def _as_recorded(self, number: int) -> None:
        """A finding was recorded: of a stage that is not known here it is all that is concluded."""
        for one in self.model.state.stages:
            if one.number == number and registry.definition(one.kind) is None:
                self.result = self.results[number] = self.final_result(one, self.model.now_ns)


@dataclass(frozen=True, slots=True, eq=False)
class Conclusion:
    """The final analysis of an ended stage, still to be computed. late: once more, with readings that came late."""

    stage: Stage
    model: JobModel
    late: bool

    def compute(self) -> StageResult:
        """Of the job as it was at the stage's end: in any thread, as it shares nothing that changes."""
        assert self.stage.ended_ns is not None
        return conclude(self.model, self.stage, self.stage.ended_ns)


def concluded_anew(engine: Engine, before: Mapping[int, Sequence[Finding]], after: str) -> list[Event]:
    """What is to be recorded of ended stages whose findings are not those that were shown. before: those, by number."""
    found: list[Event] = []
    state, t_ns = engine.model.state, engine.model.now_ns
    for stage in state.stages:
        result = engine.results.get(stage.number)
        was = before.get(stage.number, ())
        if stage.ended_ns is None or result is None or (was and _same_findings(was, result.findings)):
            continue
        identity = engine.facts.identity(stage.number)
        for finding in result.findings:
            said = text_of(finding, engine.shown)
            found.append(FindingConcluded(t_ns=t_ns, stage=identity, finding=finding, said=said, after=after))
        if was and result.findings and was[0].verdict is not result.findings[0].verdict:
            then, now = (text_of(f, engine.shown).headline for f in (was[0], result.findings[0]))
            label = registry.label(stage.kind).lower()
            why = after.replace(":", " ")
            text = f"After {why}, stage {stage.number} ({label}) is judged again: {now}; it was: {then}."
            found.append(NoteWritten(t_ns=t_ns, text=text, author="rimelog"))
    return found


def _is_worse(was: Verdict, now: Verdict) -> bool:
    """Whether who relied on the first has to be told of the second."""
    return was is not now and (was is Verdict.PASS or now is Verdict.FAIL)


def _within(stage: Stage | None, t_ns: int) -> bool:
    return stage is not None and stage.begun_ns <= t_ns and (stage.ended_ns is None or t_ns <= stage.ended_ns)


def _same_stage(one: Stage, other: Stage) -> bool:
    return (one.kind, one.begun_ns) == (other.kind, other.begun_ns)


def _same_findings(one: Sequence[Finding], other: Sequence[Finding]) -> bool:
    """The same verdicts, and numbers within a thousandth of their uncertainty or of themselves."""
    if [(f.key, f.verdict) for f in one] != [(f.key, f.verdict) for f in other]:
        return False
    for a, b in zip(one, other, strict=True):
        if [x.name for x in a.inputs] != [x.name for x in b.inputs]:
            return False
        for x, y in zip(a.inputs, b.inputs, strict=True):
            if isinstance(x.value, str) or isinstance(y.value, str):
                if x.value != y.value:
                    return False
            elif not _same_number(x.value, y.value):
                return False
    return True


def _same_number(one: Value, other: Value) -> bool:
    if one.number is None or other.number is None:
        return one.number is other.number
    return abs(one.number - other.number) <= 1e-3 * max(one.u or 0.0, 1e-3 * abs(one.number))


def _not_analysed(fault: str) -> StageResult:
    """Of a stage at whose analysis this program failed. fault: the error, in a line."""
    return StageResult((Finding("program.failed", Verdict.CANNOT_TELL, (name_of("fault", fault),)),))
