"""What can go wrong in this room.

AlarmError
|-- UnknownAlarm   no alarm has that key
|-- NotAllowed     the act does not fit the alarm or its state; the reason says what would
`-- OverrideError  the user's alarm table is wrong; `problems` lists every fault with its key
"""

from logger.model.value import Statement


class AlarmError(Exception):
    """Any failure of the alarms room."""


class Refusal(AlarmError):
    """why: every reason. about: the alarm meant, as in its rule. Their words: logger/stages/words.py."""

    def __init__(self, *why: Statement, about: Statement | None = None) -> None:
        super().__init__(", ".join(one.key for one in why))
        self.why, self.about = why, about


class UnknownAlarm(Refusal):
    """No alarm has that key."""


class NotAllowed(Refusal):
    """The act is refused; nothing changed."""


class OverrideError(AlarmError):
    """The alarm table of a rig or job file is wrong. `problems`: one line each, beginning with the key."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("; ".join(problems))
        self.problems = problems
