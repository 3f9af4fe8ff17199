"""May the recovery machine's supply be held closed? Only while everything that speaks for it is known and well.

    released --arm, nothing objects--> held --anything objects--> stopped --arm, nothing objects--> held
                                         |                           |
                                         +-------- release ----------+--> released

What was stopped is never started again by itself: a machine that comes back to life at night, or under somebody's
hands, is worse than one that stands. Whether records are being written plays no part: a full disk makes no cylinder
fuller, and stopping a recovery half way for it would help nobody; it has its own alarm.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from logger.alarms.errors import NotAllowed
from logger.alarms.memory import AlarmState
from logger.alarms.rules import AlarmRule
from logger.model.alarm import State
from logger.model.value import Argument, Statement, Value, name_of, word

DEPENDS_ON = ("cylinder_mass", "cylinder_pressure", "cylinder_temperature", "recovery_outlet_pressure")
"""Points that must read, as far as the rig measures them."""

OVERFILL = "overfill"
NEEDED = (OVERFILL, "fill-unknown")  # without these alarms nothing is held
FORBIDS = frozenset({*NEEDED, "cylinder-pressure", "cylinder-hot", "liquid-full", "outlet-pressure"})
"""Alarms whose own advice is to stop the recovery machine; any other protected alarm forbids as well, but for
WARNS, which come before the limit and ask only for somebody to be there."""

ALARM_STANDS = "permit.alarm"

WARNS = frozenset({"overfill-soon"})

_QUIET = frozenset({State.NORMAL, State.SUPPRESSED})


@dataclass(frozen=True, slots=True)
class Situation:
    """What is known at one moment.

    stage: the running one; filling: it fills the cylinder on the scale.
    share: net mass in the cylinder over its limit ("1"). margin: to the cylinder's service pressure, Pa; None when
    the rig does not measure the cylinder's pressure. readings: those of DEPENDS_ON that the rig measures.
    cylinder: the name of the one on the scale. device_problem: why the device cannot be trusted with a permit.
    not_to_be_filled: why nothing may be put into that cylinder, however empty it is; both in words.
    correcting: what was corrected is not worked in yet.
    """

    stage: str | None
    filling: bool
    cylinder: str | None
    share: Value
    margin: Value | None
    readings: Mapping[str, Value]
    rules: Sequence[AlarmRule]
    alarms: AlarmState
    device_problem: str | None = None
    not_to_be_filled: Sequence[str] = ()
    correcting: bool = False


def objections(now: Situation) -> tuple[Statement, ...]:
    """Why the contact must not be held closed; () when nothing objects."""
    found = list[Statement]()
    if not now.filling:
        found.append(Statement("permit.not_filling"))
    if now.correcting:
        found.append(Statement("permit.correcting"))
    if now.device_problem is not None:
        found.append(because("permit.device", now.device_problem))
    if now.cylinder is None:
        found.append(Statement("permit.no_cylinder"))
    found += [because("permit.not_to_be_filled", why) for why in now.not_to_be_filled]
    rules = {rule.key: rule for rule in now.rules}
    found += [Statement("permit.no_alarm", (name_of("alarm", key),)) for key in NEEDED if key not in rules]
    found += _fill(now.share, rules.get(OVERFILL))
    for name, value in {**now.readings, **({} if now.margin is None else {"cylinder_margin": now.margin})}.items():
        if value.number is None:
            found.append(because("permit.unknown", str(value.problem), name_of("reading", name)))
    if "cylinder_mass" not in now.readings:
        found.append(Statement("permit.no_scale"))
    if now.margin is not None and now.margin.number is not None and now.margin.number <= (now.margin.u or 0.0) * 2:
        found.append(Statement("permit.pressure_at_limit"))
    for rule in now.rules:
        forbids = rule.key in FORBIDS or (rule.protected and rule.key not in WARNS)
        if forbids and rule.concerns(now.stage):
            one = now.alarms.of(rule.key)
            if one.condition or one.state not in _QUIET:
                found.append(
                    Statement(
                        ALARM_STANDS, (name_of("alarm", rule.about.key), word("state", one.state), *rule.about.inputs)
                    )
                )
    return tuple(found)


def _fill(share: Value, overfill: AlarmRule | None) -> list[Statement]:
    """The fill itself, whatever the alarm's delays make of it."""
    if share.number is None:
        return [because("permit.fill_unknown", str(share.problem))]
    if overfill is None or overfill.limit is None:
        return [Statement("permit.no_limit")]
    if share.number + overfill.guard_k * (share.u or 0.0) >= overfill.limit:
        return [Statement("permit.full")]
    return []


def because(key: str, reason: str, *more: Argument) -> Statement:
    """A statement that rests on a reason in words, of a reading or a device."""
    return Statement(key, (*more, name_of("reason", reason)))


class Mode(StrEnum):
    """The value is what records and screens say."""

    RELEASED = "released"
    HELD = "held"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class Hold:
    """cylinder: the one it was armed for. why: of being stopped. Permits are sent in HELD and in no other mode."""

    mode: Mode = Mode.RELEASED
    cylinder: str | None = None
    why: tuple[Statement, ...] = ()

    @property
    def permitted(self) -> bool:
        return self.mode is Mode.HELD


def arm(now: Situation) -> Hold:
    """A person wants it held from now on. Raises NotAllowed, naming everything that objects."""
    if found := objections(now):
        raise NotAllowed(*found)
    return Hold(Mode.HELD, now.cylinder)


def still_held(hold: Hold, now: Situation) -> Hold:
    """What the present situation leaves of it: to be asked before every permit."""
    if not hold.permitted:
        return hold
    found = objections(now)
    if now.cylinder is not None and now.cylinder != hold.cylinder:
        found = (Statement("permit.other_cylinder"), *found)
    return stopped(hold, *found) if found else hold


def stopped(hold: Hold, *why: Statement) -> Hold:
    """For a reason of the device's own, too: it opened by itself, or refused. Nothing happens to one not held."""
    return replace(hold, mode=Mode.STOPPED, why=why) if hold.permitted else hold
