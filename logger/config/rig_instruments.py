"""Rig file tables of instruments that do not describe themselves, checked and made into the model's.

[[device]]
name = "platform scale"
kind = "text"                   # sends plain lines
url = "/dev/ttyUSB1"            # or COM4, or socket://192.168.1.40:4001
baud = 9600
mode = "8N1"                    # data bits, parity (N, E, O), stop bits
stale = "5s"                    # without a line for so long it is lost
# poll = "P\\r\\n"                # for an instrument that speaks only when asked; every `period`
# end = "\\u0003"                # what ends a line; left out: carriage return or line feed

  [[device.channel]]
  point = "cylinder_mass"
  pattern = 'W *(?P<value>-?\\d+\\.\\d+) (?P<unit>kg|lb) (?P<stable>[SM])'
  units = { kg = "kg", lb = "lb" }   # their word = our unit
  stable = ["S"]                # what says that the reading is steady
  unstable = "use"              # or "reject", the default: then an unsteady reading is no reading
  division = "0.02lb"           # smallest step it shows
  range = ["0lb", "220lb"]
  accuracy = "0.1lb"
  accuracy_of_reading = "0.1%"

[[device]]
name = "pressure transmitter"
kind = "modbus"
url = "socket://192.168.1.50:502"    # or a serial port: then Modbus RTU
unit_id = 1
# baud = 19200, mode = "8E1"         # of a serial port
# framing = "rtu"                    # RTU through a network adapter
period = "1s"
timeout = "1s"

  [[device.channel]]
  point = "discharge_pressure"
  registers = "input"           # or "holding"
  address = 0                   # as on the wire, from 0: holding register 40001 is address 0
  type = "float32"              # int16, uint16, int32, uint32
  word_order = "big"            # high word first
  unit = "psig"
  division = "0.1psi"
"""

from dataclasses import replace
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator

from logger.config.toml_file import Problems, Table
from logger.decode.registers import width
from logger.decode.stated import in_unit, is_gauge, stated_decoder
from logger.decode.text_line import LineReader
from logger.model.errors import ComputeError
from logger.model.instrument import (
    MODBUS,
    TEXT,
    LineField,
    ModbusPort,
    Register,
    Stated,
    TextPort,
    instrument_id,
)
from logger.model.points import POINTS, Quantity
from logger.model.rig import Calibration, RigChannel, RigDevice
from logger.model.sample import NOTHING_STATED, GaugeFacts
from logger.model.units import POUND_KG, Unit, UnitError, find_unit, parse_quantity

MODE = r"^[78][NEO][12]$"
MIN_STALE_S = 3.0
MAX_SCALE_ZERO_KG = 5.0  # Rimelog default: what lies on it for good belongs into the scale's own zero
MAX_SPAN = 1.5  # a gauge further off is in another unit, or broken; our own figure
Name = Annotated[str, Field(min_length=1, max_length=60)]
Word = Annotated[str, Field(max_length=20)]


class GaugeTable(Table):
    """The measuring point of a channel, and what is stated of a vacuum gauge alone."""

    point: str
    water_factor: float | None = Field(default=None, ge=0.2, le=5.0)
    refrigerant_factor: float | None = Field(default=None, ge=0.2, le=5.0)
    zero_drift: str | None = None
    temperature_coefficient: str | None = None


class CalibrationTable(GaugeTable):
    """The keys of a calibration, which every kind of channel may have."""

    zero: str | None = None
    span: float = 1.0
    u: str | None = None
    calibrated: date | None = None
    certificate: str = ""
    calibrated_by: str = Field(default="", max_length=60)
    reference: str = Field(default="", max_length=120)
    due_days: int = Field(default=365, ge=1, le=3660)
    earlier_zero: str | None = None
    zeroed: date | None = None
    zeroed_by: str = Field(default="", max_length=60)
    zeroed_against: str = Field(default="", max_length=200)
    as_entered: bool = False

    @field_validator("span")
    @classmethod
    def _a_correction(cls, span: float) -> float:
        if not 1 / MAX_SPAN <= span <= MAX_SPAN:
            raise ValueError(
                f"{span:g} corrects no calibration: a span is 1 give or take a few per cent (up to {MAX_SPAN:g}); "
                "where the numbers are in another unit, mend the unit instead"
            )
        return span


class StatedTable(CalibrationTable):
    unit: str | None = None
    range: tuple[str, str] | None = None
    accuracy: str | None = None
    accuracy_of_reading: str | None = None


class TextChannelTable(StatedTable):
    pattern: str
    units: dict[str, str] = Field(default_factory=dict, max_length=20)
    stable: list[Word] = Field(default_factory=list, max_length=20)
    unstable: Literal["reject", "use"] = "reject"
    decimal: Literal[".", ","] = "."
    division: str


class RegisterTable(StatedTable):
    unit: str
    unit_id: int | None = Field(default=None, ge=0, le=255)
    registers: Literal["input", "holding"]
    address: int = Field(ge=0, le=65535)
    type: Literal["int16", "uint16", "int32", "uint32", "float32"]
    word_order: Literal["big", "little"] = "big"
    scale: float = Field(default=1.0, ge=-1e6, le=1e6)
    offset: float = Field(default=0.0, ge=-1e9, le=1e9)
    no_reading: list[float] = Field(default_factory=list, max_length=20)
    division: str | None = None


class InstrumentTable(Table):
    name: Name
    url: str = Field(min_length=1, max_length=200)
    period: str | None = None
    stale: str | None = None


class TextTable(InstrumentTable):
    kind: Literal["text"]
    baud: int = Field(default=9600, ge=50, le=4_000_000)
    mode: str = Field(default="8N1", pattern=MODE)
    end: str = Field(default="", max_length=4)
    poll: str = Field(default="", max_length=64)
    channel: list[TextChannelTable] = Field(min_length=1, max_length=16)


class ModbusTable(InstrumentTable):
    kind: Literal["modbus"]
    baud: int = Field(default=19_200, ge=50, le=4_000_000)
    mode: str = Field(default="8E1", pattern=MODE)
    framing: Literal["tcp", "rtu"] | None = None
    unit_id: int = Field(default=1, ge=0, le=255)
    timeout: str = "1s"
    channel: list[RegisterTable] = Field(min_length=1, max_length=64)


def text_device(table: TextTable, key: str, problems: Problems) -> RigDevice:
    poll_s, stale_s = _times(table, key, problems)
    for name, text in (("end", table.end), ("poll", table.poll)):
        if any(ord(ch) > 255 for ch in text):
            problems.add(f"{key}.{name}", "characters above U+00FF are no single bytes")
    if table.period is not None and not table.poll:
        problems.add(f"{key}.period", "is how often to send `poll`, which is not given")
    channels = tuple(
        c
        for i, row in enumerate(table.channel)
        if (c := _text_channel(row, i, f"{key}.channel[{i + 1}]", problems)) is not None
    )
    return RigDevice(
        table.name, table.url, instrument_id(TEXT, table.name), channels, None, TEXT,
        TextPort(table.baud, table.mode, table.end, table.poll, poll_s, stale_s),
    )  # fmt: skip


def modbus_device(table: ModbusTable, key: str, problems: Problems) -> RigDevice:
    poll_s, stale_s = _times(table, key, problems)
    timeout_s = problems.quantity(f"{key}.timeout", table.timeout, Quantity.TIME) or 1.0
    if not 0.05 <= timeout_s <= 10:
        problems.add(f"{key}.timeout", "a time-out is 0.05 s to 10 s")
    network = table.url.startswith("socket://")
    if table.framing == "tcp" and not network:
        problems.add(f"{key}.framing", "a serial port speaks RTU; Modbus TCP needs a url such as socket://host:502")
    channels = tuple(
        c
        for i, row in enumerate(table.channel)
        if (c := _register(row, i, table.unit_id, f"{key}.channel[{i + 1}]", problems)) is not None
    )
    framing = table.framing or ("tcp" if network else "rtu")
    return RigDevice(
        table.name, table.url, instrument_id(MODBUS, table.name), channels, None, MODBUS,
        ModbusPort(framing, table.baud, table.mode, poll_s, timeout_s, stale_s),
    )  # fmt: skip


def calibration_of(table: CalibrationTable, key: str, problems: Problems) -> Calibration | None:
    """None after noting that there is no such measuring point; its numbers are looked at all the same."""
    point = POINTS.get(table.point)
    if point is None:
        problems.add(f"{key}.point", f"{table.point!r} is no measuring point; known: {', '.join(POINTS)}")
    quantity = None if point is None else point.quantity.difference
    zero = problems.quantity(f"{key}.zero", table.zero, quantity)
    u = problems.quantity(f"{key}.u", table.u, quantity)
    if u is not None and u <= 0:
        problems.add(f"{key}.u", "an uncertainty is above zero")
    if quantity is Quantity.MASS and abs(zero or 0.0) > MAX_SCALE_ZERO_KG and not table.as_entered:
        assert zero is not None
        offset = f"{zero / POUND_KG:.1f} lb ({zero:.1f} kg) on an empty scale"
        problems.add(f"{key}.zero", f"{offset}: is it a tare, or another unit? If it is so: as_entered = true")
    if point is None:
        return None
    earlier = problems.quantity(f"{key}.earlier_zero", table.earlier_zero, quantity)
    return Calibration(
        zero or 0.0, table.span, u, table.calibrated, table.certificate, table.calibrated_by, table.reference,
        earlier, table.due_days, table.zeroed, table.zeroed_by, table.zeroed_against,
    )  # fmt: skip


def gauge_of(table: GaugeTable, key: str, problems: Problems) -> GaugeFacts:
    """What is stated of a vacuum gauge; said of any other channel it is a fault."""
    stated = ("water_factor", "refrigerant_factor", "zero_drift", "temperature_coefficient")
    if table.point != "vacuum":
        for name in stated:
            if getattr(table, name) is not None:
                problems.add(f"{key}.{name}", "said of a vacuum gauge only")
        return NOTHING_STATED
    drift = problems.quantity(f"{key}.zero_drift", table.zero_drift, Quantity.VACUUM_RISE)
    per_k = problems.quantity(f"{key}.temperature_coefficient", table.temperature_coefficient, Quantity.RATIO)
    for name, value in (("zero_drift", drift), ("temperature_coefficient", per_k)):
        if value is not None and value < 0:
            problems.add(f"{key}.{name}", "either way: it is written without a sign")
    return GaugeFacts(table.water_factor, table.refrigerant_factor, drift, per_k)


def _times(table: InstrumentTable, key: str, problems: Problems) -> tuple[float, float]:
    """How often to ask, and when it is stale, in seconds."""
    poll_s = problems.quantity(f"{key}.period", table.period, Quantity.TIME) or 1.0
    if not 0.05 <= poll_s <= 3600:
        problems.add(f"{key}.period", "a period is 0.05 s to 1 h")
    default_s = max(MIN_STALE_S, 3 * poll_s)
    stale_s = problems.quantity(f"{key}.stale", table.stale, Quantity.TIME) or default_s
    if not max(MIN_STALE_S, poll_s) <= stale_s <= 4 * 3600:
        problems.add(f"{key}.stale", "is at least 3 s and one period, up to 4 h")
    return poll_s, stale_s


def _text_channel(table: TextChannelTable, index: int, key: str, problems: Problems) -> RigChannel | None:
    unit = None
    if table.unit is None and not table.units:
        problems.add(f"{key}.unit", "missing: the unit of the numbers, or a table `units` and a group `unit`")
    else:
        unit = _unit(table.unit or next(iter(table.units.values())), key, problems)
    source = LineField(
        table.pattern, tuple(table.units.items()), tuple(table.stable), table.unstable == "use", table.decimal
    )
    channel = _stated_channel(table, index, unit, table.division, source, key, problems)
    judged, name = source, "1" if unit is None else unit.name
    if unit is None:  # reported already: the pattern is judged as if there were units to its groups
        judged = replace(source, units=(("", name),) if "(?P<unit>" in table.pattern else ())
    _attempt(f"{key}.pattern", problems, lambda: LineReader(judged, name))
    return channel


def _register(table: RegisterTable, index: int, unit_id: int, key: str, problems: Problems) -> RigChannel | None:
    source = Register(
        table.unit_id if table.unit_id is not None else unit_id,
        table.registers, table.address, table.type, table.word_order, table.scale, table.offset,
        tuple(table.no_reading),
    )  # fmt: skip
    if table.scale == 0:
        problems.add(f"{key}.scale", "a scale is not 0")
    if table.address + width(source) > 65536:
        problems.add(f"{key}.address", "a number of 32 bits takes two registers, and there is none after 65535")
    division: str | float | None = table.division
    if division is None and table.type == "float32":
        problems.add(f"{key}.division", "missing: a float32 does not show the smallest step that means something")
    return _stated_channel(
        table,
        index,
        _unit(table.unit, key, problems),
        abs(table.scale) if division is None else division,
        source,
        key,
        problems,
    )


def _unit(name: str, key: str, problems: Problems) -> Unit | None:
    try:
        return find_unit(name)
    except UnitError as exc:
        problems.add(f"{key}.unit", str(exc))
        return None


def _stated_channel(
    table: StatedTable, index: int, unit: Unit | None, division: str | float, source: LineField | Register, key: str,
    problems: Problems,
) -> RigChannel | None:  # fmt: skip
    """None after noting that its point or its unit is none; what can be judged without them is."""
    calibration = calibration_of(table, key, problems)
    low, high = (None, None) if unit is None else _range(table, unit, key, problems)
    step = division if isinstance(division, float) else _extent(f"{key}.division", division, unit, problems)
    if step is not None and step <= 0:
        problems.add(f"{key}.division", "a step is above zero")
    accuracy = _extent(f"{key}.accuracy", table.accuracy, unit, problems)
    of_reading = problems.quantity(f"{key}.accuracy_of_reading", table.accuracy_of_reading, Quantity.RATIO)
    if unit is None or calibration is None:
        return None
    stated = Stated(unit.name, step or 1.0, low, high, accuracy, of_reading)
    channel = RigChannel(index, table.point, calibration, stated, source, gauge_of(table, key, problems))
    _attempt(f"{key}.unit", problems, lambda: stated_decoder(channel, "", MIN_STALE_S))
    return channel


def _range(table: StatedTable, unit: Unit, key: str, problems: Problems) -> tuple[float | None, float | None]:
    """As the channel is described, so gauge pressures are below zero for a vacuum."""
    if table.range is None:
        return None, None
    try:
        ends = sorted(_number(text, unit) for text in table.range)
    except UnitError as exc:
        problems.add(f"{key}.range", str(exc))
        return None, None
    if ends[0] == ends[1]:
        problems.add(f"{key}.range", "its two ends are the same")
    return ends[0], ends[1]


def _number(text: str, unit: Unit) -> float:
    """A reading as typed, in the described unit of `unit`. Raises UnitError."""
    si = parse_quantity(text, unit.quantity, 0.0)
    if (parse_quantity(text, unit.quantity, 1e5) != si) != is_gauge(unit):
        against = "against the air around (psig, barg)" if is_gauge(unit) else "absolute (psia, bar)"
        raise UnitError(f"{text!r}: the channel's unit {unit.name} is {against}")
    plain = Unit("SI", unit.quantity, 1.0, "")
    return float(f"{in_unit(si, plain, unit):.12g}")


def _extent(key: str, text: str | None, unit: Unit | None, problems: Problems) -> float | None:
    """A step or a limit of error as typed, in the channel's unit; of any kind while that is not known."""
    if unit is None:
        return problems.quantity(key, text, None)
    quantity = unit.quantity.difference
    si = problems.quantity(key, text, quantity)
    return None if si is None else float(f"{si / unit.factor:.12g}")


def _attempt(key: str, problems: Problems, act: Any) -> None:
    try:
        act()
    except (ComputeError, UnitError) as exc:
        problems.add(key, str(exc))
