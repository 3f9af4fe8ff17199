"""The daemon's heart: frames, events and ticks in; readings and new events out.

    frame   -> decode -> newest reading of each point -> histories, scale -> (where it matters) alarms
    event   -> job state (stage, cylinder, notes ...), live and on replay alike
    tick    -> ambient pressure, stale points, live quantities, alarms; every ten seconds the stage's analysis

Given the same frames and events it gives the same state. Alarm changes are part of the record: on replay
(`live=False`) they are restored from it, not judged anew.
"""

import logging
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from logger.alarms.defaults import HEALTH, PROGRAM, device_input
from logger.alarms.engine import ALARM_COUNT, AlarmEngine
from logger.alarms.memory import AlarmState
from logger.alarms.restore import Restored
from logger.alarms.rules import LIMIT_KINDS, Kind
from logger.alarms.states import UNSEEN
from logger.decode.device_model import Explained
from logger.model.events import (
    AlarmChanged,
    CylinderOnScale,
    DeviceHello,
    Event,
    GapNoted,
    NoteWritten,
    RigLoaded,
    StageBegun,
    StageEnded,
)
from logger.model.finding import Finding, Verdict
from logger.model.job import Stage
from logger.model.points import POINTS
from logger.model.sample import PointSample
from logger.model.text import clean
from logger.model.units import NS_PER_S
from logger.model.value import Value, known, name_of, unknown
from logger.pipeline.job_alarms import rules_now
from logger.pipeline.job_state import Item
from logger.pipeline.live_values import LiveQuantities
from logger.pipeline.readings import LATE_QUIET_NS, Scene
from logger.pipeline.snapshot import PointNow, Snapshot
from logger.pipeline.stage_inputs import conclude, interim
from logger.refrigerant import SHIPPED
from logger.stages import registry
from logger.stages.definition import StageResult
from logger.stages.words import text_of
from logger.wording.values import Shown

T = TypeVar("T")
log = logging.getLogger(__name__)

ANALYSE_EVERY_NS = 10 * NS_PER_S
# Their readings are judged at once, not at the next tick: where a second matters.
ALARM_POINTS = frozenset(
    {"cylinder_mass", "cylinder_pressure", "cylinder_temperature", "recovery_outlet_pressure", "system_pressure",
     "discharge_pressure", "liquid_pressure", "vacuum"}
)  # fmt: skip


class Pipeline:
    """report: the running stage's analysis so far, or the last one's. reports: of ended stages by number.

    watching: number of the stage whose live watches are fed on replay too: the one that a restart goes on with.
    behind: why what was before is not known yet, None when it is (`adopt`). kept: while behind, what was taken in.
    user_catalogue: with the user's own blends, which a cylinder that joins the job may bring along.
    """

    def __init__(self, live: bool = True) -> None:
        self.live = live
        self.scene = Scene()
        self.user_catalogue = SHIPPED
        self.values: dict[str, Value] = {}
        self.quantities = LiveQuantities()
        self.report = StageResult()
        self.reports: dict[int, StageResult] = {}
        self.engine = AlarmEngine(())
        self.alarm_state = AlarmState()
        self._restored = Restored()
        self.health: dict[str, Value] = {name: known(1.0, "1") for name in HEALTH}
        self.analyse_every_ns = ANALYSE_EVERY_NS
        self.watching = 0
        self.behind: str | None = None
        self.kept: deque[Item] | None = None
        self._next_analysis_ns = 0
        self._fault = ""  # of this program, told last
        self._out: list[Event] = []
        self._rules_due = True
        self._urgent: frozenset[str] = frozenset()  # alarms judged at each reading, by key
        self._urgent_points: tuple[str, ...] = ()

    # -- in ------------------------------------------------------------------------------------------------------

    def apply(self, event: Event) -> None:
        """An event of the record, new or replayed."""
        scene = self.scene
        scene.now_ns = max(scene.now_ns, event.t_ns)
        if self.kept is not None:
            self.kept.append((event.t_ns, 0, 0, "", event))
        on_scale, running = scene.state.on_scale, scene.state.stage
        scene.state.apply(event)
        if isinstance(event, StageEnded) and running is not None and self.behind is None:
            self._conclude()
        if isinstance(event, RigLoaded):
            scene.rig_loaded()
        match event:
            case StageBegun():
                scene.begin_window(event.t_ns)
                if scene.weighing is not None:
                    scene.weighing.begin(scene.state.on_scale or "")
                stage = scene.state.stage
                assert stage is not None
                self.quantities.begin(scene, stage)
                self.report, self._rules_due, self._next_analysis_ns = StageResult(), True, 0
            case CylinderOnScale() if scene.weighing is not None:
                scene.weighing.name(event.cylinder.name, on_scale)
            case AlarmChanged() if not self.live:
                self._restored.take(event)
            case GapNoted(device=str(device), boot_count=int(boot_count), first=int(first), last=int(last)):
                if device in scene.devices:
                    scene.devices[device].given_up(boot_count, first, last)
            case RigLoaded() | StageEnded() | DeviceHello():
                self._rules_due = True

    def frame(self, device_id: str, t_ns: int, raw: bytes, explained: Explained | None = None) -> list[PointSample]:
        """One good frame of a device; the readings in it. Events it causes wait in `take_events`.

        explained: what its link has made of it; on replay the device's model does.

        Where this program fails at it there are none, live and on replay alike: the record and its devices go on.
        """
        scene = self.scene
        scene.now_ns = max(scene.now_ns, t_ns)
        if self.kept is not None:
            self.kept.append((t_ns, 0, 0, device_id, raw))
        samples = self._computed(lambda: self._read(device_id, t_ns, raw, explained)) or []
        if self.live and any(sample.point in ALARM_POINTS for sample in samples):
            self._computed(lambda: self._judge(at_once=True))
        elif self.watching:
            self._watch(samples)
        return samples

    def greeting(self, device_id: str, t_ns: int, raw: bytes) -> None:
        """A frame of before a restart, for what its device said of itself; its readings are taken elsewhere."""
        self._computed(lambda: self.scene.device(device_id).frame(t_ns, raw))

    def tick(self, now_ns: int) -> None:
        """Once a second: what time alone changes."""
        scene = self.scene
        scene.now_ns = max(scene.now_ns, now_ns)
        self._computed(scene.second)
        if scene.late_ns is not None and now_ns - scene.late_ns > LATE_QUIET_NS:
            self.count_late()
        if not self.live:
            self._watch()
            return
        scene.keep_up()
        self._judge()
        self.health[PROGRAM] = known(1.0, "1")
        stage = scene.state.stage
        if stage is not None and self.behind is None and now_ns >= self._next_analysis_ns:
            self._next_analysis_ns = now_ns + self.analyse_every_ns
            self.report = self._computed(lambda: interim(scene, stage, now_ns)) or StageResult()

    def count_late(self) -> None:
        """Readings of the ended stage have come after its end: its verdict is theirs too. A changed one is told."""
        if self.scene.late_ns is None:
            return
        before = self.report.findings[:1]
        self._conclude()
        after = self.report.findings[:1]
        if self.live and before and after and before[0].verdict is not after[0].verdict:
            stage = self.scene.state.stages[-1]
            was, now = (text_of(f, self.shown).headline for f in (before[0], after[0]))
            text = (
                f"With the readings that came after its end, stage {stage.number} "
                f"({registry.label(stage.kind).lower()}) "
                f"is judged anew: {now}; it was: {was}."
            )
            self.emit(NoteWritten(t_ns=self.scene.now_ns, text=text, author="rimelog"))

    def device_lost(self, device_id: str, why: str) -> None:
        """Its points are unknown from now on, and the alarm's delay begins."""
        self.scene.lost[device_id] = why
        self.health[device_input(device_id)] = unknown("1", why)

    def device_heard(self, device_id: str) -> None:
        self.scene.lost.pop(device_id, None)
        self.health[device_input(device_id)] = known(1.0, "1")

    def go_live(self) -> None:
        """Replay is over: what comes now is judged."""
        self.live, self._rules_due = True, True
        self.alarm_state, self._restored = self._restored.state, Restored()

    def adopt(self, whole: "Pipeline") -> None:
        """Take over what another pipeline knows, that took in all that this one did and what was before."""
        ours, theirs = self.scene, whole.scene
        theirs.lost, theirs.slack_s, theirs.now_ns = ours.lost, ours.slack_s, max(ours.now_ns, theirs.now_ns)
        for device_id in ours.devices.keys() & theirs.devices.keys():
            theirs.devices[device_id].model = ours.devices[device_id].model  # its link goes on with that one
        self.scene, self.quantities, self.report, self.reports = theirs, whole.quantities, whole.report, whole.reports
        self.behind, self.kept = None, None
        self._rules_due, self._next_analysis_ns = True, 0

    # -- out -----------------------------------------------------------------------------------------------------

    def take_events(self) -> list[Event]:
        """Events concluded since the last call, to be stored."""
        out, self._out = self._out, []
        return out

    def final_report(self, stage: Stage, until_ns: int) -> StageResult:
        """The whole analysis of a stage, or that this program failed at it, which no verdict may hide."""
        report = self._computed(lambda: conclude(self.scene, stage, until_ns))
        return report if report is not None else _not_analysed(self._fault)

    def snapshot(self) -> Snapshot:
        """The present state. A job must be open."""
        scene = self.scene
        job, state = scene.state.job, scene.state
        assert job is not None, "a job is opened before anything is shown"
        stage = state.stage or (state.stages[-1] if state.stages else None)
        points = {name: PointNow(name, scene.value(name), scene.age_s(name)) for name in scene.points}
        points |= {name: PointNow(name, value, None) for name, value in self._unheard().items()}
        findings, advice = self.report.findings, self.quantities.advice(scene, state.stage)
        if self.behind is not None:
            findings = tuple(state.findings.get(stage.number, ())) if stage else ()
            advice = (f"What was before is not shown yet: {self.behind}.",)
        return Snapshot(
            scene.now_ns, job, state.catalogue.labelled(job.refrigerant), stage, state.cylinder,
            scene.ambient.as_value(), points, dict(self.values), findings, tuple(state.notes[-10:]),
            earlier=tuple((s, state.findings[s.number][0]) for s in state.stages if state.findings.get(s.number)),
            advice=advice,
        )  # fmt: skip

    def waiting_alarms(self) -> list[str]:
        """Keys of alarms that nobody has acknowledged."""
        return [key for key, one in self.alarm_state.keys.items() if one.state in UNSEEN]

    def alarm_inputs(self) -> dict[str, Value]:
        scene = self.scene
        found = {**{name: scene.value(name) for name in scene.points}, **self.values, **self.health}
        for device in scene.state.rig.devices:
            key = self.device_key(device.name)
            if device_input(key) in found:  # an alarm's key stays the same when the device's id becomes known
                found[device_input(device.device_id or device.name)] = found[device_input(key)]
        return found | self._unheard()

    def _unheard(self) -> dict[str, Value]:
        """Points of the rig whose device has not described itself yet."""
        points = self.scene.points
        return {
            channel.point: unknown(POINTS[channel.point].unit, self._why_not_read(self.device_key(device.name)))
            for device in self.scene.state.rig.devices
            for channel in device.channels
            if channel.point not in points
        }

    def _why_not_read(self, device_key: str) -> str:
        """Why nothing is known of a device's channels."""
        device = self.scene.devices.get(device_key)
        return self.scene.lost.get(device_key) or (device.problem if device else None) or "no reading yet"

    def step_alarms(self, stepped: tuple[AlarmState, list[AlarmChanged]]) -> None:
        """Take the engine's answer: of a step, or of an act of a person."""
        self.alarm_state, changes = stepped
        self._out += changes

    def emit(self, event: Event) -> None:
        """An event concluded here or by a person's act: applied now, stored by the app."""
        self.apply(event)
        self._out.append(event)

    @property
    def shown(self) -> Shown:
        """How this job's numbers and times are shown."""
        state = self.scene.state
        return Shown(state.job.units if state.job else "us", self.scene.ambient.pressure_pa, state.utc_offset_s)

    # -- inside --------------------------------------------------------------------------------------------------

    def _read(self, device_id: str, t_ns: int, raw: bytes, explained: Explained | None) -> list[PointSample]:
        scene = self.scene
        device = scene.device(device_id)
        decoders = device.decoders
        samples = device.frame(t_ns, raw, explained, scene.ambient.pressure_pa)
        if device.decoders is not decoders:
            scene.described(device)
            self._rules_due = True
        scene.take(samples)
        return samples

    def _judge(self, at_once: bool = False) -> None:
        """All alarms, or at once only those that a reading can push over a limit."""
        scene = self.scene
        if scene.state.job is None:
            return
        if self._rules_due:
            self._make_rules()
        stage = scene.state.stage
        self.values = self._computed(lambda: self.quantities.values(scene, stage, self.report.live)) or {}
        if self.behind is not None:
            live = registry.live_quantities()
            self.values |= {k: unknown(v.unit, self.behind) for k, v in self.values.items() if live[k].whole_stage}
        kind = stage.kind if stage else None
        if at_once:
            points = {name: scene.value(name) for name in self._urgent_points}
            step = self.engine.step(self.alarm_state, {**points, **self.values}, kind, scene.now_ns, self._urgent)
        else:
            step = self.engine.step(self.alarm_state, self.alarm_inputs(), kind, scene.now_ns)
        self.step_alarms(step)

    def _watch(self, samples: Sequence[PointSample] = ()) -> None:
        """On replay: feed the live watch of the stage that a restart goes on with, as it was fed then: once a second,
        and by each of the samples that counts there."""
        stage = self.scene.state.stage
        if stage is None or stage.number != self.watching:
            return
        known = registry.definition(stage.kind)
        if samples and (known is None or not any(sample.point in known.fed_by for sample in samples)):
            return
        self.values = self._computed(lambda: self.quantities.values(self.scene, stage, {})) or {}

    def _computed(self, compute: Callable[[], T]) -> T | None:
        """None when it fails: an error of this program must end neither record nor alarms, and is an alarm itself."""
        try:
            return compute()
        except Exception as exc:
            told = f"{type(exc).__name__}: {clean(str(exc), 120)}"
            if self._fault != told:
                log.exception("a computation failed; logging and alarms go on")
            self._fault = told
            self.health[PROGRAM] = unknown("1", told)
            return None

    def _make_rules(self) -> None:
        """Rules follow the rig, the stage's settings and the user's overrides."""
        self._rules_due = False
        state = self.scene.state
        rules = rules_now(state.rig, self.scene.ambient.pressure_pa, state.stage, state.profiles)
        if self.scene.slack_s:
            rules = tuple(
                replace(r, on_delay_s=r.on_delay_s + self.scene.slack_s) if r.kind in _OF_SILENCE else r for r in rules
            )
        self.engine = AlarmEngine(rules)
        urgent = [r for r in self.engine.rules if r.kind in LIMIT_KINDS and r.source != ALARM_COUNT]
        self._urgent = frozenset(r.key for r in urgent)
        sources = {name for r in urgent for name in (r.source, r.other)}
        self._urgent_points = tuple(name for name in self.scene.points if name in sources)

    def device_key(self, rig_name: str) -> str:
        """A rig device's id where it is known, else its name: what its health goes by."""
        state = self.scene.state
        bound = {name: device_id for device_id, name in state.bound.items()}
        entry = next((d for d in state.rig.devices if d.name == rig_name), None)
        return (entry.device_id if entry else None) or bound.get(rig_name, rig_name)

    def _conclude(self) -> None:
        """The final analysis of the stage that ended last, from the same record on replay as live; once more when
        readings of it have come late."""
        scene, stage = self.scene, self.scene.state.stages[-1]
        assert stage.ended_ns is not None
        scene.late_ns, scene.concluded_ns = None, stage.ended_ns
        scene.facts.pop(stage.number, None)
        report = self.report = self.reports[stage.number] = self.final_report(stage, stage.ended_ns)
        scene.facts[stage.number] = report.facts


def _not_analysed(fault: str) -> StageResult:
    """Of a stage at whose analysis this program failed. fault: the error, in a line."""
    return StageResult((Finding("program.failed", Verdict.CANNOT_TELL, (name_of("fault", fault),)),))


# Alarms about missing readings wait for the slack of a clock that runs faster than real time.
_OF_SILENCE = frozenset({Kind.NO_DATA, Kind.FAULT, Kind.UNKNOWN, Kind.TROUBLE})
