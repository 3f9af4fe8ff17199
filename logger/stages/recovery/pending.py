"""What a recovery still waits for: the level, the stop of the recovery machine, and that it holds once settled."""

from logger.model.finding import Verdict
from logger.model.points import Quantity
from logger.model.units import NS_PER_S
from logger.model.value import Argument, Statement, known, number
from logger.stages.definition import Pending
from logger.stages.recovery.definition import Inputs, level_of, stopped_for_good
from logger.stages.recovery.level import JUDGED_BY, judge_level
from logger.stages.recovery.rebound import SETTLE_S

_AGAIN, _STOP = "machine-started", "machine-stopped"


def pending(now: Inputs) -> Pending | None:
    """None once the pressure has settled and meets the level, or nobody can tell. The level is missed as soon as the
    pressure is above it: after the recovery machine has stopped it only rises."""
    stopped_ns = stopped_for_good(now)
    measured = JUDGED_BY if stopped_ns is not None else JUDGED_BY[:1]  # a running recovery machine pulls its inlet down
    pressure = next((now.value(point) for point in measured if point in now.values), None)
    level = level_of(now)
    inputs: tuple[Argument, ...] = ()
    verdict = Verdict.CANNOT_TELL
    if pressure is not None and pressure.number is not None and level.pressure.number is not None:
        each = (("pressure", pressure), ("required", level.pressure))
        inputs = tuple(number(name, Quantity.PRESSURE, value) for name, value in each)
        verdict = judge_level(level, pressure).verdict
    missed = verdict is Verdict.FAIL
    if stopped_ns is None:
        what = "to_pull" if missed else "to_stop"
        return Pending(Statement(f"recovery.{what}", inputs), _STOP, missed)
    if missed:
        return Pending(Statement("recovery.to_go_on", inputs), _AGAIN, missed)
    lasted_s = (now.until_ns - stopped_ns) / NS_PER_S
    if lasted_s < SETTLE_S:
        times = (("lasted", lasted_s), ("asked", SETTLE_S))
        inputs = tuple(number(name, Quantity.TIME, known(s, "s")) for name, s in times)
        return Pending(Statement("recovery.to_settle", inputs))
    if inputs and verdict is Verdict.CANNOT_TELL:
        return Pending(Statement("recovery.too_close", inputs), _AGAIN)
    return None
