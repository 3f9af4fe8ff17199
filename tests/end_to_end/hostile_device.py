"""`python -m sim_device`, but every text that the devices send is an attack on whoever shows or stores it."""

import sys
from collections.abc import Sequence

from firmware_protocol import cbor
from firmware_protocol.codes import MessageType
from firmware_protocol.framing import encode_frame
from firmware_protocol.layout import Layout, layout_id_of
from firmware_protocol.messages import Describe, DeviceMessage, encode_message
from sim_device import device
from sim_device.__main__ import main

CLEAR, TITLE, BELL, OVERRIDE = "\x1b[2J", "\x1b]0;owned\x07", "\x07", "\u202e"
FORMULA = "=cmd|' /C calc'!A0"
PATH = "../../../../tmp/owned\r\n"
# of each kind of message: key -> text (firmware_protocol/messages.py)
TEXTS = {
    MessageType.HELLO: {3: CLEAR + TITLE + OVERRIDE, 4: FORMULA, 12: PATH},
    MessageType.DESCRIBE: {13: f"{CLEAR}{FORMULA}"},
}


def hostile(message: DeviceMessage) -> bytes:
    """Its payload as a firmware would make it that cares for no rule."""
    payload = encode_message(message)
    texts = TEXTS.get(MessageType(payload[0]))
    if texts is None:
        return payload
    body = cbor.loads(payload[2:])
    assert isinstance(body, dict)
    return payload[:2] + cbor.dumps({**body, **texts})


class HostileLayout(Layout):
    """With the id that follows from its hostile descriptions, or no host would read its samples."""

    def __init__(self, channels: Sequence[Describe], layout_id: int | None = None) -> None:
        super().__init__(channels, layout_id_of([hostile(channel) for channel in channels]))


if __name__ == "__main__":
    setattr(device, "Layout", HostileLayout)  # noqa: B010
    setattr(device.Device, "_frame", staticmethod(lambda message: encode_frame(hostile(message))))  # noqa: B010
    sys.exit(main())
