"""What the alarms remember and what they report: plain data. After a restart: restore.py."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from logger.alarms.errors import AlarmError
from logger.alarms.rules import PRIORITY_ORDER, History, Priority
from logger.alarms.states import AUDIBLE, STANDING, UNSEEN, Event, State
from logger.model.points import Quantity


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
class AlarmChange:
    """One change of one alarm, as stored (event type ALARM) and told.

    value, limit in `unit` (SI, UCUM); value None with `problem`. cause: plain words why it changed. operator and
    reason: of the person, "" when nobody acted. message: what to do. first_out: it began the outbreak.
    """

    t_ns: int
    key: str
    label: str
    priority: Priority
    event: Event
    from_state: State
    to_state: State
    value: float | None
    problem: str | None
    limit: float | None
    unit: str
    quantity: Quantity
    cause: str
    operator: str = ""
    reason: str = ""
    message: str = ""
    first_out: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types; enums as their words. The "type" key of the event is the caller's to add."""
        return {name: (str(v) if isinstance(v, str) else v) for name, v in asdict(self).items()}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> "AlarmChange":
        """From a stored event; other keys are ignored. Raises AlarmError."""
        try:
            known = {name: data[name] for name in cls.__dataclass_fields__}
            return cls(
                **{
                    **known,
                    "priority": Priority(known["priority"]),
                    "event": Event(known["event"]),
                    "from_state": State(known["from_state"]),
                    "to_state": State(known["to_state"]),
                    "quantity": Quantity(known["quantity"]),
                }
            )
        except (KeyError, ValueError) as exc:
            raise AlarmError(f"not an alarm event: {exc!r}") from exc


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """One line of the present alarm list. value: the present one where inputs were given, else as at the raise."""

    key: str
    label: str
    priority: Priority
    state: State
    since_ns: int
    raised_ns: int | None
    value: float | None
    problem: str | None
    limit: float | None
    unit: str
    quantity: Quantity
    message: str
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
