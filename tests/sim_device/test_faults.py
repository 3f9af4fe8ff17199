"""Faulty lines: what they do, no more, and the same every time."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.framing import BadFrame, FrameDecoder, encode_frame
from sim_device.errors import BadSetting
from sim_device.faults import FaultRates, FaultyLine

DATA = b"".join(encode_frame(bytes([i % 250 + 1]) * 40) for i in range(500))


@settings(max_examples=30, deadline=None)
@given(data=st.binary(max_size=400), cuts=st.integers(1, 50))
def test_a_line_without_faults_changes_nothing(data: bytes, cuts: int) -> None:
    line = FaultyLine(1)
    out = b"".join(line.pass_on(data[i : i + cuts], float(i)) for i in range(0, len(data), cuts))
    assert out == data


@pytest.mark.parametrize("rates", [FaultRates(dropped=0.01), FaultRates(flipped=0.01), FaultRates(inserted=0.01)])
def test_rates_are_met_and_repeat(rates: FaultRates) -> None:
    line, same = FaultyLine(7, rates), FaultyLine(7, rates)
    out = line.pass_on(DATA, 0.0)
    assert out == same.pass_on(DATA, 0.0)
    count = line.bytes_lost + line.bytes_changed + line.bytes_added
    assert count == pytest.approx(0.01 * len(DATA), rel=0.35)
    assert len(out) == len(DATA) - line.bytes_lost + line.bytes_added
    decoder = FrameDecoder()
    good = {DATA[i : i + 46] for i in range(0, len(DATA), 46)}
    blocks = decoder.feed(out)
    assert any(isinstance(b, BadFrame) for b in blocks)
    assert all(b.raw in good for b in blocks if not isinstance(b, BadFrame))  # no wrong frame passes


def test_silence_cut_chatter_and_mending() -> None:
    line = FaultyLine(1)
    line.silence(10.0)
    assert line.pass_on(b"abc", 9.0) == b""
    assert line.pass_on(b"abc", 10.0) == b"abc"
    line.cut_after(4)
    assert line.pass_on(b"abcdef", 11.0) == b"abcd"
    assert line.pass_on(b"ghi", 12.0) == b""
    line.mend()
    assert line.pass_on(b"ghi", 13.0) == b"ghi"
    line.chatter(20.0, bytes_s=1000.0)
    noise = line.pass_on(b"", 13.5)
    assert len(noise) == 500
    assert b"\x00" not in noise
    assert line.pass_on(b"", 21.0) == b""
    line.greet_with_garbage(b"\xff\xff")
    assert line.connected() == b"\xff\xff"


def test_rates_are_shares() -> None:
    with pytest.raises(BadSetting, match="flipped"):
        FaultRates(flipped=1.5)
