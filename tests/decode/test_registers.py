"""Blocks, exchanges and register types, against pymodbus's own conversion."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from logger.decode.registers import (
    MAX_REGISTERS,
    Block,
    blocks,
    exchange,
    read_exchange,
    read_register,
    width,
)
from logger.model.instrument import Register

DATATYPE = ModbusClientMixin.DATATYPE
TYPES = {
    "int16": (DATATYPE.INT16, st.integers(-(1 << 15), (1 << 15) - 1)),
    "uint16": (DATATYPE.UINT16, st.integers(0, (1 << 16) - 1)),
    "int32": (DATATYPE.INT32, st.integers(-(1 << 31), (1 << 31) - 1)),
    "uint32": (DATATYPE.UINT32, st.integers(0, (1 << 32) - 1)),
    "float32": (DATATYPE.FLOAT32, st.floats(-1e8, 1e8, width=32)),
}


def register(address: int = 0, kind: str = "uint16", **more: object) -> Register:
    return Register(1, "input", address, kind, **more)  # type: ignore[arg-type]


def answer(*words: int) -> bytes:
    return bytes([4, 2 * len(words)]) + b"".join(word.to_bytes(2, "big") for word in words)


@settings(max_examples=200, deadline=None)
@given(data=st.data(), kind=st.sampled_from(sorted(TYPES)), order=st.sampled_from(["big", "little"]),
       before=st.integers(0, 5), after=st.integers(0, 5))  # fmt: skip
def test_every_type_reads_as_pymodbus_wrote_it(
    data: st.DataObject, kind: str, order: str, before: int, after: int
) -> None:
    datatype, numbers = TYPES[kind]
    number = data.draw(numbers)
    words = ModbusClientMixin.convert_to_registers(number, datatype, word_order=order)  # type: ignore[arg-type]
    wanted = register(100 + before, kind, word_order=order)
    assert len(words) == width(wanted)
    block = Block(1, 4, 100, before + len(words) + after)
    heard = read_exchange(exchange(block, answer(*[7] * before, *words, *[9] * after)))
    assert heard is not None
    said = read_register(wanted, heard)
    if abs(number) > 1e9:
        assert said is not None and said.number is None
    else:
        assert said is not None and said.number == pytest.approx(number)


def test_scale_offset_and_numbers_that_mean_nothing() -> None:
    heard = read_exchange(exchange(Block(1, 4, 0, 1), answer(1180)))
    assert heard is not None
    said = read_register(register(scale=0.1, offset=-10.0), heard)
    assert said is not None and said.number == pytest.approx(108.0)
    said = read_register(register(no_reading=(1180.0,)), heard)
    assert said is not None and said.problem == "the transmitter says that it has no reading (1180)"
    for bits in (0x7FC00000, 0x7F800000):  # not a number, infinity
        heard = read_exchange(exchange(Block(1, 4, 0, 2), answer(bits >> 16, bits & 0xFFFF)))
        assert heard is not None
        said = read_register(register(kind="float32"), heard)
        assert said is not None and said.problem == "the transmitter's register holds no number"


def test_neighbours_are_asked_for_together_and_nothing_else() -> None:
    wanted = [
        Register(1, "input", 10, "float32"),
        Register(1, "input", 8, "int32"),
        Register(1, "input", 13, "uint16"),
        Register(1, "holding", 12, "uint16"),
        Register(2, "input", 12, "uint16"),
        Register(1, "input", 11, "uint16"),
    ]
    assert blocks(wanted) == [Block(1, 3, 12, 1), Block(1, 4, 8, 4), Block(1, 4, 13, 1), Block(2, 4, 12, 1)]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 400), st.sampled_from(["uint16", "float32"])), min_size=1, max_size=64))
def test_every_register_lies_whole_in_one_block_of_legal_size(places: list[tuple[int, str]]) -> None:
    wanted = [Register(1, "holding", address, kind) for address, kind in places]
    asked = blocks(wanted)
    assert all(1 <= block.count <= MAX_REGISTERS for block in asked)
    for one in wanted:
        assert any(b.address <= one.address and one.address + width(one) <= b.address + b.count for b in asked)


@pytest.mark.parametrize(
    ("said", "problem"),
    [
        (b"", "unit 1 does not answer"),
        (bytes([0x84, 2]), "unit 1 answers with exception 2: it has no such register"),
        (bytes([0x84, 77]), "unit 1 answers with exception 77: of its own kind"),
        (answer(1), "unit 1 answers something else than was asked"),
        (bytes([3, 4, 0, 0, 0, 0]), "unit 1 answers something else than was asked"),
    ],
)
def test_whatever_is_no_answer_gives_its_reason(said: bytes, problem: str) -> None:
    heard = read_exchange(exchange(Block(1, 4, 0, 2), said))
    assert heard is not None and heard.problem == problem and heard.registers is None
    found = read_register(register(), heard)
    assert found is not None and (found.number, found.problem) == (None, problem)
    assert read_register(register(5), heard) is None
    assert read_register(Register(2, "input", 0, "uint16"), heard) is None


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=40))
def test_damaged_bytes_never_raise(raw: bytes) -> None:
    heard = read_exchange(raw)
    if heard is not None:
        for kind in TYPES:
            said = read_register(register(heard.block.address, kind), heard)
            assert said is None or said.problem or (said.number is not None and math.isfinite(said.number))
