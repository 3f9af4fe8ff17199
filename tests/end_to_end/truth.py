"""What a simulated device really sent: the same scenario and seed again, in memory and over a perfect line."""

from firmware_protocol.framing import Frame, FrameDecoder, encode_frame
from firmware_protocol.messages import Samples, decode_payload, encode_message
from firmware_protocol.requests import Start
from sim_device.rig import Rig

STEP_S = 1.0


def frames_made(scenario: str, seed: int, device: str, first_tick: int, count: int) -> list[bytes]:
    """The first `count` samples frames of a device that was started a millisecond before `first_tick`.

    The plant follows its own time line, so that it depends on nothing but scenario and seed.
    """
    rig = Rig(scenario, seed, only=(device,))
    now_s = (first_tick - 1) / 1000
    data = rig.step(device, encode_frame(encode_message(Start(1))), now_s)
    decoder, made = FrameDecoder(), list[bytes]()
    while len(made) < count:
        for block in decoder.feed(data):
            assert isinstance(block, Frame)
            if isinstance(decode_payload(block.payload), Samples):
                made.append(block.raw)
        now_s += STEP_S
        data = rig.step(device, b"", now_s)
    return made[:count]
