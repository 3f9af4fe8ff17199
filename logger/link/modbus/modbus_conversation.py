"""With Modbus transmitters: every exchange is an event, and an answer, if only an exception, is a sign of life."""

from collections.abc import Sequence

from logger.decode.registers import answered
from logger.link.conversation import InstrumentConversation
from logger.link.link_events import LinkEvent


class ModbusConversation(InstrumentConversation):
    """Over a RegisterStream, each of whose reads is one exchange."""

    def bytes_received(self, data: bytes, at_ns: int) -> Sequence[LinkEvent]:
        self._said(at_ns, data, answered(data), self._explained(data))
        return self._take_events()
