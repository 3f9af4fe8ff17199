"""The rig: devices, channels, calibrations and measuring points used together."""

from dataclasses import dataclass, field
from datetime import date
from typing import Any

from logger.model.instrument import PROTOCOL, LineField, ModbusPort, Register, Stated, TextPort
from logger.model.sample import NOTHING_STATED, GaugeFacts


@dataclass(frozen=True, slots=True)
class Calibration:
    """true = (reading - zero) * span, in the channel's SI unit.

    zero: what the channel shows when the true value is zero (gauge channels: open to air), SI.
    span: factor at full scale. u: standard uncertainty after calibration, SI; None when the
    device's stated accuracy is all there is. done, by, reference, certificate: when, by whom, against what and on
    what paper. earlier_zero: of the zero before. due_days: how long it holds. zeroed, zeroed_by, zeroed_against: when
    the zero alone was taken since, by whom, against what; that renews nothing else, for it says nothing of the span.
    """

    zero: float = 0.0
    span: float = 1.0
    u: float | None = None
    done: date | None = None
    certificate: str = ""
    by: str = ""
    reference: str = ""
    earlier_zero: float | None = None
    due_days: int = 365  # Rimelog default
    zeroed: date | None = None
    zeroed_by: str = ""
    zeroed_against: str = ""


@dataclass(frozen=True, slots=True)
class RigChannel:
    """index: the device's channel number. point: name in logger.model.points.POINTS.

    stated, source: of an instrument that does not describe itself: what its plate says, and where its reading is.
    gauge: of a vacuum gauge, as stated in the rig file.
    """

    index: int
    point: str
    calibration: Calibration = Calibration()
    stated: Stated | None = None
    source: LineField | Register | None = None
    gauge: GaugeFacts = NOTHING_STATED


@dataclass(frozen=True, slots=True)
class RigOutput:
    """A contact of the device that this program may hold closed, by permits that must keep coming (SPEC.md section 8).

    index: the device's output number. hold: what its contact supplies, in the user's words. timeout_s: it opens when
    no permit has come for so long.
    """

    index: int
    hold: str
    timeout_s: float = 5.0


@dataclass(frozen=True, slots=True)
class RigDevice:
    """device_id: hex, None until known. url: port name, socket://host:port, ble:// (whichever device
    of our service, or the one with the id, is in radio range), ble://ADDRESS, or None to look for the id.

    period_s: how often to sample, None leaves the device's own periods.
    kind: PROTOCOL, or an instrument that does not speak it (logger.model.instrument); port: how that one is reached.
    outputs: none, unless the rig file names them.
    """

    name: str
    url: str | None
    device_id: str | None = None
    channels: tuple[RigChannel, ...] = ()
    period_s: float | None = None
    kind: str = PROTOCOL
    port: TextPort | ModbusPort | None = None
    outputs: tuple[RigOutput, ...] = ()


@dataclass(frozen=True, slots=True)
class Rig:
    """text: the file as read, stored as evidence. alarms: overrides by alarm key."""

    name: str
    devices: tuple[RigDevice, ...]
    alarms: dict[str, dict[str, Any]] = field(default_factory=dict)
    text: str = ""
