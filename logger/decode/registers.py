"""Modbus registers: what to ask for, what an exchange looks like in the record, and what it says.

A stored exchange is the unit id, the request and the answer, both as they are on the wire without the transport's
framing (unit id u8, then two PDUs of the Modbus Application Protocol Specification V1.1b3, big-endian):

    unit | function | address hi lo | count hi lo | answer: function | bytes | registers
                                                  |     or: function + 0x80 | exception code
                                                  |     or: nothing, when no answer came in time
"""

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from logger.decode.text_line import MAX_READING, ParsedReading
from logger.model.instrument import Register

FUNCTION: Final = {"holding": 3, "input": 4}
MAX_REGISTERS: Final = 125  # in one request: section 6.3 and 6.4 of the specification
_REQUEST: Final = struct.Struct(">BBHH")
_TYPES: Final = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}
_EXCEPTIONS: Final = {  # section 7 of the specification
    1: "it does not know the function", 2: "it has no such register", 3: "it does not take the request",
    4: "it has failed", 5: "it is still working", 6: "it is busy", 8: "its memory has a parity error",
    10: "the gateway has no path to it", 11: "it does not answer the gateway",
}  # fmt: skip


def width(register: Register) -> int:
    """Registers it takes."""
    return struct.calcsize(_TYPES[register.type]) // 2


@dataclass(frozen=True, slots=True, order=True)
class Block:
    """Registers to be asked for at once."""

    unit_id: int
    function: int
    address: int
    count: int


def blocks(registers: Sequence[Register]) -> list[Block]:
    """What to ask for to have all of them: neighbours together, nothing that nobody named."""
    wanted = sorted({(r.unit_id, FUNCTION[r.table], r.address, width(r)) for r in registers})
    out: list[Block] = []
    for unit_id, function, address, count in wanted:
        if out and (out[-1].unit_id, out[-1].function) == (unit_id, function):
            last = out[-1]
            end = max(last.address + last.count, address + count)
            if address <= last.address + last.count and end - last.address <= MAX_REGISTERS:
                out[-1] = Block(unit_id, function, last.address, end - last.address)
                continue
        out.append(Block(unit_id, function, address, count))
    return out


def exchange(block: Block, answer: bytes) -> bytes:
    """The bytes to store. answer: the response PDU, b"" when none came."""
    return _REQUEST.pack(block.unit_id, block.function, block.address, block.count) + answer


def answered(raw: bytes) -> bool:
    """Whether an answer came in this exchange, if only an exception."""
    return len(raw) > _REQUEST.size


@dataclass(frozen=True, slots=True)
class RegisterExchange:
    """block: as asked. registers: u16 each, None exactly when `problem` says why."""

    block: Block
    registers: tuple[int, ...] | None
    problem: str | None = None


def read_exchange(raw: bytes) -> RegisterExchange | None:
    """None for bytes that are no exchange."""
    if len(raw) < _REQUEST.size:
        return None
    block = Block(*_REQUEST.unpack_from(raw))
    answer = raw[_REQUEST.size :]
    if not answer:
        return RegisterExchange(block, None, f"unit {block.unit_id} does not answer")
    if answer[0] == block.function | 0x80 and len(answer) == 2:
        what = _EXCEPTIONS.get(answer[1], "of its own kind")
        return RegisterExchange(block, None, f"unit {block.unit_id} answers with exception {answer[1]}: {what}")
    size = 2 * block.count
    if answer[0] != block.function or len(answer) != 2 + size or answer[1] != size:
        return RegisterExchange(block, None, f"unit {block.unit_id} answers something else than was asked")
    return RegisterExchange(block, struct.unpack(f">{block.count}H", answer[2:]))


def read_register(register: Register, said: RegisterExchange) -> ParsedReading | None:
    """The channel's number in its unit; None when the exchange is not about it."""
    block, count = said.block, width(register)
    at = register.address - block.address
    if (block.unit_id, block.function) != (register.unit_id, FUNCTION[register.table]):
        return None
    if at < 0 or at + count > block.count:
        return None
    if said.registers is None:
        return ParsedReading(None, said.problem)
    words = said.registers[at : at + count]
    if register.word_order == "little":
        words = words[::-1]
    number = struct.unpack(_TYPES[register.type], struct.pack(f">{count}H", *words))[0]
    if number in register.no_reading:
        return ParsedReading(None, f"the transmitter says that it has no reading ({number:g})")
    scaled = number * register.scale + register.offset
    if not math.isfinite(scaled) or abs(scaled) > MAX_READING:
        return ParsedReading(None, "the transmitter's register holds no number")
    return ParsedReading(scaled)
