"""What the alarms remember and what they report: plain data. After a restart: restore.py."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from logger.alarms.rules import PRIORITY_ORDER, History
from logger.alarms.states import AUDIBLE, STANDING, UNSEEN
from logger.model.alarm import Priority, State
from logger.model.points import Quantity
from logger.model.value import Statement


@dataclass(frozen=True, slots=True)
class KeyState:
    """One alarm's memory.

    since_ns: when `state` was entered. condition: in alarm after delays. pending_ns: since when the input says the
    opposite of `condition`, None when it does not. raised_ns, value, limit, problem: as at the last raise.
    operator, reason: of the last act of a person. shelved_until_ns: end of the shelving. history: for RATE rules.
    """

    state: State = State.NORMAL
    since_ns: int = 0
    condition: bool = False
    pending_ns: int | None = None
    raised_ns: int | None = None
    value: float | None = None
    limit: float | None = None
    problem: str | None = None
    operator: str = ""
    reason: str = ""
    shelved_until_ns: int | None = None
    history: History = ()


@dataclass(frozen=True, slots=True)
class AlarmState:
    """All alarms' memory. now_ns: the latest time seen; time never runs backwards here.

    first_out: the alarm that began the present outbreak, None when nothing stands or waits. recent_ns: when alarms
    were raised within the flood window.
    """

    now_ns: int = 0
    keys: Mapping[str, KeyState] = field(default_factory=dict)
    first_out: str | None = None
    recent_ns: tuple[int, ...] = ()

    def of(self, key: str) -> KeyState:
        return self.keys.get(key, _FRESH)


_FRESH = KeyState()


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """One line of the present alarm list. value: the present one where inputs were given, else as at the raise.

    about: what its words are made from (words.py).
    """

    key: str
    about: Statement
    priority: Priority
    state: State
    since_ns: int
    raised_ns: int | None
    value: float | None
    problem: str | None
    limit: float | None
    unit: str
    quantity: Quantity
    first_out: bool = False
    protected: bool = False
    shelved_until_ns: int | None = None
    operator: str = ""
    reason: str = ""

    @property
    def audible(self) -> bool:
        """It sounds until acknowledged. LOW alarms never do."""
        return self.state in AUDIBLE and self.priority is not Priority.LOW

    @property
    def unseen(self) -> bool:
        return self.state in UNSEEN

    @property
    def standing(self) -> bool:
        """The condition holds now."""
        return self.state in STANDING

    @property
    def rank(self) -> tuple[bool, int, bool, int, str]:
        """Sort order: unseen before seen, by priority, first-out first, oldest first."""
        return (not self.unseen, PRIORITY_ORDER[self.priority], not self.first_out, self.raised_ns or 0, self.key)
