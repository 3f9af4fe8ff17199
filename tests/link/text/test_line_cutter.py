"""Bytes to lines: whole ones only, whatever the cut, and never more than the bounds."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decode.safe_pattern import MAX_LINE
from logger.link.text.line_cutter import MAX_LINES_PER_S, BadLine, Line, LineCutter
from logger.model.units import NS_PER_S


def lines(cutter: LineCutter, *pieces: bytes, at_ns: int = 0, step_ns: int = 1000) -> list[Line | BadLine]:
    out: list[Line | BadLine] = []
    for piece in pieces:
        at_ns += step_ns
        out += cutter.feed(piece, at_ns)
    return out


@settings(max_examples=200, deadline=None)
@given(
    sent=st.lists(st.binary(max_size=40).map(lambda raw: raw.translate(None, b"\r\n")), min_size=1, max_size=20),
    end=st.sampled_from([b"\r\n", b"\n", b"\r", b"\n\r"]),
    cuts=st.lists(st.integers(1, 30), min_size=1, max_size=10),
)
def test_any_cut_gives_the_same_lines(sent: list[bytes], end: bytes, cuts: list[int]) -> None:
    stream = end.join(sent) + end
    pieces, at, i = [], 0, 0
    while at < len(stream):
        pieces.append(stream[at : at + cuts[i % len(cuts)]])
        at, i = at + cuts[i % len(cuts)], i + 1
    assert lines(LineCutter(skip_first=False), *pieces) == [Line(raw) for raw in sent if raw.strip()]
    assert lines(LineCutter(), *pieces) == [Line(raw) for raw in sent[1:] if raw.strip()]


def test_the_first_half_line_is_no_line() -> None:
    # "127.46" joined in the middle must not be read as 7.46
    assert lines(LineCutter(), b"7.46 kg\r\n127.44 kg\r\n") == [Line(b"127.44 kg")]


def test_an_end_of_its_own() -> None:
    cutter = LineCutter(b"\x03", skip_first=False)
    assert lines(cutter, b"\x02 12.5\r\n\x03\x02 12.6", b"\x03") == [Line(b"\x02 12.5\r\n"), Line(b"\x02 12.6")]
    cutter = LineCutter(b"\r\n", skip_first=False)
    longest = b"1" * MAX_LINE
    assert lines(cutter, longest + b"\r", b"\n") == [Line(longest)]


def test_pieces_of_a_cut_cable_do_not_become_a_number() -> None:
    cutter = LineCutter(skip_first=False)
    assert cutter.feed(b"12.5 kg\r\n127.", 0) == [Line(b"12.5 kg")]
    # the cable was off for two seconds; "127." and "3 kg" are of two different lines
    assert cutter.feed(b"3 kg\r\n12.3 kg\r\n", 2 * NS_PER_S) == [
        BadLine(b"127.", "the line broke off"),
        Line(b"12.3 kg"),
    ]


def test_a_line_that_is_too_long_is_told_and_skipped() -> None:
    cutter = LineCutter(skip_first=False)
    told = lines(cutter, b"x" * 300, b"y" * 300 + b"\r\n" + b"ok\r\n", b"z" * (MAX_LINE + 1) + b"\n")
    assert [type(each) for each in told] == [BadLine, Line, BadLine]
    assert told[1] == Line(b"ok")
    assert all(len(each.raw) <= MAX_LINE for each in told)


def test_noise_without_an_end_takes_no_memory_and_is_told_once() -> None:
    cutter = LineCutter(skip_first=False)
    told = lines(cutter, *[b"\xff" * 1000] * 1000)
    assert len(told) == 1 and len(cutter._buffer) <= MAX_LINE + 1


def test_more_lines_than_any_instrument_sends_are_dropped_and_told_once_a_minute() -> None:
    cutter = LineCutter(skip_first=False)
    kept = dropped = tellings = 0
    for tenth in range(1200):  # two minutes of 1000 lines a second
        at_ns = tenth * NS_PER_S // 10
        kept += len(cutter.feed(b"1.0 kg\n" * 100, at_ns))
        if told := cutter.dropped(at_ns):
            dropped, tellings = dropped + told, tellings + 1
    assert kept == pytest.approx(120 * MAX_LINES_PER_S, rel=0.05)
    assert tellings == 2 and dropped > 50_000
