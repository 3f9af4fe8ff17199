"""The device's channels: asked for one by one, proven by the layout id, remembered for frames that come late."""

from collections import deque
from typing import Final

from firmware_protocol.codes import Capability
from firmware_protocol.errors import LayoutMismatchError
from firmware_protocol.layout import Layout
from firmware_protocol.messages import Hello, OutputDescription
from firmware_protocol.requests import RequestDescribe, RequestOutput

KNOWN_LAYOUTS: Final = 8  # frames resent from before a change still need the older ones


class Descriptions:
    """Collects the descriptions a hello promises. `layout`: the one in force, None before the first is complete."""

    __slots__ = ("_channels", "_hello", "_known", "_outputs", "_unresolved", "layout")

    def __init__(self) -> None:
        self.layout: Layout | None = None
        self._hello: Hello | None = None
        self._channels: dict[int, tuple[bytes, bytes]] = {}  # payload, raw frame
        self._outputs: dict[int, tuple[OutputDescription, bytes]] = {}
        self._known: dict[int, Layout] = {}
        self._unresolved: deque[int] = deque(maxlen=KNOWN_LAYOUTS)

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

    def add_channel(self, index: int, payload: bytes, raw: bytes) -> None:
        self._channels[index] = (payload, raw)

    def add_output(self, output: OutputDescription, raw: bytes) -> None:
        self._outputs[output.index] = (output, raw)

    def finish(self) -> Layout:
        """The layout of what was collected, now in force. Raises a ProtocolError when it is not that of the hello."""
        assert self._hello is not None
        layout = Layout.from_payloads([self._channels[i][0] for i in range(self._hello.channels)])
        if layout.layout_id != self._hello.layout_id:
            raise LayoutMismatchError(self._hello.layout_id, layout.layout_id)
        self._known.pop(layout.layout_id, None)
        self._known[layout.layout_id] = layout
        if len(self._known) > KNOWN_LAYOUTS:
            del self._known[next(iter(self._known))]
        self.layout = layout
        return layout

    @property
    def raws(self) -> tuple[bytes, ...]:
        """The frames of the collection, channels first, in order."""
        frames = [self._channels[i][1] for i in sorted(self._channels)]
        return tuple(frames + [self._outputs[i][1] for i in sorted(self._outputs)])

    @property
    def outputs(self) -> tuple[OutputDescription, ...]:
        return tuple(self._outputs[i][0] for i in sorted(self._outputs))

    def find(self, layout_id: int) -> Layout | None:
        """The layout of that id, if it was ever described."""
        return self._known.get(layout_id)

    def unresolved(self, layout_id: int) -> None:
        """Describing anew did not explain this id: do not ask again for its sake."""
        if layout_id not in self._unresolved:
            self._unresolved.append(layout_id)

    def is_news(self, layout_id: int) -> bool:
        """An id never described, for which asking again may help."""
        return layout_id not in self._known and layout_id not in self._unresolved

    def forget(self) -> None:
        """The device started anew: nothing known of it holds."""
        self.layout = None
        self._known.clear()
        self._unresolved.clear()
