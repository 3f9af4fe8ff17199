"""What the device is asked about itself: one channel after another, then its outputs."""

from firmware_protocol.codes import Capability
from firmware_protocol.messages import Describe, Hello, OutputDescription
from firmware_protocol.requests import RequestDescribe, RequestOutput


class Descriptions:
    """Collects the descriptions that a hello promises, until none is left to ask for."""

    __slots__ = ("_channels", "_hello", "_outputs")

    def __init__(self) -> None:
        self._hello: Hello | None = None
        self._channels: dict[int, tuple[bytes, Describe]] = {}  # the frame, and what is in it
        self._outputs: dict[int, tuple[bytes, OutputDescription]] = {}

    def begin(self, hello: Hello) -> None:
        """Forget a half-finished collection; this hello says how much to ask for."""
        self._hello = hello
        self._channels.clear()
        self._outputs.clear()

    def next_request(self) -> RequestDescribe | RequestOutput | None:
        """The next description to ask for; None when all are here."""
        hello = self._hello
        if hello is None:
            return None
        for index in range(hello.channels):
            if index not in self._channels:
                return RequestDescribe(0, index)
        for index in range(hello.outputs if Capability.OUTPUTS in hello.capabilities else 0):
            if index not in self._outputs:
                return RequestOutput(0, index)
        return None

    def add(self, raw: bytes, message: Describe | OutputDescription) -> None:
        """One of them came."""
        if isinstance(message, Describe):
            self._channels[message.index] = (raw, message)
        else:
            self._outputs[message.index] = (raw, message)

    @property
    def frames(self) -> list[tuple[bytes, Describe | OutputDescription]]:
        """The collection, channels first, in order."""
        return [
            *(self._channels[i] for i in sorted(self._channels)),
            *(self._outputs[i] for i in sorted(self._outputs)),
        ]

    @property
    def outputs(self) -> tuple[OutputDescription, ...]:
        return tuple(self._outputs[i][1] for i in sorted(self._outputs))
