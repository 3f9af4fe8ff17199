"""The alarms' memory rebuilt from the stored changes, after a restart.

What people must still see or do about an alarm is as it was. Timers start again, because nobody watched meanwhile: at
most an on-delay later, and the alarms of an overfill have none. Neither a shelving nor a suppression outlives a
restart: what still holds is raised again.
"""

from collections import deque
from dataclasses import replace

from logger.alarms.alarm_engine import FLOOD_WINDOW_S, MANY_ALARMS, MAX_RAISES
from logger.alarms.memory import AlarmState, KeyState
from logger.alarms.states import STANDING, UNSEEN
from logger.model.alarm import AlarmEvent, Priority, State
from logger.model.events import AlarmChanged
from logger.model.units import NS_PER_S

_FORGOTTEN = frozenset({State.SUPPRESSED, State.SHELVED})
_OF_PEOPLE = frozenset(
    {AlarmEvent.ACKNOWLEDGE, AlarmEvent.RESET, AlarmEvent.TAKE_OUT, AlarmEvent.PUT_BACK, AlarmEvent.RAISE}
)


class Restored:
    """Give it all changes in their order; `state` is the memory after them."""

    def __init__(self) -> None:
        self._keys: dict[str, KeyState] = {}
        self._now_ns = 0
        self._first_out: str | None = None
        self._loud: set[str] = set()  # sounding priorities that nobody has seen: an outbreak lasts while there is one
        self._raised: deque[int] = deque(maxlen=MAX_RAISES)

    @property
    def state(self) -> AlarmState:
        recent = tuple(t for t in self._raised if t > self._now_ns - FLOOD_WINDOW_S * NS_PER_S)
        keys = {k: KeyState(since_ns=s.since_ns) if s.state in _FORGOTTEN else s for k, s in self._keys.items()}
        return AlarmState(self._now_ns, keys, self._first_out, recent)

    def take(self, change: AlarmChanged) -> None:
        self._now_ns = max(self._now_ns, change.t_ns)
        self._keys[change.key] = _after(self._keys.get(change.key, KeyState()), change)
        if change.event is AlarmEvent.RAISE and change.key != MANY_ALARMS:
            self._raised.append(change.t_ns)
        if change.first_out:
            self._first_out = change.key
        if change.to_state in UNSEEN and change.priority is not Priority.LOW:
            self._loud.add(change.key)
        else:
            self._loud.discard(change.key)
        if not self._loud:
            self._first_out = None


def _after(before: KeyState, change: AlarmChanged) -> KeyState:
    if before.state in _FORGOTTEN and change.from_state is not before.state:
        before = KeyState()  # a restart lies between
    after = replace(before, state=change.to_state, since_ns=change.t_ns, condition=change.to_state in STANDING)
    if change.event is AlarmEvent.RAISE:
        after = replace(
            after, raised_ns=change.t_ns, value=change.value, limit=change.limit, problem=change.problem
        )  # fmt: skip
    if change.event in _OF_PEOPLE:
        after = replace(after, operator=change.operator, reason=change.reason)
    return after
