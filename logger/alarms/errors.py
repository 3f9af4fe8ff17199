"""What can go wrong in this room.

AlarmError
|-- UnknownAlarm   no alarm has that key
|-- NotAllowed     the act does not fit the alarm or its state; the reason says what would
`-- OverrideError  the user's alarm table is wrong; `problems` lists every fault with its key
"""

from logger.model.errors import Refusal


class AlarmError(Exception):
    """Any failure of the alarms room."""


class UnknownAlarm(Refusal, AlarmError):
    """No alarm has that key."""


class NotAllowed(Refusal, AlarmError):
    """The act is refused; nothing changed."""


class OverrideError(AlarmError):
    """The alarm table of a rig or job file is wrong. `problems`: one line each, beginning with the key."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("; ".join(problems))
        self.problems = problems
