"""Frames as they go over the line, in the words and fields of SPEC.md."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import fields
from enum import Enum, IntEnum, IntFlag
from typing import Any, Final

from firmware_protocol.codes import (
    ALL_CHANNELS,
    NO_GUARD,
    Capability,
    DeviceState,
    ErrorCode,
    Fault,
    MessageType,
    NoReading,
    OpenedBy,
    OutputState,
    PermitAction,
    Quantity,
    SampleType,
    SensorKind,
)
from firmware_protocol.errors import ProtocolError
from firmware_protocol.framing import BadFrame, FrameDecoder, decode_frame
from firmware_protocol.layout import Layout, layout_id_of
from firmware_protocol.messages import Describe, Message, Samples, decode_payload
from firmware_protocol.requests import Request
from logger.conformance.observer import what_is_bad
from logger.model.text import clean

MAX_SHOWN = 600  # characters of a decoded message
NAMES: Final = {
    MessageType.REQUEST_HELLO: "hello?",
    MessageType.REQUEST_DESCRIBE: "describe channel",
    MessageType.REQUEST_OUTPUT: "describe output",
    MessageType.REQUEST_STATUS: "status?",
}
CLASS: Final = r"^[A-Z]\w+: "  # of the codec, ahead of what it says
UNITS: Final = {"ms": "ms", "s": "s", "hz": "Hz", "mv": "mV", "percent": "%", "frames": "frames"}
CODES: Final[dict[str, type[IntEnum] | type[IntFlag]]] = {
    "quantity": Quantity, "sample_type": SampleType, "sensor_kind": SensorKind, "state": DeviceState,
    "action": PermitAction, "code": ErrorCode, "capabilities": Capability, "faults": Fault,
}  # fmt: skip


class FrameTrace:
    """Remembers the descriptions that went by, so that samples are shown by channel."""

    def __init__(self) -> None:
        self._described: dict[int, bytes] = {}
        self._layout: Layout | None = None

    def line(self, at_s: float | None, from_host: bool, raw: bytes) -> str:
        """One frame, decoded, and its bytes below. at_s: None in a record without times."""
        at = " " * 9 if at_s is None else f"{at_s:9.3f}"
        return f"{at} {'>' if from_host else '<'} {clean(self._shown(raw), MAX_SHOWN)}\n          {raw.hex(' ')}"

    def _shown(self, raw: bytes) -> str:
        payload = decode_frame(raw)
        if payload is None:
            bad = [block for block in FrameDecoder().feed(raw) if isinstance(block, BadFrame)]
            return "no frame" + "".join(f": {what_is_bad(block)[0]}" for block in bad[:1])
        try:
            message = decode_payload(payload)
        except ProtocolError as exc:
            return f"{type_in_words(payload[0])}: {re.sub(CLASS, '', str(exc))}"
        if isinstance(message, Describe):
            self._described[message.index] = payload
        head = type_in_words(payload[0])
        if isinstance(message, Samples):
            return f"{head}: {', '.join(self._samples(message))}"
        said = ", ".join(_fields(message))
        return f"{head}, id {message.request_id}" + (f": {said}" if said else "")

    def _samples(self, samples: Samples) -> list[str]:
        head = [f"layout id 0x{samples.layout_id:08x}", f"sequence {samples.sequence}", f"tick {samples.tick}"]
        if self._layout is None or self._layout.layout_id != samples.layout_id:
            described = [self._described[index] for index in sorted(self._described)]
            if layout_id_of(described) != samples.layout_id:
                return [*head, f"bitmap and samples {samples.data.hex(' ')}"]
            self._layout = Layout.from_payloads(described)
        try:
            readings = self._layout.unpack(samples)
        except ProtocolError as exc:
            return [*head, str(exc)]
        return head + [
            f"channel {index}: {_words(reading) if isinstance(reading, NoReading) else reading}"
            for index, reading in readings
        ]


def type_in_words(kind: int) -> str:
    """A message's type as SPEC.md calls it, with its number there."""
    known = kind in set(MessageType)
    name = NAMES.get(MessageType(kind)) or _words(MessageType(kind)) if known else "not known"
    return f"{name} ({kind:02x})"


def _words(code: Enum) -> str:
    return (code.name or "").lower().replace("_", " ").replace("|", " + ")


def _fields(message: Message | Request) -> Iterator[str]:
    for field in fields(message):
        value = getattr(message, field.name)
        if field.name == "request_id" or value is None or value in ("", (), {}):
            continue
        name, _, unit = field.name.rpartition("_")
        if unit not in UNITS or field.name == "bad_frames":
            name, unit = field.name, ""
        if field.name == "outputs" and isinstance(value, tuple):
            yield from _outputs(value)
            continue
        yield f"{name.replace('_', ' ')} {_value(field.name, value)}" + (f" {UNITS[unit]}" if unit else "")


def _value(name: str, value: Any) -> str:
    if name in CODES and (name in ("capabilities", "faults") or value in set(CODES[name])):
        return f"{int(value)} ({_words(CODES[name](value))})"
    if name.endswith("layout_id"):
        return f"0x{value:08x}"
    if name == "request_type":
        return type_in_words(value)
    if (name, value) in (("index", ALL_CHANNELS), ("guard_channel", NO_GUARD)):
        return f"{value} ({'all' if name == 'index' else 'none'})"
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, tuple):
        return " ".join(f"{number:g}" for number in value)
    if isinstance(value, dict):
        return "; ".join(f"key {key}: {item}" for key, item in value.items())
    return str(value).lower() if isinstance(value, bool) else f"{value:g}" if isinstance(value, float) else str(value)


def _outputs(states: Iterable[tuple[int, int, int]]) -> Iterator[str]:
    for index, (state, by, left_ms) in enumerate(states):
        yield f"output {index} {_named(OutputState, state)}"
        yield f"opened by {_named(OpenedBy, by)}"
        yield f"{left_ms} ms of permit left"  # words: the word of SPEC.md


def _named(codes: type[IntEnum], value: int) -> str:
    return _words(codes(value)) if value in set(codes) else str(value)
