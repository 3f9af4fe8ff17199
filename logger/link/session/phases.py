"""The phases of a conversation with a device, as one table.

    CLOSED --OPENED--> GREETING --HELLO--> DESCRIBING --DESCRIBED--> STARTING --STARTED--> STREAMING
                          ^                    |                        |  ^                  |  |
                          |                    |                        |  +-----STOPPED------+  |
                          +--------------------+---STALE, SILENCE-------+------------------------+

    any of the talking phases --WRONG_DEVICE--> REFUSED      --NO_ANSWER--> DEAD      any --CLOSED--> CLOSED

Theory of operation. Whenever no request is outstanding, the phase says what to ask next: GREETING asks for hello,
DESCRIBING for one channel or output after another, STARTING for the status and then to start, STREAMING carries
requests of the user, time marks and requests for missing frames. Replies, and their absence, are the signals below. A
request of the handshake that got no answer is simply asked again, for as long as the line shows life. What is not in
the table changes nothing.

STALE: boot count or layout id is not the one that was greeted, so everything is asked again. The device goes on
streaming meanwhile. REFUSED and DEAD end the connection; whoever owns it closes it and perhaps opens another.
"""

from enum import Enum, auto
from typing import Final


class Phase(Enum):
    CLOSED = auto()  # no connection
    GREETING = auto()
    DESCRIBING = auto()
    STARTING = auto()
    STREAMING = auto()
    REFUSED = auto()  # what answers is not for us
    DEAD = auto()  # nothing answers


class Signal(Enum):
    OPENED = auto()
    HELLO = auto()
    DESCRIBED = auto()
    STARTED = auto()
    STOPPED = auto()  # the device is idle though it was started
    STALE = auto()
    SILENCE = auto()
    WRONG_DEVICE = auto()  # or another major version
    NO_ANSWER = auto()
    CLOSED = auto()


TALKING: Final = (Phase.GREETING, Phase.DESCRIBING, Phase.STARTING, Phase.STREAMING)
OVER: Final = (Phase.REFUSED, Phase.DEAD)

TABLE: Final[dict[tuple[Phase, Signal], Phase]] = {
    (Phase.CLOSED, Signal.OPENED): Phase.GREETING,
    (Phase.GREETING, Signal.HELLO): Phase.DESCRIBING,
    (Phase.DESCRIBING, Signal.DESCRIBED): Phase.STARTING,
    (Phase.STARTING, Signal.STARTED): Phase.STREAMING,
    (Phase.STREAMING, Signal.STOPPED): Phase.STARTING,
    (Phase.DESCRIBING, Signal.STALE): Phase.GREETING,
    (Phase.STARTING, Signal.STALE): Phase.GREETING,
    (Phase.STREAMING, Signal.STALE): Phase.GREETING,
    (Phase.STREAMING, Signal.SILENCE): Phase.GREETING,
    **{(phase, Signal.WRONG_DEVICE): Phase.REFUSED for phase in TALKING},
    **{(phase, Signal.NO_ANSWER): Phase.DEAD for phase in TALKING},
    **{(phase, Signal.CLOSED): Phase.CLOSED for phase in Phase},
}
