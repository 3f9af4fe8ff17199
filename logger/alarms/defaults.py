"""The alarms of every job, with limits that need no set-up.

Sources named here are measuring points (logger.model.points), live quantities of the engine, or health inputs:
a health input is known ("1") while all is well and unknown, its problem in plain words, while it is not.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from logger.alarms.alarm_engine import ALARM_COUNT, FLOOD_COUNT, MANY_ALARMS
from logger.alarms.rules import SENSOR_FAULTS, AlarmRule, Kind
from logger.model.alarm import Priority
from logger.model.points import POINTS, Quantity
from logger.model.units import PSI_PA
from logger.model.value import Statement, name_of

STORE = "store"  # records are being written
DISK = "disk"  # there is room for the night
CLOCK = "clock"  # no sleep, stall or clock step since the last step; unknown for one step tells of one
AWAKE = "awake"  # the computer is kept from sleeping
PUSH = "push"  # messages reach the phone
SOUND = "sound"  # the alarm tone can be played
PROGRAM = "program"  # what this program computes did not fail
VERDICT = "verdict"  # no ended stage's verdict was turned by a correction or by late readings; unknown for one step
AUTOSTOP = "autostop"  # no contact was opened that somebody had wanted held closed (logger/alarms/permit.py)
CONTACT = "contact"  # no contact is closed that nobody armed
HEALTH = (STORE, DISK, CLOCK, AWAKE, PUSH, SOUND, PROGRAM, VERDICT, AUTOSTOP, CONTACT)


def device_input(device: str) -> str:
    """Health input of a device: known while it sends, unknown with the reason while it is lost."""
    return f"device:{device}"


def trouble_input(device: str) -> str:
    """Health input of a device that is heard: unknown while it reports a fault or contradicts itself."""
    return f"device-trouble:{device}"


FLOW_WITHOUT_STAGE = "flow_without_stage"  # what has moved over the scale with no stage begun, since it began to flow
CYLINDER_HOT_K = (125 + 459.67) / 1.8

_Q, _P, _K = Quantity, Priority, Kind
_OWN = "Rimelog default"


def default_rules(
    points: Collection[str] = (),
    devices: Mapping[str, str] | None = None,
    *,
    of_stages: Sequence[AlarmRule] = (),
    filling: frozenset[str | None] = frozenset(),
    watched_in: Mapping[str, frozenset[str | None]] | None = None,
    health: Collection[str] = HEALTH,
) -> tuple[AlarmRule, ...]:
    """All alarms of a job; each says which stages it concerns.

    points: the measuring points of the rig. devices: key -> name. of_stages: the stages' own rules. filling: stages in
    which a cylinder is filled. watched_in: stages in which a point's silence is HIGH, by point; in no other stage is
    it reported; points not named here are LOW and reported in all. health: the health inputs that are provided.
    """
    rules = [
        *_cylinder(filling),
        *of_stages,
        *(rule for name in points for rule in _point(name, (watched_in or {}).get(name))),
        *(rule for key, name in (devices or {}).items() for rule in _device(key, name)),
        *(rule for rule in _HEALTH_RULES if rule.source in health),
        _MANY_ALARMS,
    ]
    missing = set(POINTS) - set(points)
    return tuple(rule for rule in rules if rule.source not in missing and rule.other not in missing)


def _cylinder(filling: frozenset[str | None]) -> tuple[AlarmRule, ...]:
    return (
        AlarmRule(
            "flow-no-stage", _P.HIGH, _K.HIGH, FLOW_WITHOUT_STAGE, _Q.MASS, 0.2,
            deadband=0.1, on_delay_s=3, off_delay_s=30, stages=frozenset({None}),
            basis="an overfill with no stage begun must not go unseen; Rimelog default",
        ),
        AlarmRule(
            "overfill", _P.URGENT, _K.HIGH, "cylinder_of_limit", _Q.RATIO, 1.0,
            deadband=0.01, off_delay_s=10, latched=True, protected=True, guard_k=2, remind_s=300,
            basis="the strictest filling rule that applies to the cylinder; the scale's expanded uncertainty counts",
        ),
        AlarmRule(
            "overfill-soon", _P.HIGH, _K.HIGH, "cylinder_of_limit", _Q.RATIO, 0.9,
            deadband=0.01, on_delay_s=3, off_delay_s=30, stages=filling, protected=True,
            basis=_OWN,
        ),
        AlarmRule(
            "cylinder-pressure", _P.URGENT, _K.LOW, "cylinder_margin",
            _Q.PRESSURE_DIFFERENCE, 0.0, deadband=10 * PSI_PA, on_delay_s=2, off_delay_s=30, latched=True,
            protected=True, remind_s=300,
            basis="the cylinder's service pressure",
        ),
        AlarmRule(
            "cylinder-hot", _P.HIGH, _K.HIGH, "cylinder_temperature", _Q.TEMPERATURE,
            CYLINDER_HOT_K, deadband=2, on_delay_s=10, off_delay_s=60,
            basis="125 °F, the usual marking on cylinders (common practice)",
        ),
        AlarmRule(
            "liquid-full", _P.URGENT, _K.HIGH, "cylinder_temperature",
            _Q.TEMPERATURE_DIFFERENCE, -10.0, deadband=2, on_delay_s=5, off_delay_s=60, latched=True,
            protected=True, other="liquid_full_temperature", remind_s=300,
            basis="18 °F below the temperature at which liquid would fill the shell; Rimelog default",
        ),
    )  # fmt: skip


RANGE_IS_NORMAL = frozenset({"vacuum"})  # a vacuum gauge reads over range at every start of a pull-down


_UNDER_RANGE_IS_NORMAL = frozenset(  # a gauge that ends near atmospheric pressure, on a system under vacuum
    {"system_pressure", "suction_pressure", "liquid_pressure", "discharge_pressure", "recovery_inlet_pressure"}
)


def _point(name: str, stages: frozenset[str | None] | None) -> list[AlarmRule]:
    priority, point = _P.HIGH if stages else _P.LOW, (name_of("point", name),)
    fault = AlarmRule(
        f"fault-{name}", priority, _K.FAULT, name, on_delay_s=5, off_delay_s=10,
        stages=stages, about=Statement("fault", point), basis="the device's own reason",
    )  # fmt: skip
    if name in RANGE_IS_NORMAL:
        fault = replace(fault, faults=SENSOR_FAULTS)
    elif name in _UNDER_RANGE_IS_NORMAL:
        fault = replace(fault, faults=SENSOR_FAULTS | {"over-range"})
    return [
        AlarmRule(
            f"no-data-{name}", priority, _K.NO_DATA, name, on_delay_s=15, off_delay_s=5,
            stages=stages, about=Statement("no-data", point), basis=_OWN,
        ),
        fault,
    ]  # fmt: skip


def _device(key: str, name: str) -> list[AlarmRule]:
    device = (name_of("device", name),)
    return [
        AlarmRule(
            f"device-{key}", _P.HIGH, _K.TROUBLE, device_input(key), on_delay_s=10, off_delay_s=5,
            about=Statement("device", device), basis=_OWN,
        ),
        AlarmRule(
            f"trouble-{key}", _P.HIGH, _K.TROUBLE, trouble_input(key), on_delay_s=2, off_delay_s=10,
            about=Statement("trouble", device), basis="the device's own report, or what it says that cannot be true",
        ),
    ]  # fmt: skip


_HEALTH_RULES = (
    AlarmRule(
        "store-trouble", _P.URGENT, _K.TROUBLE, STORE, off_delay_s=10,
        basis="every failed write",
    ),
    AlarmRule(
        "disk-low", _P.HIGH, _K.TROUBLE, DISK, off_delay_s=10,
        basis="less than twice the reserve free",
    ),
    AlarmRule(
        "clock-gap", _P.HIGH, _K.TROUBLE, CLOCK, off_delay_s=1, latched=True,
        basis="every sleep or stall",
    ),
    AlarmRule(
        "program-fault", _P.HIGH, _K.TROUBLE, PROGRAM, off_delay_s=30, latched=True,
        basis="every failure of a computation",
    ),
    AlarmRule(
        "verdict-changed", _P.LOW, _K.TROUBLE, VERDICT, off_delay_s=1, latched=True,
        basis="every ended stage that passed and does no more, or fails now",
    ),
    AlarmRule(
        "machine-power-cut", _P.HIGH, _K.TROUBLE, AUTOSTOP,
        basis="every opening that nobody asked for",
    ),
    AlarmRule(
        "contact-closed", _P.HIGH, _K.TROUBLE, CONTACT, off_delay_s=5,
        basis="longer than its time-out",
    ),
    AlarmRule(
        "keep-awake", _P.LOW, _K.TROUBLE, AWAKE, on_delay_s=5,
        basis="what was obtained",
    ),
    AlarmRule(
        "push-trouble", _P.HIGH, _K.TROUBLE, PUSH, on_delay_s=60,
        basis=_OWN,
    ),
    AlarmRule(
        "sound-trouble", _P.LOW, _K.TROUBLE, SOUND,
        basis="every failure",
    ),
)  # fmt: skip

_MANY_ALARMS = AlarmRule(
    MANY_ALARMS, _P.HIGH, _K.HIGH, ALARM_COUNT, _Q.RATIO, FLOOD_COUNT + 1.0, deadband=6,
    off_delay_s=60, basis="over ten alarms in ten minutes (Rimelog default); over when fewer than five",
)  # fmt: skip
