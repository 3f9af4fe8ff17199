"""What of the alarm list is news, as messages: each alarm once, urgent ones again while nobody answers, many at once
as one, and the end of what was sent. Given rows and a time; does nothing itself."""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from logger.alarms.alarm_engine import MANY_ALARMS
from logger.alarms.memory import AlarmRow
from logger.annunciate.message import Message
from logger.model.alarm import Priority, State
from logger.wording.book import AlarmText

log = logging.getLogger(__name__)

MANY = 5
"""More new alarms than this at once go into one message."""

_OVER = (State.RETURNED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED)


@dataclass(slots=True)
class _Sent:
    """What was sent of one alarm. over: its end was sent too."""

    raised_ns: int | None
    label: str
    at_s: float
    times: int
    over: bool


class News:
    """words: of a row, in the user's units. repeat_s: before an unanswered urgent alarm is sent again."""

    def __init__(self, words: Callable[[AlarmRow], AlarmText], repeat_s: float) -> None:
        self._words, self._repeat_s = words, repeat_s
        self._sent: dict[str, _Sent] = {}

    def of(self, rows: Sequence[AlarmRow], now_s: float) -> list[Message]:
        """Messages for what was not sent yet. LOW alarms are never sent. While MANY ALARMS AT ONCE holds only it and
        urgent alarms are."""
        listed = {row.key: row for row in rows if row.priority is not Priority.LOW}
        many = MANY_ALARMS in listed and listed[MANY_ALARMS].standing
        fresh = [row for row in listed.values() if row.unseen and self._is_news(row, now_s)]
        if many:
            fresh = [row for row in fresh if row.key == MANY_ALARMS or row.priority is Priority.URGENT]
        ended = [sent for key, sent in self._sent.items() if key not in listed or listed[key].state in _OVER]
        messages = [self._many(fresh)] if len(fresh) > MANY else [self._one(row) for row in fresh]
        over = [sent.label for sent in ended if not sent.over]
        if over and not many:
            messages.append(Message("Back to normal", f"{', '.join(over)}."))
        for sent in ended:
            sent.over = True
        for row in fresh:
            self._sent[row.key] = _Sent(
                row.raised_ns, self._text(row).label, now_s, self._times(row) + 1, not row.standing
            )
        self._sent = {key: sent for key, sent in self._sent.items() if key in listed}
        return messages

    def _times(self, row: AlarmRow) -> int:
        """How often this raise was sent."""
        sent = self._sent.get(row.key)
        return sent.times if sent is not None and sent.raised_ns == row.raised_ns else 0

    def _is_news(self, row: AlarmRow, now_s: float) -> bool:
        if self._times(row) == 0:
            return True
        return row.audible and row.priority is Priority.URGENT and now_s - self._sent[row.key].at_s >= self._repeat_s

    def _one(self, row: AlarmRow) -> Message:
        urgent = row.priority is Priority.URGENT
        text, times = self._text(row), self._times(row)
        again = f" (alert {times + 1})" if times else ""
        return Message(f"{'URGENT' if urgent else 'Alarm'}: {text.label}{again}", text.line, urgent)

    def _many(self, rows: Sequence[AlarmRow]) -> Message:
        first = next((row for row in rows if row.first_out), rows[0])
        names = ", ".join(self._text(row).label for row in rows if row is not first)
        urgent = any(row.priority is Priority.URGENT for row in rows)
        return Message(f"{len(rows)} alarms", f"First: {self._text(first).line} Also: {names}.", urgent)

    def _text(self, row: AlarmRow) -> AlarmText:
        """Its words; its key where they cannot be made: an alarm goes out whatever else fails."""
        try:
            return self._words(row)
        except Exception:
            log.exception("the words of alarm %s cannot be made", row.key)
            return AlarmText(row.key)
