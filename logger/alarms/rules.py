"""One alarm rule, and what one look at the inputs says about it.

A rule answers IN_ALARM, NORMAL, BETWEEN (inside the deadband: keeps what it was) or CANNOT_TELL. Delays and memory
are the engine's. Setting and clearing follow BACnet's OUT_OF_RANGE (ASHRAE 135): back to normal only past the limit
minus the deadband; here a value *at* the limit is already in alarm.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, StrEnum, auto

from logger.model.alarm import Priority
from logger.model.points import SI_UNIT, Quantity
from logger.model.units import NS_PER_S
from logger.model.value import DEVICE_LOST, DOES_NOT_APPLY, Statement, Value, code_of

PRIORITY_ORDER: dict[Priority, int] = {Priority.URGENT: 0, Priority.HIGH: 1, Priority.LOW: 2}


class Kind(StrEnum):
    """How a rule judges its source."""

    HIGH = "high"  # at or above the limit
    LOW = "low"  # at or below the limit
    RATE = "rate"  # changes by the limit per second or faster (negative limit: falls so fast)
    PREDICTION = "prediction"  # seconds until something are at or below the limit; no prediction is no alarm
    DISAGREE = "disagree"  # two sources apart by the limit or more
    UNKNOWN = "unknown"  # a quantity that must be known is not
    NO_DATA = "no-data"  # a point gives nothing, and neither a sensor fault nor a lost device explains it
    FAULT = "fault"  # a point's sensor reports a fault
    TROUBLE = "trouble"  # a device, the store, the clock ...: unknown input = trouble, its problem says which


class Condition(Enum):
    """Of what a rule watches. BETWEEN: within the deadband."""

    IN_ALARM = auto()
    NORMAL = auto()
    BETWEEN = auto()
    CANNOT_TELL = auto()


SENSOR_FAULTS = frozenset({"open-circuit", "short-circuit", "open-or-short"})
OUT_OF_RANGE = frozenset({"over-range", "under-range"})
"""Codes of the reason why there is no reading (logger/model/value.py)."""


UNNAMED = Statement("")


@dataclass(frozen=True, slots=True)
class AlarmRule:
    """One alarm. All numbers SI; differences and rates in the unit of `quantity`.

    source: measuring point, live quantity or health input (defaults.py); `other` is subtracted from it first.
    limit: None means it cannot be judged yet ("service pressure unknown"): never in alarm, never cleared.
    guard_k: this many standard uncertainties count against the user before the limit is compared.
    stages: the stages it concerns, None inside stands for "between stages"; None: always.
    protected: never shelved, out of service, switched off or loosened. remind_s: acknowledged and still in alarm
    after this long, it sounds again. window_s: over which RATE is taken. faults: codes of reasons that count for FAULT.
    about: which words say it, and of what (words.py); the rule's own key where that is enough. basis: where the
    default limit comes from.
    """

    key: str
    priority: Priority
    kind: Kind
    source: str
    quantity: Quantity = Quantity.RATIO
    limit: float | None = None
    deadband: float = 0.0
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    latched: bool = False
    stages: frozenset[str | None] | None = None
    protected: bool = False
    other: str | None = None
    guard_k: float = 0.0
    remind_s: float | None = None
    window_s: float = 60.0
    faults: frozenset[str] = SENSOR_FAULTS | OUT_OF_RANGE
    about: Statement = UNNAMED
    basis: str = ""

    def __post_init__(self) -> None:
        if self.about is UNNAMED:
            object.__setattr__(self, "about", Statement(self.key))
        numbers = (self.deadband, self.on_delay_s, self.off_delay_s, self.guard_k, self.remind_s or 0.0)
        if not all(math.isfinite(n) and n >= 0 for n in numbers):
            raise ValueError(f"alarm {self.key}: deadband, delays and guard are finite and not negative")
        if self.limit is not None and not math.isfinite(self.limit):
            raise ValueError(f"alarm {self.key}: the limit is finite, not {self.limit}")
        if self.kind is Kind.DISAGREE and self.other is None:
            raise ValueError(f"alarm {self.key}: two sources can only disagree when there are two")
        if self.kind is Kind.RATE and not (self.window_s > 0 and math.isfinite(self.window_s)):
            raise ValueError(f"alarm {self.key}: a rate needs a window")

    @property
    def has_limit(self) -> bool:
        """Whether this kind compares with a limit at all."""
        return self.kind in LIMIT_KINDS

    @property
    def sources(self) -> tuple[str, ...]:
        """What it compares."""
        return (self.source,) if self.other is None else (self.source, self.other)

    @property
    def unit(self) -> str:
        """SI unit of limit and value, UCUM."""
        return SI_UNIT[self.quantity]

    def concerns(self, stage: str | None) -> bool:
        return self.stages is None or stage in self.stages


LIMIT_KINDS = frozenset({Kind.HIGH, Kind.LOW, Kind.RATE, Kind.PREDICTION, Kind.DISAGREE})

History = tuple[tuple[int, float], ...]
"""(UTC ns, number) of a source, oldest first; kept by the engine for RATE rules."""

_HISTORY_POINTS = 16


@dataclass(frozen=True, slots=True)
class Judgment:
    """Of one rule at one moment. number: what was compared, SI, or None and `problem`."""

    condition: Condition
    number: float | None = None
    problem: str | None = None


def evaluate(rule: AlarmRule, inputs: Mapping[str, Value], history: History = ()) -> Judgment:
    """Judge `rule` on the present inputs. An input that is missing counts as unknown ("not measured")."""
    value = inputs.get(rule.source)
    number = value.number if value is not None else None
    if rule.kind not in LIMIT_KINDS:
        return _evaluate_trouble(rule, number, value.problem if value is not None else "not measured")
    if number is None or value is None:
        return _unknown_judgment(rule, value.problem if value is not None else "not measured")
    if rule.other is not None:
        other = inputs.get(rule.other)
        if other is None or other.number is None:
            return _unknown_judgment(rule, other.problem if other is not None else f"{rule.other} not measured")
        number -= other.number
    if rule.kind is Kind.RATE:
        return _evaluate_rate(rule, history)
    limit = rule.limit
    if limit is None:
        return Judgment(Condition.CANNOT_TELL, number)
    against = rule.guard_k * value.u if value.u else 0.0
    if rule.kind is Kind.HIGH:
        over = number + against - limit
    elif rule.kind is Kind.DISAGREE:
        number = abs(number)
        over = number - limit
    else:
        over = limit - number + against
    return Judgment(_condition(over, rule.deadband), number)


def _condition(over: float, deadband: float) -> Condition:
    """`over`: how far past the limit, towards alarm."""
    if over >= 0:
        return Condition.IN_ALARM
    return Condition.NORMAL if over < -deadband else Condition.BETWEEN


def _unknown_judgment(rule: AlarmRule, problem: str | None) -> Judgment:
    over = rule.kind is Kind.PREDICTION or code_of(problem) == DOES_NOT_APPLY
    return Judgment(Condition.NORMAL if over else Condition.CANNOT_TELL, None, problem)


def _evaluate_trouble(rule: AlarmRule, number: float | None, problem: str | None) -> Judgment:
    if number is not None:
        return Judgment(Condition.NORMAL, number)
    if rule.kind is Kind.NO_DATA:
        alarm = code_of(problem) not in SENSOR_FAULTS | OUT_OF_RANGE | {DEVICE_LOST}
    elif rule.kind is Kind.FAULT:
        alarm = code_of(problem) in rule.faults
    else:
        alarm = True
    return Judgment(Condition.IN_ALARM if alarm else Condition.NORMAL, None, problem)


def _evaluate_rate(rule: AlarmRule, history: History) -> Judgment:
    rate = slope(history)
    spanned_s = (history[-1][0] - history[0][0]) / NS_PER_S if history else 0.0
    if rate is None or spanned_s < rule.window_s / 2:
        return Judgment(Condition.CANNOT_TELL, None, "not measured for long enough for a rate")
    if rule.limit is None:
        return Judgment(Condition.CANNOT_TELL, rate)
    over = rate - rule.limit if rule.limit >= 0 else rule.limit - rate
    return Judgment(_condition(over, rule.deadband), rate)


def slope(history: History) -> float | None:
    """Least-squares slope in units per second; None with fewer than two instants."""
    if len(history) < 2 or history[-1][0] == history[0][0]:
        return None
    t0 = history[0][0]
    times = [(t - t0) / NS_PER_S for t, _ in history]
    mean_t = sum(times) / len(times)
    mean_y = sum(y for _, y in history) / len(history)
    spread = sum((t - mean_t) ** 2 for t in times)
    return sum((t - mean_t) * (y - mean_y) for t, (_, y) in zip(times, history, strict=True)) / spread


def remember(history: History, now_ns: int, number: float | None, window_s: float) -> History:
    """History with a new reading, thinned to about 16 over the window; readings older than the window go."""
    window_ns = int(window_s * NS_PER_S)
    if history and history[0][0] < now_ns - window_ns:
        history = tuple(entry for entry in history if entry[0] >= now_ns - window_ns)
    if number is None or (history and now_ns - history[-1][0] < window_ns // _HISTORY_POINTS):
        return history
    return (*history, (now_ns, number))
