"""The layouts of a device's samples: the one in force, and those that frames sent again may still need."""

from typing import Final

from firmware_protocol.errors import LayoutMismatchError
from firmware_protocol.layout import Layout, layout_id_of
from firmware_protocol.messages import Hello

KNOWN_LAYOUTS: Final = 8
_EMPTY: Final = Layout(())  # of a device that has outputs only


class Layouts:
    """Made of the device's descriptions. A layout id is a checksum of those, so one that was proven stays right.

    current: the layout in force, None until all of its descriptions are here.
    """

    __slots__ = ("_hello", "_known", "_payloads", "current")

    def __init__(self) -> None:
        self.current: Layout | None = None
        self._hello: Hello | None = None
        self._payloads: dict[int, bytes] = {}
        self._known: dict[int, Layout] = {}  # the newest last

    def __len__(self) -> int:
        """How many are known."""
        return len(self._known)

    def greeted(self, hello: Hello) -> None:
        """The device says how many channels it has, and the id of their layout."""
        if self._hello is None or self._hello.layout_id != hello.layout_id:
            self._payloads.clear()
        self._hello = hello
        self.current = self._known.get(hello.layout_id)
        if self.current is None and hello.channels == 0 and hello.layout_id == _EMPTY.layout_id:
            self.current = _EMPTY
        if self.current is not None:
            self._remember(self.current)

    def described(self, index: int, payload: bytes) -> None:
        """One channel's description; the last of them brings the layout into force.

        Raises a ProtocolError when they make no layout, or another one than the device's hello names.
        """
        hello = self._hello
        if hello is None or index >= hello.channels:
            return
        self._payloads[index] = payload
        if len(self._payloads) < hello.channels:
            return
        payloads = [self._payloads[i] for i in range(hello.channels)]
        self._payloads.clear()
        layout_id = layout_id_of(payloads)
        if layout_id != hello.layout_id:
            raise LayoutMismatchError(hello.layout_id, layout_id)
        if self.current is None:
            self.current = Layout.from_payloads(payloads)
            self._remember(self.current)

    def find(self, layout_id: int) -> Layout | None:
        """The layout of that id, if it was ever described."""
        return self._known.get(layout_id)

    def _remember(self, layout: Layout) -> None:
        self._known.pop(layout.layout_id, None)
        self._known[layout.layout_id] = layout
        if len(self._known) > KNOWN_LAYOUTS:
            del self._known[next(iter(self._known))]
