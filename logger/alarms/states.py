"""The states of one alarm: the whole machine is the table below.

Theory of operation. Two things are kept apart: the *condition* (is the measured value in alarm, after
on-delay, off-delay and deadband; rules.py and engine.py) and the *state* (what a person still has to know or do
about it). The condition sends RAISE while it holds and RETURN while it does not; people and the stage send the
rest. A pair of state and event that the table does not name changes nothing. So in SHELVED, SUPPRESSED and
OUT_OF_SERVICE the condition goes on being judged, silently; on the way back the alarm passes through NORMAL and
is raised again at once if the condition still holds.

Names and meaning of the states are those of ANSI/ISA-18.2 (IEC 62682); the table itself is written from memory
of that standard, with three deliberate choices:

* SUPPRESS (the stage does not concern this alarm) never takes away what nobody has acknowledged: such an alarm
  becomes RETURNED or LATCHED_UNACKNOWLEDGED, and is suppressed after it was acknowledged.
* A latching alarm is let go only by RESET, which needs an acknowledgement before it.
* REMIND turns an acknowledged alarm whose condition stands for long back into an unacknowledged one, where its
  rule asks for that.

`protected` alarms (overfill and its kin) refuse SHELVE and TAKE_OUT before the table is asked (engine.py).
"""

from typing import NamedTuple

from logger.model.alarm import AlarmEvent, State


class Transition(NamedTuple):
    """latching: None for any alarm, True only for latching ones, False only for the others."""

    state: State
    event: AlarmEvent
    latching: bool | None
    to: State


_S, _E = State, AlarmEvent

TABLE: tuple[Transition, ...] = (
    Transition(_S.NORMAL, _E.RAISE, None, _S.UNACKNOWLEDGED),
    Transition(_S.NORMAL, _E.SHELVE, None, _S.SHELVED),
    Transition(_S.NORMAL, _E.SUPPRESS, None, _S.SUPPRESSED),
    Transition(_S.NORMAL, _E.TAKE_OUT, None, _S.OUT_OF_SERVICE),
    Transition(_S.UNACKNOWLEDGED, _E.ACKNOWLEDGE, None, _S.ACKNOWLEDGED),
    Transition(_S.UNACKNOWLEDGED, _E.RETURN, False, _S.RETURNED),
    Transition(_S.UNACKNOWLEDGED, _E.RETURN, True, _S.LATCHED_UNACKNOWLEDGED),
    Transition(_S.UNACKNOWLEDGED, _E.SUPPRESS, False, _S.RETURNED),
    Transition(_S.UNACKNOWLEDGED, _E.SUPPRESS, True, _S.LATCHED_UNACKNOWLEDGED),
    Transition(_S.UNACKNOWLEDGED, _E.SHELVE, None, _S.SHELVED),
    Transition(_S.UNACKNOWLEDGED, _E.TAKE_OUT, None, _S.OUT_OF_SERVICE),
    Transition(_S.ACKNOWLEDGED, _E.RETURN, False, _S.NORMAL),
    Transition(_S.ACKNOWLEDGED, _E.RETURN, True, _S.LATCHED_ACKNOWLEDGED),
    Transition(_S.ACKNOWLEDGED, _E.REMIND, None, _S.UNACKNOWLEDGED),
    Transition(_S.ACKNOWLEDGED, _E.SHELVE, None, _S.SHELVED),
    Transition(_S.ACKNOWLEDGED, _E.SUPPRESS, None, _S.SUPPRESSED),
    Transition(_S.ACKNOWLEDGED, _E.TAKE_OUT, None, _S.OUT_OF_SERVICE),
    Transition(_S.RETURNED, _E.RAISE, None, _S.UNACKNOWLEDGED),
    Transition(_S.RETURNED, _E.ACKNOWLEDGE, None, _S.NORMAL),
    Transition(_S.RETURNED, _E.SHELVE, None, _S.SHELVED),
    Transition(_S.RETURNED, _E.TAKE_OUT, None, _S.OUT_OF_SERVICE),
    Transition(_S.LATCHED_UNACKNOWLEDGED, _E.RAISE, None, _S.UNACKNOWLEDGED),
    Transition(_S.LATCHED_UNACKNOWLEDGED, _E.ACKNOWLEDGE, None, _S.LATCHED_ACKNOWLEDGED),
    Transition(_S.LATCHED_UNACKNOWLEDGED, _E.SHELVE, None, _S.SHELVED),
    Transition(_S.LATCHED_UNACKNOWLEDGED, _E.TAKE_OUT, None, _S.OUT_OF_SERVICE),
    Transition(_S.LATCHED_ACKNOWLEDGED, _E.RAISE, None, _S.UNACKNOWLEDGED),
    Transition(_S.LATCHED_ACKNOWLEDGED, _E.RESET, None, _S.NORMAL),
    Transition(_S.LATCHED_ACKNOWLEDGED, _E.SHELVE, None, _S.SHELVED),
    Transition(_S.LATCHED_ACKNOWLEDGED, _E.SUPPRESS, None, _S.SUPPRESSED),
    Transition(_S.LATCHED_ACKNOWLEDGED, _E.TAKE_OUT, None, _S.OUT_OF_SERVICE),
    Transition(_S.SHELVED, _E.UNSHELVE, None, _S.NORMAL),
    Transition(_S.SHELVED, _E.TAKE_OUT, None, _S.OUT_OF_SERVICE),
    Transition(_S.SUPPRESSED, _E.RESUME, None, _S.NORMAL),
    Transition(_S.SUPPRESSED, _E.TAKE_OUT, None, _S.OUT_OF_SERVICE),
    Transition(_S.OUT_OF_SERVICE, _E.PUT_BACK, None, _S.NORMAL),
)

AUDIBLE = frozenset({State.UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED})
"""States that sound until someone acknowledges."""

UNSEEN = frozenset({State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED})
"""States that nobody has acknowledged."""

STANDING = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})
"""States in which the condition holds."""

_NEXT: dict[tuple[State, AlarmEvent, bool], State] = {
    (row.state, row.event, latching): row.to
    for row in TABLE
    for latching in (False, True)
    if row.latching is None or row.latching is latching
}


def next_state(state: State, event: AlarmEvent, latching: bool) -> State | None:
    """The state after `event`, or None where the table has no such row (nothing changes)."""
    return _NEXT.get((state, event, latching))
