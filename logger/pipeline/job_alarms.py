"""The alarms of a job: the defaults for its rig, as its rig file changes them."""

import logging
from collections.abc import Mapping
from dataclasses import replace

from logger.alarms.defaults import TEST_OVERPRESSURE, default_rules
from logger.alarms.errors import OverrideError
from logger.alarms.overrides import apply_overrides
from logger.alarms.rules import AlarmRule
from logger.model.points import POINTS, Quantity
from logger.model.rig import Rig
from logger.model.units import STANDARD_ATMOSPHERE_PA
from logger.pipeline.snapshot import LIVE

log = logging.getLogger(__name__)


def measured(rig: Rig) -> tuple[str, ...]:
    """The points that the rig's channels are mapped to, whether or not their devices are there."""
    return tuple(dict.fromkeys(channel.point for device in rig.devices for channel in device.channels))


def defaults_of(rig: Rig, decay_limit_pa: float | None = None) -> tuple[AlarmRule, ...]:
    """Before the rig file's changes. An alarm's key is the same whether its device has been heard yet or not."""
    devices = {device.device_id or device.name: device.name for device in rig.devices}
    return default_rules(measured(rig), devices, decay_limit_pa=decay_limit_pa)


def rules_of(rig: Rig) -> tuple[AlarmRule, ...]:
    """As a rig file states them, at sea level. Raises OverrideError with every fault of its [alarms] table."""
    return apply_overrides(defaults_of(rig), rig.alarms, STANDARD_ATMOSPHERE_PA, _sources(rig))


def rules_now(
    rig: Rig, ambient_pa: float, test_pressure_limit_pa: float | None, decay_limit_pa: float | None
) -> tuple[AlarmRule, ...]:
    """For the running stage. Never fails: a job must not lose its alarms because one of them cannot be.

    A setting of the rig file that does not fit (one of another version, in an old record) leaves that alarm as it is
    by default. The test pressure's limit is the lower of the stage's and the rig file's.
    """
    rules, sources = defaults_of(rig, decay_limit_pa), _sources(rig)
    for key, table in rig.alarms.items():
        try:
            rules = apply_overrides(rules, {key: table}, ambient_pa, sources)
        except OverrideError as exc:
            log.warning("left as it is by default: %s", exc)
    return tuple(_no_higher(rule, test_pressure_limit_pa) if rule.key == TEST_OVERPRESSURE else rule for rule in rules)


def _no_higher(rule: AlarmRule, limit: float | None) -> AlarmRule:
    limits = [one for one in (rule.limit, limit) if one is not None]
    return replace(rule, limit=min(limits, default=None))


def _sources(rig: Rig) -> Mapping[str, Quantity]:
    """What an alarm of the user's own may watch."""
    live: dict[str, Quantity] = {key: one.quantity for key, one in LIVE.items() if key not in POINTS}
    return {**live, **{name: POINTS[name].quantity for name in measured(rig)}}
