"""The rig file: TOML -> logger.model.rig.Rig.

    [rig]
    name = "Service trolley 1"

    [[device]]
    name = "manifold board"
    url = "/dev/ttyUSB0"            # or COM3, socket://127.0.0.1:5001, ble:// (by radio); leave out to look for the id
    id = "52696d6500000001"         # as `rimelog find` shows it
    period = "0.5s"                 # how often to sample; left out: as the device does by itself

      [[device.channel]]
      index = 0
      point = "suction_pressure"
      zero = "0.4psi"               # shown when open to air; subtracted
      span = 1.003
      u = "0.5psi"                  # standard uncertainty after calibration
      calibrated = 2026-03-02
      calibrated_by = "the technician"      # these are written by `rimelog calibrate`
      reference = "test gauge 7"
      certificate = "C-118"
      due_days = 365                # said to be overdue after so many days
      earlier_zero = "0.1psi"       # of the zero before; moved by more than the stated accuracy: an alarm
      zeroed = 2026-05-04           # the zero alone was taken since: that renews nothing above but `zero`
      zeroed_by = "the technician"
      zeroed_against = "open to air"

      [[device.output]]             # left out: this program closes no contact
      index = 0
      hold = "recovery machine"     # what the contact supplies; the scale is on this same device
      while = "recovery"            # the stage it is held closed in: one that fills the cylinder
      timeout = "5s"                # it opens when no permit has come for so long

      [[device.channel]]
      index = 4
      point = "vacuum"
      water_factor = 1.4            # of a vacuum gauge: what it shows of 1 of water vapor that is there
      refrigerant_factor = 0.8      # of refrigerant vapor
      zero_drift = "10micron/h"     # its zero may drift by so much, either way
      temperature_coefficient = "0.1%"      # of its reading, a kelvin

    [alarms.overfill]
    limit = 0.75

Scales and gauges that send plain lines and Modbus transmitters (`kind = "text"`, `kind = "modbus"`): see
rig_instruments.py.
"""

import hashlib
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag, field_validator

from logger.alarms.errors import OverrideError
from logger.config.rig_instruments import (
    CalibrationTable,
    ModbusTable,
    Name,
    TextTable,
    calibration_of,
    gauge_of,
    modbus_device,
    text_device,
)
from logger.config.toml_file import KIND, Problems, Table, parse, read_text
from logger.model.instrument import MODBUS, PROTOCOL, TEXT
from logger.model.points import POINTS, Quantity
from logger.model.rig import Rig, RigChannel, RigDevice, RigOutput
from logger.pipeline.job_alarms import rules_of
from logger.stages import registry


class ChannelTable(CalibrationTable):
    index: int = Field(ge=0, le=255)


class OutputTable(Table):
    index: int = Field(ge=0, le=7)
    hold: Name
    while_: str | None = Field(default=None, alias="while")
    timeout: str = "5s"

    @field_validator("while_")
    @classmethod
    def _fills(cls, kind: str | None) -> str | None:
        """Only what fills the cylinder on the scale is worth stopping."""
        can = [one.kind for one in registry.STAGES if one.fills_cylinder]
        if kind is not None and kind not in can:
            raise ValueError(f"the stage is one of {', '.join(can)}")
        return kind


class DeviceTable(Table):
    kind: Literal["protocol", "text", "modbus"] = "protocol"
    name: Name
    url: str | None = None
    id: str | None = None
    period: str | None = None
    channel: list[ChannelTable] = Field(default_factory=list, max_length=64)
    output: list[OutputTable] = Field(default_factory=list, max_length=8)


def _kind(table: Any) -> str:
    kind = table.get("kind") if isinstance(table, dict) else None
    return KIND + (kind if kind in (TEXT, MODBUS) else PROTOCOL)


AnyDeviceTable = DeviceTable | TextTable | ModbusTable
TaggedDeviceTable = Annotated[
    Annotated[DeviceTable, Tag(KIND + PROTOCOL)]
    | Annotated[TextTable, Tag(KIND + TEXT)]
    | Annotated[ModbusTable, Tag(KIND + MODBUS)],
    Discriminator(_kind),
]


class RigTable(Table):
    name: str = "rig"


class RigFile(Table):
    rig: RigTable = RigTable()
    device: list[TaggedDeviceTable] = Field(min_length=1, max_length=16)
    alarms: dict[str, dict[str, Any]] = Field(default_factory=dict)


def load_rig(path: Path) -> Rig:
    """Read and check a rig file. Raises FileProblems with every fault and its key."""
    return parse_rig(read_text(path), str(path))


def parse_rig(text: str, path: str = "rig") -> Rig:
    file, problems = parse(text, path, RigFile)
    devices = tuple(_device(d, f"device[{i}]", problems) for i, d in enumerate(file.device, 1))
    _clashes(file.device, problems)
    rig = Rig(file.rig.name, devices, file.alarms, text)
    for key, what in _alarm_faults(rig, whole=not problems.found):
        problems.add(key, what)
    problems.raise_if_any()
    return rig


def _alarm_faults(rig: Rig, whole: bool) -> Iterator[tuple[str, str]]:
    """whole: nothing of the file was left out. Else what may only be missing with a device or channel is not told."""
    if not whole:
        all_points = tuple(RigChannel(i, point) for i, point in enumerate(POINTS))
        rig = replace(rig, devices=(*rig.devices, RigDevice("every point", None, None, all_points)))
    try:
        rules_of(rig)
    except OverrideError as exc:
        for key, _, what in (problem.partition(": ") for problem in exc.problems):
            if whole or not key.startswith("alarms.device-"):
                yield key, what


def rig_digest(rig: Rig) -> str:
    """SHA-256 of the rig file's text, in hex."""
    return hashlib.sha256(rig.text.encode()).hexdigest()


def _device(table: AnyDeviceTable, key: str, problems: Problems) -> RigDevice:
    if isinstance(table, TextTable):
        return text_device(table, key, problems)
    if isinstance(table, ModbusTable):
        return modbus_device(table, key, problems)
    device_id = table.id.lower() if table.id else None
    if device_id is not None and not re.fullmatch(r"(?:[0-9a-f]{2}){8,16}", device_id):
        problems.add(f"{key}.id", f"{table.id!r} is not a device id: 16 to 32 hex digits, as `rimelog find` shows it")
    if device_id is None and table.url is None:
        problems.add(key, "needs a url or an id, or the device cannot be found")
    channels = tuple(
        c for i, row in enumerate(table.channel, 1) if (c := _channel(row, f"{key}.channel[{i}]", problems))
    )
    period_s = problems.quantity(f"{key}.period", table.period, Quantity.TIME)
    if period_s is not None and not 0.01 <= period_s <= 3600:
        problems.add(f"{key}.period", "a sampling period is 0.01 s to 1 h")
    outputs = tuple(_output(row, f"{key}.output[{i}]", channels, problems) for i, row in enumerate(table.output, 1))
    return RigDevice(table.name, table.url, device_id, channels, period_s, outputs=outputs)


def _output(table: OutputTable, key: str, channels: tuple[RigChannel, ...], problems: Problems) -> RigOutput:
    if not any(channel.point == "cylinder_mass" for channel in channels):
        problems.add(key, "its device has no channel for cylinder_mass, so it could not open at the limit")
    timeout_s = problems.quantity(f"{key}.timeout", table.timeout, Quantity.TIME) or 5.0
    if not 3 <= timeout_s <= 60:
        problems.add(f"{key}.timeout", "3 s to 60 s; a shorter one trips at a single lost request")
    return RigOutput(table.index, table.hold, timeout_s)


def _channel(table: ChannelTable, key: str, problems: Problems) -> RigChannel | None:
    calibration = calibration_of(table, key, problems)
    gauge = gauge_of(table, key, problems)
    return None if calibration is None else RigChannel(table.index, table.point, calibration, gauge=gauge)


def _clashes(tables: Sequence[AnyDeviceTable], problems: Problems) -> None:
    """Two channels on one point, one channel twice, one port, id or name for two devices."""
    seen: dict[tuple[str, object], str] = {}
    for i, table in enumerate(tables, 1):
        marks: list[tuple[tuple[str, object], str]] = [(("name", table.name.casefold()), f"device[{i}].name")]
        own = table if isinstance(table, DeviceTable) else None  # of our protocol
        device_id = own.id.lower() if own and own.id else None
        if table.url is not None and (table.url != "ble://" or device_id is None):
            marks.append((("url", table.url), f"device[{i}].url"))
        if device_id is not None:
            marks.append((("id", device_id), f"device[{i}].id"))
        for j, channel in enumerate(table.channel, 1):
            if isinstance(channel, ChannelTable):
                marks.append((("index", (i, channel.index)), f"device[{i}].channel[{j}].index"))
            marks.append((("point", channel.point), f"device[{i}].channel[{j}].point"))
        for j, output in enumerate(own.output if own else (), 1):
            marks.append((("output", (i, output.index)), f"device[{i}].output[{j}].index"))
            marks.append((("contact", output.hold.casefold()), f"device[{i}].output[{j}].hold"))
        for mark, key in marks:
            if mark in seen:
                problems.add(key, f"the same {mark[0]} as {problems.in_file(seen[mark])}")
            else:
                seen[mark] = key
