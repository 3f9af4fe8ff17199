"""Decoding and encoding of samples frames against what a line of 115 200 baud can carry."""

import random
import time
from collections.abc import Callable

from firmware_protocol.framing import Frame, FrameDecoder, encode_frame
from firmware_protocol.layout import Layout
from firmware_protocol.messages import Samples, decode_payload, encode_message
from tests.benchmarks.rig16 import board

Row = tuple[str, str, str, bool]
LINE_BYTES_S = 115_200 / 10  # a start and a stop bit each
FRAMES = 5000
ROUNDS = 7
CUT = 4096
TARGET = 500.0


def run() -> list[Row]:
    """Rows of name, value, target, whether it was met."""
    layout = Layout([c.describe(i) for i, c in enumerate(board().channels)])
    messages, stream = _frames(layout)
    line = LINE_BYTES_S / (len(stream) / FRAMES)
    rows = []
    for name, action, target in (
        ("codec: frames and messages decoded", lambda: _decode(stream), TARGET),
        ("codec: and unpacked into 16 readings", lambda: _unpack(stream, layout), 0.0),
        ("codec: frames made from messages", lambda: [encode_frame(encode_message(m)) for m in messages], 0.0),
    ):
        frames_s = FRAMES / _best(action)
        times = frames_s / line
        value = f"{frames_s:,.0f} frames/s of {len(stream) / FRAMES:.0f} bytes = {times:.0f} x the line"
        rows.append((name, value, f">= {target:.0f} x" if target else "none set", times >= target))
    return rows


def _frames(layout: Layout) -> tuple[list[Samples], bytes]:
    chance = random.Random(1)
    level = [chance.randrange(0, 4_000_000) for _ in layout.channels]
    messages = []
    for k in range(FRAMES):
        level = [min(8_000_000, max(0, n + chance.randrange(-3, 4))) for n in level]
        messages.append(layout.pack(dict(enumerate(level)), k, k * 100))
    return messages, b"".join(encode_frame(encode_message(m)) for m in messages)


def _decode(stream: bytes) -> int:
    decoder, count = FrameDecoder(), 0
    for at in range(0, len(stream), CUT):
        for block in decoder.feed(stream[at : at + CUT]):
            assert isinstance(block, Frame)
            decode_payload(block.payload)
            count += 1
    assert count == FRAMES
    return count


def _unpack(stream: bytes, layout: Layout) -> int:
    decoder, count = FrameDecoder(), 0
    for at in range(0, len(stream), CUT):
        for block in decoder.feed(stream[at : at + CUT]):
            assert isinstance(block, Frame)
            message = decode_payload(block.payload)
            assert isinstance(message, Samples)
            count += len(list(layout.unpack(message)))
    return count


def _best(action: Callable[[], object]) -> float:
    """Seconds, the best of the rounds: other work on the machine only ever adds."""
    best = float("inf")
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        action()
        best = min(best, time.perf_counter() - begun)
    return best
