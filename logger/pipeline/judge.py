"""Live only: the job's alarms, judged by the newest readings. On replay they are restored from the record."""

from collections.abc import Mapping
from dataclasses import replace

from logger.alarms.alarm_engine import ALARM_COUNT, AlarmEngine
from logger.alarms.defaults import HEALTH, device_input, trouble_input
from logger.alarms.memory import AlarmState
from logger.alarms.rules import LIMIT_KINDS, AlarmRule, Kind
from logger.alarms.states import UNSEEN
from logger.model.events import AlarmChanged
from logger.model.value import Value, known
from logger.pipeline.job_alarms import rules_now
from logger.pipeline.job_model import JobModel

# Alarms about missing readings wait for the slack of a clock that runs faster than real time.
_OF_SILENCE = frozenset({Kind.NO_DATA, Kind.FAULT, Kind.UNKNOWN, Kind.TROUBLE})


class Judge:
    """health: input -> known while all is well. rules_due: rig, stage or devices have changed since the last step."""

    def __init__(self, state: AlarmState | None = None) -> None:
        self.alarm_engine = AlarmEngine(())
        self.state = state or AlarmState()
        self.health: dict[str, Value] = {name: known(1.0, "1") for name in HEALTH}
        self.rules_due = True
        self._urgent: tuple[AlarmRule, ...] = ()  # judged at each reading
        self._pushed_by: dict[frozenset[str], tuple[AlarmRule, ...]] = {}

    def waiting(self) -> list[str]:
        """Keys of alarms that nobody has acknowledged."""
        return [key for key, one in self.state.keys.items() if one.state in UNSEEN]

    def step(
        self, model: JobModel, values: Mapping[str, Value], changed: frozenset[str] | None = None
    ) -> list[AlarmChanged]:
        """All alarms, or at once only those that these inputs can push over a limit. values: live quantities."""
        if self.rules_due:
            self._make_rules(model)
        stage = model.state.stage
        kind = stage.kind if stage else None
        if changed is None:
            return self.take(self.alarm_engine.step(self.state, self.inputs(model, values), kind, model.now_ns))
        if changed not in self._pushed_by:
            self._pushed_by[changed] = tuple(r for r in self._urgent if r.source in changed or r.other in changed)
        if not (rules := self._pushed_by[changed]):
            return []
        sources = {name for rule in rules for name in (rule.source, rule.other)}
        points = {name: model.value(name) for name in model.points if name in sources}
        return self.take(self.alarm_engine.step(self.state, {**points, **values}, kind, model.now_ns, rules))

    def take(self, stepped: tuple[AlarmState, list[AlarmChanged]]) -> list[AlarmChanged]:
        """The alarm engine's answer, of a step or of an act of a person."""
        self.state, changes = stepped
        return changes

    def inputs(self, model: JobModel, values: Mapping[str, Value]) -> dict[str, Value]:
        found = {**{name: model.value(name) for name in model.points}, **values, **self.health}
        for device in model.state.rig.devices:
            key = model.state.device_key(device.name)
            for named in (device_input, trouble_input):
                if named(key) in found:  # an alarm's key stays the same when the device's id becomes known
                    found[named(device.device_id or device.name)] = found[named(key)]
            found.setdefault(trouble_input(device.device_id or device.name), known(1.0, "1"))
        return found | model.undescribed()

    def _make_rules(self, model: JobModel) -> None:
        """Rules follow the rig, the stage's settings and the user's overrides."""
        self.rules_due = False
        state = model.state
        rules = rules_now(state.rig, model.ambient.pressure_pa, state.stage, state.profiles)
        if model.slack_s:
            rules = tuple(
                replace(r, on_delay_s=r.on_delay_s + model.slack_s) if r.kind in _OF_SILENCE else r for r in rules
            )
        self.alarm_engine = AlarmEngine(rules)
        kind = state.stage.kind if state.stage else None
        urgent = [r for r in rules if r.kind in LIMIT_KINDS and r.source != ALARM_COUNT and r.concerns(kind)]
        self._urgent, self._pushed_by = tuple(urgent), {}
