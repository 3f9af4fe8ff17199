"""The alarms of every job, with limits that need no set-up.

Sources named here are measuring points (logger.model.points), live quantities of the engine, or health inputs:
a health input is known ("1") while all is well and unknown, its problem in plain words, while it is not.
"""

from collections.abc import Collection, Mapping
from dataclasses import replace

from logger.alarms.engine import ALARM_COUNT, FLOOD_COUNT
from logger.alarms.rules import SENSOR_FAULTS, AlarmRule, Kind
from logger.model.alarm import Priority
from logger.model.job import StageKind
from logger.model.points import POINTS, Quantity
from logger.model.units import MICRON_PA, PSI_PA, STANDARD_ATMOSPHERE_PA

STORE = "store"  # records are being written
DISK = "disk"  # there is room for the night
CLOCK = "clock"  # no sleep, stall or clock step since the last step; unknown for one step tells of one
AWAKE = "awake"  # the computer is kept from sleeping
PUSH = "push"  # messages reach the phone
SOUND = "sound"  # the alarm tone can be played
PROGRAM = "program"  # what this program computes did not fail
PERMIT = "permit"  # no contact was opened that somebody had wanted held closed (logger/alarms/permit.py)
HEALTH = (STORE, DISK, CLOCK, AWAKE, PUSH, SOUND, PROGRAM, PERMIT)


def device_input(device: str) -> str:
    """Health input of a device: known while it sends, unknown with the reason while it is lost."""
    return f"device:{device}"


OUTLET_LIMIT_PA = 450 * PSI_PA + STANDARD_ATMOSPHERE_PA
DECAY_RISE_PA = 200 * MICRON_PA
PRESSURE_LOST_PA = 3 * PSI_PA
APART_PA = 5 * PSI_PA
CHARGE_TOLERANCE_KG = 0.1
TEST_OVERPRESSURE = "test-overpressure"  # its limit is the stage's own: pipeline/rules.py sets it
CYLINDER_HOT_K = 273.15 + 51.7

_S, _Q, _P, _K = StageKind, Quantity, Priority, Kind
_RECOVERY = frozenset({_S.RECOVERY})
_FILLING = frozenset({_S.RECOVERY, None})
_CHARGING = frozenset({_S.CHARGING})
_RUNNING = frozenset({_S.CHARGING, _S.START_UP})
_OWN = "our own figure, no source"
_STOP = "Stop the recovery machine and close the cylinder valve."


def default_rules(
    points: Collection[str] = (),
    devices: Mapping[str, str] | None = None,
    *,
    outlet_limit_pa: float = OUTLET_LIMIT_PA,
    decay_limit_pa: float | None = None,
    decay_rise_pa: float = DECAY_RISE_PA,
    charge_tolerance_kg: float = CHARGE_TOLERANCE_KG,
    health: Collection[str] = HEALTH,
) -> tuple[AlarmRule, ...]:
    """All alarms of a job, whatever the stage; each says which stages it concerns.

    points: the measuring points of the rig. devices: key -> name. outlet_limit_pa, decay_limit_pa: absolute;
    decay_limit_pa is that of the acceptance profile, without one the rise since isolation is watched. health: the
    health inputs that are provided.
    """
    rules = [
        *_CYLINDER,
        *_recovery(outlet_limit_pa),
        *_pressure_test(),
        *_vacuum(decay_limit_pa, decay_rise_pa),
        *_charging_and_running(charge_tolerance_kg),
        *(rule for name in points for rule in _point(name)),
        *(_device(key, name) for key, name in (devices or {}).items()),
        *(rule for rule in _HEALTH_RULES if rule.source in health),
        _FLOOD,
    ]
    missing = set(POINTS) - set(points)
    return tuple(rule for rule in rules if rule.source not in missing and rule.other not in missing)


_CYLINDER = (
    AlarmRule(
        "overfill", "Cylinder is full to its limit", _P.URGENT, _K.HIGH, "cylinder_of_limit", _Q.RATIO, 1.0,
        deadband=0.01, off_delay_s=10, latched=True, protected=True, guard_k=2, remind_s=300,
        action=f"{_STOP} Change to an empty cylinder. Do not heat, move or ship this one before it is drawn down.",
        basis="the strictest filling rule that applies to the cylinder; the scale's uncertainty (k=2) counts",
    ),
    AlarmRule(
        "overfill-soon", "Cylinder nearly full", _P.HIGH, _K.HIGH, "cylinder_of_limit", _Q.RATIO, 0.9,
        deadband=0.01, on_delay_s=3, off_delay_s=30, stages=_FILLING, protected=True,
        action="Have an empty cylinder ready and stay at the machine.", basis=_OWN,
    ),
    AlarmRule(
        "fill-unknown", "Cylinder fill cannot be told", _P.URGENT, _K.UNKNOWN, "cylinder_of_limit",
        on_delay_s=15, off_delay_s=5, stages=_RECOVERY, protected=True,
        action=f"{_STOP} Go on only when the scale reads again and the cylinder is entered.",
        basis="an overfill that cannot be seen must not go on unseen",
    ),
    AlarmRule(
        "time-to-limit", "Cylinder soon at its limit", _P.HIGH, _K.PREDICTION, "time_to_limit", _Q.TIME, 600,
        deadband=120, on_delay_s=15, off_delay_s=60, stages=_RECOVERY,
        action="Have an empty cylinder ready and be at the machine.", basis=_OWN,
    ),
    AlarmRule(
        "cylinder-pressure", "Cylinder pressure at its limit", _P.URGENT, _K.LOW, "cylinder_margin",
        _Q.PRESSURE_DIFFERENCE, 0.0, deadband=10 * PSI_PA, on_delay_s=2, off_delay_s=30, latched=True,
        protected=True, remind_s=300,
        action=f"{_STOP} Keep clear of the relief valve, cool the cylinder with air or water; never vent it.",
        basis="the cylinder's service pressure",
    ),
    AlarmRule(
        "cylinder-hot", "Cylinder is hot", _P.HIGH, _K.HIGH, "cylinder_temperature", _Q.TEMPERATURE,
        CYLINDER_HOT_K, deadband=2, on_delay_s=10, off_delay_s=60,
        action=f"{_STOP} Move the cylinder out of the sun or heat; cool it with air or water.",
        basis="125 F, the usual marking on cylinders (from memory)",
    ),
    AlarmRule(
        "liquid-full", "Cylinder near liquid-full", _P.URGENT, _K.HIGH, "cylinder_temperature",
        _Q.TEMPERATURE_DIFFERENCE, -10.0, deadband=2, on_delay_s=5, off_delay_s=60, latched=True,
        protected=True, other="liquid_full_temperature", remind_s=300,
        action=f"{_STOP} Cool the cylinder and draw some out: once liquid-full, its pressure climbs steeply.",
        basis="10 K below the temperature at which liquid would fill the shell; our own figure",
    ),
)  # fmt: skip


def _recovery(outlet_limit_pa: float) -> list[AlarmRule]:
    return [
        AlarmRule(
            "outlet-pressure", "Recovery outlet pressure high", _P.URGENT, _K.HIGH, "recovery_outlet_pressure",
            _Q.PRESSURE, outlet_limit_pa, deadband=20 * PSI_PA, on_delay_s=3, off_delay_s=30, stages=_RECOVERY,
            action="Stop the recovery machine. Check that the cylinder valve is open and the condenser gets air.",
            basis="450 psig, below the usual 550 psig cut-out of recovery machines (common practice)",
        ),
        AlarmRule(
            "outlet-blocked", "Recovery outlet far above the cylinder", _P.HIGH, _K.HIGH, "recovery_outlet_pressure",
            _Q.PRESSURE_DIFFERENCE, 75 * PSI_PA, deadband=10 * PSI_PA, on_delay_s=30, off_delay_s=30,
            stages=_RECOVERY, other="cylinder_pressure",
            action="Check the cylinder valve, the hose, its core depressors and the filter.", basis=_OWN,
        ),
        AlarmRule(
            "recovery-stalled", "Nothing comes, charge remains", _P.HIGH, _K.HIGH, "stalled_for", _Q.TIME, 300,
            deadband=1, off_delay_s=60, stages=_RECOVERY,
            action="See whether the machine runs and its valves are open, and whether the scale follows your hand.",
            basis="a scale that stands still would hide an overfill; our own figure",
        ),
        AlarmRule(
            "condensing-hot", "Recovery condenser hot", _P.HIGH, _K.HIGH, "condensing_over_ambient",
            _Q.TEMPERATURE_DIFFERENCE, 35, deadband=5, on_delay_s=120, off_delay_s=60, stages=_RECOVERY,
            action="Check the recovery machine's fan and coil; air in the cylinder does the same.", basis=_OWN,
        ),
    ]  # fmt: skip


def _pressure_test() -> list[AlarmRule]:
    return [
        AlarmRule(
            TEST_OVERPRESSURE, "Test pressure too high", _P.URGENT, _K.HIGH, "system_pressure", _Q.PRESSURE,
            None, deadband=5 * PSI_PA, on_delay_s=1, off_delay_s=10, stages=frozenset({_S.PRESSURE_TEST}),
            latched=True, protected=True,
            action="Close the nitrogen bottle and let pressure off slowly, standing clear.",
            basis="the job's highest test pressure; not watched while none is entered",
        ),
        AlarmRule(
            "pressure-lost", "Test pressure is falling", _P.HIGH, _K.LOW, "pressure_change",
            _Q.PRESSURE_DIFFERENCE, -PRESSURE_LOST_PA, deadband=1 * PSI_PA, on_delay_s=60, off_delay_s=60,
            stages=frozenset({_S.PRESSURE_TEST}),
            action="Look for the leak. If you are letting the pressure off, end the stage first.", basis=_OWN,
        ),
        *(
            AlarmRule(
                f"apart-{name}", f"{POINTS[name].label} and system pressure disagree", _P.LOW, _K.DISAGREE, name,
                _Q.PRESSURE_DIFFERENCE, APART_PA, deadband=1 * PSI_PA, on_delay_s=300, off_delay_s=60,
                stages=frozenset({_S.PRESSURE_TEST}), other="system_pressure",
                action="Open every valve between them, or find which gauge is wrong: one side is not being tested.",
                basis=_OWN,
            )
            for name in ("suction_pressure", "liquid_pressure", "discharge_pressure")
        ),
    ]  # fmt: skip


def _vacuum(decay_limit_pa: float | None, decay_rise_pa: float) -> list[AlarmRule]:
    decay, evacuation = frozenset({_S.DECAY_TEST}), frozenset({_S.EVACUATION})
    action = "The test will not hold as it goes. Check hoses, cores and valves first, then the system."
    rise = AlarmRule(
        "vacuum-rise", "Vacuum is rising", _P.HIGH, _K.HIGH, "vacuum_rise", _Q.VACUUM, decay_rise_pa,
        deadband=10 * MICRON_PA, on_delay_s=30, off_delay_s=60, stages=decay, latched=True, action=action,
        basis="200 micron over the level at isolation, as UFGS 15182 3.3.3 (300 to 500 micron)",
    )  # fmt: skip
    if decay_limit_pa is not None:
        rise = AlarmRule(
            "vacuum-rise", "Vacuum above its limit", _P.HIGH, _K.HIGH, "vacuum", _Q.VACUUM, decay_limit_pa,
            deadband=10 * MICRON_PA, on_delay_s=30, off_delay_s=60, stages=decay, latched=True, action=action,
            basis="the acceptance profile of the test",
        )  # fmt: skip
    return [
        rise,
        AlarmRule(
            "vacuum-lost", "Vacuum is being lost", _P.HIGH, _K.RATE, "vacuum", _Q.PRESSURE_RATE,
            300 * MICRON_PA / 60, deadband=200 * MICRON_PA / 60, on_delay_s=20, off_delay_s=60, window_s=60,
            stages=evacuation,
            action="Has the pump stopped? Close its valve at once, or air and pump oil go into the system.", basis=_OWN,
        ),
    ]  # fmt: skip


def _charging_and_running(tolerance_kg: float) -> list[AlarmRule]:
    return [
        AlarmRule(
            "charge-near", "Charge nearly in", _P.HIGH, _K.PREDICTION, "time_to_stop", _Q.TIME, 60, deadband=30,
            on_delay_s=3, off_delay_s=30, stages=_CHARGING, action="Have your hand at the valve.", basis=_OWN,
        ),
        AlarmRule(
            "charge-reached", "Charge is in", _P.HIGH, _K.LOW, "charge_to_go", _Q.MASS, 0.0,
            deadband=tolerance_kg, off_delay_s=10, stages=_CHARGING, action="Close the valve now.", basis="the target",
        ),
        AlarmRule(
            "overcharge", "More than the charge is in", _P.URGENT, _K.LOW, "charge_to_go", _Q.MASS, -tolerance_kg,
            deadband=tolerance_kg / 2, on_delay_s=1, off_delay_s=10, stages=_CHARGING, latched=True,
            action="Close the valve and take out what is over before the machine runs.", basis=_OWN,
        ),
        AlarmRule(
            "high-head", "Head pressure at its limit", _P.URGENT, _K.LOW, "high_side_margin",
            _Q.PRESSURE_DIFFERENCE, 0.0, deadband=10 * PSI_PA, on_delay_s=2, off_delay_s=30, stages=_RUNNING,
            latched=True,
            action="Stop the compressor. Check condenser fans, water flow and valves, charge and air in the system.",
            basis="the job's high-side limit",
        ),
        AlarmRule(
            "low-superheat", "Liquid may reach the compressor", _P.HIGH, _K.LOW, "suction_superheat",
            _Q.TEMPERATURE_DIFFERENCE, 2.0, deadband=1.0, on_delay_s=60, off_delay_s=60,
            stages=frozenset({_S.START_UP}),
            action="Check the expansion valve and the charge; stop if the suction line sweats back to the shell.",
            basis=_OWN,
        ),
        AlarmRule(
            "discharge-hot", "Discharge line hot", _P.HIGH, _K.HIGH, "discharge_temperature", _Q.TEMPERATURE,
            273.15 + 107, deadband=5, on_delay_s=30, off_delay_s=60, stages=frozenset({_S.START_UP}),
            action="Check suction superheat, compression ratio and cooling of the compressor.",
            basis="225 F, common practice, no source",
        ),
    ]  # fmt: skip


_WATCHED_IN: dict[str, frozenset[StageKind | None]] = {
    "cylinder_mass": frozenset({_S.RECOVERY, _S.CHARGING}),
    "cylinder_pressure": _RECOVERY,
    "cylinder_temperature": _RECOVERY,
    "recovery_inlet_pressure": _RECOVERY,
    "recovery_outlet_pressure": _RECOVERY,
    "system_pressure": frozenset({_S.PRESSURE_TEST, _S.RECOVERY}),
    "vacuum": frozenset({_S.EVACUATION, _S.DECAY_TEST}),
    "suction_pressure": _RUNNING,
    "suction_temperature": _RUNNING,
    "liquid_pressure": _RUNNING,
    "liquid_temperature": _RUNNING,
    "discharge_pressure": _RUNNING,
    "discharge_temperature": _RUNNING,
}
"""Where a point's silence is HIGH. In no other stage is it told; points not named here are LOW and told in all."""

_RANGE_IS_NORMAL = frozenset({"vacuum"})  # a vacuum gauge reads over range at every start of a pull-down


def _point(name: str) -> list[AlarmRule]:
    label = POINTS[name].label
    stages = _WATCHED_IN.get(name)
    priority = _P.HIGH if stages else _P.LOW
    fault = AlarmRule(
        f"fault-{name}", f"{label}: sensor fault", priority, _K.FAULT, name, on_delay_s=5, off_delay_s=10,
        stages=stages, action="Check plug, cable and sensor.", basis="the device's own reason",
    )  # fmt: skip
    if name in _RANGE_IS_NORMAL:
        fault = replace(fault, faults=SENSOR_FAULTS)
    return [
        AlarmRule(
            f"no-data-{name}", f"{label}: no readings", priority, _K.NO_DATA, name, on_delay_s=15, off_delay_s=5,
            stages=stages, action="Check the instrument, its battery and its cable or radio.", basis=_OWN,
        ),
        fault,
    ]  # fmt: skip


def _device(key: str, name: str) -> AlarmRule:
    return AlarmRule(
        f"device-{key}", f"{name} is lost", _P.HIGH, _K.TROUBLE, device_input(key), on_delay_s=10, off_delay_s=5,
        action="Check its power and cable. It is looked for all the time; what it kept meanwhile is fetched.",
        basis=_OWN,
    )  # fmt: skip


_HEALTH_RULES = (
    AlarmRule(
        "store-trouble", "Records are not being written", _P.URGENT, _K.TROUBLE, STORE, off_delay_s=10,
        action="Free some disk space or check the disk. Alarms go on; the newest readings are kept in memory.",
        basis="every failed write",
    ),
    AlarmRule(
        "disk-low", "The disk is nearly full", _P.HIGH, _K.TROUBLE, DISK, off_delay_s=10,
        action="Make room before you leave. Records are still being written.", basis="less than twice the reserve free",
    ),
    AlarmRule(
        "clock-gap", "Time was lost", _P.HIGH, _K.TROUBLE, CLOCK, off_delay_s=1, latched=True,
        action="Set the computer never to sleep, leave the lid open and the charger in.", basis="every sleep or stall",
    ),
    AlarmRule(
        "program-fault", "This program made an error", _P.HIGH, _K.TROUBLE, PROGRAM, off_delay_s=30, latched=True,
        action="Records go on. What cannot be computed shows as unknown: do not rely on it, stay at the machine.",
        basis="every failure of a computation",
    ),
    AlarmRule(
        "machine-stopped", "The recovery machine was stopped", _P.HIGH, _K.TROUBLE, PERMIT,
        action="See why before you arm it again with `rimelog permit arm`; `rimelog permit release` lets it rest.",
        basis="every opening that nobody asked for",
    ),
    AlarmRule(
        "keep-awake", "This computer may fall asleep", _P.LOW, _K.TROUBLE, AWAKE, on_delay_s=5,
        action="Set the computer never to sleep, leave the lid open and the charger in.", basis="what was obtained",
    ),
    AlarmRule(
        "push-trouble", "Messages do not reach the phone", _P.HIGH, _K.TROUBLE, PUSH, on_delay_s=60,
        action="Check the internet connection; until then only this computer calls you.", basis=_OWN,
    ),
    AlarmRule(
        "sound-trouble", "The alarm tone cannot be played", _P.LOW, _K.TROUBLE, SOUND,
        action="Check the loudspeaker and run the sound test; until then look at the screen.", basis="every failure",
    ),
)  # fmt: skip

_FLOOD = AlarmRule(
    "flood", "Many alarms at once", _P.HIGH, _K.HIGH, ALARM_COUNT, _Q.RATIO, FLOOD_COUNT + 1.0, deadband=6,
    off_delay_s=60, action="Look at the first one; the others often follow from it.",
    basis="over ten alarms in ten minutes (EEMUA 191, from memory); over when fewer than five",
)  # fmt: skip
