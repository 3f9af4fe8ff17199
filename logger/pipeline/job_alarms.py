"""The alarms of a job: those of every job and of each stage, for its rig, as its rig file changes them."""

import logging
from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import replace

from logger.alarms.defaults import HEALTH, default_rules
from logger.alarms.errors import OverrideError
from logger.alarms.overrides import apply_overrides
from logger.alarms.rules import AlarmRule
from logger.model.job import Stage
from logger.model.points import POINTS, Quantity
from logger.model.rig import Rig
from logger.model.units import STANDARD_ATMOSPHERE_PA
from logger.stages import registry
from logger.stages.acceptance import Profile
from logger.stages.settings import read

log = logging.getLogger(__name__)


def all_rules(
    points: Collection[str] = (),
    devices: Mapping[str, str] | None = None,
    *,
    stage: Stage | None = None,
    profiles: Mapping[str, Profile] | None = None,
    health: Collection[str] = HEALTH,
) -> tuple[AlarmRule, ...]:
    """stage: the running one, whose settings and acceptance profile set limits."""
    of_stages: dict[str, AlarmRule] = {}
    watched: defaultdict[str, frozenset[str | None]] = defaultdict(frozenset)
    for one in registry.STAGES:
        settings = read(one.settings, stage.settings) if stage is not None and stage.kind == one.kind else None
        for rule in one.alarms(settings, profiles or {}):
            before = of_stages.get(rule.key)  # one alarm may concern several stages
            stages = (before.stages or frozenset()) | (rule.stages or frozenset()) if before else rule.stages
            of_stages[rule.key] = replace(rule, stages=stages)
        for point in one.silence_matters:
            watched[point] |= {one.kind}
    filling = frozenset({None, *(one.kind for one in registry.STAGES if one.fills_cylinder)})
    return default_rules(
        points, devices, of_stages=tuple(of_stages.values()), filling=filling, watched_in=watched, health=health
    )


def measured(rig: Rig) -> tuple[str, ...]:
    """The points that the rig's channels are mapped to, whether or not their devices are there."""
    return tuple(dict.fromkeys(channel.point for device in rig.devices for channel in device.channels))


def defaults_of(
    rig: Rig, stage: Stage | None = None, profiles: Mapping[str, Profile] | None = None
) -> tuple[AlarmRule, ...]:
    """Before the rig file's changes. An alarm's key is the same whether its device has been heard yet or not."""
    devices = {device.device_id or device.name: device.name for device in rig.devices}
    return all_rules(measured(rig), devices, stage=stage, profiles=profiles)


def rules_of(rig: Rig) -> tuple[AlarmRule, ...]:
    """As a rig file states them, at sea level. Raises OverrideError with every fault of its [alarms] table."""
    return _changed(defaults_of(rig), rig, rig.alarms, STANDARD_ATMOSPHERE_PA)


def rules_now(
    rig: Rig, ambient_pa: float, stage: Stage | None, profiles: Mapping[str, Profile] | None = None
) -> tuple[AlarmRule, ...]:
    """For the running stage. Never fails: a job must not lose its alarms because one of them cannot be.

    A setting of the rig file that does not fit (one of another version, in an old record) leaves that alarm as it is
    by default. Where the stage's settings set the limit of a protected alarm, the lower of theirs and the rig file's
    counts.
    """
    rules, unlimited = defaults_of(rig, stage, profiles), {r.key for r in defaults_of(rig) if r.limit is None}
    entered = {r.key: r.limit for r in rules if r.protected and r.limit is not None and r.key in unlimited}
    rules = tuple(replace(r, limit=None) if r.key in entered else r for r in rules)
    for key, table in rig.alarms.items():
        try:
            rules = _changed(rules, rig, {key: table}, ambient_pa)
        except OverrideError as exc:
            log.warning("left as it is by default: %s", exc)
    return tuple(_no_higher(rule, entered[rule.key]) if rule.key in entered else rule for rule in rules)


def _no_higher(rule: AlarmRule, limit: float) -> AlarmRule:
    return replace(rule, limit=limit if rule.limit is None else min(rule.limit, limit))


def _changed(
    rules: tuple[AlarmRule, ...], rig: Rig, table: Mapping[str, object], ambient_pa: float
) -> tuple[AlarmRule, ...]:
    return apply_overrides(rules, table, ambient_pa, _sources(rig), [one.kind for one in registry.STAGES])


def _sources(rig: Rig) -> Mapping[str, Quantity]:
    """What an alarm of the user's own may watch."""
    live = {key: one.quantity for key, one in registry.live_quantities().items() if key not in POINTS}
    return {**live, **{name: POINTS[name].quantity for name in measured(rig)}}
