"""The words of an alarm: its priority, its state and what can happen to it. The state machine: logger/alarms/states.py.

Their values are what records and screens say.
"""

from enum import StrEnum


class Priority(StrEnum):
    """URGENT: act now, it wakes you. HIGH: act within ten minutes. LOW: look when you next pass; makes no sound."""

    URGENT = "urgent"
    HIGH = "high"
    LOW = "low"


class State(StrEnum):
    """Names and meaning as in ANSI/ISA-18.2 (IEC 62682)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class AlarmEvent(StrEnum):
    """What can happen to an alarm."""

    RAISE = "raise"  # the condition holds
    RETURN = "return"  # the condition does not hold
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    REMIND = "remind"  # acknowledged long ago and still in alarm
    SHELVE = "shelve"
    UNSHELVE = "unshelve"  # by a person or because the time is over
    SUPPRESS = "suppress"  # the stage does not concern it
    RESUME = "resume"  # the stage concerns it again
    TAKE_OUT = "take out of service"
    PUT_BACK = "put back in service"


ACTS = frozenset(
    {AlarmEvent.ACKNOWLEDGE, AlarmEvent.RESET, AlarmEvent.SHELVE, AlarmEvent.UNSHELVE, AlarmEvent.TAKE_OUT,
     AlarmEvent.PUT_BACK}
)  # fmt: skip
"""What a person can do."""

RENAMED = {"flood": "many-alarms", "machine-stopped": "machine-power-cut"}
"""Keys of records and rig files of before -> today's. "Flood" is liquid at the compressor in this trade, and
machine-stopped is an act of people."""
