"""Instruments that do not describe themselves, explained from their lines and exchanges by the rig's words.

The rig is in the record (RIG_LOADED), and so is every line and every exchange as it came: that is all that is needed
to have the same readings again.
"""

from abc import ABC, abstractmethod
from typing import Final

from firmware_protocol.messages import Describe, Hello, Message
from logger.decode.channel import Raw
from logger.decode.device_model import DeviceModel, Explained, ProtocolDevice
from logger.decode.registers import read_exchange, read_register
from logger.decode.stated import describe, in_unit
from logger.decode.text_line import LineReader, ParsedReading
from logger.model.errors import ComputeError
from logger.model.instrument import MODBUS, TEXT, LineField, Register, Stated
from logger.model.rig import RigChannel, RigDevice
from logger.model.units import Unit, UnitError, find_unit

_STALE_S: Final = 3.0  # of an entry without a port


def model_of(entry: RigDevice | None) -> DeviceModel:
    """What explains the frames of a device of the rig, or of one that the rig does not name."""
    match entry:
        case RigDevice(kind=kind) if kind == TEXT:
            return TextDevice(entry)
        case RigDevice(kind=kind) if kind == MODBUS:
            return ModbusDevice(entry)
    return ProtocolDevice()


class _Instrument(ABC):
    """What is common to both. An entry that cannot be used, of a later version perhaps, is a problem, no exception."""

    hello: Hello | None = None
    sequence = None

    def __init__(self, entry: RigDevice) -> None:
        self.described: tuple[Describe, ...] = ()
        self.problem: str | None = None
        stale_s = entry.port.stale_s if entry.port is not None else _STALE_S
        try:
            for channel in entry.channels:
                self._add(channel)
            self.described = tuple(describe(channel, entry.name, stale_s) for channel in entry.channels)
        except (ComputeError, UnitError) as exc:
            self.problem = str(exc)

    def take(self, raw: bytes, message: Message | None = None) -> Explained:
        """The readings in a line or exchange; none for one that is not of the rig's channels."""
        return Explained(None, None, [] if self.problem else self._read(raw))

    @abstractmethod
    def _add(self, channel: RigChannel) -> None:
        """Raises ComputeError, UnitError for a channel that cannot be read."""

    @abstractmethod
    def _read(self, raw: bytes) -> list[tuple[int, Raw]]: ...


class TextDevice(_Instrument):
    """A scale or gauge that sends plain lines."""

    def __init__(self, entry: RigDevice) -> None:
        self._readers: list[tuple[int, LineReader]] = []
        super().__init__(entry)

    def _add(self, channel: RigChannel) -> None:
        match channel.source, channel.stated:
            case LineField() as field, Stated() as stated:
                self._readers.append((channel.index, LineReader(field, stated.unit)))
            case _:
                raise _nowhere(channel)

    def _read(self, raw: bytes) -> list[tuple[int, Raw]]:
        found = [(index, reader.read(raw)) for index, reader in self._readers]
        return [(index, _number(said)) for index, said in found if said is not None]


class ModbusDevice(_Instrument):
    """Modbus transmitters behind one port."""

    def __init__(self, entry: RigDevice) -> None:
        self._registers: list[tuple[int, Register, Unit]] = []
        super().__init__(entry)

    def _add(self, channel: RigChannel) -> None:
        match channel.source, channel.stated:
            case Register() as register, Stated() as stated:
                self._registers.append((channel.index, register, find_unit(stated.unit)))
            case _:
                raise _nowhere(channel)

    def _read(self, raw: bytes) -> list[tuple[int, Raw]]:
        exchange = read_exchange(raw)
        if exchange is None:
            return []
        found = [(index, unit, read_register(register, exchange)) for index, register, unit in self._registers]
        return [(index, _number(said, unit)) for index, unit, said in found if said is not None]


def _number(said: ParsedReading, unit: Unit | None = None) -> Raw:
    """unit: of the number, where it is not the described one yet."""
    if said.number is None:
        return said.problem or "no reading"
    return said.number if unit is None else in_unit(said.number, unit, unit)


def _nowhere(channel: RigChannel) -> ComputeError:
    return ComputeError(f"channel {channel.index}: the rig does not say where its reading is")
