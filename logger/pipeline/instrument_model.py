"""Instruments that do not describe themselves, decoded from their stored lines and exchanges by the rig's words.

The rig is in the record (RIG_LOADED), and so is every line and every exchange as it came: that is all that is needed
to have the same readings again.
"""

from collections.abc import Callable
from functools import partial

from firmware_protocol.messages import Describe, Message
from logger.decode.channel import ChannelDecoder
from logger.decode.registers import read_exchange, read_register
from logger.decode.stated import in_unit, stated_decoder
from logger.decode.text_line import LineReader, Said
from logger.model.errors import ComputeError
from logger.model.instrument import MODBUS, TEXT, LineField, Register, Stated
from logger.model.rig import RigChannel, RigDevice
from logger.model.sample import PointSample
from logger.model.units import Unit, UnitError, find_unit
from logger.pipeline.device_readings import Device

Reader = Callable[[bytes], Said | None]


class Instrument(Device):
    """A text instrument or Modbus transmitters. `decoders` is empty until it has said something."""

    def __init__(self, device_id: str, entry: RigDevice) -> None:
        super().__init__(device_id, ())
        self._entry: RigDevice | None = None
        self._stated: tuple[ChannelDecoder, ...] = ()
        self._readers: list[tuple[ChannelDecoder, Reader]] = []
        self._numbers: dict[int, float] = {}
        self.use(entry)

    def use(self, entry: RigDevice | None) -> bool:
        if entry == self._entry:
            return False
        self._entry = entry
        self.channels = entry.channels if entry is not None else ()
        self._stated = ()
        self._numbers.clear()
        try:
            self._readers = readers(entry) if entry is not None else []
            self.problem = None
        except (ComputeError, UnitError) as exc:  # of a later version; what is stored stays readable
            self._readers, self.problem = [], str(exc)
        return True

    @property
    def decoders(self) -> tuple[ChannelDecoder, ...]:
        return self._stated

    @property
    def described(self) -> tuple[Describe, ...]:
        return tuple(d.describe for d in self._stated)

    def readings(self) -> list[tuple[ChannelDecoder, float]]:
        return [(d, self._numbers[d.channel.index]) for d in self._stated if d.channel.index in self._numbers]

    def frame(
        self, t_ns: int, raw: bytes, message: Message | None = None, ambient_pa: float | None = None
    ) -> list[PointSample]:
        if not self._stated:
            self._stated = tuple(d for d, _ in self._readers)
        samples = []
        for decoder, read in self._readers:
            said = read(raw)
            if said is None:
                continue
            if said.number is None:
                samples.append(PointSample(t_ns, decoder.point.name, None, said.problem))
            else:
                self._numbers[decoder.channel.index] = said.number
                samples.append(decoder.decode(t_ns, said.number, ambient_pa))
        return samples


def readers(entry: RigDevice) -> list[tuple[ChannelDecoder, Reader]]:
    """For each channel how to read it. Raises ComputeError, UnitError for a rig that does not fit together."""
    stale_s = entry.port.stale_s if entry.port is not None else 3.0
    out: list[tuple[ChannelDecoder, Reader]] = []
    for channel in entry.channels:
        decoder = stated_decoder(channel, entry.name, stale_s)
        out.append((decoder, _reader(channel)))
    return out


def understands(entry: RigDevice) -> Callable[[bytes], bool]:
    """Whether some channel's pattern fits a line."""
    each = [read for _, read in readers(entry)]
    return lambda raw: any(read(raw) is not None for read in each)


def _reader(channel: RigChannel) -> Reader:
    match channel.source, channel.stated:
        case LineField() as field, Stated() as stated:
            return LineReader(field, stated.unit).read
        case Register() as register, Stated() as stated:
            return partial(_read_register, register, find_unit(stated.unit))
    raise ComputeError(f"channel {channel.index}: the rig does not say where its reading is")


def _read_register(register: Register, unit: Unit, raw: bytes) -> Said | None:
    heard = read_exchange(raw)
    said = None if heard is None else read_register(register, heard)
    return said if said is None or said.number is None else Said(in_unit(said.number, unit, unit))


def device_of(device_id: str, entry: RigDevice | None) -> Device:
    """What decodes the stored frames of a device of the rig; of one that the rig does not name, nothing is used."""
    if entry is not None and entry.kind in (TEXT, MODBUS):
        return Instrument(device_id, entry)
    return Device(device_id, entry.channels if entry is not None else ())
