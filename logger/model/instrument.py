"""Instruments that do not describe themselves: what the rig file must say of them instead.

Text instruments send plain lines (scales, gauges); Modbus transmitters are asked for registers. Their channels state
finished numbers in a unit.
"""

from dataclasses import dataclass

PROTOCOL, TEXT, MODBUS = "protocol", "text", "modbus"  # kinds of rig device


def instrument_id(kind: str, name: str) -> str:
    """The id of an instrument that has none of its own: by its name in the rig, so no two of a rig share one."""
    return f"{kind}:{name}"


@dataclass(frozen=True, slots=True)
class Stated:
    """What is known of a channel's readings, by its plate or data sheet.

    unit: name in logger.model.units; all numbers are in it. division: smallest step it shows, above zero. low, high:
    range. accuracy: limits of error +- this much, and +- `of_reading` (a fraction) of the reading. None: not stated.
    """

    unit: str
    division: float
    low: float | None = None
    high: float | None = None
    accuracy: float | None = None
    of_reading: float | None = None


@dataclass(frozen=True, slots=True)
class LineField:
    """Where a channel's reading is in a line of text.

    pattern: regular expression for the whole line with a group `value`, perhaps `unit` and `stable`. units: (their
    word, unit in logger.model.units) pairs. stable: what the group `stable` holds when the reading is steady.
    use_unstable: take readings that are not steady, too. decimal: "." or ",".
    """

    pattern: str
    units: tuple[tuple[str, str], ...] = ()
    stable: tuple[str, ...] = ()
    use_unstable: bool = False
    decimal: str = "."


@dataclass(frozen=True, slots=True)
class Register:
    """Where a channel's reading is in a Modbus transmitter: number * scale + offset, in the channel's unit.

    table: "input" or "holding". address: as on the wire, from 0. type: "int16", "uint16", "int32", "uint32",
    "float32". word_order: "big" (high word first) or "little". no_reading: numbers that mean there is none.
    """

    unit_id: int
    table: str
    address: int
    type: str
    word_order: str = "big"
    scale: float = 1.0
    offset: float = 0.0
    no_reading: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class TextPort:
    """How a text instrument is heard. mode: data bits, parity, stop bits.

    end: what ends a line, "" for carriage return or line feed. poll: sent every poll_s to ask for a line, "" when it
    sends by itself. stale_s: without an understood line for so long it is lost.
    """

    baud: int = 9600
    mode: str = "8N1"
    end: str = ""
    poll: str = ""
    poll_s: float = 1.0
    stale_s: float = 3.0


@dataclass(frozen=True, slots=True)
class ModbusPort:
    """How Modbus transmitters are asked. framing: "tcp" or "rtu". baud, mode: of a serial line.

    poll_s: every channel is read so often. timeout_s: for one answer. stale_s: without any answer for so long they
    are lost.
    """

    framing: str
    baud: int = 19_200
    mode: str = "8E1"
    poll_s: float = 1.0
    timeout_s: float = 1.0
    stale_s: float = 3.0
